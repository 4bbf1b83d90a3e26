"""The clock of an arrest as the room hears it: forty minutes on a clock set by hand, with interruptions.

The times are those of the regimes as the file names their sources: AHA 2020 (epinephrine after the second
shock, then every 3 to 5 minutes; amiodarone after the third and fifth) and Resuscitation Council UK 2021
(both after the third; amiodarone again after the fifth), each with cycles of two minutes.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from bailout_room import BailoutRoom
from checkback.record.entry import Advice

EARLIEST_S, LATEST_S = 180.0, 300.0
TICK_S = 0.5


@pytest.fixture(params=["aha_2020", "erc_2021"])
def room(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[BailoutRoom]:
    room = BailoutRoom(tmp_path / "case", regime=request.param)
    yield room
    room.close()


def said(room: BailoutRoom, rule: str) -> list[float]:
    return [at_s for at_s, which in room.advice() if which == rule]


def fibrillating(room: BailoutRoom) -> float:
    room.say("v fib")
    room.say("compressions started")
    return room.now_s


def test_nothing_is_said_without_an_arrest(room: BailoutRoom) -> None:
    room.say("sinus rhythm")
    room.say("epinephrine 1 mg", wait_s=600)
    assert room.advice() == []


def test_what_is_said_is_on_record_critical_and_has_its_source(room: BailoutRoom) -> None:
    fibrillating(room)
    found = [e.body for e in room.entries if isinstance(e.body, Advice) and e.body.rule.startswith("arrest_")]
    assert {body.rule for body in found} == {"arrest_shock", "arrest_compressions"}
    assert all(body.critical and "check against local protocol" in body.source for body in found)
    assert any(line.startswith("shock one, biphasic") for line in room.spoken)


def test_of_two_drugs_that_are_due_it_is_one_or_the_other(room: BailoutRoom) -> None:
    fibrillating(room)
    for _ in range(3):
        room.say("v fib", wait_s=5)
        room.say("shock 200 joules", wait_s=5)
    found = [e.body for e in room.entries if isinstance(e.body, Advice) and e.body.rule.endswith("rrhythmic")]
    assert len(found) == 1 and found[0].text.startswith("amiodarone 300 mg, or lidocaine ")


def test_a_dose_before_the_arrest_came_back_holds_the_next_one_back(room: BailoutRoom) -> None:
    fibrillating(room)
    room.say("epinephrine 1 mg", wait_s=5)
    given_s = room.now_s - 5
    room.say("return of circulation", wait_s=5)
    room.say("asystole", wait_s=240)
    assert said(room, "arrest_epinephrine")[0] == pytest.approx(given_s + EARLIEST_S, abs=2 * TICK_S)


def test_a_tachycardia_in_an_arrest_may_have_a_pulse(room: BailoutRoom) -> None:
    fibrillating(room)
    room.say("shock 200 joules", wait_s=5)
    room.say("v tach", wait_s=1)
    assert said(room, "arrest_shock_if_no_pulse")
    assert any(line.startswith("feel for a pulse. if there is none, shock two") for line in room.spoken)


def test_it_speaks_also_when_the_voice_is_off_and_while_reminders_stand_by(room: BailoutRoom) -> None:
    room.say("voice off")
    room.say("stand by")
    fibrillating(room)
    assert any(line.startswith("shock one") for line in room.spoken)


def test_the_rhythm_is_looked_at_every_two_minutes_of_compressions(room: BailoutRoom) -> None:
    began_s = fibrillating(room)
    room.say("shock 200 joules")
    for _ in range(3):
        room.wait(121)
        room.say("v fib")
        room.say("shock 200 joules")
    looks = said(room, "arrest_rhythm_check")
    assert [round(at - began_s) for at in looks] == [120, 241, 362]


def test_what_nobody_does_is_said_again_each_minute_until_it_is_noted(room: BailoutRoom) -> None:
    fibrillating(room)
    room.wait(130)
    assert len(said(room, "arrest_shock")) == 3  # at once, after one minute, after two
    room.say("noted", wait_s=300)
    assert len(said(room, "arrest_shock")) == 3


def test_noted_is_for_this_time_only(room: BailoutRoom) -> None:
    fibrillating(room)
    room.say("noted", wait_s=30)
    room.say("shock 200 joules", wait_s=30)
    before = len(said(room, "arrest_shock"))
    room.say("v fib", wait_s=2)
    assert len(said(room, "arrest_shock")) == before + 1


def test_compressions_that_stop_are_missed(room: BailoutRoom) -> None:
    fibrillating(room)
    room.say("shock 200 joules")
    stopped_s = room.now_s
    room.say("compressions stopped", wait_s=20)
    pause_s = {"aha_2020": 10, "erc_2021": 5}[room.regime]
    assert said(room, "arrest_pause") == [pytest.approx(stopped_s + pause_s, abs=TICK_S)]


def test_the_end_of_the_arrest_and_of_the_case_end_it(room: BailoutRoom) -> None:
    fibrillating(room)
    room.say("return of circulation", wait_s=600)
    count = len(room.advice())
    room.wait(600)
    assert len(room.advice()) == count
    room.say("v fib")
    assert len(room.advice()) > count
    room.say("end of case")
    count = len(room.advice())
    room.wait(300)
    assert len(room.advice()) == count


def resuscitate(room: BailoutRoom, minutes: float, *, interrupt: bool) -> None:
    """Follow what the clock calls due, a few seconds late, as a team would."""
    heard = len(room.entries)
    until_s = 60 * minutes
    done_s = interrupted = 0.0
    while done_s < until_s:
        room.wait(4, step_s=1)
        done_s += 4
        # what was called since the last look is done now
        due = [e.body.rule for e in room.entries[heard:] if isinstance(e.body, Advice)]
        heard = len(room.entries)
        for rule in due:
            if rule == "arrest_shock":
                room.say("shock 200 joules")
            elif rule in ("arrest_epinephrine", "arrest_epinephrine_again"):
                room.say("epinephrine 1 mg")
            elif rule == "arrest_antiarrhythmic":
                given = sum(e.body.kind == "drug" and e.body.drug == "amiodarone" for e in room.entries)
                room.say("amiodarone 300 mg" if given == 0 else "amiodarone 150 mg")
            elif rule == "arrest_rhythm_check":
                room.say("v fib")
            elif rule in ("arrest_pause", "arrest_compressions"):
                room.say("compressions started")
        if interrupt and done_s // 600 > interrupted:
            interrupted = done_s // 600
            room.say("compressions stopped")
            room.restart(after_s=8)
            heard = len(room.entries)
            room.loop.tick()


@pytest.mark.parametrize("interrupt", [False, True])
def test_forty_minutes_of_fibrillation(room: BailoutRoom, interrupt: bool) -> None:
    """Each gap between doses of epinephrine is within the regime's, and no drug is called too often."""
    fibrillating(room)
    resuscitate(room, 40, interrupt=interrupt)
    wall = {e.n: e.at.wall.timestamp() for e in room.entries}
    drugs = [(e.n, e.body.drug) for e in room.entries if e.body.kind == "drug"]
    shocks = [e.n for e in room.entries if e.body.kind == "shock"]
    epinephrine = [n for n, drug in drugs if drug == "epinephrine"]
    amiodarone = [n for n, drug in drugs if drug == "amiodarone"]
    gaps = [wall[b] - wall[a] for a, b in pairwise(epinephrine)]
    late_s = 30  # the team is some seconds late, and the program was away for a few
    assert len(epinephrine) >= 9 and all(EARLIEST_S <= gap <= LATEST_S + late_s for gap in gaps), gaps
    first = {"aha_2020": 2, "erc_2021": 3}[room.regime]
    assert sum(n < epinephrine[0] for n in shocks) == first
    assert [sum(n < dose for n in shocks) for dose in amiodarone] == [3, 5]
    looks = [e for e in room.entries if isinstance(e.body, Advice) and e.body.rule == "arrest_rhythm_check"]
    assert 15 <= len(looks) <= 20
    called = [e.body.text for e in room.entries if isinstance(e.body, Advice) and e.n > amiodarone[0]]
    assert not any("lidocaine" in text for text in called), "the one that was begun with is gone on with"


