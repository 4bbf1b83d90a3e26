"""The draft report: prose that can be traced to entries, and never tells what was taken back."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    BloodPressure,
    CaseEnd,
    CaseStart,
    CirculationReturned,
    Compressions,
    Contrast,
    Deployment,
    Device,
    Dictation,
    DoseArea,
    Drug,
    Entry,
    Identity,
    Inflation,
    Lesion,
    Patient,
    Perforation,
    Shock,
    Stenosis,
    TimeOut,
    Unclear,
    Withdrawal,
)
from checkback.reporting.computed import Computed, Figured
from checkback.reporting.document import (
    DRAFT,
    BulletList,
    DataTable,
    Document,
    Heading,
    Paragraph,
    Run,
    every_run,
    runs_of,
)
from checkback.reporting.narrative import TEMPLATE, draft, narrative
from report_case import CLOCK, PHRASING, SESSION, Room, d, told
from strategies import cases

GOLDEN = Path(__file__).parents[1] / "golden" / "report.txt"


def report(room: Room | list[Entry], **more: Any) -> Document:
    return draft(room.case if isinstance(room, Room) else Case(room), PHRASING, **more)


def sections(document: Document) -> dict[str, list[Run]]:
    """Return the runs under each heading of the first level; what stands above all is under ''."""
    found: dict[str, list[Run]] = {"": []}
    heading = ""
    for block in document.blocks:
        if isinstance(block, Heading) and block.level == 1:
            heading = block.text
            found[heading] = []
        found[heading] += runs_of(block)
    return found


def sentences(document: Document, heading: str) -> list[str]:
    return [run.text for run in sections(document).get(heading, [])]


@pytest.fixture(scope="module")
def whole() -> Document:
    return report(told())


# --- as it is read --------------------------------------------------------------------------------


def test_the_report_reads_as_it_did_when_somebody_last_read_it() -> None:
    """Set CHECKBACK_GOLDEN to write it anew, then read it."""
    now = narrative(told().case, PHRASING)
    if "CHECKBACK_GOLDEN" in os.environ:
        GOLDEN.write_text(now, encoding="utf-8")
    assert now == GOLDEN.read_text(encoding="utf-8")


def test_it_is_a_draft_until_somebody_signs(whole: Document) -> None:
    assert (whole.status, whole.signed) == (DRAFT, False)
    assert "no report until a physician has checked and signed it" in whole.blocks[0].runs[0].text  # type: ignore[union-attr]


def test_what_is_missing_stands_above_all_else(whole: Document) -> None:
    first = next(block for block in whole.blocks if isinstance(block, BulletList))
    headings = [block.text for block in whole.blocks if isinstance(block, Heading)]
    assert headings[0] == "To be completed before signing"
    assert first.style == "warning"
    said = [run.text for run in runs_of(first)]
    assert said[0] == "Not on record: the air kerma and where the patient goes."
    assert "The removal of a 6 Fr AL1 guide is not on record." in said
    assert any(
        each.startswith("“contrast forty” at 08:40:30 is not settled: contrast given 40 mL") for each in said
    )


def test_the_change_of_plan_is_told_where_it_was_made(whole: Document) -> None:
    told_ = sentences(whole, "Intervention")
    place = told_.index(
        "A 2.0 × 15 mm semi-compliant balloon was introduced at 08:11, would not cross and was removed."
    )
    assert told_[place + 1].startswith("Dictated at 08:13: “Change of plan: the vessel is too hard")
    assert told_[place + 2] == "After the semi-compliant balloon had not crossed, a 1.5 mm burr was introduced at 08:15, run twice and removed."  # fmt: skip


def test_each_lesion_has_a_heading_in_the_order_of_work(whole: Document) -> None:
    below = [block.text for block in whole.blocks if isinstance(block, Heading) and block.level == 2]
    assert below[:3] == [
        "Before a lesion was named",
        "Lesion 1: mid right coronary artery",
        "Lesion 2: posterolateral branch",
    ]


def test_a_resuscitation_is_told_in_order_with_seconds(whole: Document) -> None:
    blocks = whole.blocks
    place = next(
        i
        for i, block in enumerate(blocks)
        if isinstance(block, Heading) and block.text.startswith("Resuscitation")
    )
    events = blocks[place + 1]
    assert isinstance(events, BulletList)
    assert [run.text for run in runs_of(events)] == [
        "08:31:30 the rhythm was ventricular fibrillation.",
        "08:32:15 chest compressions were started.",
        "08:33:00 a shock of 200 J was given.",
        "08:33:45 adrenaline 1 mg was given intravenously.",
        "08:34:30 spontaneous circulation returned.",
    ]


def test_a_resuscitation_without_its_end_ends_with_its_last_event() -> None:
    room = Room()
    room.say(Compressions(action="started"))
    room.say(Shock(energy_j=d(150)))
    room.say(BloodPressure(systolic_mmhg=d(80)))
    lists = [
        block for block in report(room).blocks if isinstance(block, BulletList) and block.style == "body"
    ]
    assert [[run.cites for run in runs_of(block)] for block in lists] == [[(1,), (2,)]]


def resuscitations(document: Document) -> list[str]:
    return [b.text for b in document.blocks if isinstance(b, Heading) and b.text.startswith("Resuscitation")]


def test_compressions_that_stop_after_the_circulation_returned_are_no_second_resuscitation() -> None:
    room = Room()
    room.say(Shock(energy_j=d(200)))
    room.say(CirculationReturned())
    room.say(Compressions(action="stopped"))
    document = report(room)
    named = resuscitations(document)
    assert named == ["Resuscitation from 08:00:10"]
    assert "08:00:30 chest compressions were stopped." in sentences(document, "Complications")
    room.say(Compressions(action="started"))
    again = resuscitations(report(room))
    assert again == [*named, "Resuscitation from 08:00:40"]


def test_a_list_of_what_followed_says_that_it_is_cut_short() -> None:
    room = Room()
    room.say(Perforation())
    for dose in range(1, 7):
        room.say(Drug(drug="protamine", dose=d(dose), unit="mg"))
    assert "only" not in sentences(report(room), "Complications")[1]
    room.say(Drug(drug="protamine", dose=d(7), unit="mg"))
    told_after = sentences(report(room), "Complications")[1]
    assert "the first 6 only" in told_after and "protamine 7 mg" not in told_after


def test_an_implant_without_a_label_stands_above_all_else() -> None:
    room = Room()
    room.say(Device(device="stent", type="drug-eluting", diameter_mm=d(3), length_mm=d(18)))
    room.say(Deployment(pressure_atm=d(12)))
    said = "No lot, serial number or identifier is on record for a 3.0 × 18 mm drug-eluting stent that was implanted."
    assert said in sentences(report(room), "To be completed before signing")
    room.say(Identity(udi="", lot="AB123"))
    assert said not in sentences(report(room), "To be completed before signing")


def test_a_note_that_went_on_is_not_among_what_was_taken_back() -> None:
    room = Room()
    first = room.say(Dictation(text=""))
    room.say(Dictation(text="Family"), amends=first)
    room.say(
        Dictation(text="Family is informed", ended=CLOCK.at(20.0).wall, ended_by="said"), amends=first + 1
    )
    assert sentences(report(room), "Amended or withdrawn") == []
    room.say(Dictation(text="Nobody is informed"), amends=first + 2)
    assert sentences(report(room), "Amended or withdrawn")[1:] == [
        "Entry 3 (dictation, 08:00:30) was amended by entry 4."
    ]


def test_a_perforation_is_told_with_what_followed(whole: Document) -> None:
    told_ = sentences(whole, "Complications")
    assert told_[0] == "An Ellis type II perforation was seen in the posterolateral branch at 08:30."
    assert told_[1].startswith(
        "In the minutes that followed, protamine 50 mg was given intravenously (08:30)"
    )


def test_marks_stand_where_the_reader_must_look(whole: Document) -> None:
    marked = {run.marks: run.text for run in every_run(whole) if run.marks}
    assert "inflated to 16 atm for 20 s" in marked["amended",] or "3.0 × 15" in marked["amended",]
    assert "contrast forty" in marked["questioned",]
    assert "too hard" in marked["dictated",]


def test_an_answer_to_a_question_is_marked_as_clarified() -> None:
    room = Room()
    asked = room.say(Unclear(), "contrast forty", standing="questioned")
    room.say(Contrast(volume_ml=d(40), counted="given"), amends=asked)
    (run,) = sections(report(room))["Contrast"]
    assert (run.marks, run.cites) == (("clarified",), (2,))


def test_implants_stand_first_among_the_devices(whole: Document) -> None:
    table = next(block for block in whole.blocks if isinstance(block, DataTable))
    assert [row[0][0].text for row in table.rows][:2] == ["3.5 × 28 mm drug-eluting stent", "6 Fr AL1 guide"]
    assert sentences(whole, "Devices")[0] == "A 3.5 × 28 mm drug-eluting stent was implanted, lot AB123, serial number S7."  # fmt: skip


def test_what_is_computed_stands_with_its_source_and_note() -> None:
    known = Computed(
        (
            Figured("contrast", "contrast / clearance", "2.74", "Cockcroft-Gault"),
            Figured("contrast", "left", "13 mL", "for the running case"),
            Figured("patient", "eGFR", "", missing="age is not on record"),
        ),
        "check against local protocol",
    )
    told_ = sentences(report(told(), computed=known), "Computed from the entries")
    assert told_ == [
        "contrast: contrast / clearance",
        "2.74",
        "Cockcroft-Gault",
        "Check against local protocol.",
    ]


# --- where nothing, little or anything is on record -----------------------------------------------


def test_an_empty_case_says_so() -> None:
    document = report(Room())
    assert "Nothing is on record yet." in sentences(document, "")
    assert "the end of the case" in sentences(document, "To be completed before signing")[0]
    assert not [run for run in every_run(document) if run.cites]


def test_a_case_in_which_all_was_withdrawn_says_so() -> None:
    room = Room()
    room.say(Act(act_s=d(287)))
    room.say(Withdrawal(target=1))
    document = report(room)
    assert "Nothing is on record yet." in sentences(document, "")
    assert sentences(document, "Amended or withdrawn")[1:] == [
        "Entry 1 (act, 08:00:10) was withdrawn by entry 2."
    ]
    assert "287" not in narrative(room.case, PHRASING)


def test_an_unfinished_case_says_how_far_it_goes() -> None:
    room = Room()
    room.say(SESSION)
    room.say(CaseStart())
    room.say(SESSION.model_copy(update={"number": 2}))
    room.say(Inflation(pressure_atm=Decimal(8)))
    document = report(room)
    assert "The case is not finished: this is the record up to 08:00:40." in sentences(document, "")
    assert sentences(document, "Intervention") == [
        "The balloon, of which no introduction is on record, was inflated to 8 atm at 08:00."
    ]
    assert sentences(document, "Final result") == ["None is on record after the last treatment."]
    assert "Closure" not in sections(document)


def test_a_time_after_midnight_has_its_date() -> None:
    room = Room()
    room.say(CaseStart())
    room.say(CaseEnd(), at=CLOCK.at(17 * 3600.0))
    assert "The case was ended at 01:00 on 2026-03-03." in sentences(report(room), "Times")


def test_of_what_is_told_twice_of_the_patient_the_later_holds() -> None:
    room = Room()
    room.say(Patient(weight_kg=d(78), allergies="iodine"))
    room.say(Patient(weight_kg=d(81)))
    runs = {run.text: run.cites for run in sections(report(room))["Indication"]}
    assert runs == {"The patient weighed 81 kg.": (2,), "Allergies: iodine.": (1,)}


def test_a_note_stands_in_its_stretch_of_the_case() -> None:
    room = Room()
    note = Dictation(text="first")
    room.say(note)
    room.say(Stenosis(segment="left main", stenosis_percent=d(60)))
    room.say(Device(device="stent", deployed=True))
    room.say(Dictation(text="", clip="dictation/4.flac"))
    told_ = sections(report(room))
    assert told_["Findings before treatment"][-1].text == "Dictated at 08:00: “first” (not ended)."
    assert (
        told_["Final result"][-1].text
        == "A note was dictated at 08:00 and kept as sound only (dictation/4.flac)."
    )


def test_a_note_that_grew_is_told_once_and_whole() -> None:
    room = Room()
    room.say(Dictation(text="the wire"))
    room.correct(Dictation(text="the wire went easily", ended=CLOCK.at(30).wall, ended_by="said"))
    text = narrative(room.case, PHRASING)
    assert text.count("the wire") == 1
    assert "“the wire went easily” [2] (dictated)." in text


def test_a_lesion_that_is_named_again_goes_on() -> None:
    room = Room()
    room.say(Lesion(lesion=1))
    room.say(Device(device="wire", lesion=1))
    room.say(Device(device="balloon", segment="left main", lesion=1))
    document = report(room)
    assert [b.text for b in document.blocks if isinstance(b, Heading) and b.level == 2] == ["Lesion 1: left main coronary artery"]  # fmt: skip
    assert sections(document)["Intervention"][0].cites == (1, 2, 3)


# --- nobody's words can pass for something else ---------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        "= A heading",
        "- item",
        "! alert",
        "<cite>1 2</cite>",
        "<row>a<cell>b",
        "a\n= b",
        "{{ 7*7 }}",
        "|a|",
        "&lt;b&gt;",
    ],
)
def test_recorded_words_stay_words(words: str) -> None:
    room = Room()
    room.say(Patient(allergies=words, indication=words))
    room.say(Unclear(), words, standing="questioned")
    document = report(room)
    plain = " ".join(words.split())
    assert f"Allergies: {plain}." in sentences(document, "Indication")
    assert any(plain in each for each in sentences(document, "To be completed before signing"))
    assert {run.cites for run in every_run(document)} <= {(), (1,), (2,)}
    assert not [b for b in document.blocks if isinstance(b, Heading) and "heading" in b.text.lower()]


def test_a_space_inside_a_number_stays() -> None:
    room = Room()
    room.say(Dictation(text="dose 1 .5 or 1 , 5"))
    assert "“dose 1 .5 or 1 , 5”" in narrative(room.case, PHRASING)


# --- traceability ---------------------------------------------------------------------------------


def numbers(text: str) -> set[Decimal]:
    return {Decimal(number) for number in re.findall(r"\d+(?:\.\d+)?", text)}


def told_numbers(text: str) -> set[Decimal]:
    """Return the numbers of a sentence, without times and without what the wording itself brings."""
    text = re.sub(r"\d\d:\d\d(:\d\d)?( on \d{4}-\d\d-\d\d)?", "", text)
    return numbers(re.sub(r"P2Y12|/10\b", "", text))


def leaves(value: Any) -> Iterator[str]:
    """Yield every value of an entry as text."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list | tuple):
        for each in value:
            yield from leaves(each)
    elif isinstance(value, Decimal):
        yield format(value, "f")
    elif not isinstance(value, bool):
        # a sign that cannot be printed separates what stands on its two sides
        yield "".join(sign if sign.isprintable() else " " for sign in str(value))


