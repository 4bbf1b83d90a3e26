"""The program as a user starts it: a process of its own, with its exit code and what it printed."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import soundfile

PROJECT = Path(__file__).parents[1]
RECORDING = PROJECT / "demo" / "case.flac"
COMMAND = (sys.executable, "-W", "error", "-m", "checkback.cli")


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
    before: list[str | Path] = []
    if settings is not None:
        assert cwd is not None
        (cwd / "settings.toml").write_text(settings, encoding="utf-8")
        before = ["--settings", "settings.toml"]
    done = subprocess.run(
        [*COMMAND, *before, *words],
        cwd=cwd,
        env=dict(env if env is not None else quiet()),
        input=given.encode() if isinstance(given, str) else given,
        capture_output=True,
        timeout=115,
        check=False,
    )
    return Done(done.returncode, done.stdout.decode(), done.stderr.decode())


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
