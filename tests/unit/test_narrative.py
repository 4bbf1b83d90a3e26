"""The draft narrative: prose that can be traced to entries, and never tells what was taken back."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkback.errors import UserError
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.clock import HandClock
from checkback.record.entry import (
    Access,
    Act,
    Alternative,
    BloodPressure,
    Calcium,
    CaseEnd,
    CaseStart,
    Closure,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Dissection,
    DoseArea,
    Drug,
    Entry,
    Flow,
    Fluoroscopy,
    HeartRate,
    Inflation,
    Infusion,
    Mark,
    Reference,
    Rhythm,
    Session,
    Stenosis,
    TimeOut,
    Unclear,
    Withdrawal,
)
from checkback.reporting.narrative import TEMPLATE, narrative
from strategies import cases

PHRASING = Phrasing(Phrasebook.load(Path(__file__).parents[2] / "grammars"))
CLOCK = HandClock(datetime(2026, 3, 2, 8, 0, 0, tzinfo=timezone(timedelta(hours=1))))

SESSION = Session(
    number=1,
    program_version="0.1.0",
    recogniser="pocketsphinx",
    phrasebook_sha256="a" * 64,
    catalogue_sha256="b" * 64,
)


class Room:
    """Writes down a case in which somebody speaks every ten seconds."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []

    def say(self, body: Any, words: str = "", *, ago_s: float = 0.0, **more: Any) -> int:
        n = len(self.entries) + 1
        said = CLOCK.at(10.0 * n)
        fields: dict[str, Any] = {
            "n": n,
            "session": 1,
            "at": said.earlier(ago_s),
            "said": said,
            "recorded": said,
            "source": "speech",
            "words": words,
            "standing": "stands",
            "body": body,
        }
        self.entries.append(Entry(**(fields | more)))
        return n

    def correct(self, body: Any) -> int:
        last = self.entries[-1]
        return self.say(body, amends=last.n, at=last.at)

    @property
    def text(self) -> str:
        return narrative(Case(self.entries), PHRASING)


def sections(text: str) -> dict[str, str]:
    """Return the text under each heading, its lines joined; what stands above all is under ''."""
    parts = re.split(r"\n\n(.+)\n-+\n", text)
    folded = [" ".join(part.split()) for part in parts]
    return {"": folded[0], **dict(zip(folded[1::2], folded[2::2], strict=True))}


def sentences(text: str) -> Iterator[tuple[str, list[int]]]:
    """Yield every sentence that cites entries, with those."""
    for section in sections(text).values():
        for found in re.finditer(r"(.+?) \[(\d+(?:, \d+)*)\]", section):
            yield found[1].removeprefix(". ").strip(), [int(n) for n in found[2].split(", ")]


