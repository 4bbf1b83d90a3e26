"""`checkback listen --typed --display` as a child process, and a real browser that looks at it."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import pytest

from checkback.record.entry import Entry
from checkback.record.journal import Journal
from command_line import quiet
from sound_room import wait_until

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
PLAN = Path(__file__).parents[1] / "demo" / "plan.toml"

needs_chromium = pytest.mark.skipif(
    CHROMIUM is None, reason="chromium is not installed: apt-get install chromium"
)

CASE_SO_FAR = (
    "start case",
    "time out done",
    "right radial 6 french",
    "heparin 7000 units",
    "guide jr4 6 french",
    "workhorse wire in",
    "wire across",
    "act 281",
    "contrast given 90",
    "air kerma 900",
    "balloon 2.5 by 12",
    "up to 14 atmospheres",
)
"""A stretch of an invented case, as it is typed."""


class Program:
    """The running program: its pages, what it showed, and its case."""

    def __init__(self, process: subprocess.Popen[str], case: Path, screen: Path) -> None:
        self.process = process
        self.case = case
        self._screen = screen

    def shown(self) -> str:
        return self._screen.read_text(encoding="utf-8")

    def address(self) -> str:
        wait_until(lambda: "The display is at" in self.shown(), "the address", limit_s=120)
        found = re.search(r"http://\S+:(\d+)/", self.shown())
        assert found is not None
        return f"http://127.0.0.1:{found[1]}/"

    def type(self, *lines: str) -> None:
        assert self.process.stdin is not None
        for each in lines:
            self.process.stdin.write(f"{each}\n")
        self.process.stdin.flush()

    def entries(self) -> list[Entry]:
        return list(Journal.read(self.case))

    def typed(self) -> list[Entry]:
        return [entry for entry in self.entries() if entry.source == "typed"]


@contextmanager
def program(
    folder: Path, *, display: str = "", case: str = "case-7", language: str = "english", plan: bool = True
) -> Iterator[Program]:
    """Run the program with a display at a free port; `display` is more of that group of settings."""
    folder.mkdir(exist_ok=True)
    settings = folder / "settings.toml"
    settings.write_text(
        f'[display]\nport = 0\n{display}\n[speaking]\nvoice = "silent"\n[language]\nphrasebook = "{language}"\n',
        encoding="utf-8",
    )
    screen = folder / "screen.txt"
    out: IO[str]
    with screen.open("w", encoding="utf-8") as out:
        process = subprocess.Popen(
            [
                *(sys.executable, "-m", "checkback.cli", "--settings", str(settings)),
                *("listen", "--typed", "--display", "--case", str(folder / case)),
                *(("--plan", str(PLAN)) if plan else ()),
            ],
            stdin=subprocess.PIPE,
            stdout=out,
            stderr=subprocess.STDOUT,
            text=True,
            encoding="utf-8",
            env=dict(quiet()) | {"PYTHONUNBUFFERED": "1"},
        )
    running = Program(process, folder / case, screen)
    try:
        yield running
    finally:
        process.kill()
        process.communicate()


@contextmanager
def browser() -> Iterator[Any]:
    """Give a real browser without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield opened
        finally:
            opened.close()
