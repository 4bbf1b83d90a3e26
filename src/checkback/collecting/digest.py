"""One case in the figures that are compared over many: a pure function of the folded case.

The same rules as in the room are used: limits, targets, and what counts as a reading of the
clotting time come from `checkback.watching`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from itertools import pairwise
from typing import Any, NamedTuple, TypeVar

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import Access, Advice, CaseEnd, CaseStart, DeviceEvent, Drug, Entry, Noted
from checkback.watching.anticoagulation import ActTarget, act_target
from checkback.watching.contrast import allowable
from checkback.watching.facts import Facts, gather, on_one_clock
from checkback.watching.limits import ActRules, Limits
from checkback.watching.renal import clearance
from checkback.watching.times import Interval, KeyTimes, key_intervals

DIGEST_VERSION = 1
"""Part of what a kept digest is known by: raise it when a figure changes its meaning."""

Value = TypeVar("Value")


@dataclass(frozen=True)
class CaseRow:
    """One case; None: not known, or not computed.

    Times are in minutes, and each `_over_` is a ratio.

    Attributes
    ----------
    finished : bool
        Whether its end is on record.
    began : datetime
        Wall time of the first entry that is not about the record.
    duration_min : float or None
        From case start (or the first such entry) to case end; None if it is not finished.
    entries, corrected, questions : int
        All entries; those withdrawn or amended; those still questioned.
    access : str or None
        Site of the first access.
    door_to_device_min, contact_to_device_min, ischaemic_min : float or None
        To the first balloon, stent or aspiration.
    door_in_time, contact_in_time : bool or None
        Whether full minutes were within the target.
    contrast_ml, contrast_limit_ml, clearance_ml_min : float or None
    contrast_over_limit, contrast_over_clearance : float or None
    act_gaps, act_gaps_kept : int
        Times after which a clotting time was due, and those of them in which one came in time.
    act_observed_min, act_in_target_min : float
        Minutes between two readings with no heparin given between them, and those in the target.
    act_low_s, act_high_s : float
        The target.
    devices, balloons, stents, lesions : int
        What went in, of that what was a balloon or a stent, and lesions in which a device was used.
    not_across : int
        Attempts that were called out and did not cross.
    air_kerma_mgy, dose_area_gy_cm2, fluoroscopy_min : float or None
    advice, answered : int
        How often the program spoke up, and how often that was noted.
    lacking : str
        What a figure could not be computed for, in sentences.
    """

    finished: bool
    began: datetime
    duration_min: float | None
    entries: int
    corrected: int
    questions: int
    access: str | None
    door_to_device_min: float | None
    contact_to_device_min: float | None
    ischaemic_min: float | None
    door_in_time: bool | None
    contact_in_time: bool | None
    contrast_ml: float | None
    contrast_limit_ml: float | None
    clearance_ml_min: float | None
    contrast_over_limit: float | None
    contrast_over_clearance: float | None
    act_gaps: int
    act_gaps_kept: int
    act_observed_min: float
    act_in_target_min: float
    act_low_s: float
    act_high_s: float
    devices: int
    balloons: int
    stents: int
    lesions: int
    not_across: int
    air_kerma_mgy: float | None
    dose_area_gy_cm2: float | None
    fluoroscopy_min: float | None
    advice: int
    answered: int
    lacking: str


@dataclass(frozen=True)
class ReadingRow:
    """A clotting time after the first heparin, with the target that it is held against."""

    after_heparin_min: float
    act_s: float
    in_target: bool


@dataclass(frozen=True)
class RefusalRow:
    """A device that did not cross, and the next device that an attempt was made with.

    Attributes
    ----------
    n : int
        The entry that says so.
    device : str
        Class and type of what did not cross.
    size : str
        "2.5 × 12"; empty if it has none.
    segment : str or None
        Where, if a lesion was named.
    next_device : str or None
        Class and type of the next device, the same one again included; None if nothing was tried.
    next_crossed : bool or None
        Whether that one crossed; None if it was not said.
    """

    n: int
    device: str
    size: str
    segment: str | None
    next_device: str | None
    next_crossed: bool | None


@dataclass(frozen=True)
class LesionRow:
    """One lesion in which a device was used."""

    number: int | None
    segment: str | None
    devices: int
    attempts: int
    not_across: int
    inflations: int
    stents: int


@dataclass(frozen=True)
class AdviceRow:
    """One time that the program spoke up; `answered_s` is None if nobody noted it."""

    n: int
    rule: str
    critical: bool
    answered_s: float | None


@dataclass(frozen=True)
class Digest:
    """All rows of one case."""

    case: CaseRow
    readings: tuple[ReadingRow, ...] = field(default=())
    refusals: tuple[RefusalRow, ...] = field(default=())
    lesions: tuple[LesionRow, ...] = field(default=())
    advice: tuple[AdviceRow, ...] = field(default=())


def digest(case: Case, limits: Limits) -> Digest:
    """Return the figures of a case.

    Raises
    ------
    UserError
        If nothing but entries about the record itself is in it.
    """
    standing = case.in_force()
    told = [e for e in standing if e.source != "program"]
    if not told:
        raise UserError("nothing was called out")
    last = case.entries[-1]
    facts = gather(case, last.recorded, last.session, limits.plausible)
    at_min = on_one_clock(case, last.recorded, last.session)
    target = act_target(facts.gp_inhibitor, limits.act)
    readings = tuple(_readings(facts, at_min, target))
    gaps = list(act_gaps(_checks(standing, facts, at_min), limits.act))
    lives = case.devices()
    refusals = tuple(_refusals(case, lives, {e.n: i for i, e in enumerate(standing)}))
    lesions = tuple(
        LesionRow(w.number, w.segment, len(w.devices), w.attempts, w.failures, w.inflations, w.stents)
        for w in case.lesions()
        if w.devices
    )
    advice = tuple(_advice(case, standing))
    observed = _in_target(facts, at_min, target)
    lacking: list[str] = []
    return Digest(
        CaseRow(
            finished=case.latest(CaseEnd) is not None,
            began=told[0].at.wall,
            duration_min=_duration_min(case, told[0]),
            entries=len(case.entries),
            corrected=sum(case.standing(e)[1] is not None for e in case.entries),
            questions=len(case.questions()),
            access=next((e.body.site for e in standing if isinstance(e.body, Access)), None),
            **_times(facts, limits, lacking),
            **_contrast(case, facts, limits, lacking),
            act_gaps=len(gaps),
            act_gaps_kept=sum(gaps),
            act_observed_min=observed[0],
            act_in_target_min=observed[1],
            act_low_s=target.low_s,
            act_high_s=target.high_s,
            devices=len(lives),
            balloons=sum(life.body.device == "balloon" for life in lives),
            stents=sum(life.body.device == "stent" for life in lives),
            lesions=len(lesions),
            not_across=sum(not crossed for life in lives for crossed in life.crossings),
            air_kerma_mgy=_thousandfold(facts.exposure.air_kerma_gy),
            dose_area_gy_cm2=facts.exposure.dose_area_gy_cm2,
            fluoroscopy_min=facts.exposure.fluoroscopy_min,
            advice=len(advice),
            answered=sum(row.answered_s is not None for row in advice),
            lacking="; ".join(lacking),
        ),
        readings,
        refusals,
        lesions,
        advice,
    )


# --- times and contrast ------------------------------------------------------------------------------


def _duration_min(case: Case, first: Entry) -> float | None:
    end = case.latest(CaseEnd)
    if end is None:
        return None
    start = next((e for e in case.in_force() if isinstance(e.body, CaseStart)), first)
    return round(case.seconds_between(start, end) / 60, 3)


def _attempted(compute: Callable[[], Value], lacking: list[str]) -> Value | None:
    try:
        return compute()
    except UserError as error:
        lacking.append(str(error))
        return None


def _times(facts: Facts, limits: Limits, lacking: list[str]) -> dict[str, Any]:
    times, transfer = facts.times, bool(facts.patient.transfer_in)

    # one by one, so that one wrong moment does not hide the others
    def only(moments: KeyTimes) -> Interval | None:
        found = _attempted(lambda: key_intervals(moments, transfer, limits.times), lacking)
        return found[0] if found else None

    door = only(KeyTimes(arrival=times.arrival, device=times.device))
    contact = only(KeyTimes(contact=times.contact, device=times.device))
    onset = only(KeyTimes(onset=times.onset, device=times.device))
    return {
        "door_to_device_min": door and round(door.seconds / 60, 3),
        "contact_to_device_min": contact and round(contact.seconds / 60, 3),
        "ischaemic_min": onset and round(onset.seconds / 60, 3),
        "door_in_time": door and door.within,
        "contact_in_time": contact and contact.within,
    }


def _contrast(case: Case, facts: Facts, limits: Limits, lacking: list[str]) -> dict[str, Any]:
    given, patient, creatinine = case.contrast_ml(), facts.patient, facts.creatinine_mg_dl
    limit = cleared = None
    if creatinine is not None and patient.weight_kg is not None:
        weight = float(patient.weight_kg)
        limit = _attempted(
            lambda: allowable(weight, creatinine, limits.contrast, limits.plausible).limit_ml, lacking
        )
        if patient.age_y is not None and patient.sex is not None and not patient.dialysis:
            age, sex = float(patient.age_y), patient.sex
            cleared = _attempted(
                lambda: clearance(creatinine, age, weight, sex, limits.plausible).clearance_ml_min, lacking
            )
    volume = None if given is None else float(given)
    return {
        "contrast_ml": volume,
        "contrast_limit_ml": limit,
        "clearance_ml_min": cleared,
        "contrast_over_limit": None if volume is None or not limit else volume / limit,
        "contrast_over_clearance": None if volume is None or not cleared else volume / cleared,
    }


def _thousandfold(value: float | None) -> float | None:
    return None if value is None else float(Decimal(str(value)) * 1000)


# --- clotting times --------------------------------------------------------------------------------


class Check(NamedTuple):
    """What starts or ends the wait for a clotting time: "heparin", "act" or "end", and its minute."""

    at_min: float
    what: str


def _checks(standing: list[Entry], facts: Facts, at_min: Callable[[Entry], float]) -> list[Check]:
    """Return heparin, clotting times and the end of the wait, in order.

    The end is protamine, else the last device that was used or taken out, else the last entry.
    """
    heparin = [at_min(e) for e in (*(e for e, _ in facts.boluses), *facts.uncounted_heparin)]
    if not heparin:
        return []
    reversed_at = [at_min(e) for e in standing if isinstance(e.body, Drug) and e.body.drug == "protamine"]
    used = [at_min(e) for e in standing if e.body.kind in _USES]
    end = min(reversed_at) if reversed_at else max(used, default=at_min(standing[-1]))
    checks = [Check(m, "heparin") for m in heparin] + [Check(at_min(e), "act") for e, _ in facts.acts]
    return [*sorted(c for c in checks if c.at_min <= end), Check(end, "end")]


_USES = frozenset({"device", "device_event", "inflation", "deflation", "deployment"})


def act_gaps(checks: list[Check], rules: ActRules) -> Iterator[bool]:
    """Yield for each wait for a clotting time whether one came in time.

    The wait begins with heparin (the first reading is due sooner after it) or a reading, and is
    over with the next of either, or at the end.  A wait that was over before it was due, without a
    reading, is not counted.

    Parameters
    ----------
    checks : list of Check
        In order.
    rules : ActRules
        When a reading is due.
    """
    begun: Check | None = None
    for check in checks:
        if begun is not None:
            wait = rules.first_after_bolus if begun.what == "heparin" else rules.interval
            # times are to the millisecond, so half of one cannot make a wait too long
            late = check.at_min - begun.at_min > wait.value + 1 / 120_000
            if check.what == "act" or late:
                yield not late
        if check.what == "heparin" or begun is not None:
            begun = check


def _readings(facts: Facts, at_min: Callable[[Entry], float], target: ActTarget) -> Iterator[ReadingRow]:
    heparin = [at_min(e) for e in (*(e for e, _ in facts.boluses), *facts.uncounted_heparin)]
    if not heparin:
        return
    first = min(heparin)
    for _, act in facts.acts:
        if act.at_min >= first:
            inside = target.low_s <= act.act_s <= target.high_s
            yield ReadingRow(round(act.at_min - first, 3), act.act_s, inside)


def _in_target(facts: Facts, at_min: Callable[[Entry], float], target: ActTarget) -> tuple[float, float]:
    heparin = [at_min(e) for e in (*(e for e, _ in facts.boluses), *facts.uncounted_heparin)]
    acts = sorted((act.at_min, act.act_s) for _, act in facts.acts)
    observed = inside = 0.0
    for (start, first_s), (end, second_s) in pairwise(acts):
        if not heparin or start < min(heparin) or any(start <= m < end for m in heparin):
            continue
        observed += end - start
        inside += (end - start) * share_within(first_s, second_s, target.low_s, target.high_s)
    return round(observed, 3), round(inside, 3)


def share_within(first: float, second: float, low: float, high: float) -> float:
    """Return the share of a straight line from `first` to `second` that lies from `low` to `high`.

    Source: linear interpolation between readings as Rosendaal et al. did for oral anticoagulants,
    Thromb Haemost 1993;69:236 (from memory); for the activated clotting time a convention of this program.
    """
    if first == second:
        return float(low <= first <= high)
    bottom, top = min(first, second), max(first, second)
    return max(0.0, min(top, high) - max(bottom, low)) / (top - bottom)


# --- devices ----------------------------------------------------------------------------------------


def device_name(life: DeviceLife) -> str:
    """Return class and type: "balloon, non-compliant"."""
    body = life.body
    return f"{body.device}, {body.type}" if body.type else body.device


def _size(life: DeviceLife) -> str:
    body = life.body
    return " × ".join(f"{float(v):g}" for v in (body.diameter_mm, body.length_mm) if v is not None)


def _refusals(case: Case, lives: list[DeviceLife], place: Mapping[int, int]) -> Iterator[RefusalRow]:
    """Yield each time that a device did not cross, with the next attempt after it.

    `place` tells where in the course of the case an entry stands, by its number.
    """
    where = {number: work.segment for work in case.lesions() for number in work.devices}
    attempts = sorted(_attempts(lives), key=lambda attempt: place[attempt.n])
    for i, attempt in enumerate(attempts):
        if attempt.crossed is not False:
            continue
        after = attempts[i + 1] if i + 1 < len(attempts) else None
        life = attempt.life
        yield RefusalRow(
            n=attempt.n,
            device=device_name(life),
            size=_size(life),
            segment=where.get(life.number),
            next_device=None if after is None else device_name(after.life),
            next_crossed=None if after is None else after.crossed,
        )


class _Attempt(NamedTuple):
    n: int
    life: DeviceLife
    crossed: bool | None


_NO_ATTEMPT = frozenset({"guide", "diagnostic catheter", "balloon pump", "pacing wire", "snare"})


def _attempts(lives: list[DeviceLife]) -> Iterator[_Attempt]:
    """Yield what is said of crossing; of a device of which nothing is said, that it went in.

    A balloon that went up, and a stent that was deployed, were across.  Guides, diagnostic catheters
    and pumps attempt nothing.
    """
    for life in lives:
        if life.body.device in _NO_ATTEMPT:
            continue
        said = [
            _Attempt(entry.n, life, entry.body.happening == "across")
            for entry in life.happenings
            if isinstance(entry.body, DeviceEvent) and entry.body.happening in ("across", "not across")
        ]
        yield from said or [_Attempt(life.entry.n, life, True if life.inflations else None)]


# --- what the program said ---------------------------------------------------------------------------


def _advice(case: Case, standing: list[Entry]) -> Iterator[AdviceRow]:
    """Yield each advice with the first answer to its rule before the rule spoke again."""
    for i, entry in enumerate(standing):
        if not isinstance(entry.body, Advice):
            continue
        answer = None
        for later in standing[i + 1 :]:
            if isinstance(later.body, (Advice, Noted)) and later.body.rule == entry.body.rule:
                answer = later if isinstance(later.body, Noted) else None
                break
        yield AdviceRow(
            entry.n,
            entry.body.rule,
            entry.body.critical,
            None if answer is None else case.seconds_between(entry, answer),
        )