@pytest.fixture(scope="module")
def room() -> Room:
    """Return a calcified right coronary, treated after some trouble."""
    room = Room()
    semi = Device(
        device="balloon", type="semi-compliant", diameter_mm=Decimal(2), length_mm=Decimal(15), stocked=True
    )
    stent = Device(
        device="stent", type="drug-eluting", diameter_mm=Decimal("3.5"), length_mm=Decimal(28), stocked=True
    )
    room.say(SESSION)
    room.say(CaseStart(), "start the case")
    room.say(TimeOut())
    room.say(Access(site="radial", side="right", sheath_french=Decimal(6)))
    room.say(Drug(drug="verapamil", dose=Decimal("2.5"), unit="mg", route="intra-arterial"))
    room.say(Device(device="guide", french=Decimal(6), curve="AL1"))
    room.say(Stenosis(segment="mid right coronary", stenosis_percent=Decimal(90)))
    room.say(Calcium(segment="mid right coronary", grade="severe"))
    room.say(Reference(diameter_mm=Decimal("3.5"), length_mm=Decimal(28)))
    room.say(Drug(drug="heparin", dose=Decimal(7000), unit="U", route="intravenous"), ago_s=45)
    room.say(Device(device="wire", type="workhorse"))
    room.say(DeviceEvent(happening="across", device="wire"))
    room.say(semi)
    room.say(DeviceEvent(happening="not across", device="balloon"))
    room.say(DeviceEvent(happening="out", device="balloon"))
    room.say(Act(act_s=Decimal(287)))
    room.say(Device(device="burr", diameter_mm=Decimal("1.5")))
    room.say(DeviceEvent(happening="run", device="burr"))
    room.say(DeviceEvent(happening="run", device="burr"))
    room.say(DeviceEvent(happening="out", device="burr"))
    room.say(BloodPressure(systolic_mmhg=Decimal(118), diastolic_mmhg=Decimal(64)))
    room.say(HeartRate(rate_per_min=Decimal(199)))
    room.say(Withdrawal(target=22))
    room.say(semi.model_copy(update={"type": "non-compliant", "diameter_mm": Decimal(3)}))
    room.say(Inflation(pressure_atm=Decimal(14)))
    room.correct(Inflation(pressure_atm=Decimal(16), duration_s=Decimal(20)))
    room.say(Deflation())
    room.say(Dissection(segment="mid right coronary", type="B"))
    room.say(DeviceEvent(happening="out", device="balloon"))
    room.say(Rhythm(rhythm="sinus bradycardia"))
    room.say(stent)
    room.say(Deployment(pressure_atm=Decimal(12)))
    room.say(Drug(drug="nitroglycerin", dose=Decimal(200), unit="ug", route="intracoronary"))
    room.say(Infusion(action="started", drug="tirofiban", rate=Decimal("0.15"), unit="ug/kg/min"))
    room.say(Stenosis(segment="mid right coronary", stenosis_percent=Decimal(10)))
    room.say(Flow(segment="mid right coronary", timi=Decimal(3)))
    room.say(Contrast(volume_ml=Decimal(140), counted="total"))
    room.say(Contrast(volume_ml=Decimal(15), counted="given"))
    room.say(
        Unclear(),
        "contrast forty",
        standing="questioned",
        question="given or total?",
        alternatives=tuple(
            Alternative(
                words="", body=Contrast.model_validate({"volume_ml": Decimal(40), "counted": counted})
            )
            for counted in ("given", "total")
        ),
    )
    room.say(Fluoroscopy(fluoroscopy_min=Decimal("18.4")))
    room.say(DoseArea(dose_area_gy_cm2=Decimal(86)))
    room.say(Mark())
    room.say(Closure(site="radial", side="right", method="compression band"))
    room.say(DeviceEvent(happening="out", device="wire"))
    room.say(CaseEnd())
    return room


def test_it_is_headed_as_an_unsigned_draft(room: Room) -> None:
    head = sections(room.text)[""]
    assert room.text.startswith("DRAFT, not signed\n\n")
    assert "no medical device output and no report until a physician has checked and signed it" in head
    assert head.endswith("Date: 2026-03-02. Times are local.")
    assert room.text.count("2026") == 1


