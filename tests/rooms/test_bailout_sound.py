"""Bailout cards by voice alone: opened, answered, gone through and closed, through the real recogniser.

The speakers are flite voices, stand-ins for people: this shows that the words arrive, nothing about accuracy.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

import english
from checkback import app
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Recogniser
from checkback.hearing.recording import Recording
from checkback.language.phrasing import Phrasing
from checkback.listeners import make_recogniser
from checkback.loop import Loop
from checkback.record.entry import CardStep
from checkback.reporting.narrative import narrative
from checkback.settings import Settings
from speakers import needs_flite, silence, spoken

pytestmark = needs_flite

BUILT_IN = Settings.model_validate({"hearing": {"recogniser": "pocketsphinx", "second": "none"}})

STENT_LOST = {
    "card stent lost": [("opened", ""), ("read", "keep_wire")],
    "card tried": [("tried", "keep_wire"), ("read", "on_wire")],
    "card yes": [("yes", "on_wire"), ("read", "place_on")],
    "card no": [("no", "place_on"), ("read", "crosses")],
    "balloon one point five by fifteen": [],
    "card back": [("read", "place_on")],
    "card why": [],
    "card close": [("closed", "")],
}
PERFORATION = {
    "perforation ellis three": [],
    "card perforation": [("offered", ""), ("opened", ""), ("read", "balloon_up")],
    "card next": [("read", "echo")],
    "balloon three by fifteen": [],
    "card close": [("closed", "")],
}
ALLERGY = {
    "card allergic reaction": [("opened", ""), ("read", "stop")],
    "card tried": [("tried", "stop"), ("read", "severe")],
    "card yes": [("yes", "severe"), ("read", "epinephrine")],
    "epinephrine point five milligrams intramuscular": [],
    "card next": [("read", "flat")],
    "card not here": [("not here", "flat"), ("read", "volume")],
    "card close": [("closed", "")],
}


@pytest.fixture(scope="module")
def recogniser() -> Iterator[Recogniser]:
    # it takes seconds to start
    made = make_recogniser(BUILT_IN, english.book())
    yield made
    made.close()


def replayed(
    recogniser: Recogniser, sentences: Iterable[str], voice: str, folder: Path
) -> tuple[list[app.Heard], Loop]:
    """Replay sentences with pauses, with no pedal held."""
    parts = [silence(1.0)]
    for sentence in sentences:
        parts += [spoken(sentence, voice), silence(1.6)]
    file = folder / "said.flac"
    soundfile.write(file, np.concatenate(parts), SAMPLE_RATE_HZ)
    heard: list[app.Heard] = []
    loop = app.replay(
        Recording(file),
        folder / "case",
        BUILT_IN,
        english.book(),
        recogniser,
        start=datetime(2026, 3, 2, 9, 0, tzinfo=UTC),
        sound=False,
        report=heard.append,
        show=lambda line: None,
    )
    return heard, loop


# "card not here" by slt is met with silence in an open room: the network hears "four nine two"
@pytest.mark.parametrize(
    ("script", "voice"),
    [(STENT_LOST, "slt"), (PERFORATION, "rms"), (ALLERGY, "rms")],
    ids=["stent lost", "perforation", "allergic reaction"],
)
def test_a_card_is_gone_through_by_voice_in_an_open_room(
    recogniser: Recogniser, script: dict[str, list[tuple[str, str]]], voice: str, tmp_path: Path
) -> None:
    heard, loop = replayed(recogniser, script, voice, tmp_path)
    assert [each.outcome.words for each in heard] == list(script)
    steps = [e for e in loop.case.in_force() if isinstance(e.body, CardStep)]
    wanted = [step for line in script.values() for step in line]
    assert [(e.body.action, e.body.line) for e in steps] == wanted
    # what people said is theirs in the record, what the program read and offered is its own
    for entry in steps:
        assert entry.source in ("speech", "program")
        assert (entry.source == "speech") == (entry.words in script)
    spoken_back = (tmp_path / "case" / "checkbacks.txt").read_text()
    assert "check against local protocol" in spoken_back
    assert "Bailout card" in narrative(loop.case, Phrasing(english.book()))


def test_talk_beside_an_open_card_is_no_word_to_it(recogniser: Recogniser, tmp_path: Path) -> None:
    talk = [
        "yes",
        "no",
        "next",
        "the next patient is already waiting outside",
        "yes that looks much better than it did before",
        "no let us go back to the other view later",
        "why is it so warm in here today",
        "we tried that with the other one last week",
        "could you close the door please",
    ]
    heard, loop = replayed(recogniser, ["card stent lost", *talk], "slt", tmp_path)
    assert len(heard) == 1 + len(talk)
    steps = [e.body.action for e in loop.case.in_force() if isinstance(e.body, CardStep)]
    assert steps == ["opened", "read"]
    results = [each.outcome.result for each in heard[1:]]
    # a single "no" may be asked about once; nothing is taken
    assert "accepted" not in results and results.count("asked") <= 1
