"""Every command explains itself, with an example that runs."""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from checkback.cli import cli
from command_line import checkback, excerpt

Path_ = tuple[str, ...]


def commands(command: click.Command = cli, path: Path_ = ()) -> Iterator[tuple[Path_, click.Command]]:
    """Yield each command with the words that lead to it."""
    yield path, command
    if isinstance(command, click.Group):
        for name, inner in command.commands.items():
            yield from commands(inner, (*path, name))


def example(command: click.Command) -> list[str]:
    """Return the words of the one example in the help."""
    (line,) = re.findall(r"^ *Example: checkback (.*)$", command.help or "", re.MULTILINE)
    return shlex.split(line)


def test_every_command_has_an_example_of_itself() -> None:
    for path, command in commands():
        assert tuple(example(command)[: len(path)]) == path


def test_every_option_is_explained() -> None:
    for path, command in commands():
        for parameter in command.params:
            assert not isinstance(parameter, click.Option) or parameter.help, (path, parameter.name)


@pytest.mark.parametrize("path", [(), ("replay",), ("phrasebook", "sample")])
def test_help_is_shown_and_is_no_error(path: Path_) -> None:
    done = checkback(*path, "--help")
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith("Usage: checkback")
    assert "Example: checkback" in done.out


def test_every_example_runs(tmp_path: Path) -> None:
    (tmp_path / "demo").mkdir()
    excerpt(tmp_path / "demo" / "case.flac", 3.0)
    done_already: list[list[str]] = []
    for _, command in commands():
        words = example(command)
        if words in done_already:
            continue
        done_already.append(words)
        if words[0] in ("show", "verify", "export", "report", "sign"):
            # a case to look at
            begun = checkback("listen", "--typed", "--case", words[1], cwd=tmp_path, given="heart rate 70\n")
            assert begun.code == 0
        if words[0] == "import":
            (tmp_path / "notes.csv").write_text("12:30,heparin 5000 units\n")
        if words[0] == "listen":
            words = [*words, "--typed"]  # the microphone has tests of its own
        # what stands behind ">" is the shell's
        words = words[: words.index(">")] if ">" in words else words
        done = checkback(*words, cwd=tmp_path)
        assert done.code == 0, (words, done.err)
        assert done.out
        if words[0] == "replay":
            shutil.rmtree(tmp_path / "demo-case")
