"""Tables by kind, JSON Lines and the text track of a case."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from checkback.record.case import Case
from checkback.record.entry import ClockStep, Entry, HeartRate, Mark, Unclear
from checkback.reporting.package import DESCRIPTOR, lines, package, write_jsonl, write_package
from checkback.reporting.tables import cell, guarded, unguarded
from checkback.reporting.webvtt import seconds_into, webvtt
from invented_case import CASE, entry
from strategies import cases


def summary(entry: Entry) -> str:
    return f"{entry.body.kind} & <b>more</b>"


def table_of(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode(), newline="")))


# --- the data package --------------------------------------------------------------------------------


def test_the_invented_case_as_a_package() -> None:
    files = package(Case(CASE), summary, name="Monday 1", notes=["unfinished"])
    descriptor = json.loads(files[DESCRIPTOR])
    assert list(files)[-1] == DESCRIPTOR
    assert descriptor["name"] == "monday-1"
    assert descriptor["description"].startswith("unfinished ")
    named = [resource["path"] for resource in descriptor["resources"]]
    assert set(named) == set(files) - {DESCRIPTOR}
    assert named[0] == "entries.csv"
    assert "perforation.csv" not in named  # the case has none
    for resource in descriptor["resources"]:
        data = files[resource["path"]]
        assert resource["bytes"] == len(data)
        assert resource["hash"] == f"sha256:{hashlib.sha256(data).hexdigest()}"
        heading = data.decode().partition("\r\n")[0].split(",")
        assert heading == [field["name"] for field in resource["schema"]["fields"]]

    stents = [row for row in table_of(files["device.csv"]) if row["device"] == "stent"]
    assert stents == [
        {
            "n": "22",
            "at": "2026-03-02T09:21:25.250+01:00",
            "standing": "stands",
            "device": "stent",
            "type": "drug-eluting",
            "diameter_mm": "2.75",
            "length_mm": "28",
            "stocked": "true",
        }
        | {name: "" for name in stents[0] if name not in ("n", "at", "standing", "device", "type", "diameter_mm", "length_mm", "stocked")}
    ]  # fmt: skip


def test_units_and_lists_of_values_stand_in_the_schema() -> None:
    descriptor = json.loads(package(Case(CASE), summary)[DESCRIPTOR])
    schemas = {resource["name"]: resource["schema"] for resource in descriptor["resources"]}
    inflation = {field["name"]: field for field in schemas["inflation"]["fields"]}
    assert inflation["pressure_atm"]["unit"] == "atm"
    access = {field["name"]: field for field in schemas["access"]["fields"]}
    assert "radial" in access["site"]["constraints"]["enum"]
    assert "guide" not in access["site"]["constraints"]["enum"]  # that is a site of a clotting time
    assert schemas["withdrawal"]["foreignKeys"] == [
        {"fields": [name], "reference": {"resource": "entries", "fields": ["n"]}} for name in ("n", "target")
    ]


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(cases())
def test_every_entry_stands_in_the_table_of_its_kind_and_in_no_other(entries: list[Entry]) -> None:
    case = Case(entries)
    files = package(case, summary)
    found = {}
    for name, data in files.items():
        if name not in (DESCRIPTOR, "entries.csv"):
            found |= {int(row["n"]): name for row in table_of(data)}
    assert found == {each.n: f"{each.body.kind}.csv" for each in case.entries}
    assert [int(row["n"]) for row in table_of(files["entries.csv"])] == [each.n for each in case.entries]


def test_a_table_that_the_case_no_longer_has_goes_and_nothing_else_does(tmp_path: Path) -> None:
    write_package(Case(CASE), summary, tmp_path)
    (tmp_path / "mark.csv.bak").write_text("mine")
    (tmp_path / "notes.csv").write_text("mine")
    few = [e for e in CASE if e.body.kind != "mark"]
    write_package(Case(few), summary, tmp_path)
    assert not (tmp_path / "mark.csv").exists()
    assert (tmp_path / "device.csv").exists()
    assert (tmp_path / "notes.csv").read_text() == (tmp_path / "mark.csv.bak").read_text() == "mine"


# --- cells ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["=1+1", "+49", "-5", "@sum", "\tx", "\r=x", "\n", "'=1", "''-", "＝1"])
def test_a_text_like_a_formula_is_guarded(text: str) -> None:
    assert guarded(text) == f"'{text}"
    assert unguarded(guarded(text)) == text


@pytest.mark.parametrize("text", ["", "'", "'quoted'", "5-6", "a=b", "heparin"])
def test_other_texts_stand_as_they_are(text: str) -> None:
    assert guarded(text) == text == unguarded(text)


@given(st.text())
@example("'=")
@example("'''=")
def test_a_guard_can_always_be_taken_away_and_no_formula_is_left(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


def test_a_negative_number_is_a_number_and_not_guarded() -> None:
    assert cell(-3.5) == "-3.5"


# --- JSON Lines -----------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(cases())
def test_a_line_is_the_entry_with_what_became_of_it(entries: list[Entry]) -> None:
    case = Case(entries)
    for each, line in zip(case.entries, lines(case, summary), strict=True):
        told = json.loads(line)
        assert "\n" not in line
        standing, by = case.standing(each)
        assert (told.pop("standing"), told.pop("by"), told.pop("summary")) == (standing, by, summary(each))
        assert Entry.model_validate(told | {"standing": each.standing}) == Entry.model_validate_json(
            each.model_dump_json()
        )


def test_the_lines_of_the_invented_case(tmp_path: Path) -> None:
    (path,) = write_jsonl(Case(CASE), summary, tmp_path)
    told = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert [(line["n"], line["standing"], line["by"]) for line in told if line["by"]] == [
        (15, "amended", 16),
        (19, "withdrawn", 24),
    ]


# --- the text track ---------------------------------------------------------------------------------------


def test_cues_begin_with_the_first_entry_unless_the_recording_began_at_another_time() -> None:
    case = Case(CASE)
    assert seconds_into(case, CASE[3]) == 60.0
    began = CASE[0].at.wall - timedelta(seconds=12.5)
    assert seconds_into(case, CASE[3], began) == 72.5
    late = CASE[3].at.wall + timedelta(seconds=1)
    assert seconds_into(case, CASE[3], late) == -1.0


def test_the_track_of_the_invented_case() -> None:
    blocks = webvtt(Case(CASE), summary, notes=["unfinished --> see"]).split("\n\n")
    assert blocks[:2] == ["WEBVTT", "NOTE unfinished --&gt; see"]
    assert (
        blocks[2] == "2\n00:00:20.000 --> 00:00:26.000\n09:14:45 case_start &amp; &lt;b&gt;more&lt;/b&gt; [2]"
    )
    named = [int(block.partition("\n")[0]) for block in blocks[2:]]
    # neither what was withdrawn or amended, nor what is about the record
    assert set(range(1, 31)) - set(named) == {1, 15, 19, 24}
    assert "21\n00:04:40.000" in "\n\n".join(blocks)  # said later than it happened


def test_what_is_before_the_recording_is_a_note() -> None:
    case = Case(CASE)
    text = webvtt(case, lambda e: e.body.kind, recording_start=CASE[4].at.wall)
    assert "NOTE before the recording: 09:15:05 time_out [3]" in text
    assert "\n5\n00:00:00.000 --> " in text


def test_a_clock_that_was_set_moves_no_cue() -> None:
    set_back = [
        entry(1, Mark()),
        entry(2, ClockStep(step_s=-3600.0), at=_hour_back(2), said=_hour_back(2), recorded=_hour_back(2)),
        entry(3, HeartRate(rate_per_min=72), at=_hour_back(3), said=_hour_back(3), recorded=_hour_back(3)),
    ]
    assert seconds_into(Case(set_back), set_back[2]) == 40.0


def _hour_back(n: int) -> object:
    moment = entry(n, Mark()).at
    return moment.model_copy(update={"wall": moment.wall - timedelta(hours=1)})


@settings(max_examples=60, deadline=None)
@given(st.text())
def test_no_words_break_a_cue(words: str) -> None:
    text = webvtt(Case([entry(1, Mark()), entry(2, Unclear())]), lambda each: words)
    blocks = text.split("\n\n")
    assert len(blocks) == 3
    assert text.count("-->") == 2
    assert all(len(block.rstrip("\n").split("\n")) == 3 for block in blocks[1:])