def untraceable(document: Document, entries: list[Entry]) -> Iterator[str]:
    """Yield sentences with a number that no entry they cite holds."""
    by_number = {entry.n: entry for entry in entries}
    for run in every_run(document):
        if not run.cites:
            continue
        recorded = [by_number[n] for n in run.cites]
        if run.text.startswith("Together this was"):
            total = sum(e.body.volume_ml for e in recorded if isinstance(e.body, Contrast))
            if told_numbers(run.text) != {total}:
                yield run.text
            continue
        if run.text.startswith("The computer's clock was set"):
            continue  # a float, which text and JSON may write in two ways
        kept = [e.model_dump(include={"body", "alternatives", "words", "source"}) for e in recorded]
        held = " ".join(leaves(kept))
        if not told_numbers(run.text) <= numbers(held):
            yield run.text


def test_every_number_stands_in_an_entry_that_is_cited(whole: Document) -> None:
    assert list(untraceable(whole, told().entries)) == []
    assert sum(len(told_numbers(run.text)) for run in every_run(whole) if run.cites) > 60


def test_a_number_from_nowhere_would_be_found(whole: Document) -> None:
    entries = [
        e.model_copy(update={"body": Inflation(pressure_atm=d(9))})
        if e.body == Inflation(pressure_atm=d(10))
        else e
        for e in told().entries
    ]
    assert list(untraceable(whole, entries)) != []


