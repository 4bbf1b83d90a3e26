"""Every command explains itself, with an example that runs."""

from __future__ import annotations

import re
import shlex
import signal
import subprocess
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from test_documents import command_lines

from checkback.cli import cli
from command_line import COMMAND, IN_A_PROCESS, checkback, excerpt, here, quiet

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
    # for the first by a process, where nothing may be shown but the help
    done = here(*path, "--help") if path else checkback("--help")
    assert (done.code, done.err) == (0, "")
    assert done.out.startswith("Usage: checkback")
    assert "Example: checkback" in done.out


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the examples speak of."""
    folder = tmp_path_factory.mktemp("examples")
    (folder / "demo").mkdir()
    excerpt(folder / "demo" / "case.flac", 3.0)
    (folder / "notes.csv").write_text("12:30,heparin 5000 units\n")
    for case in ("demo-case", "cases/2026-03-02T0800"):
        begun = checkback("listen", "--typed", "--case", case, cwd=folder, given="heart rate 70\n")
        assert begun.code == 0, begun.err
    return folder


def by_itself(words: list[str]) -> list[str]:
    """Return the words of an example without what is the shell's."""
    return words[: words.index(">")] if ">" in words else words


SHOWN_IN_THE_README = [shlex.split(line)[1:] for line, _ in command_lines()]
EXAMPLES = {
    " ".join(example(command)): example(command)
    for path, command in commands()
    # the one goes on until it is told to end, the others are run with the README
    if path != ("display",) and by_itself(example(command)) not in SHOWN_IN_THE_README
}


def test_most_examples_are_run_here() -> None:
    assert len(EXAMPLES) >= 12


@pytest.mark.parametrize("words", EXAMPLES.values(), ids=EXAMPLES)
def test_every_example_runs(words: list[str], room: Path) -> None:
    if words[0] == "listen":
        words = [*words, "--typed"]  # the microphone has tests of its own
    if words[0] == "replay":
        words = [*words[:-1], "replayed"]  # a case that is there already is not written over
    words = by_itself(words)
    done = (checkback if words[0] in IN_A_PROCESS else here)(*words, cwd=room)
    assert done.code == 0, (words, done.err)
    assert done.out


def test_the_example_of_display_serves_the_case_until_it_is_told_to_end(room: Path) -> None:
    words = [*example(cli.commands["display"]), "--port", "0"]
    with subprocess.Popen(
        [*COMMAND, *words],
        cwd=room,
        env=dict(quiet()),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as served:
        try:
            assert served.stderr is not None
            found = (re.search(r"http://\S+/", line) for line in served.stderr)
            address = next(each[0] for each in found if each)
            with urllib.request.urlopen(address, timeout=30) as page:
                assert page.status == 200 and b"</html>" in page.read()
        finally:
            served.send_signal(signal.SIGINT)
        assert served.wait(timeout=30) == 0
