"""The running program in a real (virtual) room: microphone in, entries on disk, voice out.

The speakers are flite voices and the program's own synthetic voice: stand-ins for people, so this
shows that the loop closes and nothing about accuracy.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from checkback.errors import UserError
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar
from checkback.hearing.recording import Recording
from checkback.record.entry import Entry
from checkback.record.journal import Journal, verify
from sound_room import SoundRoom, missing, wait_until
from speakers import needs_flite, silence, spoken

pytestmark = [
    pytest.mark.sound,
    pytest.mark.skipif(bool(missing()), reason=missing()),
    needs_flite,
    pytest.mark.timeout(240),
]


@pytest.fixture
def sound_room() -> Iterator[SoundRoom]:
    with SoundRoom() as room:
        yield room


def say(room: SoundRoom, folder: Path, *sentences: str, to_the_end: bool = True) -> None:
    """Say sentences into the room, each when the check-back of the one before has ended.

    If not `to_the_end`, nothing is waited for after the last one.
    """
    file = folder / "said.wav"
    for number, sentence in enumerate(sentences, start=1):
        soundfile.write(file, np.concatenate([silence(0.5), spoken(sentence), silence(0.3)]), SAMPLE_RATE_HZ)
        with nullcontext() if number == len(sentences) and not to_the_end else room.until_said():
            room.play(file)


class Program:
    """`checkback listen` as a child process."""

    def __init__(self, room: SoundRoom, case: Path, *options: str, settings: Path | None = None) -> None:
        self.case = case
        self.screen = (case.parent / "shown.txt").open("a")
        before = [] if settings is None else ["--settings", str(settings)]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "checkback.cli", *before, "listen", "--case", str(case), *options],
            env=room.env | {"PYTHONUNBUFFERED": "1"},
            stdin=subprocess.PIPE,
            stdout=self.screen,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def shown(self) -> str:
        return (self.case.parent / "shown.txt").read_text()

    def entries(self) -> list[Entry]:
        """Return what was called out so far; the program's own entries are left out."""
        try:
            return [e for e in Journal.read(self.case) if e.source != "program"]
        except UserError:
            return []

    def wait_for_entries(self, count: int) -> None:
        wait_until(lambda: len(self.entries()) >= count, f"entry {count}", limit_s=60.0)

    def end(self) -> int:
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(timeout=30)


@contextmanager
def listening(room: SoundRoom, case: Path, *options: str, settings: Path | None = None) -> Iterator[Program]:
    program = Program(room, case, *options, settings=settings)
    try:
        wait_until(
            lambda: "listening; Ctrl-C ends it" in program.shown(), "the program's start", limit_s=120.0
        )
        yield program
    finally:
        program.process.kill()
        program.process.communicate()
        program.screen.close()


def hears(*sentences: str) -> Callable[[Path], list[str]]:
    """Return a function that tells which of the sentences a recording holds, in order."""
    words = [sentence.replace(",", "").split() for sentence in sentences]
    arcs: list[tuple[int, int, str]] = []
    state = 1
    for sentence in words:
        inner = list(range(state + 1, state + len(sentence)))
        state += len(sentence)
        arcs += [(a, b, word) for (a, b), word in zip(pairwise([0, *inner, -1]), sentence, strict=True)]
    final = state + 1
    own = {"millilitres": ("M IH L AH L IY T ER Z",), "atmospheres": ("AE T M AH S F IH R Z",)}
    grammar = Grammar(tuple((a, final if b == -1 else b, w) for a, b, w in arcs), 0, final, own, (), "")
    decoder = PocketSphinxDecoder(grammar)

    def heard(file: Path) -> list[str]:
        from checkback.hearing.endpointing import Segmenter

        segmenter = Segmenter()
        cut = [
            u for block, t in Recording(file).blocks() for u in segmenter.feed(block, t)
        ] + segmenter.flush()
        return [hypotheses[0].words for u in cut if (hypotheses := decoder.decode(u.pcm))]

    return heard