@pytest.mark.parametrize(
    ("heading", "sentence"),
    [
        ("Course", "The case was started at 08:00:20 [2]."),
        ("Course", "The time-out was held at 08:00:30 [3]."),
        ("Course", "The case was ended at 08:07:30 [45]."),
        ("Access", "Access was right radial with a sheath of 6 Fr (08:00:40) [4]."),
        ("Anticoagulation and drugs", "Heparin 7000 units was given intravenously (08:00:55) [10]."),
        ("Anticoagulation and drugs", "Verapamil 2.5 mg was given intra-arterially (08:00:50) [5]."),
        ("Anticoagulation and drugs", "The activated clotting time was 287 s (08:02:40) [16]."),
        (
            "Anticoagulation and drugs",
            "Nitroglycerin 200 micrograms was given into the coronary artery (08:05:30) [33].",
        ),
        (
            "Anticoagulation and drugs",
            "An infusion of tirofiban was started at 0.15 micrograms/kg/min (08:05:40) [34].",
        ),
        ("Findings", "A stenosis of 90 % was recorded in the mid right coronary (08:01:10) [7]."),
        ("Findings", "Severe calcification was seen in the mid right coronary (08:01:20) [8]."),
        (
            "Findings",
            "The reference diameter was 3.5 mm and the length of the lesion 28 mm (08:01:30) [9].",
        ),
        ("Intervention", "A 6 Fr AL1 guide was introduced (08:01:00) [6]."),
        ("Intervention", "A workhorse wire was introduced (08:01:50) and crossed (08:02:00) [11, 12]."),
        (
            "Intervention",
            "A 2.0 × 15 mm semi-compliant balloon was introduced (08:02:10), would not cross (08:02:20) "
            "and was removed (08:02:30) [13, 14, 15].",
        ),
        (
            "Intervention",
            "A 1.5 mm burr was introduced (08:02:50), run (08:03:00 and 08:03:10) "
            "and removed (08:03:20) [17, 18, 19, 20].",
        ),
        (
            "Intervention",
            "A 3.0 × 15 mm non-compliant balloon was introduced (08:04:00), inflated to 16 atm for 20 s "
            "(08:04:10), deflated (08:04:30) and removed (08:04:50) [24, 26, 27, 29].",
        ),
        (
            "Intervention",
            "A 3.5 × 28 mm drug-eluting stent was introduced (08:05:10) "
            "and deployed at 12 atm (08:05:20) [31, 32].",
        ),
        ("Intervention", "The workhorse wire was removed (08:07:20) [11, 44]."),
        ("Intervention", "Implanted: a 3.5 × 28 mm drug-eluting stent [31, 32]."),
        ("Haemodynamics and rhythm", "The blood pressure was 118/64 mmHg (08:03:30) [21]."),
        ("Haemodynamics and rhythm", "The rhythm was sinus bradycardia (08:05:00) [30]."),
        ("Complications", "A type B dissection was seen in the mid right coronary (08:04:40) [28]."),
        ("Final result", "A stenosis of 10 % was recorded in the mid right coronary (08:05:50) [35]."),
        ("Final result", "TIMI 3 flow was recorded in the mid right coronary (08:06:00) [36]."),
        ("Closure", "The right radial access was closed with a compression band (08:07:10) [43]."),
        ("Contrast and radiation", "The contrast volume was 140 mL in total (08:06:10) [37]."),
        ("Contrast and radiation", "Together this was 155 mL [37, 38]."),
        ("Contrast and radiation", "The fluoroscopy time was 18.4 min (08:06:40) [40]."),
        ("Contrast and radiation", "The dose-area product was 86 Gy·cm² (08:06:50) [41]."),
        (
            "Open questions",
            "“contrast forty” (08:06:30) is not settled: contrast given 40 mL / contrast total 40 mL [39].",
        ),
        ("Open questions", "The operator marked the moment 08:07:00 [42]."),
        (
            "Amended or withdrawn",
            "Entry 22, heart rate 199/min (08:03:40), was withdrawn by entry 23 [22, 23].",
        ),
        (
            "Amended or withdrawn",
            "Entry 25, balloon up, 14 atm (08:04:10), was amended by entry 26 [25, 26].",
        ),
        ("Missing from the record", "- the air kerma"),
        ("Missing from the record", "- the removal of a 6 Fr AL1 guide [6]"),
    ],
)
def test_a_case_reads_as_it_went(room: Room, heading: str, sentence: str) -> None:
    assert sentence in sections(room.text)[heading]


def test_what_was_amended_or_withdrawn_is_told_nowhere_else(room: Room) -> None:
    told = {
        heading: text for heading, text in sections(room.text).items() if heading != "Amended or withdrawn"
    }
    assert not [heading for heading, text in told.items() if "199" in text or "14 atm" in text]


def numbers(text: str) -> set[Decimal]:
    return {Decimal(number) for number in re.findall(r"\d+(?:\.\d+)?", text)}


def test_every_number_stands_in_an_entry_that_is_cited(room: Room) -> None:
    by_number = {entry.n: entry for entry in room.entries}
    checked = 0
    for sentence, cited in sentences(room.text):
        if sentence.startswith(("- Entry", "Together")):
            continue  # entry numbers and a sum: both are tested by name above
        recorded = [by_number[n].model_dump_json(include={"body", "alternatives"}) for n in cited]
        told = numbers(re.sub(r"\d\d:\d\d:\d\d", "", sentence))
        assert told <= numbers(" ".join(recorded)), sentence
        checked += len(told)
    assert checked > 30


def test_every_entry_that_stands_is_cited(room: Room) -> None:
    cited = {n for _, numbers in sentences(room.text) for n in numbers}
    assert cited == {entry.n for entry in room.entries if entry.body.kind != "session"}


def test_an_empty_case_says_so() -> None:
    text = narrative(Case(), PHRASING)
    assert sections(text)["Course"] == "Nothing is on record yet."
    assert "- the end of the case" in text
    assert not list(sentences(text))