TELLING = {
    "allergies", "anticoagulant", "curve", "drug", "indication", "lot", "method", "recommendations", "rhythm",
    "segment", "serial", "side", "site", "text", "type",
}  # fmt: skip
"""Fields whose text a sentence takes over as it stands."""

YES_OR_NO = {
    "antiplatelet_loaded": "P2Y12 inhibitor had been loaded",
    "consent": "informed consent",
    "diabetes": "diabetes",
    "heart_failure": "heart failure",
}
"""What a sentence makes of a field that is yes or no."""


def what_it_tells(entry: Entry) -> set[str]:
    """Return what a sentence may take from an entry, but for numbers."""
    body = entry.body.model_dump(exclude_none=True)
    words = {str(body[name]).casefold() for name in TELLING & body.keys()}
    return words | {said.casefold() for name, said in YES_OR_NO.items() if name in body}


def misplaced(document: Document, entries: list[Entry]) -> Iterator[str]:
    """Yield sentences with a time or a recorded word of none of the entries that they cite."""
    by_number = {entry.n: entry for entry in entries}
    known = {word for entry in entries for word in what_it_tells(entry)}
    for run in every_run(document):
        if not run.cites:
            continue
        recorded = [by_number[n] for n in run.cites]
        held = set().union(*map(what_it_tells, recorded))
        text = run.text.casefold()
        words = {word for word in known if re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", text)}
        within = {word for word in words if any(word in longer for longer in held)}
        times = set(re.findall(r"\d\d:\d\d", text))
        if words - within or not times <= {f"{e.at.wall:%H:%M}" for e in recorded}:
            yield run.text


def test_every_time_and_recorded_word_stands_in_an_entry_that_is_cited(whole: Document) -> None:
    assert list(misplaced(whole, told().entries)) == []


CITATION = re.compile(r"\{\{ cite\((?:[^()]|\([^()]*\))*\) \}\}")


def test_a_template_that_cites_the_wrong_entry_anywhere_is_caught(whole: Document, tmp_path: Path) -> None:
    """Each citation of the template in turn becomes one of the time-out."""
    source, entries, case = TEMPLATE.read_text(encoding="utf-8"), told().entries, told().case
    wrong = tmp_path / "wrong.txt.j2"
    changed, missed = 0, []
    for found in CITATION.finditer(source):
        wrong.write_text(
            source[: found.start()] + "{{ cite(*time_out) }}" + source[found.end() :], encoding="utf-8"
        )
        document = draft(case, PHRASING, template=wrong)
        if document == whole:
            continue  # nothing in this case comes here, or it is the time-out
        changed += 1
        if not [*untraceable(document, entries), *misplaced(document, entries)]:
            missed.append(source[found.start() - 60 : found.end()])
    assert missed == []
    assert changed > 30


@settings(max_examples=25, deadline=None)
@given(cases())
def test_every_number_of_any_case_stands_in_an_entry_that_is_cited(entries: list[Entry]) -> None:
    assert list(untraceable(report(entries), entries)) == []


def test_every_sentence_with_a_fact_cites_something(whole: Document) -> None:
    """Only what says that something is lacking, and the cells of tables beside the first, cite nothing."""
    without = [
        run.text
        for block in whole.blocks
        if isinstance(block, Paragraph) and block.style == "body"
        for run in block.runs
        if not run.cites
    ]
    assert without == []


def test_every_entry_that_stands_is_cited(whole: Document) -> None:
    room = told()
    cited = {n for run in every_run(whole) for n in run.cites}
    expected = {e.n for e in room.case.in_force() if e.body.kind != "session"} | {
        e.n for e in room.case.questions()
    }
    assert expected <= cited


@settings(max_examples=25, deadline=None)
@given(cases())
def test_nothing_that_stands_is_left_out_of_any_case(entries: list[Entry]) -> None:
    case = Case(entries)
    document = report(entries)
    assert all(line.isprintable() for line in narrative(case, PHRASING).split("\n"))
    cited = {n for run in every_run(document) for n in run.cites}
    # Of running totals and of the patient only the last is told, and a session when it is not the first.
    totals = {"session", "contrast", "fluoroscopy", "air_kerma", "dose_area", "patient"}
    expected = {e.n for e in case.in_force() if e.body.kind not in totals} | {e.n for e in case.questions()}
    assert expected <= cited


BODIES: dict[str, Callable[[int], Any]] = {
    "drug": lambda x: Drug(drug="heparin", dose=Decimal(x), unit="U", route="intravenous"),
    "act": lambda x: Act(act_s=Decimal(x)),
    "pressure": lambda x: BloodPressure(systolic_mmhg=Decimal(x)),
    "balloon": lambda x: Device(device="balloon", diameter_mm=Decimal(x), length_mm=Decimal(15)),
    "stent": lambda x: Device(device="stent", diameter_mm=Decimal(x), deployed=True),
    "up": lambda x: Inflation(pressure_atm=Decimal(x)),
    "stenosis": lambda x: Stenosis(segment="left main", stenosis_percent=Decimal(x)),
    "area": lambda x: DoseArea(dose_area_gy_cm2=Decimal(x)),
    "contrast": lambda x: Contrast(volume_ml=Decimal(x), counted="total"),
    "shock": lambda x: Shock(energy_j=Decimal(x)),
    "note": lambda x: Dictation(text=f"dictated {x}"),
}


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(sorted(BODIES)),
            st.sampled_from(["stands", "stands", "questioned"]),
            st.sampled_from(["said", "said", "amends", "withdraws"]),
            st.integers(1, 40),
        ),
        max_size=25,
    )
)
def test_whatever_is_taken_back_is_never_shown(acts: list[tuple[str, str, str, int]]) -> None:
    """Every entry carries a number of its own, so that each can be looked for."""
    room = Room()
    for kind, standing, act, where in acts:
        target = 1 + where % len(room.entries) if room.entries else None
        if act == "withdraws" and target:
            room.say(Withdrawal(target=target))
        else:
            number = 70_001 + len(room.entries)
            amends = target if act == "amends" else None
            room.say(BODIES[kind](number), standing=standing, amends=amends)
    case = room.case
    text = narrative(case, PHRASING)
    found = {name: " ".join(run.text for run in runs) for name, runs in sections(report(room)).items()}
    for entry in room.entries:
        number = str(70_000 + entry.n)
        standing = case.standing(entry)[0]
        if standing in ("amended", "withdrawn") or entry.body.kind == "withdrawal":
            assert number not in text
        elif standing == "questioned":
            assert [name for name, words in found.items() if number in words] == [
                "To be completed before signing"
            ]


