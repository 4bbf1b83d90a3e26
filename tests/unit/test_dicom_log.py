"""A case as a DICOM Procedure Log: what stands in it, in which order, and how it is marked."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    CaseEnd,
    CaseStart,
    Contrast,
    Device,
    DeviceEvent,
    Dictation,
    Drug,
    Entry,
    Flow,
    Frozen,
    Mark,
    Moment,
    Patient,
    Signature,
    Unclear,
    Withdrawal,
)
from checkback.record.journal import START, line_of
from checkback.reporting.dicom.checks import problems
from checkback.reporting.dicom.items import date_time
from checkback.reporting.dicom.log import carried, dataset, file_bytes, write_log
from invented_case import CASE, CLOCK, entry
from strategies import cases


def words(entry: Entry) -> str:
    return entry.words


def log(*entries: Entry, **more: Any) -> Any:
    return dataset(Case(entries), words, **more)


def first_level(ds: Any) -> list[Any]:
    return [item for item in ds.ContentSequence if item.RelationshipType == "CONTAINS"]


def concept(item: Any) -> str:
    return str(item.ConceptNameCodeSequence[0].CodeValue)


def code(item: Any) -> str:
    return str(item.ConceptCodeSequence[0].CodeValue)


def below(item: Any, wanted: str) -> list[Any]:
    return [child for child in item.get("ContentSequence", []) if concept(child) == wanted]


def number_and_unit(item: Any) -> tuple[str, str]:
    measured = item.MeasuredValueSequence[0]
    return str(measured.NumericValue), str(measured.MeasurementUnitsCodeSequence[0].CodeValue)


def chain(entries: tuple[Entry, ...]) -> str:
    prev = START
    for each in entries:
        _, prev = line_of(each, prev)
    return prev


def with_signature(*bodies: Frozen, after: tuple[Frozen, ...] = ()) -> Any:
    told = tuple(entry(n, body) for n, body in enumerate(bodies, 1))
    signed = Signature(name="A. Invented", role="operator", entries=len(told), head=chain(told))
    later = [entry(len(told) + 2 + i, body) for i, body in enumerate(after)]
    return log(*told, entry(len(told) + 1, signed), *later)


# --- entries -------------------------------------------------------------------------------------


def test_heparin_is_a_drug_given_in_international_units() -> None:
    (drug,) = first_level(
        log(entry(1, Drug(drug="heparin", dose=Decimal(5000), unit="U", route="intravenous")))
    )
    assert (concept(drug), code(drug)) == ("122083", "84812008")
    (dose,) = below(drug, "121382")
    assert number_and_unit(dose) == ("5000", "[iU]")
    assert [code(route) for route in below(drug, "410675002")] == ["47625008"]


def test_a_drug_without_a_standard_code_has_a_private_one_that_is_its_name() -> None:
    ds = log(entry(1, Drug(drug="ticagrelor", dose=Decimal(180), unit="mg")))
    (drug,) = first_level(ds)
    assert (code(drug), drug.ConceptCodeSequence[0].CodingSchemeDesignator) == ("ticagrelor", "99CHECKBACK")
    assert [s.CodingSchemeDesignator for s in ds.CodingSchemeIdentificationSequence] == ["99CHECKBACK"]


def test_a_unit_that_is_not_known_is_never_taken_for_another() -> None:
    (drug,) = first_level(log(entry(1, Drug(drug="heparin", dose=Decimal(2), unit="ampoules"))))
    assert number_and_unit(below(drug, "121382")[0])[1] == "unit_as_text"
    assert [str(item.TextValue) for item in below(drug, "unit")] == ["ampoules"]


@pytest.mark.parametrize(
    ("body", "told"),
    [
        (DeviceEvent(happening="across", device="wire"), ("122090", "122302")),
        (DeviceEvent(happening="not across", device="wire"), ("122090", "122301")),
        (DeviceEvent(happening="not across", device="stent"), ("122090", "122310")),
        (DeviceEvent(happening="not across"), ("122090", "122310")),
        (DeviceEvent(happening="across", device="balloon"), ("122089", "102319006")),
        (DeviceEvent(happening="out", device="balloon"), ("371875006", "102319006")),
        (DeviceEvent(happening="ruptured", device="balloon"), ("device_event", "ruptured")),
        (Flow(timi=Decimal(0)), ("flow", "371867000")),
        (Flow(timi=Decimal(3)), ("flow", "371865008")),
        (Contrast(volume_ml=Decimal(40), counted="given"), ("122086", "7140000")),
    ],
    ids=lambda value: str(value) if isinstance(value, Frozen) else "",
)
def test_what_was_called_out_has_the_code_of_the_standard(body: Frozen, told: tuple[str, str]) -> None:
    (item,) = first_level(log(entry(1, body)))
    assert (concept(item), code(item)) == told


def test_a_dictated_note_is_a_note_of_the_procedure() -> None:
    (item,) = first_level(log(entry(1, Dictation(text="family is informed", writer="typed"))))
    assert (item.ValueType, concept(item), item.TextValue) == ("TEXT", "121174", "family is informed")


# --- order ---------------------------------------------------------------------------------------


def test_a_correction_stands_where_the_event_was() -> None:
    right = {"amends": 2, "at": CLOCK.at(40.0)}
    ds = log(
        entry(1, CaseStart()),
        entry(2, Act(act_s=Decimal(218))),
        entry(3, Mark()),
        entry(4, Act(act_s=Decimal(281)), **right),
    )
    assert [concept(item) for item in first_level(ds)] == ["121130", "3184-9", "record_entry"]
    assert number_and_unit(first_level(ds)[1])[0] == "281"


def test_at_the_same_time_what_was_said_first_comes_first() -> None:
    at = {"at": CLOCK.at(20.0)}
    ds = log(entry(1, Mark(), **at), entry(2, CaseStart(), **at), entry(3, CaseEnd(), **at))
    assert [concept(item) for item in first_level(ds)] == ["record_entry", "121130", "121131"]


@settings(max_examples=25, deadline=None)
@given(entries=cases().filter(bool))
def test_whatever_the_case_the_log_follows_the_rules_and_shows_nothing_withdrawn(
    entries: list[Entry],
) -> None:
    case = Case(entries)
    ds = dataset(case, words)
    assert problems(ds) == []
    told = [int(number_and_unit(below(item, "entry_number")[0])[0]) for item in first_level(ds)]
    assert told == [e.n for e in carried(case)]
    gone = [e for e in entries if case.standing(e)[0] in ("withdrawn", "amended")]
    assert not {e.n for e in gone} & set(told)


# --- marks ---------------------------------------------------------------------------------------


def test_withdrawn_and_amended_values_are_nowhere_in_the_file() -> None:
    ds = log(
        entry(1, Drug(drug="heparin", dose=Decimal(7777), unit="U"), "seven seven seven seven"),
        entry(2, Withdrawal(target=1)),
        entry(3, Act(act_s=Decimal(6666)), "six six"),
        entry(4, Act(act_s=Decimal(281)), amends=3),
    )
    data = file_bytes(ds)
    assert b"281" in data
    assert (
        b"7777" not in data and b"6666" not in data and b"seven seven" not in data and b"six six" not in data
    )


def test_a_questioned_entry_is_a_text_that_says_so_and_never_a_first_level_code() -> None:
    body = Drug(drug="heparin", dose=Decimal(5000), unit="U")
    ds = log(entry(1, body, "heparin five", standing="questioned", question="5000 or 500?"))
    (item,) = first_level(ds)
    assert item.ValueType == "TEXT"
    assert item.TextValue == "QUESTIONED, not confirmed: heparin five"
    assert [code(inner) for inner in below(item, "122083")] == ["84812008"]
    assert [str(asked.TextValue) for asked in below(item, "entry_question")] == ["5000 or 500?"]


# --- header --------------------------------------------------------------------------------------


def test_no_name_and_no_number_of_a_patient_is_made_up() -> None:
    ds = log(entry(1, Patient(age_y=Decimal(64), sex="female")))
    assert [
        ds[name].is_empty for name in ("PatientName", "PatientID", "PatientBirthDate", "AccessionNumber")
    ] == [True] * 4
    assert ds.PatientSex == "F"


def test_an_unsigned_case_is_partial_preliminary_and_unverified_and_says_why() -> None:
    ds = dataset(Case(CASE), words, notes=("The case is unfinished.",))
    assert (ds.CompletionFlag, ds.PreliminaryFlag, ds.VerificationFlag) == (
        "PARTIAL",
        "PRELIMINARY",
        "UNVERIFIED",
    )
    assert ds.CompletionFlagDescription == "The case is unfinished."
    assert [i.TextValue for i in ds.ContentSequence if concept(i) == "note_on_log"] == [
        "The case is unfinished."
    ]


def test_a_signed_case_is_complete_and_names_who_signed() -> None:
    ds = with_signature(CaseStart(), CaseEnd())
    assert (ds.CompletionFlag, ds.PreliminaryFlag, ds.VerificationFlag) == ("COMPLETE", "FINAL", "VERIFIED")
    (observer,) = ds.VerifyingObserverSequence
    assert str(observer.VerifyingObserverName) == "A. Invented"
    assert observer.VerificationDateTime == date_time(CLOCK.at(60.0).wall)
    assert problems(ds) == []


def test_what_is_recorded_after_the_signature_is_not_signed() -> None:
    ds = with_signature(CaseStart(), CaseEnd(), after=(Act(act_s=Decimal(281)),))
    assert (ds.CompletionFlag, ds.VerificationFlag) == ("PARTIAL", "UNVERIFIED")


def test_a_case_signed_before_its_end_is_not_complete() -> None:
    assert with_signature(CaseStart()).CompletionFlag == "PARTIAL"


def test_a_signature_under_other_lines_signs_nothing() -> None:
    told = entry(1, CaseEnd())
    signed = Signature(name="A. Invented", role="operator", entries=1, head="0" * 64)
    assert log(told, entry(2, signed)).VerificationFlag == "UNVERIFIED"


def test_a_withdrawn_signature_signs_nothing() -> None:
    told = (entry(1, CaseEnd()),)
    signed = Signature(name="A. Invented", role="operator", entries=1, head=chain(told))
    assert log(*told, entry(2, signed), entry(3, Withdrawal(target=2))).VerificationFlag == "UNVERIFIED"


def test_the_same_journal_gives_the_same_file() -> None:
    first, second = (file_bytes(dataset(Case(CASE), words)) for _ in range(2))
    assert first == second


def test_a_journal_that_went_on_is_a_new_instance_of_the_same_series() -> None:
    before, after = log(*CASE[:20]), log(*CASE[:21])
    assert before.StudyInstanceUID == after.StudyInstanceUID
    assert before.SeriesInstanceUID == after.SeriesInstanceUID
    assert before.SOPInstanceUID != after.SOPInstanceUID


def test_another_case_is_another_study() -> None:
    assert log(entry(1, CaseStart())).StudyInstanceUID != log(entry(1, CaseStart(), "start")).StudyInstanceUID


def test_a_note_more_is_another_instance_too() -> None:
    one = dataset(Case(CASE), words)
    assert dataset(Case(CASE), words, notes=("The chain is broken.",)).SOPInstanceUID != one.SOPInstanceUID


# --- odd cases -----------------------------------------------------------------------------------


def test_a_case_without_entries_is_refused() -> None:
    with pytest.raises(UserError, match="no entries"):
        log()


def test_a_case_of_which_all_was_withdrawn_is_a_log_without_entries() -> None:
    ds = log(entry(1, Act(act_s=Decimal(281))), entry(2, Withdrawal(target=1)))
    assert first_level(ds) == []
    assert problems(ds) == []


def test_a_number_longer_than_a_decimal_string_stands_exactly_beside_a_rounded_one() -> None:
    (act,) = first_level(log(entry(1, Act(act_s=Decimal("281.1234567890123")))))
    measured = act.MeasuredValueSequence[0]
    assert str(measured.NumericValue) == "281.123456789012"
    assert measured.FloatingPointValue == 281.1234567890123


@pytest.mark.parametrize(
    ("minutes", "written"),
    [(60, "20260302091405.250+0100"), (-210, "20260302091405.250-0330"), (-780, "20260302221405.250+0000")],
)
def test_a_time_keeps_its_offset_where_a_dt_can_hold_it(minutes: int, written: str) -> None:
    wall = datetime(2026, 3, 2, 9, 14, 5, 250_000, tzinfo=timezone(timedelta(minutes=minutes)))
    assert date_time(wall) == written


def at(wall: str) -> dict[str, Any]:
    moment = Moment(wall=datetime.fromisoformat(wall), monotonic_s=0.0)
    return {"at": moment, "said": moment, "recorded": moment}


def test_a_case_in_utc_has_its_zone_in_the_header_and_bare_times() -> None:
    ds = log(entry(1, Mark(), **at("2026-03-02T23:30:00+00:00")))
    assert (ds.TimezoneOffsetFromUTC, ds.StudyDate, ds.StudyTime) == ("+0000", "20260302", "233000.000")
    assert [item.ObservationDateTime for item in first_level(ds)] == ["20260302233000.000"]
    assert problems(ds) == []


def test_a_time_in_utc_within_another_zone_is_written_in_that_zone() -> None:
    ds = log(
        entry(1, Mark(), **at("2026-03-02T23:30:00+01:00")),
        entry(2, Mark(), **at("2026-03-02T22:31:00+00:00")),
    )
    assert (ds.TimezoneOffsetFromUTC, ds.StudyDate) == ("+0100", "20260302")
    assert [item.ObservationDateTime for item in first_level(ds)] == [
        "20260302233000.000+0100",
        "20260302233100.000+0100",
    ]


def test_control_characters_in_what_was_typed_do_not_get_into_the_file() -> None:
    (item,) = first_level(log(entry(1, Unclear(), "a\x1b[2Jb\nc")))
    assert below(item, "entry_words")[0].TextValue == "a\N{REPLACEMENT CHARACTER}[2Jb\nc"


def test_the_log_is_written_whole_over_an_earlier_one(tmp_path: Path) -> None:
    (path,) = write_log(Case(CASE[:5]), words, tmp_path)
    assert write_log(Case(CASE), words, tmp_path) == [path]
    assert path.read_bytes() == file_bytes(dataset(Case(CASE), words))
    assert [p.name for p in tmp_path.iterdir()] == ["procedure-log.dcm"]


def test_a_device_in_the_same_breath_as_its_pressure_is_one_entry() -> None:
    body = Device(
        device="stent",
        diameter_mm=Decimal("2.75"),
        length_mm=Decimal(28),
        pressure_atm=Decimal(12),
        deployed=True,
    )
    (item,) = first_level(log(entry(1, body)))
    assert [number_and_unit(below(item, value)[0]) for value in ("81827009", "410668003", "371851006")] == [
        ("2.75", "mm"),
        ("28", "mm"),
        ("12", "atm"),
    ]
