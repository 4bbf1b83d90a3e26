"""What every command uses: settings, the two consoles, and how a mistake or a note is shown."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.markup import escape

from checkback.errors import UserError
from checkback.settings import Settings, default_path, load

NOT_A_DEVICE = (
    "Checkback is not a medical device. It advises; licensed staff decide. Check against local protocol."
)

MISTAKE = 2
"""Exit code: something that the user can mend."""

INTERRUPTED = 130
"""Exit code: Ctrl-C or a request to end, as shells expect it."""


class _Console(Console):
    def on_broken_pipe(self) -> None:
        """Leave it to `main`, like everywhere else."""
        raise


out = _Console(highlight=False)
err = _Console(stderr=True, highlight=False)


def as_json_text(value: Any, *, indent: int | None = None) -> str:
    """Return `value` as JSON that any screen or file can take without loss."""
    utf8 = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    return json.dumps(value, indent=indent, ensure_ascii=not utf8)


class SettingsFile:
    """Read only when a command needs them, so that --help works with a broken file."""

    def __init__(self, path: Path | None) -> None:
        self._path = path

    @property
    def path(self) -> Path:
        """The file, also if there is none yet."""
        return default_path() if self._path is None else self._path

    def load(self) -> Settings:
        """Return the settings; see `checkback.settings.load`."""
        return load(self._path)


pass_settings = click.make_pass_decorator(SettingsFile)


class GivenPath(click.Path):
    """A path that was given: an empty one would silently mean the current folder."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path.

        Raises
        ------
        click.BadParameter
            If it is empty.
        """
        if isinstance(value, str) and not value.strip():
            self.fail("the name is empty; give one, or '.' for the current folder", param, ctx)
        return super().convert(value, param, ctx)


given_path = GivenPath()
case_argument = click.argument("case", type=given_path)


def visible(words: str) -> str:
    """Return words without what would move or clear the screen; what was typed may hold anything."""
    return "".join(sign if sign.isprintable() else "\N{REPLACEMENT CHARACTER}" for sign in words)


def attention(line: str) -> None:
    """Show a line that needs attention, on the standard error."""
    err.print(f"[bold]{escape(line)}[/]", soft_wrap=True)


def moment(text: str | None, *, option: str = "--start") -> datetime:
    """Return a wall time given as RFC 3339, or now.

    Raises
    ------
    UserError
        If it is no time; names the option.
    """
    if text is None:
        return datetime.now().astimezone()
    try:
        moment = datetime.fromisoformat(text)
        # at the very ends of the calendar there is no such time everywhere
        moment.astimezone(UTC)
        return moment if moment.tzinfo else moment.astimezone()
    except (ValueError, OverflowError):
        raise UserError(f"{option} {text}: not a time; write it like 2026-03-02T08:00:00+01:00") from None
