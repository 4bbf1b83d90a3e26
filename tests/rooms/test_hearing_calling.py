"""The attention word is found where it is said, and what is said without it is not even decoded.

The speakers are flite voices, stand-ins for people.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

import english
from checkback import app
from checkback.hearing.calling import LEAST_SCORE, SURE_SCORE, CalledRecogniser, Spotter
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.recording import Recording
from checkback.listeners import make_recogniser
from checkback.settings import Hearing, Settings
from speakers import needs_flite, silence, spoken, utterance

pytestmark = needs_flite

ATTENTION = "check back"
CALL_OUTS = ("heparin five thousand units", "balloon two five by twelve", "wire out")
TALK = (
    "the ward wants him back before lunch",
    "I will be back in a minute, so keep the list",
    "we had a very similar one on Tuesday morning",
)


@pytest.fixture(scope="module")
def spotter() -> Spotter:
    return Spotter(ATTENTION.split(), {})


@pytest.mark.parametrize("voice", ["slt", "rms", "awb"])
@pytest.mark.parametrize("call_out", CALL_OUTS)
def test_the_word_is_found_before_a_call_out(spotter: Spotter, voice: str, call_out: str) -> None:
    called = spotter.score(utterance(f"{ATTENTION}, {call_out}", voice).pcm)
    assert called > SURE_SCORE
    assert spotter.score(utterance(call_out, voice).pcm) < LEAST_SCORE


@pytest.mark.parametrize("voice", ["slt", "rms", "awb"])
def test_talk_in_a_quiet_room_is_sorted_out(spotter: Spotter, voice: str) -> None:
    assert [spotter.score(utterance(line, voice).pcm) >= LEAST_SCORE for line in TALK] == [False] * len(TALK)
    assert spotter.score(silence(1.0)) < LEAST_SCORE
    assert spotter.score(np.zeros(100, np.int16)) == 0.0


def test_what_was_heard_before_does_not_matter(spotter: Spotter) -> None:
    sound = utterance(f"{ATTENTION}, wire out", "rms").pcm
    before = spotter.score(sound)
    spotter.score(utterance(TALK[0], "slt").pcm)
    assert spotter.score(sound) == before


@pytest.fixture(scope="module")
def listener() -> Iterator[CalledRecogniser]:
    chosen = Hearing(recogniser="pocketsphinx", second="none", attention_word=ATTENTION)
    recogniser = make_recogniser(Settings(hearing=chosen), english.book())
    inner = recogniser.inner  # type: ignore[attr-defined]
    assert isinstance(inner, CalledRecogniser)
    yield inner
    recogniser.close()


class TestBeforeDecoding:
    def test_a_call_out_without_the_word_is_not_decoded(self, listener: CalledRecogniser) -> None:
        said = utterance("heparin five thousand units", "rms")
        listener.prepare(said)
        assert listener.hear(said).hypotheses == ()

    @pytest.mark.parametrize("how", ["held", "called"])
    def test_with_the_pedal_or_after_a_call_none_is_needed(
        self, listener: CalledRecogniser, how: str
    ) -> None:
        said = utterance("heparin five thousand units", "rms")
        listener.prepare(said)
        heard = listener.hear(replace(said, **{how: True}))
        assert heard.hypotheses[0].words == "heparin five thousand units"

    def test_a_search_that_dies_is_started_again(self, listener: CalledRecogniser) -> None:
        pid = listener._worker.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        said = utterance(f"{ATTENTION}, wire out", "rms")
        listener.prepare(said)
        assert listener.hear(said).hypotheses[0].words == "check back wire out"
        assert listener._worker.pid not in (None, pid)
        assert listener.hear(utterance("wire out", "rms")).hypotheses == ()


@pytest.mark.parametrize(
    ("hearing", "entries"),
    [
        ({"open_room": False}, 0),
        ({"attention_word": ATTENTION}, 1),
        ({}, 2),
    ],
    ids=["only with the pedal", "attention word", "anything"],
)
def test_what_an_open_room_leaves_in_a_case(tmp_path: Path, hearing: dict[str, object], entries: int) -> None:
    said = (
        ("heparin five thousand units", f"{ATTENTION}, act two fifty five")
        if hearing
        else ("heparin five thousand units", "act two fifty five")
    )
    parts = [silence(0.6)]
    for sentence in said:
        parts += [spoken(sentence, "rms"), silence(1.2)]
    soundfile.write(tmp_path / "room.wav", np.concatenate(parts), SAMPLE_RATE_HZ)
    chosen = Hearing.model_validate({"recogniser": "pocketsphinx", "second": "none", **hearing})
    settings = Settings(hearing=chosen)
    recogniser = make_recogniser(settings, english.book())
    try:
        loop = app.replay(
            Recording(tmp_path / "room.wav"), tmp_path / "case", settings, english.book(), recogniser,
            start=datetime(2026, 3, 2, 8, tzinfo=UTC), sound=False, report=lambda heard: None, show=lambda line: None,
        )  # fmt: skip
    finally:
        recogniser.close()
    assert len([entry for entry in loop.case.entries if entry.source == "speech"]) == entries
