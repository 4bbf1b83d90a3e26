"""The state of a case as one object: what the rules make of the entries at one moment.

Every figure carries its source; where one cannot be computed the reason stands in its place.
Everything here is advice for licensed staff, never an order.
"""

from __future__ import annotations

from datetime import datetime

from checkback.language.catalogue import Catalogue
from checkback.record.case import Case
from checkback.record.entry import CaseEnd, Moment
from checkback.watching.facts import gather, on_one_clock
from checkback.watching.limits import Limits
from checkback.watching.status.clotting import clotting_section
from checkback.watching.status.contrast import contrast_section
from checkback.watching.status.devices import device_name as device_name
from checkback.watching.status.devices import device_section
from checkback.watching.status.patient import patient_section
from checkback.watching.status.radiation import radiation_section
from checkback.watching.status.state import Figure as Figure
from checkback.watching.status.state import Question
from checkback.watching.status.state import Section as Section
from checkback.watching.status.state import Status as Status
from checkback.watching.status.table import rows as rows
from checkback.watching.status.times import times_section

_MISSING = {
    "time_out": "time-out",
    "access": "access",
    "closure": "closure",
    "act": "clotting time",
    "flow": "final flow",
    "contrast": "contrast total",
    "fluoroscopy": "fluoroscopy time",
    "air_kerma": "air kerma",
    "dose_area": "dose-area product",
    "case_end": "end of case",
    "symptom_onset": "symptom onset",
    "first_contact": "first medical contact",
    "arrival": "arrival",
    "questions": "open questions",
    "devices": "devices still in",
}


def status(case: Case, limits: Limits, catalogue: Catalogue, now: Moment, now_session: int) -> Status:
    """Return the state of a case at a moment.

    Never fails for what stands in the entries: a figure that cannot be true, or is not on record,
    is named where what depends on it would stand.

    Parameters
    ----------
    case : Case
        Finished or not; it may be empty.
    limits : Limits
        The rules.
    catalogue : Catalogue
        For pressures and diameters of balloons.
    now : Moment
        The moment.
    now_session : int
        The session whose monotonic clock `now` was read from.
    """
    facts = gather(case, now, now_session, limits.plausible)
    at_min = on_one_clock(case, now, now_session)
    return Status(
        at=now,
        ended=case.latest(CaseEnd) is not None,
        patient=patient_section(facts, limits),
        devices=device_section(case, catalogue, at_min),
        contrast=contrast_section(case, facts, limits),
        clotting=clotting_section(case, facts, limits),
        radiation=radiation_section(facts, limits),
        times=times_section(case, facts, limits, now, at_min),
        questions=tuple(Question(entry=e.n, asked=e.question or "", words=e.words) for e in case.questions()),
        missing=tuple(_MISSING.get(key, key.replace("_", " ")) for key in case.missing()),
        unknown=tuple(_MISSING.get(key, key.replace("_", " ")) for key in case.unknown()),
    )


def moment_of(case: Case, wall: datetime) -> tuple[Moment, int]:
    """Return a wall time as a moment of the case's last session, and the number of that session.

    The clock that is never set runs on from the last entry.  No moment lies before that entry.
    """
    if not case.entries:
        return Moment(wall=wall, monotonic_s=0.0), 1
    last = case.entries[-1]
    since_s = (wall - last.recorded.wall).total_seconds()
    if since_s <= 0:
        return last.recorded, last.session
    return Moment(wall=wall, monotonic_s=round(last.recorded.monotonic_s + since_s, 3)), last.session


def until(case: Case, wall: datetime) -> Case:
    """Return the case as it was at a wall time: of what was recorded up to then."""
    return Case(entry for entry in case.entries if entry.recorded.wall <= wall)
