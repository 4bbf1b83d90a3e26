"""The device ledger: lives of devices told in call-outs, as they are told in the room."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

import pytest

from checkback.record.case import Case
from checkback.record.clock import HandClock
from checkback.record.devices import DeviceLife
from checkback.record.entry import (
    ClockStep,
    Deflation,
    Deployment,
    Device,
    DeviceClass,
    DeviceEvent,
    Entry,
    Frozen,
    Happening,
    Inflation,
    Withdrawal,
)

GUIDE = Device(device="guide", french=Decimal(6), curve="JR4")
WIRE = Device(device="wire", type="workhorse")
SOFT = Device(
    device="balloon", type="semi-compliant", diameter_mm=Decimal(2), length_mm=Decimal(15), stocked=True
)
HARD = Device(
    device="balloon", type="non-compliant", diameter_mm=Decimal(3), length_mm=Decimal(15), stocked=True
)
STENT = Device(
    device="stent", type="drug-eluting", diameter_mm=Decimal(3), length_mm=Decimal(18), stocked=True
)
BURR = Device(device="burr", diameter_mm=Decimal("1.5"))
EXTENSION = Device(device="guide extension", french=Decimal(6))
MICROCATHETER = Device(device="microcatheter", type="standard")
COIL = Device(device="coil", diameter_mm=Decimal(3))


class Room:
    """People who speak at given seconds of the case."""

    def __init__(self) -> None:
        self.clock = HandClock(datetime(2026, 3, 2, 9, 0, tzinfo=timezone(timedelta(hours=1))))
        self.case = Case()
        self.session = 1
        self._now_s = 0.0
        self._count = 0

    def say(self, *bodies: Frozen, after_s: float = 20.0, **more: Any) -> Entry:
        for body in bodies:
            self._now_s += after_s
            self._count += 1
            moment = self.clock.at(self._now_s)
            fields = {"standing": "stands", "source": "typed", "session": self.session, "at": moment} | more
            entry = Entry(n=self._count, said=moment, recorded=moment, body=body, **fields)
            self.case.apply(entry)
        return entry

    def event(self, device: DeviceClass | None, happening: Happening, kind: str | None = None) -> Entry:
        return self.say(event(device, happening, kind))

    @property
    def inside(self) -> list[str]:
        return [life.body.device for life in self.case.inside()]

    @property
    def unaccounted(self) -> list[str]:
        return [life.body.device for life in self.case.unaccounted()]

    @property
    def last(self) -> DeviceLife:
        return self.case.devices()[-1]


def event(device: DeviceClass | None, happening: Happening, kind: str | None = None) -> DeviceEvent:
    return DeviceEvent(device=device, happening=happening, type=kind)


def up(pressure: int, seconds: int | None = None) -> Inflation:
    return Inflation(pressure_atm=Decimal(pressure), duration_s=None if seconds is None else Decimal(seconds))


def deployed(pressure: int | None = None) -> Deployment:
    return Deployment(pressure_atm=None if pressure is None else Decimal(pressure))


@pytest.fixture
def room() -> Room:
    room = Room()
    room.say(GUIDE, WIRE)
    return room


# --- in and out ----------------------------------------------------------------------------------


def test_an_uncrossable_lesion_is_told_device_by_device(room: Room) -> None:
    room.event("wire", "across")
    room.say(SOFT)
    room.event("balloon", "not across")
    room.event(None, "not across")
    room.event("balloon", "out")
    room.say(BURR)
    room.event("burr", "run")
    room.event("burr", "run")
    room.event("burr", "out")
    room.say(HARD)
    room.event("balloon", "not across")
    room.event("balloon", "across")
    guide, wire, soft, burr, hard = room.case.devices()
    assert (wire.attempts, wire.across) == (1, True)
    assert (soft.crossings, soft.attempts, soft.across, soft.fate) == ((False, False), 2, False, "out")
    assert (burr.runs, burr.attempts, burr.across, burr.fate) == (2, 0, None, "out")
    assert (hard.crossings, hard.across, hard.fate) == ((False, True), True, "in")
    assert [life.number for life in (guide, wire, soft, burr, hard)] == [1, 2, 3, 4, 5]
    assert room.inside == room.unaccounted == ["guide", "wire", "balloon"]


def test_the_guide_may_go_before_the_wires(room: Room) -> None:
    assert room.case.objection(event("guide", "out")) is None
    room.event("guide", "out")
    assert room.inside == ["wire"]


def test_of_two_balloons_the_one_of_the_type_that_was_said_is_meant(room: Room) -> None:
    room.say(SOFT, HARD)
    room.event("balloon", "out", "semi-compliant")
    soft, hard = room.case.devices()[2:]
    assert (soft.fate, hard.fate) == ("out", "in")
    assert room.case.objection(event("balloon", "out", "cutting")) == ("nothing_in", "cutting balloon")
    room.event("balloon", "out")
    assert room.case.objection(event("balloon", "out", "cutting")) == ("nothing_in", "balloon")


def test_a_type_can_be_said_of_a_device_that_went_in_without_one(room: Room) -> None:
    room.say(HARD.model_copy(update={"type": None}))
    room.event("balloon", "out", "non-compliant")
    assert room.inside == ["guide", "wire"]


@pytest.mark.parametrize("device", ["burr", "balloon", "stent", "guide extension", "snare"])
def test_what_is_not_in_cannot_come_out(room: Room, device: DeviceClass) -> None:
    assert room.case.objection(event(device, "out")) == ("nothing_in", device)
    entry = room.event(device, "out")
    assert room.inside == ["guide", "wire"] and entry in room.case.in_force()


def test_what_came_with_the_patient_can_be_switched(room: Room) -> None:
    assert room.case.objection(event("balloon pump", "on")) is None
    assert room.case.objection(event("pacing wire", "off")) is None
    assert room.case.objection(event("pacing wire", "out")) == ("nothing_in", "pacing wire")


# --- up and down ---------------------------------------------------------------------------------


def told(life: DeviceLife) -> list[tuple[int | None, float | None]]:
    return [
        (None if each.pressure_atm is None else int(each.pressure_atm), each.seconds)
        for each in life.inflations
    ]


def test_each_inflation_has_its_pressure_and_its_seconds(room: Room) -> None:
    room.say(SOFT)
    first = room.say(up(8, seconds=20))
    down = room.say(Deflation(), after_s=17.5)
    room.say(up(14))
    room.say(Deflation(), after_s=31.25)
    assert told(room.last) == [(8, 17.5), (14, 31.25)], "what was measured counts, not what was said"
    inflation = room.last.inflations[0]
    assert (inflation.entry, inflation.began, inflation.ended) == (first, first.at, down.at)
    assert not inflation.deploys and not room.last.inflated


def test_with_no_down_the_seconds_that_were_said_count(room: Room) -> None:
    room.say(SOFT, up(8, seconds=20), up(12), up(14))
    assert told(room.last) == [(8, 20.0), (12, None), (14, None)]
    assert room.last.inflated
    room.event("balloon", "out")
    assert told(room.last)[-1] == (14, None) and room.last.inflations[-1].ended is None
    assert not room.last.inflated and room.case.objection(Deflation()) == ("nothing_up", "balloon")


def test_an_inflation_said_together_with_the_balloon(room: Room) -> None:
    room.say(SOFT.model_copy(update={"pressure_atm": Decimal(10)}))
    room.say(Deflation(), after_s=12)
    assert told(room.last) == [(10, 12.0)]


def test_a_rupture_ends_the_inflation(room: Room) -> None:
    room.say(HARD, up(22))
    room.say(event("balloon", "ruptured"), after_s=3)
    assert told(room.last) == [(22, 3.0)]
    assert room.last.ruptured and room.inside == ["guide", "wire", "balloon"]


def test_seconds_are_those_of_the_clock_that_is_never_set(room: Room) -> None:
    room.say(SOFT, up(8))
    room.clock.step_wall(-3600)
    room.say(ClockStep(step_s=-3600.0), after_s=10)
    room.say(Deflation(), after_s=5)
    assert told(room.last) == [(8, 15.0)]


def test_across_a_restart_the_wall_clock_counts(room: Room) -> None:
    room.say(SOFT, up(8))
    room.session = 2
    later = room.clock.at(1000.0).model_copy(update={"monotonic_s": 4.0})
    room.say(Deflation(), at=later)
    assert told(room.last) == [(8, 1000.0 - 80.0)]


def test_a_corrected_pressure_keeps_its_seconds(room: Room) -> None:
    room.say(SOFT)
    wrong = room.say(up(14))
    room.say(Deflation(), after_s=15)
    room.say(up(16), amends=wrong.n, at=wrong.at)
    assert told(room.last) == [(16, 15.0)]
    room.say(Withdrawal(target=6))
    assert told(room.last) == [(14, 15.0)]


def test_a_forgotten_down_that_is_told_later(room: Room) -> None:
    room.say(SOFT, up(8), HARD)
    # "ten seconds ago, balloon down": before the second balloon went in
    room.say(Deflation(), at=room.clock.at(90.0))
    soft, hard = room.case.devices()[2:]
    assert told(soft) == [(8, 10.0)]
    assert hard.inflations == ()


# --- stents --------------------------------------------------------------------------------------


def test_a_stent_is_an_implant_once_deployed(room: Room) -> None:
    room.say(STENT)
    assert room.case.implants() == [] and room.unaccounted == ["guide", "wire", "stent"]
    room.say(deployed(12))
    room.say(Deflation(), after_s=18)
    (stent,) = room.case.implants()
    assert (stent.body, stent.fate, told(stent)) == (STENT, "implanted", [(12, 18.0)])
    assert stent.inflations[0].deploys and stent.inside
    assert room.inside == ["guide", "wire"]


def test_after_deployment_up_means_the_balloon_of_the_stent(room: Room) -> None:
    room.say(STENT, deployed(12), Deflation(), up(16), Deflation())
    assert told(room.last) == [(12, 20.0), (16, 20.0)]
    assert [each.deploys for each in room.last.inflations] == [True, False]


def test_balloon_out_after_deployment_means_the_balloon_of_the_stent(room: Room) -> None:
    room.say(STENT, deployed(12))
    assert room.unaccounted == ["guide", "wire", "stent"], "its delivery balloon is in"
    assert room.case.objection(event("balloon", "out")) is None
    room.event("balloon", "out")
    assert room.unaccounted == ["guide", "wire"]
    assert room.last.fate == "implanted" and not room.last.inflated
    assert room.case.objection(up(16)) == ("nothing_in", "balloon")
    assert room.case.objection(event("balloon", "out")) == ("nothing_in", "balloon")
    assert room.case.objection(event("stent", "out")) == ("nothing_in", "stent")


def test_a_balloon_that_is_in_is_meant_before_that_of_a_stent(room: Room) -> None:
    room.say(HARD, STENT, deployed(12))
    room.event("balloon", "out")
    balloon, stent = room.case.devices()[2:]
    assert balloon.fate == "out" and stent.delivery_in
    room.event("balloon", "out")
    assert not room.case.devices()[-1].delivery_in


def test_out_alone_means_what_went_in_last_also_the_balloon_of_a_stent(room: Room) -> None:
    room.say(STENT, deployed(12))
    room.event(None, "out")
    assert room.unaccounted == ["guide", "wire"] and room.last.deployed


@pytest.mark.parametrize(
    ("next_in", "out"), [(HARD, True), (MICROCATHETER, True), (EXTENSION, False), (WIRE, False)]
)
def test_what_takes_the_wire_shows_that_the_delivery_balloon_is_out(
    room: Room, next_in: Device, out: bool
) -> None:
    room.say(STENT, deployed(12), next_in)
    stent = room.case.devices()[2]
    assert stent.delivery_in is not out and stent.inflated is not out
    assert stent.deployed


def test_the_delivery_balloon_goes_with_the_last_wire(room: Room) -> None:
    room.say(WIRE, STENT, deployed(12))
    room.event("wire", "out")
    assert room.case.devices()[3].delivery_in, "a second wire was jailed and is drawn first"
    room.event("wire", "out")
    assert room.unaccounted == ["guide"]


def test_the_delivery_balloon_goes_with_the_guide(room: Room) -> None:
    room.say(STENT, deployed(12))
    room.event("guide", "out")
    assert room.unaccounted == ["wire"]


def test_a_stent_named_again_with_its_size_is_the_one_that_is_in(room: Room) -> None:
    room.say(STENT)
    room.say(STENT.model_copy(update={"deployed": True, "pressure_atm": Decimal(12)}))
    assert [life.body.device for life in room.case.devices()] == ["guide", "wire", "stent"]
    assert room.last.deployed and told(room.last) == [(12, None)]
    longer = STENT.model_copy(update={"deployed": True, "length_mm": Decimal(28)})
    room.say(longer)
    assert [life.body.length_mm for life in room.case.implants()] == [18, 28]


def test_two_stents_in_a_row(room: Room) -> None:
    longer = STENT.model_copy(update={"length_mm": Decimal(28)})
    room.say(STENT, deployed(12), longer)
    assert room.case.objection(deployed(14)) is None
    room.say(deployed(14))
    room.event("balloon", "out")
    assert [(life.body.length_mm, told(life)) for life in room.case.implants()] == [
        (18, [(12, None)]),
        (28, [(14, None)]),
    ]
    assert room.case.objection(deployed(14)) == ("nothing_in", "stent")
    assert room.case.missing()[-1] == "devices" and room.unaccounted == ["guide", "wire"]


def test_the_balloon_of_a_stent_can_rupture(room: Room) -> None:
    room.say(STENT, up(18))
    room.event("balloon", "ruptured")
    assert room.last.ruptured and not room.last.inflated and room.last.fate == "in"


def test_no_balloon_comes_out_while_the_stent_is_on_it(room: Room) -> None:
    room.say(STENT)
    assert room.case.objection(event("balloon", "out")) == ("nothing_in", "balloon")
    room.event("stent", "out")
    assert room.last.fate == "out" and room.unaccounted == ["guide", "wire"]


# --- when it goes wrong --------------------------------------------------------------------------


def lost_stent(room: Room) -> None:
    room.say(STENT)
    room.event("stent", "off its balloon")


@pytest.mark.parametrize(
    ("happening", "implant"), [("retrieved", False), ("crushed", True), ("left in place", True)]
)
def test_a_stent_off_its_balloon_is_unaccounted_until_it_is_told_what_became_of_it(
    room: Room, happening: Happening, implant: bool
) -> None:
    lost_stent(room)
    room.event("balloon", "out")
    assert room.last.off_balloon and not room.last.delivery_in
    assert room.unaccounted == ["guide", "wire", "stent"], "the stent is still in"
    room.event("stent", "snared")
    assert room.last.snared and room.unaccounted[-1] == "stent"
    room.event("stent", happening)
    assert room.unaccounted == ["guide", "wire"]
    assert room.last.fate == happening
    assert [life.fate for life in room.case.implants()] == ([happening] if implant else [])


def test_a_stent_off_its_balloon_can_be_deployed_where_it_is(room: Room) -> None:
    lost_stent(room)
    room.say(SOFT)
    assert not room.case.devices()[2].delivery_in, "another balloon is on the wire now"
    room.say(up(10))
    assert told(room.last) == [(10, None)]
    room.say(Deflation(), deployed(12))
    assert [life.fate for life in room.case.implants()] == ["implanted"]
    assert room.unaccounted == ["guide", "wire", "balloon"]


def test_crushing_a_deployed_stent_on_purpose_leaves_it_an_implant(room: Room) -> None:
    room.say(STENT, deployed(12), HARD)
    assert room.case.objection(event("stent", "crushed")) is None
    room.event("stent", "crushed")
    (stent,) = room.case.implants()
    assert stent.fate == "implanted" and len(stent.happenings) == 2
    assert room.unaccounted == ["guide", "wire", "balloon"]


def test_a_stuck_device_is_inside_until_it_is_out(room: Room) -> None:
    room.say(BURR)
    room.event("burr", "stuck")
    assert room.last.stuck and room.unaccounted[-1] == "burr"
    room.event("burr", "retrieved")
    assert not room.last.stuck and room.unaccounted == ["guide", "wire"]


def test_a_stuck_delivery_balloon_is_that_of_the_stent(room: Room) -> None:
    room.say(STENT, deployed(12))
    room.event("balloon", "stuck")
    assert room.last.stuck and room.unaccounted[-1] == "stent"
    room.event("balloon", "out")
    assert not room.last.stuck and room.last.deployed


def test_a_piece_of_wire_left_in_place_is_declared_but_no_implant(room: Room) -> None:
    room.event("wire", "left in place")
    assert room.unaccounted == ["guide"] and room.case.implants() == []


def test_a_coil_left_in_place_is_an_implant(room: Room) -> None:
    room.say(COIL)
    assert room.unaccounted[-1] == "coil"
    room.event("coil", "left in place")
    assert [life.body for life in room.case.implants()] == [COIL]


def test_the_record_is_complete_when_all_is_accounted_for(room: Room) -> None:
    room.say(STENT, deployed(12))
    assert "devices" in room.case.missing()
    room.event("wire", "out")
    assert "devices" in room.case.missing()
    room.event("guide", "out")
    assert "devices" not in room.case.missing()


def test_a_life_of_ten_thousand_call_outs_is_no_burden(room: Room) -> None:
    room.say(SOFT)
    for _ in range(5000):
        room.say(up(8), Deflation(), after_s=1)
    life = room.last
    assert len(life.happenings) == 10_000 and len(life.inflations) == 5000
    assert life == room.case.devices()[-1]
