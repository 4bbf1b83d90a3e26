"""Whether somebody speaks over the voice: levels as they come in rooms, with a detector that hears a voice in everything."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest

from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.interruption import BEGINS_S, LASTS_S, LEARNED_FROM, REMEMBERED, Interruption
from checkback.hearing.recogniser import Pcm
from checkback.hearing.voice_activity import HELD_BLOCKS

QUIET, PEOPLE = -70.0, -26.0


class Voiced:
    """A detector that takes everything above -65 dB for a voice and holds on as the real one does, or nothing."""

    def __init__(self, voiced: bool = True) -> None:
        self.voiced = voiced
        self._least_dbfs = -65.0
        self._behind = HELD_BLOCKS + 1

    def is_speech(self, block: Pcm) -> bool:
        loud = 20 * math.log10(float(np.std(block)) / 32_767 + 1e-9) > self._least_dbfs
        self._behind = 0 if loud else self._behind + 1
        return self.voiced and self._behind <= HELD_BLOCKS

    def reset(self) -> None:
        self._behind = HELD_BLOCKS + 1


def block(dbfs: float) -> Pcm:
    # a sine at a level (RMS)
    phase = 2 * math.pi * 200 / 16_000 * np.arange(BLOCK_SAMPLES)
    return (np.sin(phase) * math.sqrt(2) * 10 ** (dbfs / 20) * 32_767).round().astype(np.int16)


class Room:
    def __init__(self, *, voiced: bool = True) -> None:
        self.detector = Voiced(voiced)
        self.over = Interruption(self.detector)
        self.quiet(2.0)

    def quiet(self, seconds: float, dbfs: float = QUIET) -> None:
        for _ in range(round(seconds / BLOCK_S)):
            assert not self.over.feed(block(dbfs))

    def voice(self, parts: Iterable[tuple[float, float]], *, in_speech: bool = False) -> float | None:
        """Let the voice speak, as (seconds, level) at the microphone; return when it was to stop."""
        self.over.begin(in_speech=in_speech)
        at_s, stopped_s = 0.0, None
        for seconds, dbfs in parts:
            for _ in range(round(seconds / BLOCK_S)):
                at_s += BLOCK_S
                if self.over.feed(block(dbfs)) and stopped_s is None:
                    stopped_s = at_s
        self.over.end()
        return stopped_s

    def learn(self, dbfs: float, sentences: int = LEARNED_FROM) -> None:
        for _ in range(sentences):
            assert self.voice([(2.0, dbfs)]) is None


@pytest.mark.parametrize("voice_dbfs", [-100.0, -60.0, -40.0])
def test_speech_over_a_voice_that_is_faint_at_the_microphone_stops_it_soon(voice_dbfs: float) -> None:
    room = Room()
    room.learn(voice_dbfs)
    stopped_s = room.voice([(1.2, voice_dbfs), (1.0, PEOPLE)])
    assert stopped_s == pytest.approx(1.2 + LASTS_S, abs=2 * BLOCK_S)


def test_where_the_voice_is_as_loud_as_people_nothing_stops_it() -> None:
    room = Room()
    room.learn(PEOPLE)
    assert room.voice([(1.2, PEOPLE), (1.0, PEOPLE + 3)]) is None


def test_nothing_counts_before_the_voice_is_known() -> None:
    room = Room()
    room.learn(-50.0, LEARNED_FROM - 1)
    assert room.over.threshold_dbfs is None
    assert room.voice([(1.2, -50.0), (1.0, PEOPLE)]) is None


def test_a_short_sound_and_a_loud_noise_without_a_voice_do_not_stop_it() -> None:
    room = Room()
    room.learn(-80.0)
    assert room.voice([(1.2, -80.0), (LASTS_S / 2, PEOPLE), (1.0, -80.0)]) is None
    room.detector.voiced = False
    assert room.voice([(1.2, -50.0), (2.0, -10.0)]) is None


def test_a_loudspeaker_that_is_turned_up_between_sentences_is_learned_and_stops_nothing() -> None:
    room = Room()
    room.learn(-50.0, REMEMBERED)
    for _ in range(2 * REMEMBERED):
        assert room.voice([(0.1, QUIET), (2.0, -25.0)]) is None
    assert room.over.voice_dbfs == pytest.approx(-25.0, abs=0.5)


def test_a_loudspeaker_that_is_turned_up_within_a_sentence_stops_the_voice_once() -> None:
    room = Room()
    room.learn(-50.0, REMEMBERED)
    assert room.voice([(1.0, -50.0), (2.0, -25.0)]) is not None
    assert [room.voice([(0.1, QUIET), (2.0, -25.0)]) for _ in range(REMEMBERED)] == [None] * REMEMBERED


def test_people_who_speak_over_many_sentences_are_not_taken_for_the_voice() -> None:
    room = Room()
    room.learn(-50.0)
    for _ in range(3 * REMEMBERED):
        assert room.voice([(1.2, -50.0), (1.0, PEOPLE)]) is not None
        assert room.voice([(2.0, -50.0)]) is None
    assert room.over.voice_dbfs == pytest.approx(-50.0, abs=0.5)


def test_somebody_who_spoke_already_is_spoken_over() -> None:
    room = Room()
    room.learn(-50.0)
    assert room.voice([(3.0, PEOPLE)], in_speech=True) is None


def test_in_the_first_moments_nothing_counts() -> None:
    room = Room()
    room.learn(-50.0)
    assert room.voice([(BEGINS_S, PEOPLE), (0.5, -50.0)]) is None


def test_under_the_pedal_nothing_counts_and_nothing_is_learned() -> None:
    room = Room()
    room.learn(-50.0)
    for _ in range(REMEMBERED):
        room.over.begin(in_speech=False)
        room.over.leave_out()
        assert not any(room.over.feed(block(PEOPLE)) for _ in range(60))
        room.over.end()
    assert room.over.voice_dbfs == pytest.approx(-50.0, abs=0.5)
    assert room.over.threshold_dbfs == pytest.approx(-44.0, abs=0.5)


def test_in_noise_one_has_to_be_louder() -> None:
    room = Room()
    room.learn(-60.0)
    quiet_dbfs = room.over.threshold_dbfs
    room.quiet(20.0, -40.0)
    assert quiet_dbfs is not None and room.over.threshold_dbfs is not None
    assert room.over.threshold_dbfs == pytest.approx(-32.0, abs=1.0) != quiet_dbfs
