"""The doctor tries each part for real: on a bare computer, in a room with sound, with wrong settings."""

from __future__ import annotations

import contextlib
import os
import socket
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from test_pedal import keyboard_missing, virtual_display

from checkback import doctor
from checkback.doctor import Finding, _display, _tried, examine
from checkback.errors import UserError
from checkback.settings import Display, Language, Settings
from command_line import Done, checkback, quiet
from sound_room import SoundRoom, missing

STATES = {"✓": "works", "–": "missing", "✗": "broken"}


def findings(done: Done) -> dict[str, tuple[str, str, str]]:
    """Return (state, what, remedy) of each part."""
    found: dict[str, tuple[str, str, str]] = {}
    part = ""
    for line in done.out.splitlines():
        if line[0] in STATES:
            name, _, what = line[1:].strip().partition("  ")
            part, found[name] = name, (STATES[line[0]], what, "")
        else:
            assert line.startswith("     → ")
            found[part] = (*found[part][:2], line.removeprefix("     → "))
    return found


@pytest.mark.skipif(Path("/dev/snd").exists(), reason="this computer has a sound card")
def test_on_a_computer_without_sound_and_display(tmp_path: Path) -> None:
    env = {name: value for name, value in quiet().items() if name != "ALSA_CONFIG_PATH"}
    done = checkback("doctor", cwd=tmp_path, env=env, settings="[display]\nport = 0\n")
    assert (done.code, done.err) == (0, "")
    found = findings(done)
    # how this computer is furnished beside that is its own affair
    here = ("devices with keys", "disk space", "time zone")
    assert {part: state for part, (state, _, _) in found.items() if part not in here} == {
        "phrasebook": "works",
        "cards": "works",
        "recogniser": "works",
        "vosk model": "missing",
        "whisper model": "missing",
        "extras": "works",
        "voice detector": "works",
        "microphones": "missing",
        "microphone": "missing",
        "voice": "works",
        "loudspeakers": "missing",
        "loudspeaker": "missing",
        "sound in the room": "missing",
        "pedal": "missing",
        "display": "works",
        "cases folder": "works",
        "clock": "works",
    }
    # whatever does not work comes with what to do
    assert all(bool(remedy) != (state == "works") for state, _, remedy in found.values())
    assert "plug one in" in found["microphone"][2]
    assert "models_download.md" in found["vosk model"][2]
    assert [each.name for each in tmp_path.iterdir()] == ["settings.toml"]


def test_a_sound_system_that_fails_takes_nothing_with_it(tmp_path: Path) -> None:
    broken = {**quiet(), "ALSA_CONFIG_PATH": "/nonexistent"}
    done = checkback("doctor", cwd=tmp_path, env=broken)
    assert done.code == 0
    assert "The sound system of this computer fails" in findings(done)["microphone"][1]
    done = checkback("listen", "--case", "case", cwd=tmp_path, env=broken)
    assert done.code == 2
    assert "install it again" in done.err


def test_what_is_needed_and_broken_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "model").mkdir()
    (tmp_path / "file").touch()
    settings = (
        "cases = 'file/cases'\n[hearing]\nrecogniser = 'vosk'\nvosk_model = 'model'\n"
        "[language]\nfolder = 'nowhere'\n[pedals]\nuse = true\n"
    )
    done = checkback("doctor", cwd=tmp_path, settings=settings)
    assert (done.code, done.err) == (2, "")
    found = findings(done)
    for part in ("phrasebook", "recogniser", "vosk model", "pedal", "cases folder"):
        state, _, remedy = found[part]
        assert (part, state) == (part, "broken")
        assert remedy


def test_what_the_settings_ask_for_is_needed() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        settings = Settings.model_validate({"display": {"use": True, "port": port}})
        with pytest.raises(UserError, match=rf"port {port} .*: set another display.port"):
            doctor._display(settings)
    assert doctor._display(settings) == f"can be served at 127.0.0.1, port {port}, for this computer only"


