"""When to speak up: what is due now, from the entries of a case and the time alone.

`due` is a pure function.  What it returned and was said is written into the journal as `Advice`,
"noted" as `Noted` and "stand by" as `StandBy`; the next call finds them there, so a restart loses
nothing and repeats nothing.

The rules, in the order in which several that are due together are said.  The words are the
phrasebook's, by the name ``advice_<rule>``; a value in brackets may be missing.

====================  ================================  ==========================================
rule                  step: once for each               values
====================  ================================  ==========================================
pressure_over_rated   pressure called out               pressure_atm, rated_atm, device, [type]
inflation_long        inflation                         seconds, device, [type]
devices_unaccounted   device still in at the case end   device, [type], entry
contrast_limit        maximum allowable contrast        limit_ml, total_ml
act_below_target      clotting time below its target    act_s, target_s
act_due               last heparin or clotting time     minutes
act_falling           last clotting time                minutes, earliest_minutes,
                                                        [latest_minutes], target_s
antiplatelet_missing  first stent                       (none)
bolus_window          first bolus of heparin            u_per_kg, low_u_per_kg, high_u_per_kg
contrast_ahead        amount left                       left_ml, limit_ml
ratio_reached         step of contrast over clearance   times, total_ml
ratio_ahead           step of contrast over clearance   times, left_ml
dose_substantial      case                              (none)
air_kerma_notice      step                              air_kerma_gy, level_gy
dose_area_notice      step                              dose_area_gy_cm2, level_gy_cm2
fluoroscopy_notice    step                              fluoroscopy_min, level_min
guide_out_missing     time that the last guide went     missing: keys of `Case.missing`, with a
                      out                               space between them
case_end_missing      case end                          missing, likewise
====================  ================================  ==========================================

Clotting times are asked for while heparin is on board: for some hours after the last bolus, while
it runs in, and not after protamine.  After the end of the case only the rules that are about it
speak.  A rule whose figures are not known, or not plausible, is silent.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

from checkback.errors import UserError
from checkback.language.catalogue import Catalogue
from checkback.record.case import Case
from checkback.record.entry import (
    Act,
    CaseEnd,
    Device,
    Drug,
    Entry,
    Moment,
    Patient,
    StandBy,
)
from checkback.watching.anticoagulation import Act as ActReading
from checkback.watching.anticoagulation import ActFall, act_fall, act_target, bolus_check
from checkback.watching.contrast import ContrastWarning, Limit, allowable, ratio_limits, warnings
from checkback.watching.course import Clotting, Course, course
from checkback.watching.facts import (
    creatinine_of,
    exposure_of,
    has_gp_inhibitor,
    heparin_u,
    is_loaded,
    minutes,
)
from checkback.watching.limits import Limits, Plausible, Reminder
from checkback.watching.radiation import Exposure, Notice, notices, substantial
from checkback.watching.renal import clearance

LONGEST_S = 1e8
"""Ages are cut here, three years: a longer one is a damaged figure."""


@dataclass(frozen=True)
class Due:
    """Something that should be said now.

    Attributes
    ----------
    rule, step : str
        As in the table of this module; both go into the `Advice`.
    values : mapping of str to str or float
        For the words; the unit is in the name.
    source : str
        Where the rule comes from.
    critical : bool
        Whether it is said during a stand-by too.
    """

    rule: str
    step: str
    values: Mapping[str, str | float]
    source: str
    critical: bool


def due(case: Case, limits: Limits, catalogue: Catalogue, now: Moment, session: int) -> tuple[Due, ...]:
    """Return what should be said now: the critical first, then by importance; mostly nothing.

    Whatever is said must be put into the case as `Advice` with the same rule and step: then it is
    not due again before its repeat.

    Parameters
    ----------
    case : Case
    limits : Limits
        The rules' figures; `reminders` has their times.
    catalogue : Catalogue
        For rated burst pressures.
    now : Moment
    session : int
        The session that `now` belongs to.  Within it the monotonic clock rules; what was said in an
        earlier one is placed by the wall clock.
    """
    watch = _Watch(case, limits, catalogue, now, session)
    ended = case.latest(CaseEnd) is not None
    found = []
    for rule, (causes, after_end) in _RULES.items():
        times: Reminder = getattr(limits.reminders, rule)
        if ended != after_end or not times.on or (watch.standing_by and not times.critical):
            continue
        found += [
            Due(rule, cause.step, MappingProxyType(cause.values), cause.source or times.cited, times.critical)
            for cause in causes(watch)
            if watch.is_due(rule, cause, times)
        ]
    return tuple(sorted(found, key=lambda each: not each.critical))


def standing(case: Case, limits: Limits, catalogue: Catalogue, now: Moment, session: int) -> tuple[Due, ...]:
    """Return all that holds now, whether it was said or not, for somebody who asks.

    What was answered by "noted" is left out until it is due anew, and what is over as soon as it was said.
    Parameters and order as in `due`.
    """
    watch = _Watch(case, limits, catalogue, now, session)
    ended = case.latest(CaseEnd) is not None
    found = []
    for rule, (causes, after_end) in _RULES.items():
        times: Reminder = getattr(limits.reminders, rule)
        if ended != after_end or not times.on:
            continue
        found += [
            Due(rule, cause.step, MappingProxyType(cause.values), cause.source or times.cited, times.critical)
            for cause in causes(watch)
            if watch.is_due(rule, cause, times) or watch.is_open(rule, cause)
        ]
    return tuple(sorted(found, key=lambda each: not each.critical))


@dataclass(frozen=True)
class Ahead:
    """Something that comes due, or that holds and was not answered.

    Attributes
    ----------
    rule, step, values, source : as in `Due`
    in_s : float
        Seconds until it is due for the first time; negative: it has been due for so long.
    """

    rule: str
    step: str
    values: Mapping[str, str | float]
    source: str
    in_s: float


def ahead(case: Case, limits: Limits, catalogue: Catalogue, now: Moment, session: int) -> tuple[Ahead, ...]:
    """Return what comes due if nothing happens until then, and what holds and was not noted.

    A stand-by makes no difference: it holds the voice, not the clocks.

    Parameters
    ----------
    case, limits, catalogue, now, session
        As in `due`.
    """
    watch = _Watch(case, limits, catalogue, now, session)
    ended = case.latest(CaseEnd) is not None
    found = []
    for rule, (causes, after_end) in _RULES.items():
        times: Reminder = getattr(limits.reminders, rule)
        if ended != after_end or not times.on:
            continue
        for cause in causes(watch):
            said, noted = case.advised(rule, cause.step), case.noted(rule)
            if said is not None and noted is not None and noted.n > said.n:
                continue
            in_s = times.first * (60 if times.unit == "min" else 1) - cause.since_s
            source = cause.source or times.cited
            found.append(Ahead(rule, cause.step, MappingProxyType(cause.values), source, round(in_s, 3)))
    return tuple(found)


@dataclass(frozen=True)
class _Cause:
    """A reason to speak up that holds now.

    `since_s` is negative while it is still ahead; an empty source is the rule's own.
    """

    step: str
    since_s: float = 0.0
    values: dict[str, str | float] = field(default_factory=dict)
    source: str = ""


class _Watch:
    """The case at one moment, each part found when it is first asked for."""

    def __init__(self, case: Case, limits: Limits, catalogue: Catalogue, now: Moment, session: int) -> None:
        self.case = case
        self.limits = limits
        self.catalogue = catalogue
        self._now = now
        self._session = session
        self._opened = case.opened(session)

    # --- time -----------------------------------------------------------------------------------

    def age_s(self, entry: Entry) -> float:
        """Return the seconds since an entry happened; negative: it is still ahead."""
        origin = entry
        # a correction keeps the time of what it corrects, which may be of an earlier session
        while (old := self._corrected(origin)) is not None and old.at == origin.at:
            origin = old
        if origin.session == self._session or self._opened is None:
            age_s = -60 * minutes(origin.at, origin.session, self._now, self._session)
        else:
            # by way of the start of this session: the case knows how the wall clock was set
            since_start_s = self._now.monotonic_s - self._opened.at.monotonic_s
            age_s = self.case.seconds_between(origin, self._opened) + since_start_s
        return round(max(-LONGEST_S, min(LONGEST_S, age_s)), 3)

    def step(self, entry: Entry) -> str:
        """Return the number of an entry before it was ever corrected: a correction is no new cause."""
        while (old := self._corrected(entry)) is not None:
            entry = old
        return str(entry.n)

    def _corrected(self, entry: Entry) -> Entry | None:
        # only an earlier entry can be replaced; anything else would be a damaged journal
        return self.case.entry(entry.amends) if entry.amends and entry.amends < entry.n else None

    # --- what was said, and answered ------------------------------------------------------------

    @cached_property
    def standing_by(self) -> bool:
        """Whether somebody asked for quiet a short while ago."""
        asked = self.case.latest(StandBy)
        return asked is not None and 0 <= self.age_s(asked) < self.limits.reminders.stand_by.value * 60

    def is_due(self, rule: str, cause: _Cause, times: Reminder) -> bool:
        """Return whether it is time to say so, for the first time or again."""
        unit_s = 60 if times.unit == "min" else 1
        if cause.since_s < times.first * unit_s:
            return False
        said, noted = self.case.advised(rule, cause.step), self.case.noted(rule)
        if said is None:
            return True
        if noted is not None and noted.n > said.n:
            return 0 < times.after_noted * unit_s <= self.age_s(noted)
        return 0 < times.repeat * unit_s <= self.age_s(said)

    def is_open(self, rule: str, cause: _Cause) -> bool:
        """Return whether it was said, nobody answered, and it is not over by then."""
        said, noted = self.case.advised(rule, cause.step), self.case.noted(rule)
        return rule not in _OVER and said is not None and (noted is None or noted.n < said.n)

    # --- what is known --------------------------------------------------------------------------

    @cached_property
    def course(self) -> Course:
        """What the reminders need of the entries so far."""
        return course(self.case, self.catalogue)

    @property
    def clotting(self) -> Clotting:
        """Heparin and clotting times."""
        return self.course.clotting

    @cached_property
    def patient(self) -> Patient:
        """What is known of the patient."""
        return self.case.patient()

    @property
    def gp_inhibitor(self) -> bool:
        """Whether a glycoprotein inhibitor was given or is planned."""
        return has_gp_inhibitor(self.course.drugs, self.patient)

    @cached_property
    def contrast_ml(self) -> float:
        """Contrast so far."""
        return float(self.case.contrast_ml() or 0)

    @cached_property
    def exposure(self) -> Exposure:
        """Radiation so far."""
        return exposure_of(self.case)

    @cached_property
    def contrast(self) -> tuple[list[ContrastWarning], list[tuple[float, ContrastWarning]]]:
        """What contrast has come to: against the maximum, and against each step of the ratio."""
        patient = self.patient
        creatinine, _ = creatinine_of(patient, self.limits.plausible)
        if self.case.contrast_ml() is None or creatinine is None or patient.weight_kg is None:
            return [], []
        if patient.dialysis:
            # nothing that is made of creatinine holds
            return [], []
        rules, plausible, weight_kg = self.limits.contrast, self.limits.plausible, float(patient.weight_kg)
        steps: dict[Limit, float] = {}
        try:
            maximum = allowable(weight_kg, creatinine, rules, plausible)
            if patient.age_y is not None and patient.sex is not None:
                per_min = clearance(creatinine, float(patient.age_y), weight_kg, patient.sex, plausible)
                values = [step.value for step in rules.ratio_steps]
                steps = dict(zip(ratio_limits(per_min.clearance_ml_min, rules), values, strict=True))
            total_ml = self.contrast_ml
            return (
                list(warnings(None, total_ml, (maximum,), rules)),
                [(steps[each.limit], each) for each in warnings(None, total_ml, tuple(steps), rules)],
            )
        except UserError:
            return [], []

    @cached_property
    def notices(self) -> dict[str, Notice]:
        """The highest step that is reached of each quantity of radiation."""
        try:
            reached = notices(Exposure(), self.exposure, self.limits.radiation, self.limits.plausible)
        except UserError:
            return {}
        return {notice.quantity: notice for notice in reached}


# --- devices ------------------------------------------------------------------------------------


def _pressure_over_rated(watch: _Watch) -> Iterator[_Cause]:
    for each in watch.course.exceeded:
        values = {
            "pressure_atm": float(each.over.pressure_atm),
            "rated_atm": float(each.over.rated_burst_atm),
        } | _named(each.device)
        yield _Cause(watch.step(each.entry), 0.0, values, f"catalogue: {each.over.source}")


def _inflation_long(watch: _Watch) -> Iterator[_Cause]:
    for life in watch.case.unaccounted():
        if life.inflated:
            up = life.inflations[-1]
            age_s = watch.age_s(up.entry)
            # up.seconds is what was called out as long as nobody said "down"
            values = {"seconds": _whole(age_s)} | _named(life.body)
            yield _Cause(watch.step(up.entry), age_s - (up.seconds or 0.0), values)


def _devices_unaccounted(watch: _Watch) -> Iterator[_Cause]:
    for life in watch.case.unaccounted():
        values = _named(life.body) | {"entry": life.entry.n}
        if life.loose_delivery:
            values["device"] = "delivery balloon"
        yield _Cause(watch.step(life.entry), 0.0, values)


def _named(device: Device) -> dict[str, str | float]:
    named: dict[str, str | float] = {"device": device.device}
    return named if device.type is None else named | {"type": device.type}


# --- contrast -----------------------------------------------------------------------------------


def _contrast_limit(watch: _Watch) -> Iterator[_Cause]:
    for warning in watch.contrast[0]:
        if warning.threshold_ml == 0:
            limit_ml = _whole(warning.limit.limit_ml)
            values: dict[str, str | float] = {
                "limit_ml": limit_ml,
                "total_ml": _whole(watch.contrast_ml),
            }
            yield _Cause(f"{limit_ml}", 0.0, values, warning.source)


def _contrast_ahead(watch: _Watch) -> Iterator[_Cause]:
    for warning in watch.contrast[0]:
        if warning.threshold_ml > 0:
            limit_ml = _whole(warning.limit.limit_ml)
            values: dict[str, str | float] = {"left_ml": _whole(warning.remaining_ml), "limit_ml": limit_ml}
            # the limit is part of the step: another weight or creatinine is a new one
            yield _Cause(f"{limit_ml} less {warning.threshold_ml:g}", 0.0, values, warning.source)


def _ratio_reached(watch: _Watch) -> Iterator[_Cause]:
    reached = [(times, warning) for times, warning in watch.contrast[1] if warning.threshold_ml == 0]
    for times, warning in reached[-1:]:
        values: dict[str, str | float] = {"times": times, "total_ml": _whole(watch.contrast_ml)}
        yield _Cause(_ratio_step(times, warning), 0.0, values, warning.source)


def _ratio_ahead(watch: _Watch) -> Iterator[_Cause]:
    ahead = [(times, warning) for times, warning in watch.contrast[1] if warning.threshold_ml > 0]
    for times, warning in ahead[:1]:
        values: dict[str, str | float] = {"times": times, "left_ml": _whole(warning.remaining_ml)}
        yield _Cause(_ratio_step(times, warning), 0.0, values, warning.source)


def _ratio_step(times: float, warning: ContrastWarning) -> str:
    return f"{times:g} at {_whole(warning.limit.limit_ml)}"


# --- clotting -----------------------------------------------------------------------------------


def _act_below_target(watch: _Watch) -> Iterator[_Cause]:
    readings = watch.clotting.readings
    if not readings or not _plausible(readings[-1], watch.limits.plausible):
        return
    target = act_target(watch.gp_inhibitor, watch.limits.act)
    act_s = _act_s(readings[-1])
    if act_s < target.low_s:
        values: dict[str, str | float] = {"act_s": act_s, "target_s": target.low_s}
        yield _Cause(watch.step(readings[-1]), 0.0, values, target.source)


def _act_due(watch: _Watch) -> Iterator[_Cause]:
    clotting, rules = watch.clotting, watch.limits.act
    if clotting.last is None or not _on_board(watch):
        return
    wait = rules.first_after_bolus if clotting.last is clotting.bolus else rules.interval
    age_s = watch.age_s(clotting.last)
    values: dict[str, str | float] = {"minutes": _whole(age_s / 60)}
    yield _Cause(watch.step(clotting.last), age_s - wait.value * 60, values, wait.cited)


def _act_falling(watch: _Watch) -> Iterator[_Cause]:
    clotting, plausible = watch.clotting, watch.limits.plausible
    if clotting.bolus is None or len(clotting.readings) < 2 or not _on_board(watch):
        return
    if any(cause.since_s >= 0 for cause in _act_due(watch)):
        return  # a clotting time is asked for already
    target = act_target(watch.gp_inhibitor, watch.limits.act)
    baseline = clotting.baseline
    try:
        fall = act_fall(
            [ActReading(-watch.age_s(each) / 60, _act_s(each)) for each in clotting.readings],
            -watch.age_s(clotting.bolus) / 60,
            target.low_s,
            watch.limits.act,
            plausible,
            baseline_s=None if baseline is None else _act_s(baseline),
            heparin_infusion=clotting.running is not None,
        )
    except UserError:
        return
    if isinstance(fall, ActFall):
        ahead_s = watch.limits.reminders.falling_ahead.value * 60 - fall.at_min * 60
        values: dict[str, str | float] = {
            "minutes": _whole(fall.at_min),
            "earliest_minutes": _whole(fall.earliest_min),
            "target_s": target.low_s,
        }
        if fall.latest_min is not None:
            values["latest_minutes"] = _whole(fall.latest_min)
        if ahead_s >= 0:
            yield _Cause(watch.step(clotting.readings[-1]), ahead_s, values, fall.source)


def _on_board(watch: _Watch) -> bool:
    clotting, hours = watch.clotting, watch.limits.reminders.act_watch.value
    recent = clotting.bolus is not None and watch.age_s(clotting.bolus) <= hours * 3600
    return recent or clotting.running is not None


def _bolus_window(watch: _Watch) -> Iterator[_Cause]:
    entry = watch.course.first_heparin
    if entry is None or watch.patient.weight_kg is None:
        return
    assert isinstance(entry.body, Drug)
    weight_kg, plausible = float(watch.patient.weight_kg), watch.limits.plausible
    dose_u = heparin_u(entry.body, weight_kg)
    assert dose_u is not None
    try:
        checked = bolus_check(dose_u, weight_kg, watch.gp_inhibitor, watch.limits.heparin, plausible)
    except UserError:
        return
    if checked.verdict != "within":
        values: dict[str, str | float] = {
            "u_per_kg": round(checked.u_per_kg),
            "low_u_per_kg": round(checked.low_u / weight_kg),
            "high_u_per_kg": round(checked.high_u / weight_kg),
        }
        yield _Cause(watch.step(entry), 0.0, values, checked.source)


def _antiplatelet_missing(watch: _Watch) -> Iterator[_Cause]:
    first = watch.course.first_stent
    if first is not None and not is_loaded(watch.course.drugs, watch.patient):
        yield _Cause(watch.step(first), watch.age_s(first))


def _plausible(entry: Entry, plausible: Plausible) -> bool:
    return plausible.act.low <= _act_s(entry) <= plausible.act.high


def _act_s(entry: Entry) -> float:
    assert isinstance(entry.body, Act)
    return float(entry.body.act_s)


# --- radiation ----------------------------------------------------------------------------------


def _notice(quantity: str, reading: str, level: str) -> Callable[[_Watch], Iterator[_Cause]]:
    def causes(watch: _Watch) -> Iterator[_Cause]:
        notice = watch.notices.get(quantity)
        if notice is not None:
            values: dict[str, str | float] = {reading: notice.reading, level: notice.level}
            yield _Cause(f"{notice.level:g}", 0.0, values, notice.source)

    return causes


def _dose_substantial(watch: _Watch) -> Iterator[_Cause]:
    try:
        reached = substantial(watch.exposure, watch.limits.radiation, watch.limits.plausible)
    except UserError:
        return
    if reached:
        yield _Cause("", 0.0, {}, "; ".join(dict.fromkeys(notice.source for notice in reached)))


# --- what the record lacks ----------------------------------------------------------------------


def _guide_out_missing(watch: _Watch) -> Iterator[_Cause]:
    out = watch.course.guide_told
    if out is None or any(life.body.device == "guide" for life in watch.case.unaccounted()):
        return
    yield from _missing(watch.step(out), watch.age_s(out), watch, leaving_out={"case_end"})


def _case_end_missing(watch: _Watch) -> Iterator[_Cause]:
    ended = watch.case.latest(CaseEnd)
    named = watch.limits.reminders.devices_unaccounted.on
    if ended is not None:
        leaving_out = {"devices"} if named else set()
        yield from _missing(watch.step(ended), watch.age_s(ended), watch, leaving_out)


def _missing(step: str, since_s: float, watch: _Watch, leaving_out: Iterable[str]) -> Iterator[_Cause]:
    missing = [key for key in watch.case.missing() if key not in leaving_out]
    if missing:
        yield _Cause(step, since_s, {"missing": " ".join(missing)})


# --- all together -------------------------------------------------------------------------------

_RULES: dict[str, tuple[Callable[[_Watch], Iterator[_Cause]], bool]] = {
    "pressure_over_rated": (_pressure_over_rated, False),
    "inflation_long": (_inflation_long, False),
    "devices_unaccounted": (_devices_unaccounted, True),
    "contrast_limit": (_contrast_limit, False),
    "act_below_target": (_act_below_target, False),
    "act_due": (_act_due, False),
    "act_falling": (_act_falling, False),
    "antiplatelet_missing": (_antiplatelet_missing, False),
    "bolus_window": (_bolus_window, False),
    "contrast_ahead": (_contrast_ahead, False),
    "ratio_reached": (_ratio_reached, False),
    "ratio_ahead": (_ratio_ahead, False),
    "dose_substantial": (_dose_substantial, False),
    "air_kerma_notice": (_notice("air kerma", "air_kerma_gy", "level_gy"), False),
    "dose_area_notice": (_notice("dose-area product", "dose_area_gy_cm2", "level_gy_cm2"), False),
    "fluoroscopy_notice": (_notice("fluoroscopy", "fluoroscopy_min", "level_min"), False),
    "guide_out_missing": (_guide_out_missing, False),
    "case_end_missing": (_case_end_missing, True),
}

_OVER = frozenset(("pressure_over_rated", "bolus_window"))
"""Rules about something that happened, and that nobody can still do anything about once it was said."""

RULES: tuple[str, ...] = tuple(_RULES)
"""Every rule, in the order of importance; the phrasebook has words for each."""
"""Every rule in the order of importance, with whether it speaks after the end of the case."""


def _whole(value: float) -> int:
    """Return full units, never more than there are."""
    return int(max(0.0, min(LONGEST_S, value)))