# --- a laboratory's own words ---------------------------------------------------------------------


def test_a_laboratory_may_word_it_differently(tmp_path: Path) -> None:
    own = tmp_path / "own.txt.j2"
    own.write_text(
        TEMPLATE.read_text(encoding="utf-8").replace("The time-out was held", "All stopped and checked"),
        encoding="utf-8",
    )
    room = Room()
    room.say(TimeOut())
    told_ = sections(report(room, template=own))["Consent and time-out"]
    assert told_[-1] == Run("All stopped and checked at 08:00.", (1,))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("Course\n{% for e in course %}", "line 2"),
        ("one\n\n{{ surgeon }}", "line 3 ('surgeon' is undefined)"),
        ("{{ 1 + 'a' }}", "unsupported operand"),
        ("\n{{ 1 / 0 }}", "line 2"),
        ("{{ row('a') }}\n{{ row('a', 'b') }}", "2 cells in a table of 1 columns"),
        ("{{ ''.__class__.__mro__ }}", "unsafe"),
    ],
)
def test_a_broken_template_is_named(tmp_path: Path, content: str, said: str) -> None:
    own = tmp_path / "own.txt.j2"
    own.write_text(content, encoding="utf-8")
    with pytest.raises(UserError, match=f"own.txt.j2 .*{re.escape(said)}"):
        report(Room(), template=own)


def test_a_missing_template_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"none\.txt\.j2"):
        report(Room(), template=tmp_path / "none.txt.j2")
