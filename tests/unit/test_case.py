"""The case: what stands, what is in, and what adds up, folded from the entries alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given
from hypothesis import strategies as st

import checkback.record.case as case_module
from checkback.record.case import Case
from checkback.record.clock import HandClock
from checkback.record.entry import (
    Access,
    Act,
    AirKerma,
    CaseEnd,
    CaseStart,
    ClockStep,
    Closure,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    DoseArea,
    Drug,
    Entry,
    Flow,
    Fluoroscopy,
    Frozen,
    Inflation,
    Mark,
    Session,
    TimeOut,
    Unclear,
    Withdrawal,
)
from strategies import cases

GUIDE = Device(device="guide", french=Decimal(6), curve="JR4")
WIRE = Device(device="wire", type="workhorse")
BALLOON = Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), stocked=True)
STENT = Device(device="stent", diameter_mm=Decimal(3), length_mm=Decimal(18), stocked=True)
SESSION = Session(
    number=1, program_version="0", recogniser="typed", phrasebook_sha256="", catalogue_sha256=""
)


@dataclass
class Story:
    """Entries as they are written, one every twenty seconds."""

    clock: HandClock = field(
        default_factory=lambda: HandClock(datetime(2026, 3, 2, 9, 0, tzinfo=timezone(timedelta(hours=1))))
    )
    entries: list[Entry] = field(default_factory=list)
    case: Case = field(default_factory=Case)

    def add(self, body: Frozen, *, ago_s: float = 0, **more: Any) -> Entry:
        n = len(self.entries) + 1
        said = self.clock.at(20.0 * n)
        fields = {"standing": "stands", "source": "typed", "session": 1, "at": said.earlier(ago_s)} | more
        entry = Entry(n=n, said=said, recorded=said, body=body, **fields)
        self.entries.append(entry)
        self.case.apply(entry)
        return entry

    def withdraw(self, entry: Entry) -> Entry:
        return self.add(Withdrawal(target=entry.n))

    def standing(self, entry: Entry) -> str:
        return self.case.standing(entry)[0]


@pytest.fixture
def story() -> Story:
    return Story()


def given_ml(volume_ml: int) -> Contrast:
    return Contrast(volume_ml=Decimal(volume_ml), counted="given")


def total_ml(volume_ml: int) -> Contrast:
    return Contrast(volume_ml=Decimal(volume_ml), counted="total")


# --- what stands ---------------------------------------------------------------------------------


def test_a_correction_replaces_an_entry_and_keeps_it(story: Story) -> None:
    first = story.add(Inflation(pressure_atm=Decimal(14)))
    better = story.add(Inflation(pressure_atm=Decimal(16)), amends=first.n)
    assert story.case.standing(first) == ("amended", better.n)
    assert story.case.in_force() == [better]
    assert story.case.entries == (first, better)
    assert story.case.entry(first.n) == first and story.case.entry(9) is None


def test_a_withdrawn_entry_does_not_stand(story: Story) -> None:
    wrong = story.add(TimeOut())
    withdrawal = story.withdraw(wrong)
    assert story.case.standing(wrong) == ("withdrawn", withdrawal.n)
    assert story.case.in_force() == [], "a withdrawal is no event of the case either"


def test_withdrawing_a_correction_puts_the_first_entry_back_in_force(story: Story) -> None:
    first = story.add(given_ml(40))
    better = story.add(given_ml(50), amends=first.n)
    best = story.add(given_ml(60), amends=better.n)
    assert [story.standing(e) for e in (first, better, best)] == ["amended", "amended", "stands"]
    story.withdraw(best)
    assert story.case.in_force() == [better]
    story.withdraw(better)
    assert story.case.in_force() == [first]
    assert story.case.contrast_ml() == 40


def test_the_latest_of_two_corrections_counts(story: Story) -> None:
    first = story.add(given_ml(40))
    story.add(given_ml(50), amends=first.n)
    last = story.add(given_ml(60), amends=first.n)
    assert story.case.standing(first) == ("amended", last.n)


def test_a_questioned_correction_leaves_the_entry_in_force(story: Story) -> None:
    first = story.add(given_ml(40))
    asked = story.add(given_ml(400), amends=first.n, standing="questioned", question="four hundred?")
    assert story.case.in_force() == [first] and story.case.questions() == [asked]
    affirmed = story.add(given_ml(400), amends=asked.n)
    assert story.case.in_force() == [affirmed]
    assert story.case.questions() == []


def test_entries_stand_in_the_order_in_which_they_happened(story: Story) -> None:
    late = story.add(BALLOON)
    earlier = story.add(WIRE, ago_s=60)
    assert story.case.in_force() == [earlier, late]


def test_correction_means_the_latest_entry_that_is_alive(story: Story) -> None:
    assert story.case.last() is None
    story.add(SESSION)
    assert story.case.last() is None, "nothing was said yet"
    balloon = story.add(BALLOON)
    question = story.add(Unclear(), standing="questioned")
    assert story.case.last() == question
    story.withdraw(question)
    assert story.case.last() == balloon
    correction = story.add(BALLOON, amends=balloon.n)
    assert story.case.last() == correction
    story.withdraw(correction)
    assert story.case.last() == balloon
    earlier = story.add(WIRE, ago_s=600)
    assert story.case.last() == earlier, "the last one said, whenever it happened"


def test_a_clock_that_is_set_back_does_not_change_the_order(story: Story) -> None:
    balloon = story.add(BALLOON)
    story.clock.step_wall(-3600)
    step = story.add(ClockStep(step_s=-3600.0))
    up = story.add(Inflation(pressure_atm=Decimal(14)))
    assert up.at.wall < balloon.at.wall
    # the correction keeps a time from before the clock was set
    smaller = story.add(BALLOON, amends=balloon.n, at=balloon.at)
    assert story.case.in_force() == [smaller, step, up]
    assert story.case.seconds_between(smaller, up) == 40.0
    assert story.case.seconds_between(up, smaller) == 0.0


def test_between_sessions_the_wall_clock_counts(story: Story) -> None:
    up = story.add(Inflation(pressure_atm=Decimal(14)))
    # the computer was started again: the monotonic clock begins anew
    again = story.clock.at(500.0).model_copy(update={"monotonic_s": 3.0})
    down = story.add(Deflation(), session=2, at=again)
    assert story.case.seconds_between(up, down) == 480.0
    corrected = story.add(Inflation(pressure_atm=Decimal(16)), session=2, amends=up.n, at=up.at)
    assert story.case.seconds_between(corrected, down) == 480.0, "its time is from the first session"


def test_what_the_program_or_the_plan_put_in_is_not_what_disregard_means(story: Story) -> None:
    balloon = story.add(BALLOON)
    story.add(Mark(), source="plan")
    assert story.case.last() == balloon


def test_the_last_entries_that_stand(story: Story) -> None:
    entries = [story.add(Mark()) for _ in range(4)]
    story.withdraw(entries[2])
    assert story.case.recent(2) == [entries[1], entries[3]]
    assert story.case.recent(9) == story.case.in_force()
    assert story.case.recent(0) == []


# --- devices -------------------------------------------------------------------------------------


def inside(story: Story) -> list[str]:
    return [life.body.device for life in story.case.inside()]


def test_a_stent_from_guide_to_closure(story: Story) -> None:
    for body in (SESSION, CaseStart(), TimeOut(), GUIDE, WIRE):
        story.add(body)
    story.add(DeviceEvent(device="wire", happening="across"))
    assert inside(story) == ["guide", "wire"]

    story.add(BALLOON)
    story.add(Inflation(pressure_atm=Decimal(14), duration_s=Decimal(20)))
    assert [life.inflated for life in story.case.devices()] == [False, False, True]
    story.add(Deflation())
    assert not any(life.inflated for life in story.case.devices())
    story.add(DeviceEvent(device="balloon", happening="out"))
    assert inside(story) == ["guide", "wire"]

    story.add(STENT)
    assert inside(story) == ["guide", "wire", "stent"]
    story.add(Deployment(pressure_atm=Decimal(12)))
    stent = story.case.devices()[-1]
    assert stent.deployed and stent.inside
    assert inside(story) == ["guide", "wire"], "a deployed stent is an implant"
    assert stent.inflated and story.case.objection(Deflation()) is None, "its balloon is still up"
    story.add(Deflation())
    assert story.case.objection(Deflation()) == ("nothing_up", "balloon")

    story.add(DeviceEvent(device="wire", happening="out"))
    story.add(DeviceEvent(device="guide", happening="out"))
    assert inside(story) == []
    assert [len(life.happenings) for life in story.case.devices()] == [1, 2, 3, 2]


def test_a_balloon_may_go_up_in_the_same_breath(story: Story) -> None:
    story.add(BALLOON.model_copy(update={"pressure_atm": Decimal(14)}))
    story.add(STENT.model_copy(update={"deployed": True, "pressure_atm": Decimal(12)}))
    balloon, stent = story.case.devices()
    assert (balloon.inflated, balloon.deployed) == (True, False)
    assert stent.deployed and stent.inflated
    story.add(Deflation())
    assert [life.inflated for life in story.case.devices()] == [True, False], "the one gone in last"


def test_out_without_a_name_means_the_device_last_gone_in(story: Story) -> None:
    for body in (GUIDE, WIRE, BALLOON):
        story.add(body)
    story.add(DeviceEvent(happening="out"))
    assert inside(story) == ["guide", "wire"]


def test_of_two_wires_the_later_one_is_meant(story: Story) -> None:
    story.add(WIRE)
    second = story.add(Device(device="wire", type="stiff"))
    story.add(DeviceEvent(device="wire", happening="out"))
    first, other = story.case.devices()
    assert (first.inside, other.inside) == (True, False) and other.entry == second


def test_a_stent_that_came_off_its_balloon_is_still_in(story: Story) -> None:
    story.add(STENT)
    story.add(DeviceEvent(device="stent", happening="off its balloon"))
    assert inside(story) == ["stent"]
    story.add(DeviceEvent(device="stent", happening="retrieved"))
    assert inside(story) == []


def test_a_ruptured_balloon_is_down_but_in(story: Story) -> None:
    story.add(BALLOON)
    story.add(Inflation(pressure_atm=Decimal(20)))
    story.add(DeviceEvent(device="balloon", happening="ruptured"))
    (balloon,) = story.case.devices()
    assert balloon.inside and not balloon.inflated


def test_a_withdrawn_device_was_never_in(story: Story) -> None:
    balloon = story.add(BALLOON)
    story.add(Inflation(pressure_atm=Decimal(14)))
    story.withdraw(balloon)
    assert story.case.devices() == []


def test_a_corrected_size_keeps_what_happened(story: Story) -> None:
    wrong = story.add(BALLOON)
    story.add(Inflation(pressure_atm=Decimal(14)))
    right = BALLOON.model_copy(update={"length_mm": Decimal(20)})
    # a correction takes the time of what it corrects
    story.add(right, amends=wrong.n, ago_s=40)
    (life,) = story.case.devices()
    assert life.body == right and life.inflated


def test_what_does_not_fit_is_objected_to(story: Story) -> None:
    up, down, deployed = Inflation(), Deflation(), Deployment()
    assert story.case.objection(up) == ("nothing_in", "balloon")
    assert story.case.objection(down) == ("nothing_up", "balloon")
    assert story.case.objection(deployed) == ("nothing_in", "stent")
    story.add(WIRE)
    assert story.case.objection(up) == ("nothing_in", "balloon")
    balloon = story.add(BALLOON)
    assert story.case.objection(up) is None
    assert story.case.objection(down) == ("nothing_up", "balloon")
    assert story.case.objection(deployed) == ("nothing_in", "stent")
    story.add(up)
    assert story.case.objection(down) is None
    story.withdraw(balloon)
    assert story.case.objection(down) == ("nothing_up", "balloon")
    story.add(STENT)
    assert story.case.objection(deployed) is None and story.case.objection(up) is None
    story.add(deployed)
    assert story.case.objection(deployed) == ("nothing_in", "stent")
    assert story.case.objection(TimeOut()) is None


# --- totals --------------------------------------------------------------------------------------


def test_contrast_is_the_last_total_and_what_was_given_since(story: Story) -> None:
    assert story.case.contrast_ml() is None
    story.add(given_ml(40))
    story.add(given_ml(30))
    assert story.case.contrast_ml() == 70
    story.add(total_ml(100))
    assert story.case.contrast_ml() == 100
    since = story.add(given_ml(20))
    assert story.case.contrast_ml() == 120
    story.add(given_ml(25), amends=since.n)
    assert story.case.contrast_ml() == 125
    # given before the total was read off: it is in there already
    story.add(given_ml(10), ago_s=70)
    assert story.case.contrast_ml() == 125


def test_the_latest_clotting_time_and_running_totals(story: Story) -> None:
    assert story.case.last_act() is None and story.case.latest(Fluoroscopy) is None
    story.add(Act(act_s=Decimal(250)))
    second = story.add(Act(act_s=Decimal(300)))
    story.add(Act(act_s=Decimal(180)), ago_s=600)
    assert story.case.last_act() == second
    story.withdraw(second)
    assert story.case.last_act() is not None and story.case.last_act().body.act_s == 250  # type: ignore[union-attr]
    time = story.add(Fluoroscopy(fluoroscopy_min=Decimal("18.4")))
    assert story.case.latest(Fluoroscopy) == time and story.case.latest(AirKerma) is None


def test_a_complete_record_lacks_nothing(story: Story) -> None:
    complete: list[Frozen] = [
        SESSION,
        CaseStart(),
        TimeOut(),
        Access(site="radial", side="right", sheath_french=Decimal(6)),
        GUIDE,
        Drug(drug="heparin", dose=Decimal(5000), unit="U"),
        Act(act_s=Decimal(280)),
        Flow(timi=Decimal(3)),
        DeviceEvent(device="guide", happening="out"),
        Closure(method="compression band"),
        total_ml(120),
        Fluoroscopy(fluoroscopy_min=Decimal(12)),
        AirKerma(air_kerma_mgy=Decimal(900)),
        DoseArea(dose_area_gy_cm2=Decimal(60)),
        CaseEnd(),
    ]
    assert story.case.missing() == [
        "time_out",
        "access",
        "closure",
        "act",
        "flow",
        "contrast",
        "fluoroscopy",
        "air_kerma",
        "dose_area",
        "case_end",
    ]
    for body in complete:
        story.add(body)
    assert story.case.missing() == []
    question = story.add(Unclear(), standing="questioned")
    balloon = story.add(BALLOON)
    assert story.case.missing() == ["questions", "devices"]
    story.withdraw(question)
    story.withdraw(balloon)
    assert story.case.missing() == []
    end = next(entry for entry in story.entries if isinstance(entry.body, CaseEnd))
    story.withdraw(end)
    assert story.case.missing() == ["case_end"]


# --- any course of events ------------------------------------------------------------------------

BODIES = st.one_of(
    st.builds(
        Contrast, volume_ml=st.integers(1, 90).map(Decimal), counted=st.sampled_from(["given", "total"])
    ),
    st.just(Mark()),
)
STEPS = st.lists(
    st.tuples(st.sampled_from(["say", "say", "correct", "withdraw"]), st.integers(0, 999), BODIES),
    max_size=40,
)


@given(STEPS)
def test_totals_are_those_of_the_entries_in_force(steps: list[tuple[str, int, Any]]) -> None:
    """Against a plain account: each call-out is a pile, corrections lie on top, withdrawals take off."""
    story = Story()
    piles: list[list[Entry]] = []
    for step, number, body in steps:
        alive = [pile for pile in piles if pile]
        if step == "say" or not alive:
            piles.append([story.add(body)])
            continue
        pile = alive[number % len(alive)]
        if step == "correct":
            pile.append(story.add(body, amends=pile[-1].n))
        else:
            story.withdraw(pile.pop())
    in_force = sorted((pile[-1] for pile in piles if pile), key=lambda entry: entry.n)
    assert story.case.in_force() == in_force
    expected = None
    for entry in in_force:
        if isinstance(entry.body, Contrast):
            before = expected or 0 if entry.body.counted == "given" else 0
            expected = before + entry.body.volume_ml
    assert story.case.contrast_ml() == expected
    assert story.case.last() == (max(in_force, key=lambda entry: entry.n) if in_force else None)


def views(case: Case) -> list[Any]:
    return [
        case.entries,
        [case.standing(entry) for entry in case.entries],
        case.in_force(),
        case.recent(5),
        case.questions(),
        case.last(),
        case.devices(),
        [(life.happenings, life.inflations) for life in case.devices()],
        case.inside(),
        case.unaccounted(),
        case.implants(),
        case.contrast_ml(),
        case.last_act(),
        case.missing(),
        [case.objection(body) for body in (Inflation(), Deflation(), Deployment())],
    ]


@given(cases())
def test_the_live_case_is_the_one_that_a_restart_folds(entries: list[Entry]) -> None:
    live = Case()
    for n, entry in enumerate(entries, 1):
        live.apply(entry)
        assert views(live) == views(Case(entries[:n]))


HAPPENINGS = ("across", "not across", "out", "stuck", "ruptured", "off its balloon", "retrieved", "crushed", "left in place")  # fmt: skip
ROOM_TALK = st.one_of(
    st.sampled_from([GUIDE, WIRE, BALLOON, STENT, Device(device="burr", diameter_mm=Decimal("1.5"))]),
    st.sampled_from([STENT.model_copy(update={"deployed": True}), Device(device="guide extension")]),
    st.builds(Inflation, pressure_atm=st.integers(4, 20).map(Decimal)),
    st.just(Deflation()),
    st.builds(Deployment, pressure_atm=st.integers(8, 16).map(Decimal)),
    st.builds(
        DeviceEvent,
        device=st.sampled_from(["guide", "wire", "balloon", "stent", "burr", None]),
        happening=st.sampled_from(HAPPENINGS),
    ),
    st.builds(Act, act_s=st.integers(150, 400).map(Decimal)),
    st.just(ClockStep(step_s=-3600.0)),
    st.just(Unclear()),
    BODIES,
)
WAYS = ("say", "say", "say", "earlier", "ask", "correct", "correct but ask", "withdraw", "withdraw any")


@st.composite
def courses(draw: st.DrawFn) -> list[Entry]:
    """Draw a case as the loop would write it, with all that can be taken back."""
    story = Story()
    for _ in range(draw(st.integers(0, 25))):
        way, body = draw(st.sampled_from(WAYS)), draw(ROOM_TALK)
        last = story.case.last()
        asked = {"standing": "questioned"} if "ask" in way else {}
        if way in ("say", "ask") or last is None:
            story.add(body, **asked)
        elif way == "earlier":
            story.add(body, ago_s=draw(st.sampled_from([10, 60, 300])))
        elif "correct" in way:
            story.add(body, amends=last.n, at=last.at, **asked)
        elif way == "withdraw":
            story.withdraw(last)
        else:
            story.withdraw(draw(st.sampled_from(story.entries)))
    return story.entries


@pytest.mark.parametrize("checkpoint", [1, 3, 32])
@given(entries=courses())
def test_a_prefix_of_the_journal_folds_to_what_was_live_then(checkpoint: int, entries: list[Entry]) -> None:
    # short of many hundred entries, only checkpoints close together are gone back to
    with patch.object(case_module, "CHECKPOINT", checkpoint):
        live, asked_seldom = Case(), Case()
        for n, entry in enumerate(entries, 1):
            live.apply(entry)
            asked_seldom.apply(entry)
            assert views(live) == views(Case(entries[:n]))
        assert views(asked_seldom) == views(live)


@given(courses())
def test_nothing_that_went_in_is_lost_from_the_ledger(entries: list[Entry]) -> None:
    case = Case(entries)
    numbers = [life.number for life in case.devices()]
    assert numbers == list(range(1, len(numbers) + 1))
    unaccounted = {life.number for life in case.unaccounted()}
    assert unaccounted == {life.number for life in case.devices() if not life.accounted}
    introduced = {life.entry.n for life in case.devices()}
    told = [entry.n for life in case.devices() for entry in life.happenings]
    assert len(told) == len(set(told)), "one call-out is about one device"
    assert not introduced & set(told)
    in_force = {entry.n for entry in case.in_force() if isinstance(entry.body, Device)}
    assert introduced | set(told) >= in_force


@given(courses())
def test_the_order_of_the_lines_of_a_damaged_journal_does_not_matter(entries: list[Entry]) -> None:
    backwards = Case()
    for entry in (*reversed(entries), *entries[:3]):
        backwards.apply(entry)
    assert views(backwards) == views(Case(entries)) == views(Case([*reversed(entries), *entries[:3]]))
