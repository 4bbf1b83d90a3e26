"""What the documents tell is so: their commands run, their links lead somewhere, no kind is forgotten."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import get_args

import pytest

from checkback.record.entry import Body
from checkback.record.journal import journal_schema
from checkback.settings import Settings
from command_line import IN_A_PROCESS, PROJECT, Done, excerpt, here, quiet

README = PROJECT / "README.md"
DOCUMENTS = [
    *sorted(PROJECT.glob("*.md")),
    *sorted((PROJECT / "docs").glob("*.md")),
    *sorted((PROJECT / "demo").glob("*.md")),
]
# every command is to be started as a process once: the others are in their own tests
STARTED_NOWHERE_ELSE = {"parse", "schema", "sign", "verify"}
FOREIGN_TERMS = PROJECT.parent / "shared" / "checks" / "foreign_terms.py"


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of a language."""
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def command_lines() -> list[tuple[str, list[str]]]:
    """Return the lines of the README that call the program, in order, with what is shown of their output."""
    found: list[tuple[str, list[str]]] = []
    for block in blocks(README.read_text(encoding="utf-8"), "(?:sh|console|)"):
        shows = "$ checkback" in block
        for line in block.splitlines():
            if re.match(r"(\$ )?(printf|checkback)\b", line):
                found.append((line.removeprefix("$ "), []))
            elif shows:
                found[-1][1].append(line)
    # with a microphone it has tests of its own, and it does not end by itself
    return [each for each in found if "checkback listen" not in each[0] or "--typed" in each[0]]


def test_the_commands_of_the_readme_run_and_print_what_is_shown(tmp_path: Path) -> None:
    (tmp_path / "demo").mkdir()
    # the beginning will do here: the whole recording has a test of its own
    excerpt(tmp_path / "demo" / "case.flac", 3.0)
    shutil.copy(README.parent / "demo" / "plan.toml", tmp_path / "demo")
    program = tmp_path / "bin" / "checkback"
    program.parent.mkdir()
    program.write_text('#!/bin/sh\nexec "$CHECKBACK_PYTHON" -W error -m checkback.cli "$@"\n')
    program.chmod(0o755)
    env = {
        **quiet(),
        "CHECKBACK_PYTHON": sys.executable,
        "PATH": f"{program.parent}:{quiet()['PATH']}",
    }
    lines = command_lines()
    assert len(lines) >= 20 and sum(bool(shown) for _, shown in lines) >= 5
    for line, shown in lines:
        program_name, *words = shlex.split(line)
        if program_name == "checkback" and words[0] not in IN_A_PROCESS | STARTED_NOWHERE_ELSE:
            done = here(*words, cwd=tmp_path)
        else:
            ran = subprocess.run(
                ["sh", "-c", line], cwd=tmp_path, env=env, capture_output=True, timeout=110, check=False
            )
            done = Done(ran.returncode, ran.stdout.decode(), ran.stderr.decode())
        assert done.code == 0, (line, done.err)
        assert "Traceback" not in done.err
        # "..." stands for what is left out
        pattern = ".*".join(map(re.escape, re.split(r"\n?\.\.\.\n?", "\n".join(shown))))
        assert line.startswith("checkback parse") or re.search(pattern, done.out + done.err, re.DOTALL)


def test_shown_output_is_what_comes_out() -> None:
    text = README.read_text(encoding="utf-8")
    shown = re.findall(r'^\$ checkback parse "(.*)"\n(\[\n.*?^\])$', text, re.MULTILINE | re.DOTALL)
    for sentence, output in shown:
        assert json.loads(here("parse", sentence).out) == json.loads(output)


def test_the_settings_that_documents_show_are_accepted() -> None:
    for path in DOCUMENTS:
        for block in blocks(path.read_text(encoding="utf-8"), "toml"):
            content = tomllib.loads(block)
            if content.keys() <= Settings.model_fields.keys():
                Settings.model_validate(content)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.name)
def test_links_lead_to_files_that_are_there(path: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", path.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (path.parent / target).exists(), target


def test_every_kind_of_entry_is_explained_in_the_schema() -> None:
    definitions = journal_schema()["$defs"]
    explained = {
        each["properties"]["kind"]["const"]: each.get("description", "")
        for each in definitions.values()
        if "const" in each.get("properties", {}).get("kind", {})
    }
    kinds = [body.model_fields["kind"].default for body in get_args(get_args(Body)[0])]
    assert len(kinds) > 20
    assert [kind for kind in kinds if not explained.get(kind)] == []


@pytest.mark.outside
@pytest.mark.skipif(not FOREIGN_TERMS.exists(), reason="the list of foreign names is not beside the project")
def test_nobody_is_named() -> None:
    done = subprocess.run(
        [sys.executable, FOREIGN_TERMS, PROJECT], capture_output=True, text=True, timeout=110, check=False
    )
    assert done.returncode == 0, done.stdout
