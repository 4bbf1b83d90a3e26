"""The recorded demonstration case: from sound to record, every line comes out as it was meant.

Its voices are synthetic stand-ins for people.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
import soundfile

from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.record.case import Case
from checkback.record.entry import BODY, Entry, Withdrawal
from checkback.record.journal import Journal
from command_line import checkback

PROJECT = Path(__file__).parents[2]
DEMO = PROJECT / "demo"
RECORDING = DEMO / "case.flac"


def lines(name: str) -> list[dict[str, Any]]:
    content: list[dict[str, Any]] = tomllib.loads((DEMO / name).read_text(encoding="utf-8"))["line"]
    return content


SCRIPT, EXPECTED = lines("script.toml"), lines("expected.toml")


@pytest.fixture(scope="module")
def book() -> Phrasebook:
    return Phrasebook.load(PROJECT / "grammars")


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo") / "case"


@pytest.fixture(scope="module")
def said(case: Path) -> list[dict[str, Any]]:
    """Run the recording through the program, in the open room; return its lines of JSON."""
    done = checkback(
        "replay", RECORDING, "--case", case, "--silent", "--json", "--start", "2026-03-02T08:00:00Z"
    )
    assert done.code == 0, done.err
    return [json.loads(line) for line in done.out.splitlines()]


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


def test_every_line_comes_out_as_it_was_meant(said: list[dict[str, Any]]) -> None:
    assert len(said) == len(SCRIPT)
    entries = [
        None if line["entry"] is None else Entry.model_validate_json(json.dumps(line["entry"]))
        for line in said
    ]
    by_words = {
        line["words"]: entry.n for line, entry in zip(EXPECTED, entries, strict=True) if entry is not None
    }
    for line, outcome, entry in zip(EXPECTED, said, entries, strict=True):
        assert outcome["outcome"] == line["outcome"], (line, outcome)
        if "entry" in line:
            assert entry is not None and entry.standing == "stands"
            assert entry.body == BODY.validate_python(line["entry"])
            assert entry.amends == by_words.get(line.get("amends", ""))
            if "amends" not in line:
                moved_s = entry.said.monotonic_s - entry.at.monotonic_s
                assert moved_s == pytest.approx(line.get("ago_s", 0), abs=0.01)
        elif "between" in line:
            assert entry is not None and entry.standing == "questioned"
            assert [a.body for a in entry.alternatives if a.body is not None] == [
                BODY.validate_python(b) for b in line["between"]
            ]
        elif "withdraws" in line:
            assert entry is not None and entry.body == Withdrawal(target=by_words[line["withdraws"]])
        else:
            assert entry is None
            assert line.get("reply_has", "") in outcome["reply"]


def test_at_the_end_the_record_is_complete(said: list[dict[str, Any]], case: Path) -> None:
    folded = Case(Journal.read(case))
    assert folded.missing() == []
    assert folded.contrast_ml() == 140
    assert [life.body.diameter_mm for life in folded.devices() if life.deployed] == [3.5]