def test_from_the_microphone_to_the_loudspeaker(sound_room: SoundRoom, tmp_path: Path) -> None:
    case = tmp_path / "case"
    back = tmp_path / "voice.wav"
    with listening(sound_room, case) as program:
        with sound_room.record(back):
            say(
                sound_room,
                tmp_path,
                "balloon two five by twelve fourteen atmospheres",
                "heart rate seventy two",
                "contrast given twenty millilitres",
            )
            program.wait_for_entries(3)
        assert program.end() == 0
    # both spellings sound alike
    shown = [e.words.replace("milliliters", "millilitres") for e in program.entries()]
    assert shown == [
        "balloon two five by twelve fourteen atmospheres",
        "heart rate seventy two",
        "contrast given twenty millilitres",
    ]
    assert verify(case).ok
    assert (case / "entries.csv").exists()
    assert "DRAFT, not signed" in (case / "narrative.txt").read_text()
    # the spoken check-backs, recognised again among others that they could be taken for
    said = [
        "balloon two point five by twelve, one four, fourteen atmospheres",
        "heart rate seventy two",
        "contrast given twenty",
    ]
    others = [
        "balloon three point five by twelve, four zero, forty atmospheres",
        "balloon two point five by twenty, one six, sixteen atmospheres",
        "heart rate sixty two",
        "contrast given one four, fourteen",
        "a c t two hundred eighty",
        "stent deployed",
    ]
    assert hears(*said, *others)(back) == [sentence.replace(",", "") for sentence in said]


def test_it_does_not_take_its_own_voice_for_a_call_out(sound_room: SoundRoom, tmp_path: Path) -> None:
    # the loudspeaker is heard in the room: each of these check-backs is itself a legal call-out
    sound_room._pactl(
        "load-module", "module-loopback", "source=voice.monitor", "sink=room", "latency_msec=30"
    )
    with listening(sound_room, tmp_path / "case") as program:
        say(sound_room, tmp_path, "heart rate seventy two", "time out done", "balloon pump on")
        program.wait_for_entries(3)
        # all that sounded before is recorded then
        assert program.end() == 0
    assert [e.words for e in program.entries()] == [
        "heart rate seventy two",
        "time out done",
        "balloon pump on",
    ]


def test_a_microphone_that_is_pulled_out_and_put_back(sound_room: SoundRoom, tmp_path: Path) -> None:
    with listening(sound_room, tmp_path / "case") as program:
        say(sound_room, tmp_path, "heart rate seventy two")
        program.wait_for_entries(1)
        # with another sink left, the sound server would silently move the program there
        sound_room.unplug("voice")
        sound_room.unplug("room")
        wait_until(lambda: "not hearing" in program.shown(), "the notice", limit_s=60.0)
        sound_room.plug("voice")
        wait_until(lambda: bool(sound_room._pactl("list", "short", "sink-inputs")), "the voice", limit_s=40.0)
        with sound_room.until_said(limit_s=60.0):
            sound_room.plug("room")
            wait_until(lambda: "hearing again" in program.shown(), "the return", limit_s=40.0)
        say(sound_room, tmp_path, "heart rate eighty one", to_the_end=False)
        program.wait_for_entries(2)
        assert [e.words for e in program.entries()] == ["heart rate seventy two", "heart rate eighty one"]
        assert program.end() == 0


def test_a_microphone_that_gives_no_more_blocks_is_told_aloud(sound_room: SoundRoom, tmp_path: Path) -> None:
    with listening(sound_room, tmp_path / "case") as program:
        say(sound_room, tmp_path, "heart rate seventy two")
        program.wait_for_entries(1)
        with sound_room.record(tmp_path / "voice.wav"), sound_room.until_said():
            sound_room._pactl("suspend-sink", "room", "1")
            wait_until(lambda: "not hearing" in program.shown(), "the notice", limit_s=60.0)
        assert hears("not hearing", "hearing again", "not saved to disk")(tmp_path / "voice.wav") == [
            "not hearing"
        ]
        sound_room._pactl("suspend-sink", "room", "0")
        wait_until(lambda: "hearing again" in program.shown(), "the return", limit_s=40.0)
        assert program.end() == 0


def test_killed_in_mid_case_and_started_again(sound_room: SoundRoom, tmp_path: Path) -> None:
    case = tmp_path / "case"
    with listening(sound_room, case) as program:
        say(sound_room, tmp_path, "balloon two five by twelve", to_the_end=False)
        program.wait_for_entries(1)
        program.process.send_signal(signal.SIGKILL)
        program.process.wait(timeout=10)
    (tmp_path / "shown.txt").unlink()
    with listening(sound_room, case, "--typed") as program:
        assert program.process.stdin is not None
        program.process.stdin.write("up to 14 atm\n")
        program.process.stdin.flush()
        program.wait_for_entries(2)
        # a second program on the same case is refused in one sentence
        second = subprocess.run(
            [sys.executable, "-m", "checkback.cli", "listen", "--typed", "--case", str(case)],
            env=sound_room.env, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert second.returncode == 2
        assert second.stderr.count("\n") == 1
        assert program.end() == 0
    assert [e.session for e in Journal.read(case)] == [1, 1, 2, 2]
    assert verify(case).ok
