"""Reading a log back: the same entries for everything that the table of what fits calls held."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom import dcmread

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import Act, Contrast, Drug, Entry, Fluoroscopy
from checkback.reporting.dicom import coverage
from checkback.reporting.dicom.checks import problems
from checkback.reporting.dicom.items import clean
from checkback.reporting.dicom.layout import CLASSES, NOT_CARRIED
from checkback.reporting.dicom.log import carried, dataset, file_bytes
from checkback.reporting.dicom.reading import ReadLog, entries_of, read_bytes, read_log
from command_line import PROJECT
from invented_case import CASE, entry
from strategies import bodies, cases


def words(entry: Entry) -> str:
    return entry.words


def there_and_back(*entries: Entry) -> ReadLog:
    return read_bytes(file_bytes(dataset(Case(entries), words)), name="log")


def as_held(value: Any) -> Any:
    """Return a value as a log can hold it: texts without control characters, numbers of 15 digits."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        exact = Decimal(value)
        return exact if len(f"{exact:f}") <= 16 else Decimal(repr(float(exact)))
    return value


def what_fits(e: Entry) -> dict[str, Any]:
    """Return what the table calls held, by its own functions."""
    kind = e.body.kind
    names = [slot.field for slot in coverage.held(kind)]
    names += ["unit"] if "unit" in type(e.body).model_fields and "unit" not in coverage.not_held(kind) else []
    body = {name: as_held(getattr(e.body, name)) for name in names}
    held = [
        name for name, told in coverage.OF_THE_ENTRY.items() if told.startswith("held") and name != "body"
    ]
    of_entry = {name: getattr(e, name) for name in held}
    for name in ("at", "said", "recorded"):
        of_entry[name] = of_entry[name].wall
    of_entry["words"], of_entry["question"] = clean(e.words), clean(e.question or "") or None
    if of_entry["standing"] == "stands":
        of_entry["question"] = None  # an entry that stands has nothing left to ask
    return of_entry | {"kind": kind} | body


@settings(max_examples=25, deadline=None)
@given(entries=cases().filter(bool))
def test_whatever_the_case_the_same_entries_come_back(entries: list[Entry]) -> None:
    case = Case(entries)
    back = read_bytes(file_bytes(dataset(case, words)), name="log")
    assert back.left_out == ()
    sent = sorted(carried(case), key=lambda e: e.n)
    assert [what_fits(e) for e in back.entries] == [what_fits(e) for e in sent]


@pytest.mark.parametrize("kind", [kind for kind in CLASSES if kind not in NOT_CARRIED])
@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_each_kind_comes_back(kind: str, data: st.DataObject) -> None:
    sent = entry(1, data.draw(bodies(CLASSES[kind])))
    back = there_and_back(sent)
    assert [what_fits(e) for e in back.entries] == [what_fits(sent)]


def test_the_invented_case_comes_back_whole() -> None:
    back = there_and_back(*CASE)
    sent = sorted(carried(Case(CASE)), key=lambda e: e.n)
    assert [e.body for e in back.entries] == [e.body for e in sent]
    assert [e.at.wall for e in back.entries] == [e.at.wall for e in sent]
    assert [e.n for e in back.entries] == [n for n in range(1, 31) if n not in (15, 19, 24)]


def test_what_is_read_amounts_to_the_same_case() -> None:
    before, after = Case(CASE), Case(there_and_back(*CASE).entries)
    assert after.contrast_ml() == before.contrast_ml()
    assert after.missing() == before.missing()
    assert [
        (d.body, d.fate, d.inflations[0].pressure_atm if d.inflations else None) for d in after.devices()
    ] == [(d.body, d.fate, d.inflations[0].pressure_atm if d.inflations else None) for d in before.devices()]


def test_a_drug_in_another_script_comes_back() -> None:
    body = Drug(drug="гепарин натрия для инъекций", dose=Decimal(5000), unit="ЕД")
    assert [e.body for e in there_and_back(entry(1, body)).entries] == [body]


def test_minutes_of_fluoroscopy_come_back_from_seconds() -> None:
    (back,) = there_and_back(entry(1, Fluoroscopy(fluoroscopy_min="11.4"))).entries
    assert back.body == Fluoroscopy(fluoroscopy_min="11.4")


# --- other people's logs -------------------------------------------------------------------------