def test_a_clock_that_is_set_changes_no_interval(room: BailoutRoom) -> None:
    began_s = fibrillating(room)
    room.say("shock 200 joules", wait_s=60)
    room.clock.step_wall(3600.0)
    room.wait(70)
    assert [round(at - began_s) for at in said(room, "arrest_rhythm_check")] == [120]


def test_an_arrest_that_is_put_on_record_long_afterwards_is_not_prompted_for(room: BailoutRoom) -> None:
    room.say("v fib twenty minutes ago", wait_s=120)
    room.say("shock 200 joules nineteen minutes ago", wait_s=120)
    assert room.advice() == []
    # from the first word about now on, the clock speaks
    room.say("compressions started", wait_s=5)
    room.say("v fib", wait_s=5)
    assert "arrest_shock" in {rule for _, rule in room.advice()}


def test_an_arrest_that_was_called_out_late_is_prompted_for(room: BailoutRoom) -> None:
    room.say("v fib three minutes ago", wait_s=5)
    assert {"arrest_shock", "arrest_compressions"} <= {rule for _, rule in room.advice()}


def test_a_time_that_is_corrected_late_does_not_silence_the_clock(room: BailoutRoom) -> None:
    room.say("compressions started", wait_s=700)
    before = len(room.advice())
    room.say("correction compressions started twelve minutes ago", wait_s=130)
    assert len(room.advice()) > before
