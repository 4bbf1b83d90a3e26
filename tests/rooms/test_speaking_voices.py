"""Voices without a sound card."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.record.clock import HandClock, SystemClock
from checkback.speaking.synthesis import Espeak
from checkback.speaking.voice import Voice
from checkback.speaking.voices import FileVoice, SilentVoice, TextVoice

linux_only = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="espeakng-loader is for Linux")


class Failures(list[tuple[str, str]]):
    """Collects the sentences that were not spoken."""

    def __call__(self, text: str, why: str) -> None:
        self.append((text, why))


class Replay:
    """A recording that is played through the program, at a time set by hand."""

    def __init__(self, path: Path) -> None:
        self._clock = HandClock(SystemClock().now().wall)
        self.failures = Failures()
        self.path = path
        self.voice = FileVoice(
            path, Espeak(), lambda: self._clock.now().monotonic_s, on_failure=self.failures
        )

    def say_at(self, time_s: float, text: str) -> None:
        self.go_to(time_s)
        self.voice.say(text)

    def go_to(self, time_s: float) -> None:
        self._clock.set(time_s)

    def heard(self) -> NDArray[np.bool_]:
        """Return for each 10 ms of the written file whether there is sound in it."""
        pcm, rate_hz = soundfile.read(self.path, dtype="int16")
        block = rate_hz // 100
        blocks = pcm[: len(pcm) // block * block].reshape(-1, block).astype(int)
        heard: NDArray[np.bool_] = np.abs(blocks).max(axis=1) > 100
        return heard


@pytest.fixture(params=["voice.flac", "voice.wav"])
def replay(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Replay]:
    replay = Replay(tmp_path / request.param)
    yield replay
    replay.voice.close()


def test_the_silent_voice_is_never_speaking() -> None:
    voice: Voice = SilentVoice()
    voice.say("Say again.")
    assert not voice.speaking
    voice.stop()
    voice.close()


def test_the_text_voice_prints_a_marked_line() -> None:
    stream = io.StringIO()
    voice: Voice = TextVoice(stream)
    voice.say("Twelve atmospheres.")
    voice.say("Say again.")
    assert stream.getvalue() == "» Twelve atmospheres.\n» Say again.\n"
    assert not voice.speaking


def test_the_text_voice_prints_on_a_terminal_that_knows_few_letters() -> None:
    raw = io.BytesIO()
    voice = TextVoice(io.TextIOWrapper(raw, encoding="ascii"), mark="> ")
    voice.say("5 µg")
    assert raw.getvalue() == b"> 5 ?g\n"


def test_a_sentence_that_cannot_be_printed_is_reported() -> None:
    stream, failures = io.StringIO(), Failures()
    stream.close()
    TextVoice(stream, on_failure=failures).say("Twelve atmospheres.")
    assert failures == [("Twelve atmospheres.", "it cannot be printed: I/O operation on closed file")]


@linux_only
def test_each_sentence_begins_when_it_was_said(replay: Replay) -> None:
    replay.say_at(1.0, "Twelve atmospheres.")
    replay.say_at(5.0, "Deflated.")
    first, second = replay.voice.spoken
    assert (first.start_s, first.text) == (1.0, "Twelve atmospheres.")
    assert (second.start_s, second.text) == (5.0, "Deflated.")
    replay.voice.close()
    heard = replay.heard()
    assert not heard[:99].any()
    assert heard[100:104].any()
    assert not heard[round(first.end_s * 100) + 1 : 499].any()
    assert heard[500:504].any()
    assert len(heard) / 100 == pytest.approx(second.end_s, abs=0.011)


@linux_only
def test_a_sentence_waits_for_the_one_before(replay: Replay) -> None:
    replay.say_at(2.0, "Twelve atmospheres.")
    replay.say_at(2.1, "Deflated.")
    first, second = replay.voice.spoken
    assert second.start_s == first.end_s > 2.5


@linux_only
def test_the_voice_is_speaking_until_its_last_sentence_is_over(replay: Replay) -> None:
    assert not replay.voice.speaking
    replay.say_at(2.0, "Twelve atmospheres.")
    assert replay.voice.speaking
    (spoken,) = replay.voice.spoken
    replay.go_to(spoken.end_s - 0.01)
    assert replay.voice.speaking
    replay.go_to(spoken.end_s + 0.001)
    assert not replay.voice.speaking


@linux_only
def test_barging_in_cuts_the_sentence_and_drops_the_next(replay: Replay) -> None:
    replay.say_at(1.0, "Twelve atmospheres.")
    replay.say_at(1.0, "Deflated.")
    replay.go_to(1.5)
    replay.voice.stop()
    assert not replay.voice.speaking
    replay.say_at(3.0, "Say again.")
    assert [(s.start_s, s.text) for s in replay.voice.spoken] == [
        (1.0, "Twelve atmospheres."),
        (3.0, "Say again."),
    ]
    assert replay.voice.spoken[0].end_s == 1.5
    replay.voice.close()
    assert not replay.heard()[151:299].any()


@linux_only
@pytest.mark.parametrize("time_s", [0.0, 2.5])
def test_nothing_said_makes_a_silent_file_as_long_as_the_replay(replay: Replay, time_s: float) -> None:
    replay.go_to(time_s)
    replay.voice.close()
    assert soundfile.info(replay.path).duration == pytest.approx(time_s, abs=1e-3)
    assert not replay.heard().any()


@linux_only
def test_a_sentence_after_the_end_is_reported(replay: Replay) -> None:
    replay.voice.close()
    replay.voice.say("Too late.")
    assert replay.failures == [("Too late.", "the voice is closed")]


@linux_only
def test_a_place_that_cannot_be_written_to_is_named(tmp_path: Path) -> None:
    synthesiser = Espeak()
    with pytest.raises(UserError, match=r"ends in \.flac or \.wav"):
        FileVoice(tmp_path / "voice.mp3", synthesiser, float)
    with pytest.raises(UserError, match="make the folder"):
        FileVoice(tmp_path / "nowhere" / "voice.wav", synthesiser, float)
    (tmp_path / "folder.wav").mkdir()
    with pytest.raises(UserError, match="choose another place"):
        FileVoice(tmp_path / "folder.wav", synthesiser, float).close()
