"""A case written by hand as CSV."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import Device, Drug, Entry, Inflation, Unclear
from checkback.reporting.handwritten import Written, read_table
from checkback.reporting.tables import table
from english import book
from invented_case import CASE
from strategies import cases

DAY = date(2026, 3, 2)
ZONE = timezone(timedelta(hours=1))
NOW = datetime(2026, 3, 3, 9, 0, tzinfo=ZONE)


def read(text: str, day: date | None = DAY) -> Written:
    return read_table(text, book(), day=day, zone=ZONE, now=NOW)


def bad(text: str, day: date | None = DAY) -> list[str]:
    return [str(row) for row in read(text, day).bad]


def test_times_and_words_with_no_heading() -> None:
    written = read("12:30,heparin 5000 units\n12:31:30,balloon 2.5x12 14 atm\n\n12:33,down\n")
    assert not written.bad
    assert [entry.n for entry in written.entries] == [1, 2, 3]
    heparin, balloon, _ = written.entries
    assert heparin.body == Drug(drug="heparin", dose=Decimal(5000), unit="U")
    assert heparin.at.wall == datetime(2026, 3, 2, 12, 30, tzinfo=ZONE)
    assert heparin.words == "heparin 5000 units"
    assert isinstance(balloon.body, Device) and balloon.body.pressure_atm == 14
    assert balloon.at.monotonic_s == 90.0
    for entry in written.entries:
        assert (entry.source, entry.standing, entry.recogniser) == ("import", "stands", None)
        assert entry.recorded.wall == NOW
    (life,) = Case(written.entries).devices()
    assert life.inflations[0].seconds == 90.0


@pytest.mark.parametrize(
    "text",
    [
        "time,words\n12:30,heparin 5000 units\n",
        "\ufefftime,words\r\n12:30,heparin 5000 units\r\n",
        "Time;Words\n12:30;heparin 5000 units\n",
        '"12:30","heparin, 5000 units"\n',
        "12:30,heparin, 5000 units",
        "at,kind,drug,dose,unit\n12:30,drug,heparin,5000,U\n",
        "time,words,kind,drug,dose,unit\n12:30,,drug,heparin,5000,U\n",
    ],
)
def test_the_same_row_in_other_spellings(text: str) -> None:
    (entry,) = read(text).entries
    assert entry.body == Drug(drug="heparin", dose=Decimal(5000), unit="U")
    assert entry.at.wall == datetime(2026, 3, 2, 12, 30, tzinfo=ZONE)


def test_words_and_fields_in_one_table() -> None:
    written = read(
        "time,words,kind,device,type,diameter_mm,length_mm\n"
        "12:30,heparin 5000 units,,,,,\n"
        '12:31,"as it stood on the sheet",device,stent,drug-eluting,3.0,18\n'
    )
    assert not written.bad
    stent = written.entries[1]
    assert isinstance(stent.body, Device)
    assert (stent.body.diameter_mm, stent.body.length_mm) == (Decimal("3.0"), Decimal(18))
    assert stent.words == "as it stood on the sheet"


def test_after_midnight_the_day_goes_on() -> None:
    written = read("23:50,case start\n00:10,heparin 5000 units\n00:05,time out done\n")
    assert [entry.at.wall.isoformat() for entry in written.entries] == [
        "2026-03-02T23:50:00+01:00",
        "2026-03-03T00:10:00+01:00",
        "2026-03-03T00:05:00+01:00",
    ]


def test_a_full_time_needs_no_day_and_gives_it_to_the_rows_below() -> None:
    written = read("2026-05-01T08:00:00.250-05:00,case start\n08:10,time out done\n", day=None)
    assert [entry.at.wall.isoformat() for entry in written.entries] == [
        "2026-05-01T08:00:00.250000-05:00",
        "2026-05-01T08:10:00+01:00",
    ]


def test_two_minutes_ago_is_two_minutes_before_the_time_of_the_row() -> None:
    (entry,) = read("12:30,two minutes ago heparin 5000 units\n").entries
    assert entry.at.wall == datetime(2026, 3, 2, 12, 28, tzinfo=ZONE)


def test_what_does_not_fit_the_case_is_kept_as_a_question() -> None:
    (entry,) = read("12:30,down\n").entries
    assert entry.standing == "questioned"
    assert entry.question == "no balloon is up. down, affirm?"


BAD_ROWS = [
    ("12:30,balloon three by twenty eight", "line 1: 'balloon three by twenty eight' can be taken for 'balloon 3.0 × 28 mm"),
    ("12:30,colourless green ideas", "line 1: 'colourless green ideas' is not understood"),
    ("12:30,disregard", "line 1: 'disregard' is no entry of its own"),
    ("12:30,correction heparin 4000 units", "line 1: 'correction heparin 4000 units' is no entry of its own"),
    ("12:30,how much heparin", "line 1: 'how much heparin' is no entry of its own"),
    ("12:30,", "line 1: there are no words"),
    (",heparin 5000 units", "line 1: there is no time"),
    ("half past,heparin 5000 units", "line 1: 'half past' is no time: write 12:30"),
    ("25:61,heparin 5000 units", "line 1: '25:61' is no time of day"),
    ("12:30,at fourteen twenty heparin 5000 units", "line 1: .* tells a second time"),
    ("time,kind,dose\n12:30,drug,5000", "line 2: drug: field required"),
    ("time,kind,drug,dose,unit\n12:30,drug,heparin,lots,U", "line 2: dose: .*valid decimal"),
    ("time,kind,drug,dose,unit\n12:30,drugs,heparin,1,U", "line 2: 'drugs' is no kind of entry"),
    ("time,kind,drug,act_s\n12:30,act,heparin,250", "line 2: drug does not belong to act"),
    ("time,words,dose\n12:30,heparin 5000 units,1", "line 2: there is no kind, but dose"),
    ("time,words\n12:30,a,b", "line 2: there are more cells than headings"),
    ("time,kind,device,stocked\n12:30,device,stent,maybe", "line 2: stocked: .*boolean"),
    ("time,kind,device\n12:30,device,catapult", "line 2: device: input should be"),
    ("time,kind,amends\n12:30,mark,1", "line 2: amends: the table has no column n"),
    ("n,time,kind,amends\n1,12:30,mark,7", "line 2: amends: no row above has n = 7"),
    ("n,time,kind\nx,12:30,mark", "line 2: n: 'x' is no number"),
    ("n,time,kind,target\n1,12:30,mark,\n2,12:31,withdrawal,9", "line 3: target: no row above has n = 9"),
    ("n,time,kind\n1,12:30,mark\n1,12:31,mark", "line 3: n = 1 was there before"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), BAD_ROWS, ids=[said[:40] for _, said in BAD_ROWS])
def test_a_bad_row_is_named_by_its_line(text: str, said: str) -> None:
    (row,) = bad(text)
    assert re.match(said, row), row


def test_a_time_of_day_with_no_day_is_named() -> None:
    assert bad("9:30,heparin 5000 units", day=None) == [
        "line 1: '9:30' tells no day: give --date, or write 2026-03-02T09:30"
    ]


def test_the_line_of_a_row_is_that_in_the_file_also_after_text_with_line_ends() -> None:
    text = 'time,words,kind\n12:30,"two\nlines",mark\n\n12:31,nonsense here,\n'
    assert [row.line for row in read(text).bad] == [5]
    assert read(text).entries[0].words == "two\nlines"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the file has no rows"),
        ("\n\n", "the file has no rows"),
        ("time,words,colour\n", "line 1: no entry has a column 'colour'"),
        ("time,words,words\n", "line 1: the column 'words' stands there twice"),
        ("time,at,words\n", "line 1: there are columns time and at"),
        ("time,drug\n", "line 1: there is neither a column words nor a column kind"),
        ('12:30,"heparin\n', "line 1: not CSV"),
        ('12:30,mark\n12:31,"a"b\n', "line 2: not CSV"),
    ],
)
def test_a_file_that_is_no_table_is_refused(text: str, said: str) -> None:
    with pytest.raises(UserError, match=said):
        read(text)


# --- the program's own table -------------------------------------------------------------------------


def as_table(entries: list[Entry] | tuple[Entry, ...]) -> str:
    case = Case(entries)
    return table(case.entries, standing=case.standing, summary=lambda entry: entry.body.kind)


def test_the_invented_case_comes_back_from_its_table() -> None:
    written = read(as_table(CASE))
    assert not written.bad
    before, after = Case(CASE), Case(written.entries)
    assert [e.body for e in after.entries] == [e.body for e in before.entries]
    assert [after.standing(e) for e in after.entries] == [before.standing(e) for e in before.entries]
    assert [(e.at.wall, e.words, e.amends) for e in after.entries] == [
        (e.at.wall, e.words, e.amends) for e in CASE
    ]
    assert {e.source for e in after.entries} == {"import"}


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
@given(cases(max_size=6))
def test_any_body_comes_back_from_the_table(entries: list[Entry]) -> None:
    # a withdrawal needs what it withdraws, and a text that must be there cannot stand in an empty cell
    kept = [e for e in entries if e.body.kind != "withdrawal" and not _lacks_a_text(e)]
    entries = [e.model_copy(update={"n": n, "amends": None}) for n, e in enumerate(kept, start=1)]
    if not entries:
        return
    written = read_table(as_table(entries), book(), now=datetime(2026, 3, 3, tzinfo=UTC))
    assert not written.bad
    for before, after in zip(entries, written.entries, strict=True):
        # an empty cell stands for none and for an empty text
        assert {n: v or None for n, v in after.body if v != 0} == {
            n: v or None for n, v in before.body if v != 0
        }
        assert after.at.wall == before.at.wall
        assert after.words == before.words
        assert (after.standing == "questioned") == (before.standing == "questioned")


def _lacks_a_text(entry: Entry) -> bool:
    if entry.body.kind == "dictation":
        return False  # a note may have no text yet
    fields = type(entry.body).model_fields.items()
    return any(field.is_required() and getattr(entry.body, name) == "" for name, field in fields)


def test_a_note_comes_back_with_the_row_in_which_it_had_no_text_yet() -> None:
    written = read("n,time,kind,text,amends\n1,12:30,dictation,,\n2,12:31,dictation,family is informed,1\n")
    assert not written.bad
    assert [e.body.model_dump()["text"] for e in written.entries] == ["", "family is informed"]
    assert Case(written.entries).standing(written.entries[0]) == ("amended", 2)


def test_a_row_of_what_was_not_settled_stays_unsettled() -> None:
    (entry,) = read("time,kind,words,standing,question\n12:30,unclear,mumbled,questioned,say again\n").entries
    assert (entry.body, entry.standing, entry.question) == (Unclear(), "questioned", "say again")


def test_the_guard_of_the_table_is_taken_away_again() -> None:
    (entry,) = read("time,kind,words,pressure_atm\n12:30,inflation,'=1+1,14\n").entries
    assert entry.words == "=1+1"
    assert entry.body == Inflation(pressure_atm=Decimal(14))
