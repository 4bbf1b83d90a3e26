"""The program as a user starts it, with its exit code and what it printed: as a process of its own, or here."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
import soundfile

from checkback import app
from checkback.cli import main
from checkback.language.phrasebook import Phrasebook
from checkback.settings import Language, Settings
from english import book

PROJECT = Path(__file__).parents[1]
RECORDING = PROJECT / "demo" / "case.flac"
COMMAND = (sys.executable, "-W", "error", "-m", "checkback.cli")

IN_A_PROCESS = frozenset({"listen", "replay", "pedal", "doctor", "setup", "display", "enrol"})
"""Commands with threads and child processes, which end with the program: never `here`."""


@dataclass(frozen=True)
class Done:
    """A finished run."""

    code: int
    out: str
    err: str


def checkback(
    *words: str | Path,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
    given: str | bytes = "",
    settings: str | None = None,
) -> Done:
    """Run the program to its end; `settings` is the text of a settings file."""
    done = subprocess.run(
        [*COMMAND, *_settings_file(cwd, settings), *words],
        cwd=cwd,
        env=dict(env if env is not None else quiet()),
        input=given.encode() if isinstance(given, str) else given,
        capture_output=True,
        timeout=115,
        check=False,
    )
    return Done(done.returncode, done.stdout.decode(), done.stderr.decode())


def here(
    *words: str | Path, cwd: Path | None = None, given: str | bytes = "", settings: str | None = None
) -> Done:
    """Run the program's main function in this process: without a start of Python, and otherwise the same.

    As in `checkback`, warnings are errors, and an exception that is nobody's mistake fails the test.  The
    phrasebook that ships with the program is read once for all.
    """
    assert IN_A_PROCESS.isdisjoint(words[:1]) or "--help" in words
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="") for _ in range(2))
    said = io.BytesIO(given.encode() if isinstance(given, str) else given)
    at_a_request_to_end = signal.getsignal(signal.SIGTERM)
    with pytest.MonkeyPatch.context() as patch:
        # eighty columns are what a process has that writes into a pipe
        env = {**quiet(), "COLUMNS": "80"}
        for name in os.environ.keys() - env.keys():
            patch.delenv(name)
        for name, value in env.items():
            patch.setenv(name, value)
        if cwd is not None:
            patch.chdir(cwd)
        patch.setattr(app, "load_book", _shipped(app.load_book))
        patch.setattr(sys, "argv", list(map(str, ["checkback", *_settings_file(cwd, settings), *words])))
        patch.setattr(sys, "stdin", io.TextIOWrapper(said, encoding="utf-8"))
        patch.setattr(sys, "stdout", out)
        patch.setattr(sys, "stderr", err)
        try:
            with pytest.raises(SystemExit) as end:
                main()
        finally:
            signal.signal(signal.SIGTERM, at_a_request_to_end)
    assert isinstance(end.value.code, int)
    return Done(end.value.code, _written(out), _written(err))


def _shipped(load: Callable[[Settings], Phrasebook]) -> Callable[[Settings], Phrasebook]:
    return lambda settings: book() if settings.language == Language() else load(settings)


def _settings_file(cwd: Path | None, settings: str | None) -> list[str]:
    if settings is None:
        return []
    assert cwd is not None
    (cwd / "settings.toml").write_text(settings, encoding="utf-8")
    return ["--settings", "settings.toml"]


def _written(stream: io.TextIOWrapper) -> str:
    stream.flush()
    return stream.detach().getvalue().decode()  # type: ignore[attr-defined]


@cache
def quiet() -> Mapping[str, str]:
    """Return an environment without sound card and display, on any computer."""
    clean = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "PULSE_SERVER")}
    return clean | {
        "ALSA_CONFIG_PATH": os.devnull,
        "PULSE_SERVER": "unix:/nonexistent",
        "LC_ALL": "C.UTF-8",
    }


def excerpt(path: Path, seconds: float, *, start_s: float = 0.0, subtype: str | None = None) -> Path:
    """Write a stretch of the demonstration recording into a file of its own."""
    rate_hz = soundfile.info(RECORDING).samplerate
    sound, _ = soundfile.read(RECORDING, start=round(start_s * rate_hz), frames=round(seconds * rate_hz))
    soundfile.write(path, sound, rate_hz, subtype=subtype)
    return path