def test_an_extra_that_is_asked_for_and_missing_is_named() -> None:
    settings = Settings.model_validate(
        {"display": {"use": True}, "pedals": {"use": True}, "hearing": {"second": "none"}}
    )
    assert doctor.extras_asked(settings) == {"pedal": ("pynput",), "display": ("starlette", "uvicorn")}
    assert doctor.installed({}) == "the settings ask for none"
    assert doctor.installed({"display": ("starlette", "uvicorn")}) == "display installed"
    with pytest.raises(UserError, match=r"\(no_such, nor_this\): pip install 'checkback\[pedal,display\]'"):
        doctor.installed({"pedal": ("no_such",), "display": ("starlette", "nor_this")})


def test_little_room_and_a_clock_that_is_not_set(tmp_path: Path) -> None:
    assert "GB free" in doctor.disk_space(tmp_path / "not" / "there", least_bytes=0)
    with pytest.raises(UserError, match=r"only \d+ MB are free at .*: make room"):
        doctor.disk_space(tmp_path, least_bytes=10**18)
    assert doctor.clock(datetime(2026, 3, 2, 8, tzinfo=UTC)).startswith("2026-03-02 08:00:00 UTC")
    with pytest.raises(UserError, match=r"1970-01-01 00:00.*: set date and time"):
        doctor.clock(datetime.fromtimestamp(0, UTC))


def test_a_wrong_vosk_model(tmp_path: Path) -> None:
    (tmp_path / "model").mkdir()
    chosen = "[hearing]\nrecogniser = 'vosk'\nvosk_model = 'model'\n"
    done = checkback("doctor", cwd=tmp_path, settings=chosen)
    assert done.code == 2
    state, what, remedy = findings(done)["vosk model"]
    assert state == "broken"
    assert "model is not a usable Vosk model" in what
    assert "models_download.md" in remedy


@pytest.mark.sound
@pytest.mark.display
@pytest.mark.skipif(bool(missing() or keyboard_missing()), reason=missing() or keyboard_missing())
def test_with_sound_and_display_everything_works(tmp_path: Path) -> None:
    with SoundRoom() as room, virtual_display(), contextlib.chdir(tmp_path):
        done = checkback("doctor", env=room.env | {"DISPLAY": os.environ["DISPLAY"], "LC_ALL": "C.UTF-8"})
    assert (done.code, done.err) == (0, "")
    found = findings(done)
    faults = {part for part, (state, _, _) in found.items() if state != "works"}
    assert faults - {"devices with keys", "disk space", "time zone"} == {"vosk model", "whisper model"}
    assert found["microphones"][1] and found["loudspeakers"][1]
    assert "pedals.use is off" in found["pedal"][1]


def display_of(**settings: Any) -> Finding:
    return _tried("display", lambda: _display(Settings(display=Display(**settings))), needed=True)


def test_the_display_is_bound_and_who_could_come_in_is_told() -> None:
    assert display_of(port=0).what.startswith(
        "can be served at 127.0.0.1, a port that is free, for this computer only"
    )
    assert "display.use is off" in display_of(port=0).what and "off" not in display_of(port=0, use=True).what
    assert "at https://wall.example: whoever has" in display_of(port=0, address="https://wall.example").what
    made_up = display_of(port=0, host="0.0.0.0")
    assert made_up.state == "works" and "a token that is made up at each start" in made_up.what
    assert "whoever has the token that is set sees" in display_of(port=0, host="0.0.0.0", token="x" * 12).what


def test_a_port_that_is_taken_and_a_host_that_is_not_here() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        found = display_of(port=port)
        assert (
            found.state == "broken"
            and f"port {port}" in found.what
            and "another display.port" in found.remedy
        )
    # RFC 5737: an address for documents, which no computer has
    found = display_of(port=0, host="192.0.2.7")
    assert found.state == "broken" and "192.0.2.7" in found.what and "display.host" in found.remedy


def test_a_language_that_only_vosk_hears_is_told_alike_everywhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    found = {each.part: each for each in examine(Settings(language=Language(phrasebook="korean")))}
    for part in ("recogniser", "vosk model"):
        assert found[part].state == "broken" and "built-in" not in f"{found[part].what} {found[part].remedy}"
    assert "second opinion" not in f"{found['whisper model'].what} {found['whisper model'].remedy}"
    assert found["cards"].state == "missing" and "bailout" in found["cards"].remedy
