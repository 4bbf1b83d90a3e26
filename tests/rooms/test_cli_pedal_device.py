"""The running program with a pedal that is a device: pressed, unplugged, plugged in, and recorded."""

from __future__ import annotations

import contextlib
import subprocess
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

pytest.importorskip("evdev", reason="the extra 'pedal' is not installed, or this is no Linux")
from evdev import ecodes as e
from test_pedal_device import Box, key, press

from checkback import app, doctor
from checkback.errors import UserError
from checkback.hearing.pedals.events import PedalEvent
from checkback.record.entry import Deflation, Inflation, Mark, Withdrawal
from checkback.record.journal import Journal
from checkback.settings import Settings, load
from command_line import COMMAND, quiet

LIMIT_S = 110.0
KEYS = '[pedals.keys]\nb = "talk"\nc = { tap = "clock", long = "withdraw" }\nd = "mark"\n'


def wait_until(true: Callable[[], bool], what: str) -> None:
    until_s = time.monotonic() + LIMIT_S
    while not true():
        assert time.monotonic() < until_s, what
        time.sleep(0.05)


def test_a_device_is_pressed_unplugged_and_plugged_in_during_a_case(tmp_path: Path) -> None:
    box = Box(tmp_path / "box")
    (tmp_path / "settings.toml").write_text(
        f'[speaking]\nvoice = "text"\n[pedals]\nuse = true\ndevice = "{box.path}"\n{KEYS}'
    )
    case, said = tmp_path / "case", tmp_path / "said.txt"
    with said.open("w") as file:
        program = subprocess.Popen(
            [*COMMAND, "--settings", "settings.toml", "listen", "--typed", "--case", case],
            cwd=tmp_path,
            env=dict(quiet()) | {"PYTHONUNBUFFERED": "1"},
            stdin=subprocess.PIPE,
            stdout=file,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def bodies() -> list[object]:
        return [entry.body for entry in Journal.read(case)][1:] if (case / "journal.jsonl").exists() else []

    def tap(code: int) -> None:
        # in one piece: a busy computer would make a long press of two
        box.send(key(code, 1) + key(code, 0))

    try:
        box.connected()
        assert program.stdin is not None
        program.stdin.write("balloon 2.5 x 12\n")
        program.stdin.flush()
        wait_until(lambda: len(bodies()) == 1, "the balloon")
        tap(e.KEY_C)
        wait_until(lambda: bodies()[1:] == [Inflation()], "up")
        tap(e.KEY_C)
        wait_until(lambda: bodies()[2:] == [Deflation()], "down")
        box.unplug()
        wait_until(lambda: "pedal lost" in said.read_text(), "that it is lost is said")
        box.plug_in()
        box.connected()
        wait_until(lambda: "pedal back" in said.read_text(), "that it is back is said")
        tap(e.KEY_D)
        wait_until(lambda: bodies()[3:] == [Mark()], "the mark")
        box.send(key(e.KEY_C, 1))
        wait_until(lambda: isinstance(bodies()[-1], Withdrawal), "the long press")
        program.stdin.close()
        assert program.wait(timeout=LIMIT_S) == 0
    finally:
        program.kill()
        program.wait()
        with contextlib.suppress(OSError):
            box.unplug()
    text = said.read_text()
    assert "plug it in again" in text and "Traceback" not in text
    entries = Journal.read(case)
    assert [entry.source for entry in entries][2:] == ["pedal"] * 4


def test_recorded_presses_are_placed_by_the_start_of_the_sound(tmp_path: Path) -> None:
    start = datetime(2026, 3, 2, 8, tzinfo=UTC)
    presses = tmp_path / "presses.evdev"
    presses.write_bytes(press(e.KEY_D, start.timestamp() + 1.25, start.timestamp() + 1.5))
    (tmp_path / "settings.toml").write_text(KEYS)
    settings = load(tmp_path / "settings.toml")
    assert app.load_presses(presses, settings, start) == (PedalEvent("mark", True, 1.25),)
    with pytest.raises(UserError, match="has the time of day: say with --start"):
        app.load_presses(presses, settings, None)
    script = tmp_path / "script.txt"
    script.write_text("1.25 mark down\n")
    assert app.load_presses(script, settings, None) == (PedalEvent("mark", True, 1.25),)


def test_the_doctor_tells_of_a_device_that_is_missing() -> None:
    settings = Settings.model_validate({"pedals": {"use": True, "device": "1a2b:00ff"}})
    with pytest.raises(UserError) as caught:
        doctor._pedal(settings)
    what, _, remedy = str(caught.value).partition(": ")
    assert what == 'No pedal "1a2b:00ff" is plugged in'
    assert remedy == "plug it in, or see checkback pedal --list"


def test_the_doctor_tells_what_a_device_that_is_there_does(tmp_path: Path) -> None:
    box = Box(tmp_path / "box")
    settings = Settings.model_validate({"pedals": {"device": str(box.path), "keys": {"b": "talk"}}})
    assert doctor._pedal(settings) == (
        f"{box.path} can be watched; b hold: talk (pedals.use is off in the settings)"
    )
    box.connected()
    box.unplug()
