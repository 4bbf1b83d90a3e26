"""`checkback replay --json`: a line for each utterance, as the help describes it.

The voices of the recording are synthetic stand-ins for people.
"""

from __future__ import annotations

import json
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from checkback.record.entry import BODY, Entry
from checkback.record.journal import Journal, verify
from command_line import PROJECT, checkback, excerpt

SECONDS = 40.0
START = "2026-03-02T08:00:00+01:00"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("replay")
    excerpt(folder / "case.flac", SECONDS)
    return folder


@pytest.fixture(scope="module")
def lines(folder: Path) -> list[dict[str, Any]]:
    done = checkback("replay", "case.flac", "--case", "case", "--json", "--start", START, cwd=folder)
    assert done.code == 0, done.err
    return [json.loads(line) for line in done.out.splitlines()]


def test_the_fields_are_those_of_the_help(lines: list[dict[str, Any]]) -> None:
    said = checkback("replay", "--help").out
    for line in lines:
        assert list(line) == ["start", "end", "heard", "outcome", "entry", "reply", "score", "reason"]
        assert 0 <= line["start"] < line["end"] <= SECONDS
        assert line["outcome"] in ("accepted", "asked", "ignored")
    for field in lines[0]:
        assert field in said


def test_the_first_lines_come_out_as_they_were_meant(lines: list[dict[str, Any]]) -> None:
    expected = tomllib.loads((PROJECT / "demo" / "expected.toml").read_text())["line"]
    assert len(lines) >= 8
    # the last one may have been cut in the middle
    for line, meant in zip(lines[:-1], expected, strict=False):
        assert line["heard"] == meant["words"]
        assert line["outcome"] == meant["outcome"]
        if line["outcome"] == "asked":
            options = [each["body"] for each in line["entry"]["alternatives"] if each["body"]]
            asked = [BODY.validate_python(each) for each in options]
            assert asked == [BODY.validate_python(each) for each in meant["between"]]
            continue
        assert BODY.validate_python(line["entry"]["body"]) == BODY.validate_python(meant["entry"])


def test_the_entries_are_those_of_the_journal(lines: list[dict[str, Any]], folder: Path) -> None:
    shown = [Entry.model_validate_json(json.dumps(line["entry"])) for line in lines if line["entry"]]
    journal = [entry for entry in Journal.read(folder / "case") if entry.source == "speech"]
    assert shown == journal
    for line, entry in zip(lines, journal, strict=True):
        since_s = (entry.said.wall - datetime.fromisoformat(START)).total_seconds()
        assert since_s == pytest.approx(line["start"], abs=0.01)


def test_the_case_folder_is_complete(lines: list[dict[str, Any]], folder: Path) -> None:
    case = folder / "case"
    names = {
        "journal.jsonl",
        "entries.csv",
        "entries.schema.json",
        "narrative.txt",
        "checkbacks.txt",
        "checkbacks.flac",
    }
    assert names <= {path.name for path in case.iterdir()}
    assert verify(case).ok
    said = (case / "checkbacks.txt").read_text()
    assert all(line["reply"] in said for line in lines)


def test_with_the_pedal_only_what_is_held_counts(lines: list[dict[str, Any]], folder: Path) -> None:
    first, second, third, *_ = lines
    excerpt(folder / "begin.wav", third["end"])
    down, up = second["start"] - 0.3, second["end"] + 0.3
    (folder / "pedal.txt").write_text(f"{down} talk down\n{up} talk up\n{up + 0.1} mark down\n")
    done = checkback(
        "replay", "begin.wav", "--json", "--pedal", "pedal.txt", cwd=folder, settings="[hearing]\nopen_room = false\n"
    )  # fmt: skip
    assert done.code == 0, done.err
    held, mark = (json.loads(line) for line in done.out.splitlines())
    assert (held["heard"], held["outcome"]) == (second["heard"], "accepted")
    assert held["heard"] != first["heard"]
    assert (mark["start"], mark["end"], mark["heard"]) == (None, None, "")
    assert mark["entry"]["body"]["kind"] == "mark"
    assert mark["entry"]["source"] == "pedal"