def test_an_unfinished_case_says_how_far_it_goes() -> None:
    room = Room()
    room.say(SESSION)
    room.say(CaseStart())
    room.say(SESSION.model_copy(update={"number": 2}))
    room.say(Inflation(pressure_atm=Decimal(8)))
    told = sections(room.text)
    assert told["Course"] == (
        "The case was started at 08:00:20 [2]. The program was started again at 08:00:30 [3]. "
        "The case is not finished: this is the record up to 08:00:40 [4]."
    )
    assert told["Intervention"] == (
        "The balloon, of which no introduction is on record, was inflated to 8 atm (08:00:40) [4]."
    )
    assert told["Final result"] == "None is on record after the last treatment."
    assert "Closure" not in told


def test_a_time_after_midnight_has_its_date() -> None:
    room = Room()
    room.say(CaseStart())
    room.say(CaseEnd(), at=CLOCK.at(17 * 3600.0))
    assert "The case was ended at 01:00:00 on 2026-03-03 [2]." in sections(room.text)["Course"]


BODIES: dict[str, Callable[[int], Any]] = {
    "drug": lambda x: Drug(drug="heparin", dose=Decimal(x), unit="U", route="intravenous"),
    "act": lambda x: Act(act_s=Decimal(x)),
    "pressure": lambda x: BloodPressure(systolic_mmhg=Decimal(x)),
    "balloon": lambda x: Device(device="balloon", diameter_mm=Decimal(x), length_mm=Decimal(15)),
    "stent": lambda x: Device(device="stent", diameter_mm=Decimal(x), deployed=True),
    "up": lambda x: Inflation(pressure_atm=Decimal(x)),
    "stenosis": lambda x: Stenosis(segment="left main", stenosis_percent=Decimal(x)),
    "kerma": lambda x: DoseArea(dose_area_gy_cm2=Decimal(x)),
    "contrast": lambda x: Contrast(volume_ml=Decimal(x), counted="total"),
}


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
def test_whatever_is_taken_back_is_told_only_as_taken_back(
    acts: list[tuple[str, str, str, int]],
) -> None:
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
    case = Case(room.entries)
    told = sections(room.text)
    undone = told.pop("Amended or withdrawn", "")
    questions = told.pop("Open questions", "")
    for entry in room.entries:
        number = str(70_000 + entry.n)
        standing = case.standing(entry)[0]
        if entry.body.kind == "withdrawal":
            continue
        assert (number in undone) == (standing in ("amended", "withdrawn"))
        assert (number in questions) == (standing == "questioned")
        if standing != "stands":
            assert not [heading for heading, text in told.items() if number in text]


@given(cases())
def test_nothing_that_stands_is_left_out_of_any_case(entries: list[Entry]) -> None:
    case = Case(entries)
    text = narrative(case, PHRASING)
    assert all(line.isprintable() for line in text.split("\n"))
    cited = {int(n) for found in re.findall(r"\[(\d+(?:, \d+)*)\]", text) for n in found.split(", ")}
    # Of running totals only the last is told, and a session is told when it is not the first.
    totals = {"session", "contrast", "fluoroscopy", "air_kerma", "dose_area"}
    expected = {e.n for e in case.in_force() if e.body.kind not in totals} | {e.n for e in case.questions()}
    assert expected <= cited


def test_a_laboratory_may_word_it_differently(tmp_path: Path) -> None:
    own = tmp_path / "own.txt.j2"
    own.write_text(
        TEMPLATE.read_text(encoding="utf-8").replace("The time-out was held", "All stopped and checked"),
        encoding="utf-8",
    )
    room = Room()
    room.say(TimeOut())
    assert "All stopped and checked at 08:00:10 [1]." in narrative(Case(room.entries), PHRASING, template=own)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("Course\n{% for e in course %}", "line 2"),
        ("{{ surgeon }}", "'surgeon' is undefined"),
        ("{{ 1 + 'a' }}", "unsupported operand"),
    ],
)
def test_a_broken_template_is_named(tmp_path: Path, content: str, said: str) -> None:
    own = tmp_path / "own.txt.j2"
    own.write_text(content, encoding="utf-8")
    with pytest.raises(UserError, match=f"own.txt.j2 .*{re.escape(said)}"):
        narrative(Case(), PHRASING, template=own)


def test_a_missing_template_is_named(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"none\.txt\.j2"):
        narrative(Case(), PHRASING, template=tmp_path / "none.txt.j2")
