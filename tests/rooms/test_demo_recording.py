"""The recorded demonstration case: every line comes out as it was meant.

Its voices are synthetic stand-ins for people.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
import soundfile

from checkback.hearing.endpointing import Segmenter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import Grammar, Utterance
from checkback.hearing.recording import Recording
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.language.wordgraph import word_graph

PROJECT = Path(__file__).parents[2]
DEMO = PROJECT / "demo"
RECORDING = DEMO / "case.flac"


def lines(name: str) -> list[dict[str, Any]]:
    content: list[dict[str, Any]] = tomllib.loads((DEMO / name).read_text(encoding="utf-8"))["line"]
    return content


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


def outcome(book: Phrasebook, words: str, *, to_us: bool = True) -> dict[str, Any]:
    """Return what words in the open room lead to, as `expected.toml` puts it."""
    readings = [reading.plain() for reading in Reader(book).read(words)] if to_us else []
    if not readings:
        return {"outcome": "ignored"}
    if len(readings) > 1:
        return {"outcome": "asked", "readings": [reading["entry"] for reading in readings]}
    (only,) = readings
    match only["role"], only["family"]:
        case "event", _:
            ago = {"ago_s": only["ago_s"]} if "ago_s" in only else {}
            return {"outcome": "accepted", "entry": only["entry"], **ago}
        case "fragment", _ if only.get("correction"):
            return {"outcome": "corrected", "fields": only["fields"]}
        case "dialogue", "disregard":
            return {"outcome": "withdrawn"}
        case "question", question:
            return {"outcome": "answered", "question": question}
    return only


def expected() -> list[dict[str, Any]]:
    return [{k: v for k, v in line.items() if k != "words"} for line in lines("expected.toml")]


def test_the_expected_outcomes_belong_to_the_script() -> None:
    assert [line["words"] for line in lines("expected.toml")] == [
        line["text"] for line in lines("script.toml")
    ]


def test_the_script_means_what_is_expected(book: Phrasebook) -> None:
    said = [outcome(book, line["text"], to_us=not line.get("talk", False)) for line in lines("script.toml")]
    assert said == expected()


def test_the_recording_is_small_and_as_the_recogniser_wants_it() -> None:
    info = soundfile.info(RECORDING)
    assert (info.samplerate, info.channels, info.subtype) == (16_000, 1, "PCM_16")
    assert 180 < info.duration < 240
    assert RECORDING.stat().st_size < 4_000_000


def test_every_line_is_one_utterance(utterances: list[Utterance]) -> None:
    assert len(utterances) == len(lines("script.toml"))


def test_every_line_comes_out_as_it_was_meant(book: Phrasebook, utterances: list[Utterance]) -> None:
    arcs, start, final = word_graph(book.spoken).flat()
    decoder = PocketSphinxDecoder(Grammar(arcs, start, final, book.pronunciations, (), book.sha256))
    heard = []
    for utterance in utterances:
        best = next(iter(decoder.decode(utterance.pcm)), None)
        heard.append(outcome(book, best.words, to_us=best.likely_speech_to_us) if best else outcome(book, ""))
    assert heard == expected()
