"""The recorded demonstration case: from sound to record, every line comes out as it was meant.

Its voices are synthetic stand-ins for people.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import soundfile

from checkback.hearing.endpointing import Segmenter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import Grammar, Heard, Utterance
from checkback.hearing.recording import Recording
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.language.wordgraph import word_graph
from checkback.loop import Loop, Outcome
from checkback.record.clock import HandClock
from checkback.record.entry import BODY, Withdrawal
from checkback.record.journal import Journal
from checkback.speaking.voices import SilentVoice
from checkback.watching.limits import load

PROJECT = Path(__file__).parents[2]
DEMO = PROJECT / "demo"
RECORDING = DEMO / "case.flac"
REPLY_AFTER_S = 0.7


def lines(name: str) -> list[dict[str, Any]]:
    content: list[dict[str, Any]] = tomllib.loads((DEMO / name).read_text(encoding="utf-8"))["line"]
    return content


SCRIPT, EXPECTED = lines("script.toml"), lines("expected.toml")


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return Phrasebook.load(PROJECT / "grammars")


@pytest.fixture(scope="module")
def utterances() -> list[Utterance]:
    segmenter = Segmenter()
    found = []
    for block, start_s in Recording(RECORDING).blocks():
        found += segmenter.feed(block, start_s)
    return [*found, *segmenter.flush()]


@pytest.fixture(scope="module")
def run(
    book: Phrasebook, utterances: list[Utterance], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Loop, list[Outcome]]]:
    """Run the recording through recogniser and loop, in the open room."""
    arcs, start, final = word_graph(book.spoken).flat()
    decoder = PocketSphinxDecoder(Grammar(arcs, start, final, book.pronunciations, (), book.sha256))
    clock = HandClock(datetime(2026, 3, 2, 8, tzinfo=UTC))
    with Journal.open(tmp_path_factory.mktemp("demo-case")) as journal:
        loop = Loop(
            book,
            journal,
            clock,
            SilentVoice(),
            limits=load(PROJECT / "grammars"),
            recogniser="pocketsphinx",
            program_version="test",
        )
        outcomes = []
        for utterance in utterances:
            heard = Heard(utterance, "pocketsphinx", decoder.decode(utterance.pcm))
            clock.set(utterance.ended_s + REPLY_AFTER_S)
            outcomes.append(loop.heard(heard))
        yield loop, outcomes


def test_the_expected_outcomes_belong_to_the_script() -> None:
    assert [line["words"] for line in EXPECTED] == [line["text"] for line in SCRIPT]


def test_the_script_is_written_in_the_words_of_the_phrasebook(book: Phrasebook) -> None:
    reader = Reader(book)
    assert [bool(reader.read(line["text"])) for line in SCRIPT] == [
        not line.get("talk", False) for line in SCRIPT
    ]


def test_the_recording_is_small_and_as_the_recogniser_wants_it() -> None:
    info = soundfile.info(RECORDING)
    assert (info.samplerate, info.channels, info.subtype) == (16_000, 1, "PCM_16")
    assert 180 < info.duration < 240
    assert RECORDING.stat().st_size < 4_000_000


def test_every_line_is_one_utterance(utterances: list[Utterance]) -> None:
    assert len(utterances) == len(SCRIPT)


def test_every_line_comes_out_as_it_was_meant(run: tuple[Loop, list[Outcome]]) -> None:
    _, outcomes = run
    by_words = {
        line["words"]: outcome.entries[0].n
        for line, outcome in zip(EXPECTED, outcomes, strict=True)
        if outcome.entries
    }
    for line, outcome in zip(EXPECTED, outcomes, strict=True):
        assert outcome.result == line["outcome"], (line, outcome)
        entry = outcome.entries[0] if outcome.entries else None
        if "entry" in line:
            assert entry is not None and entry.standing == "stands"
            assert entry.body == BODY.validate_python(line["entry"])
            assert entry.amends == by_words.get(line.get("amends", ""))
            if "amends" not in line:
                moved_s = entry.said.monotonic_s - entry.at.monotonic_s
                assert moved_s == pytest.approx(line.get("ago_s", 0), abs=0.01)
        elif "between" in line:
            assert entry is not None and entry.standing == "questioned"
            assert [a.body for a in entry.alternatives] == [BODY.validate_python(b) for b in line["between"]]
        elif "withdraws" in line:
            assert entry is not None and entry.body == Withdrawal(target=by_words[line["withdraws"]])
        else:
            assert entry is None
            assert line.get("reply_has", "") in outcome.reply


def test_at_the_end_the_record_is_complete(run: tuple[Loop, list[Outcome]]) -> None:
    case = run[0].case
    assert case.missing() == []
    assert case.contrast_ml() == 140
    assert [life.body.diameter_mm for life in case.devices() if life.deployed] == [3.5]
