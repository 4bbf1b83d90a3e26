"""The section on the times that are held against targets."""

from __future__ import annotations

import math
from collections.abc import Callable

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import (
    CaseEnd,
    CaseStart,
    Entry,
    Moment,
    TimeOut,
)
from checkback.watching.facts import Facts
from checkback.watching.limits import Limits
from checkback.watching.status.figures import ago_s, count, figure_of, first_of, not_on_record, shown, span
from checkback.watching.status.state import Figure, TimesSection
from checkback.watching.times import (
    Interval,
    KeyTimes,
    door_in_door_out,
    elapsed_s,
    h_mm,
    key_intervals,
)


def times_section(
    case: Case, facts: Facts, limits: Limits, now: Moment, at_min: Callable[[Entry], float]
) -> TimesSection:
    """Return the intervals to the first device, each against its target."""
    times = facts.times
    transferred = bool(facts.patient.transfer_in)

    def of_transfer() -> None:
        if not transferred and times.first_door is None:
            raise UserError("no transfer from another hospital is on record")

    def first_door() -> Figure:
        of_transfer()
        return to_device(
            "arrival at the first hospital", KeyTimes(first_door=times.first_door, device=times.device)
        )

    def door_in_out() -> Figure:
        of_transfer()
        found = door_in_door_out(times, limits.times)
        if found is None:
            raise UserError(not_on_record("arrival at or departure from the first hospital"))
        return _held_against_target(found)

    def inflated() -> Figure:
        ups = [up for life in case.devices() for up in life.inflations]
        if not ups:
            raise UserError("no inflation is on record")
        counted_s = math.fsum(up.seconds for up in ups if up.seconds is not None)
        running = [
            ago_s(at_min, life.inflations[-1].entry)
            for life in case.unaccounted()
            if life.inflated and life.inflations[-1].ended is None and life.inflations[-1].seconds is None
        ]
        seconds = counted_s + math.fsum(running)
        open_ends = sum(up.seconds is None for up in ups) - len(running)
        ends = f", without {count(open_ends, 'inflation')} of unknown end" if open_ends else ""
        return Figure(text=f"{span(seconds)}, {count(len(ups), 'time')}{ends}", value=seconds, unit="s")

    def procedure() -> Figure:
        began = first_of(case, TimeOut) or first_of(case, CaseStart)
        if began is None:
            raise UserError("neither time-out nor start of the case is on record")
        end = case.latest(CaseEnd)
        seconds = ago_s(at_min, began) if end is None else case.seconds_between(began, end)
        since = "time-out" if isinstance(began.body, TimeOut) else "start of the case"
        running = "so far" if end is None else "to the end of the case"
        return Figure(text=f"{h_mm(seconds)} h from the {since}, {running}", value=seconds / 60, unit="min")

    def to_device(start: str, known: KeyTimes) -> Figure:
        begun = known.arrival or known.contact or known.onset or known.first_door
        if begun is None:
            raise UserError(not_on_record(start))
        if known.device is None:
            waited_s = elapsed_s(begun, now.wall)
            so_far = f" ({int(waited_s // 60)} min since {start})" if waited_s >= 0 else ""
            raise UserError(f"no balloon, stent or aspiration was used yet{so_far}")
        (found,) = key_intervals(known, transferred, limits.times)
        return _held_against_target(found)

    device = times.device
    return TimesSection(
        procedure=figure_of(procedure),
        door_to_device=figure_of(
            lambda: to_device("arrival", KeyTimes(arrival=times.arrival, device=device))
        ),
        contact_to_device=figure_of(
            lambda: to_device("first medical contact", KeyTimes(contact=times.contact, device=device))
        ),
        onset_to_device=figure_of(
            lambda: to_device("symptom onset", KeyTimes(onset=times.onset, device=device))
        ),
        first_door_to_device=figure_of(first_door),
        door_in_door_out=figure_of(door_in_out),
        inflated=figure_of(inflated),
    )


def _held_against_target(found: Interval) -> Figure:
    verdict = ""
    if found.target_min is not None:
        verdict = f", {'within' if found.within else 'above'} {shown(found.target_min)} min"
    return Figure(
        text=f"{found.minutes} min{verdict}",
        value=found.minutes,
        high=found.target_min,
        unit="min",
        source=found.source,
    )
