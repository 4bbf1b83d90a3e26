"""What the reminders know of a case: kept from one look to the next, and the same as if made anew."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from checkback.record.case import Case
from checkback.record.devices import Placed
from checkback.record.entry import Deflation, Inflation, Withdrawal
from checkback.watching.course import Course, course
from checkback.watching.reminders import due
from strategies import cases
from watched_case import Told
from watched_room import CATALOGUE, LIMITS


class Counted:
    """A fold that counts its steps."""

    steps = 0

    def __init__(self, entries: int = 0) -> None:
        self.entries = entries

    def after(self, placed: Placed) -> Counted:
        Counted.steps += 1
        return Counted(self.entries + 1)


def steps_for_one_more(length: int) -> int:
    """Return how many steps a fold takes for one entry and two looks, after so many entries."""
    told = Told()
    for minute in range(length):
        told.say(minute, Inflation() if minute % 2 == 0 else Deflation())
    assert told.case.folded("counted", Counted()).entries == length
    Counted.steps = 0
    told.say(length, Inflation())
    assert told.case.folded("counted", Counted()).entries == length + 1
    told.case.folded("counted", Counted())
    return Counted.steps


def test_one_more_entry_is_one_step_however_long_the_case() -> None:
    assert [steps_for_one_more(length) for length in (30, 300, 3000)] == [1, 1, 1]


def test_a_change_in_the_past_costs_the_steps_since_then() -> None:
    told = Told()
    entries = [told.say(minute, Inflation()) for minute in range(1000)]
    told.case.folded("counted", Counted())
    Counted.steps = 0
    told.withdraw(1000, entries[-10])
    assert told.case.folded("counted", Counted()).entries == 999
    assert Counted.steps < 64


@settings(max_examples=60, deadline=None)
@given(cases(), st.data())
def test_kept_or_made_anew_it_is_the_same(entries: list, data: st.DataObject) -> None:  # type: ignore[type-arg]
    kept = Case()
    for entry in entries:
        kept.apply(entry)
        if data.draw(st.booleans()):
            course(kept, CATALOGUE)
    anew = Case(entries)
    assert course(kept, CATALOGUE) == course(anew, CATALOGUE)
    assert kept.patient() == anew.patient() and kept.lesions() == anew.lesions()
    now = entries[-1].recorded if entries else Told().moment(0)
    session = entries[-1].session if entries else 1
    assert due(kept, LIMITS, CATALOGUE, now, session) == due(anew, LIMITS, CATALOGUE, now, session)


def test_a_withdrawn_pressure_is_forgotten() -> None:
    told = Told()
    from test_watching_status import SOFT

    told.say(0, SOFT)
    high = told.say(1, Inflation(pressure_atm=30))
    assert [each.entry for each in course(told.case, CATALOGUE).exceeded] == [high]
    told.say(2, Withdrawal(target=high.n))
    assert course(told.case, CATALOGUE) == Course(CATALOGUE, _ledger=course(told.case, CATALOGUE)._ledger)