def changed(change: Any, *entries: Entry) -> ReadLog:
    """Return what is read from a log after a change to its first entry."""
    ds = dataset(Case(entries), words)
    change(next(item for item in ds.ContentSequence if item.RelationshipType == "CONTAINS"))
    return entries_of(dcmread(BytesIO(file_bytes(ds))))


def test_meanings_decide_nothing() -> None:
    def reword(item: Any) -> None:
        item.ConceptNameCodeSequence[0].CodeMeaning = "Temps de coagulation"

    assert changed(reword, entry(1, Act(act_s=281))).entries[0].body == Act(act_s=281)


def test_an_item_that_has_no_place_is_named_and_left_out() -> None:
    def other(item: Any) -> None:
        item.ConceptNameCodeSequence[0].CodeValue = "000000"

    back = changed(other, entry(1, Act(act_s=281)), entry(2, Contrast(volume_ml=40, counted="given")))
    assert [e.body.kind for e in back.entries] == ["contrast"]
    assert back.left_out == ("09:14:25 Activated clotting time: no kind of entry is written so",)


def test_a_number_in_another_unit_is_never_taken_as_it_stands() -> None:
    def in_minutes(item: Any) -> None:
        item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue = "min"

    back = changed(in_minutes, entry(1, Act(act_s=281)))
    assert back.entries == ()
    assert back.left_out == ("09:14:25 Activated clotting time: Activated clotting time is in min, not in s",)


def test_entries_of_another_program_get_numbers_after_the_last() -> None:
    def without_number(item: Any) -> None:
        del item.ContentSequence

    back = changed(without_number, entry(1, Act(act_s=281)), entry(2, Act(act_s=290)))
    assert [(e.n, e.source, e.body.act_s) for e in back.entries] == [(2, "program", 290), (3, "import", 281)]


def test_times_without_an_offset_are_refused_unless_the_log_tells_one() -> None:
    ds = dataset(Case([entry(1, Act(act_s=281))]), words)
    item = ds.ContentSequence[-1]
    item.ObservationDateTime = "20260302091425"
    del ds.TimezoneOffsetFromUTC
    with pytest.raises(UserError, match="without its offset"):
        entries_of(ds)
    assert any("without its offset" in problem for problem in problems(ds))
    ds.TimezoneOffsetFromUTC = "+0200"
    assert entries_of(ds).entries[0].at.wall == datetime.fromisoformat("2026-03-02T09:14:25+02:00")


def test_files_that_are_no_log_are_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="cannot be read"):
        read_log(tmp_path / "none.dcm")
    (tmp_path / "text.dcm").write_text("not DICOM")
    with pytest.raises(UserError, match="is no DICOM file"):
        read_log(tmp_path / "text.dcm")
    ds = dataset(Case(CASE), words)
    ds.SOPClassUID = "1.2.840.10008.5.1.4.1.1.88.33"
    (tmp_path / "other.dcm").write_bytes(file_bytes(ds))
    with pytest.raises(UserError, match="no procedure log"):
        read_log(tmp_path / "other.dcm")


@settings(max_examples=25, deadline=None)
@given(cut=st.integers(0, 6000), flip=st.integers(0, 6000))
def test_a_damaged_file_is_read_or_refused_but_never_a_traceback(cut: int, flip: int) -> None:
    data = bytearray(file_bytes(dataset(Case(CASE[:8]), words)))
    data[flip % len(data)] ^= 0x5A
    back = ReadLog((), (), ())
    with suppress(UserError):
        back = read_bytes(bytes(data[: len(data) - cut]), name="damaged")
    # a flipped bit may change a value unseen: the hash chain is the journal's, a log has none
    assert all(isinstance(e, Entry) for e in back.entries)


# --- the table -----------------------------------------------------------------------------------


def test_the_table_in_the_documents_is_the_one_of_the_code() -> None:
    text = (PROJECT / "docs" / "dicom.md").read_text(encoding="utf-8")
    begin, end = (
        "<!-- dicom table: checkback.reporting.dicom.coverage -->\n\n",
        "\n<!-- end of dicom table -->",
    )
    assert text.partition(begin)[2].partition(end)[0] == coverage.table(), (
        "run: python tools/write_dicom_table.py docs/dicom.md"
    )


def test_every_field_of_an_entry_is_in_the_table() -> None:
    assert set(coverage.OF_THE_ENTRY) == set(Entry.model_fields)
