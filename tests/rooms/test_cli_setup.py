"""Setup in a terminal: answers, slips, leaving half-way; what is written, and what is not."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import threading
import time
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
from test_pedal import keyboard_missing, virtual_display

from checkback.commands.setup import phrasebooks
from checkback.errors import UserError
from checkback.hearing.pedals.devices import devices, may_be_read
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.settings import Settings, load
from checkback.tryout import Heard, bar
from command_line import COMMAND, PROJECT, Done, checkback, quiet
from sound_room import SoundRoom, missing
from speakers import needs_flite, silence, spoken

LIMIT_S = 90.0
WITH_COMMENTS = """# ours
cases = "kept"  # on the large disk

[hearing]
recogniser = "pocketsphinx"  # tried in May
attention_word = "hello room"

[guiding]
two_person = true
"""


class Terminal:
    """The program with a terminal to ask in."""

    def __init__(self, *words: str, cwd: Path, env: Mapping[str, str] | None = None) -> None:
        ours, theirs = pty.openpty()
        self._ours = ours
        self.shown = ""
        self._seen = 0
        self.process = subprocess.Popen(
            [*COMMAND, *words], cwd=cwd, env=dict(env or quiet()), stdin=theirs, stdout=theirs, stderr=theirs
        )
        os.close(theirs)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        try:
            while data := os.read(self._ours, 4096):
                self.shown += data.decode(errors="replace")
        except OSError:
            return  # the other end is closed

    def wait_for(self, text: str) -> None:
        until_s = time.monotonic() + LIMIT_S
        while (at := self.shown.find(text, self._seen)) < 0:
            assert time.monotonic() < until_s, (text, self.shown[self._seen :])
            time.sleep(0.02)
        self._seen = at + len(text)

    def answer(self, question: str, words: str) -> None:
        self.wait_for(question)
        os.write(self._ours, f"{words}\n".encode())

    def end(self) -> int:
        code = self.process.wait(LIMIT_S)
        self._reader.join(5)
        os.close(self._ours)
        return code


def answered(terminal: Terminal, dialogue: Sequence[tuple[str, str]]) -> None:
    for question, words in dialogue:
        terminal.answer(question, words)


def test_answers_are_asked_again_until_they_can_be_used_and_all_else_is_kept(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(WITH_COMMENTS)
    (tmp_path / "model").mkdir()
    (tmp_path / "file").touch()
    terminal = Terminal("--settings", "settings.toml", "setup", cwd=tmp_path)
    answered(
        terminal,
        [
            ("Language", "klingonese"),
            ("is not one of", "english"),
            ("Microphone, part of its name", "USB"),
            ("Voice (", "text"),
            ("Pedal: learn", "none"),
            ("Second listener", "model"),
            ("lacks", "-"),
            ("[word]", "pedal"),
            ("No pedal is set", "word"),
            ("[hello room]", "Check1"),
            ("Letters", "  Check  Back "),
            ("Folder for cases", "file/cases"),
            ("cannot be written", "here"),
            ("Wall display", "y"),
            ("Write this?", "y"),
        ],
    )
    assert terminal.end() == 0, terminal.shown
    text = (tmp_path / "settings.toml").read_text()
    for kept in (
        "# ours",
        "# on the large disk",
        'recogniser = "pocketsphinx"  # tried in May',
        "two_person = true",
    ):
        assert kept in text
    settings = load(tmp_path / "settings.toml")
    assert settings.cases == tmp_path / "here"
    assert settings.cases.is_absolute()
    assert settings.hearing.microphone == "USB"
    assert settings.hearing.attention_word == "check back"
    assert (settings.hearing.open_room, settings.hearing.second) == (True, "auto")
    assert settings.speaking.voice == "text"
    assert settings.display.use and not settings.pedals.use
    assert "Traceback" not in terminal.shown


@pytest.mark.parametrize("how", ["ctrl-c", "end of input", "no"])
def test_leaving_half_way_writes_nothing(tmp_path: Path, how: str) -> None:
    (tmp_path / "settings.toml").write_text(WITH_COMMENTS)
    terminal = Terminal("--settings", "settings.toml", "setup", cwd=tmp_path)
    terminal.answer("Language", "korean")
    terminal.answer("Vosk model", "-")
    if how == "ctrl-c":
        terminal.wait_for("Microphone, part of its name")
        terminal.process.send_signal(signal.SIGINT)
    elif how == "end of input":
        terminal.wait_for("Microphone, part of its name")
        os.write(terminal._ours, b"\x04")
    else:
        answered(
            terminal,
            [("Microphone, part", ""), ("Voice (", "silent"), ("Pedal: learn", ""), ("No pedal held", "open"),
             ("Folder for cases", ""), ("Wall display", "n"), ("Write this?", "n")],
        )  # fmt: skip
    assert terminal.end() == (0 if how == "no" else 2)
    assert "othing is written" in terminal.shown
    assert "Traceback" not in terminal.shown
    assert (tmp_path / "settings.toml").read_text() == WITH_COMMENTS
    assert [path.name for path in tmp_path.iterdir()] == ["settings.toml"]


def one_sentence(done: Done) -> bool:
    return done.code == 2 and done.err.startswith("checkback: ") and done.err.count("\n") == 1


def test_with_no_terminal_it_asks_nothing(tmp_path: Path) -> None:
    done = checkback("setup", cwd=tmp_path, settings=WITH_COMMENTS)
    assert one_sentence(done) and "--yes" in done.err
    assert (tmp_path / "settings.toml").read_text() == WITH_COMMENTS


def test_the_defaults_are_taken_without_asking(tmp_path: Path) -> None:
    done = checkback("--settings", "new/settings.toml", "setup", "--yes", cwd=tmp_path)
    assert (done.code, done.err) == (0, "")
    written = tomllib.loads((tmp_path / "new" / "settings.toml").read_text())
    assert written["language"] == {"phrasebook": "english"}
    # wherever it is started later, the cases go to the same place
    assert load(tmp_path / "new" / "settings.toml") == Settings(cases=tmp_path / "cases")
    shown = done.out.split(":\n\n", 1)[1].rsplit("\n\n", 1)[0]
    assert written == tomllib.loads(shown.rsplit("\nnew/settings.toml", 1)[0])


def test_a_preview_writes_nothing(tmp_path: Path) -> None:
    done = checkback("--settings", "new.toml", "setup", "--yes", "--preview", cwd=tmp_path)
    assert (done.code, list(tmp_path.iterdir())) == (0, [])
    assert 'phrasebook = "english"' in done.out


def test_a_place_that_cannot_be_written_is_told_before_anything_is_asked(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    done = checkback("--settings", "file/settings.toml", "setup", "--yes", cwd=tmp_path)
    assert one_sentence(done) and "--settings" in done.err


def test_every_phrasebook_is_offered(tmp_path: Path) -> None:
    assert phrasebooks(PROJECT / "grammars") == ["english", "korean"]
    with pytest.raises(UserError, match="no phrasebook"):
        phrasebooks(tmp_path)


def test_what_a_microphone_heard_comes_with_what_to_do() -> None:
    assert "muted" in Heard(0.0, -100.0, False).verdict
    assert "speak towards it" in Heard(0.2, -40.0, False).verdict
    assert "turn the microphone down" in Heard(3.0, -1.0, True).verdict
    assert "nearer" in Heard(3.0, -55.0, False).verdict
    assert Heard(3.0, -20.0, False).verdict == "you were heard, up to -20 dB of full scale"
    assert (bar(0.0).count("#"), bar(-30.0).count("#"), bar(-100.0).count("#")) == (30, 15, 0)


@pytest.mark.sound
@pytest.mark.skipif(bool(missing()), reason=missing())
@needs_flite
def test_the_microphone_is_tried_while_somebody_speaks(tmp_path: Path) -> None:
    said = tmp_path / "said.wav"
    words = [silence(0.3), spoken("balloon two five by twelve"), spoken("contrast twenty"), silence(0.3)]
    soundfile.write(said, np.concatenate(words), SAMPLE_RATE_HZ)
    with SoundRoom() as room:
        terminal = Terminal("--settings", "s.toml", "setup", cwd=tmp_path, env=room.env)
        answered(terminal, [("Language", ""), ("Microphone, part", "")])
        # nobody speaks: told, and asked again
        terminal.wait_for("Speak for")
        answered(terminal, [("Set it all the same?", "n"), ("Microphone, part", "")])
        terminal.wait_for("Speak for")
        speaking = room.start_playing(said)
        terminal.wait_for("#####")
        terminal.wait_for("You were heard")
        speaking.wait()
        # its voice goes to the other sink, and comes back late
        room._pactl("load-module", "module-loopback", "source=voice.monitor", "sink=room", "latency_msec=400")
        with room.record(tmp_path / "voice.wav"):
            answered(terminal, [("Voice (", "auto"), ("Loudspeaker, part", ""), ("Did you hear it?", "y")])
        # answered at once, while the sentence before is still in the room
        terminal.answer("Measure", "y")
        terminal.wait_for("The program will be deaf for ")
        terminal.wait_for("Pedal: learn")
        deaf_s = float(terminal.shown.split("The program will be deaf for ")[1].split()[0])
        terminal.process.send_signal(signal.SIGINT)
        assert terminal.end() == 2
    # the delay and the margin of a tenth of a second; the sound server adds a little of its own
    assert 0.4 <= deaf_s <= 0.85
    voice, _ = soundfile.read(tmp_path / "voice.wav")
    assert np.abs(voice).max() > 0.05
    assert not (tmp_path / "s.toml").exists()


@pytest.mark.display
@pytest.mark.skipif(bool(keyboard_missing()), reason=keyboard_missing())
@pytest.mark.skipif(any(map(may_be_read, devices())), reason="keys of real devices can be read here")
def test_a_pedal_is_learned_among_the_other_questions(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text('[pedals]\nkeys = { b = "talk" }  # the old one\nlong_s = 0.9\n')
    with virtual_display():
        env = quiet() | {"DISPLAY": os.environ["DISPLAY"]}
        terminal = Terminal("--settings", "s.toml", "setup", cwd=tmp_path, env=env)
        answered(terminal, [("Language", ""), ("Microphone, part", ""), ("Voice (", "silent")])
        terminal.answer("Pedal: learn", "learn")
        for action in ("talk", "affirm", "withdraw", "mark", "clock", "reminder", "card"):
            terminal.wait_for(f"{action} ")
            terminal.wait_for("[y/N]: ")
            terminal.answer("", "y" if action == "talk" else "n")
            if action == "talk":
                terminal.wait_for("now the pedal")
                subprocess.run(["xdotool", "keydown", "F8", "sleep", "1.2", "keyup", "F8"], check=True)
        answered(
            terminal,
            [("Learned: ", ""), ("No pedal held", "pedal"), ("Folder for cases", ""), ("Wall", "n"), ("Write", "y")],
        )  # fmt: skip
        assert terminal.end() == 0, terminal.shown
    settings = load(tmp_path / "s.toml")
    assert (settings.pedals.use, settings.pedals.watch, settings.pedals.keys) == (
        True,
        "display",
        {"f8": "talk"},
    )
    assert settings.pedals.long_s == 0.9
    assert not settings.hearing.open_room
