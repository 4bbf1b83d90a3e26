"""What stands on the timeline of a case: a pure function of the entries in force.

How it is drawn is decided in `checkback.reporting.timeline_figure`.  All times are minutes from
`Timeline.zero`, by the clock that is never set wherever the case has it.  What was withdrawn or
amended is not there; what is still questioned stands only in `Timeline.unsettled`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal

from checkback.record.case import LONGEST_STEP_S, Case
from checkback.record.devices import IMPLANTS, DeviceLife
from checkback.record.entry import (
    Act,
    Alternative,
    BloodPressure,
    ClockStep,
    Closure,
    Compressions,
    Contrast,
    Deployment,
    Device,
    DeviceEvent,
    Dissection,
    Drug,
    Entry,
    HeartRate,
    Inflation,
    Infusion,
    NoReflow,
    Pain,
    Perforation,
    Rhythm,
    Saturation,
    Shock,
    SlowFlow,
)
from checkback.reporting.cited import open_entries
from checkback.reporting.computed import NOTHING, Computed, Figured
from checkback.reporting.short_words import ROUTES, device, number, pressures, rate, trouble, unit
from checkback.reporting.timeline_items import (
    Bar,
    Group,
    Limit,
    Moment,
    Reading,
    Row,
    Stretch,
    Timeline,
    Up,
    Window,
)

GROUPS: dict[str, Group] = {
    "guide": "catheter",
    "diagnostic catheter": "catheter",
    "guide extension": "catheter",
    "microcatheter": "catheter",
    "wire": "wire",
    "pressure wire": "wire",
    "balloon": "balloon",
    "burr": "plaque",
    "crown": "plaque",
    "laser catheter": "plaque",
    "stent": "implant",
    "coil": "implant",
}
"""What a class of device is drawn as; all others as "other"."""

TROUBLE = ("stuck", "ruptured", "off its balloon", "crushed")
"""What happens to a device and stands among the complications."""

GRAVE_RHYTHMS = (
    "complete heart block",
    "ventricular tachycardia",
    "ventricular fibrillation",
    "pulseless electrical activity",
    "asystole",
)

_NO_EVENT = frozenset(
    "session imported clock_step patient advice card_step left_open noted stand_by signature dictation withdrawal unclear mark".split()
)  # nothing that happened to the patient
_ENDS = ("out", "retrieved", "crushed", "left in place")
_LONGEST_WORDS = 44


def timeline(case: Case, computed: Computed = NOTHING) -> Timeline:
    """Return what stands on the timeline of a case.

    Parameters
    ----------
    case : Case
        Finished or not; it may be empty.
    computed : Computed
        For the target of the clotting time and the limits of contrast.
    """
    standing = case.in_force()
    happened = [e for e in standing if e.body.kind not in _NO_EVENT]
    questions = open_entries(case)
    known = happened or sorted(questions, key=lambda e: (e.at.wall, e.n))
    zero = known[0] if known else None

    def at_min(entry: Entry) -> float:
        if zero is None:
            return 0.0
        seconds = case.seconds_between(zero, entry)
        # nothing in a case is further away; a damaged figure must not stretch the axis without end
        return round(min(seconds, LONGEST_STEP_S) / 60, 4) if math.isfinite(seconds) else 0.0

    lives = case.devices()
    ups = [inflated for life in lives for inflated in life.inflations]
    ends = [at_min(e) for e in (*happened, *questions)]
    ends += [at_min(up.entry) + _lasted(up.seconds) for up in ups]
    end_min = max(ends, default=0.0)
    of_device = {e.n: life for life in lives for e in (life.entry, *life.happenings)}
    return Timeline(
        zero=None if zero is None else zero.at.wall,
        end_min=end_min,
        ended=any(e.body.kind == "case_end" for e in standing),
        key_times=tuple(_key_times(happened, at_min)),
        complications=tuple(_complications(happened, of_device, at_min)),
        rhythm=tuple(_rhythm(happened, at_min)),
        compressions=tuple(_compressions(happened, at_min)),
        bars=tuple(_bar(life, at_min, end_min) for life in lives),
        drugs=tuple(_drugs(happened, at_min)),
        acts=tuple(
            Reading(at_min(e), float(e.body.act_s), (e.n,)) for e in happened if isinstance(e.body, Act)
        ),
        act_target=_target(computed),
        contrast=tuple(_contrast(happened, at_min)),
        contrast_limits=tuple(_contrast_limits(computed)),
        pressures=tuple(
            Reading(
                at_min(e),
                float(e.body.systolic_mmhg),
                (e.n,),
                None if e.body.diastolic_mmhg is None else float(e.body.diastolic_mmhg),
            )
            for e in happened
            if isinstance(e.body, BloodPressure)
        ),
        rates=tuple(
            Reading(at_min(e), float(e.body.rate_per_min), (e.n,))
            for e in happened
            if isinstance(e.body, HeartRate)
        ),
        signs=tuple(_signs(happened, at_min)),
        unsettled=tuple(Moment(at_min(e), question_words(e), (e.n,)) for e in questions),
        clock_steps=tuple(
            Moment(at_min(e), f"clock set by {number(Decimal(repr(e.body.step_s)))} s", (e.n,))
            for e in standing
            if isinstance(e.body, ClockStep)
        ),
    )


def _lasted(seconds: float | None) -> float:
    """Return a length of time in minutes; what is longer than any case is a damaged figure."""
    return 0.0 if seconds is None or not math.isfinite(seconds) else min(seconds, LONGEST_STEP_S) / 60


def question_words(entry: Entry) -> str:
    """Return in a few words what is not settled: the words heard, cut where they are long."""
    words = " ".join("".join(c if c.isprintable() else " " for c in entry.words).split())
    if entry.body.kind == "mark":
        return "moment marked"
    words = words or entry.question or _alternatives(entry.alternatives) or "not understood"
    return words if len(words) <= _LONGEST_WORDS else f"{words[: _LONGEST_WORDS - 1].rstrip()}…"


def _alternatives(alternatives: Iterable[Alternative]) -> str:
    return " / ".join(each.words for each in alternatives if each.words)


# --- key times, complications, rhythm -------------------------------------------------------------


def opens_treatment(entry: Entry) -> bool:
    """Return whether a balloon went up, a stent was deployed, or a device was run or aspirated."""
    body = entry.body
    if isinstance(body, Device):
        return body.device == "aspiration catheter" or body.pressure_atm is not None or bool(body.deployed)
    if isinstance(body, DeviceEvent):
        return body.happening == "run"
    return isinstance(body, (Inflation, Deployment))


def _key_times(happened: list[Entry], at_min: Callable[[Entry], float]) -> Iterator[Moment]:
    first_treatment = next((e for e in happened if opens_treatment(e)), None)
    first: set[str] = set()
    for e in happened:
        kind = e.body.kind
        words = {"case_start": "start", "time_out": "time-out", "access": "access", "case_end": "end"}.get(
            kind
        )
        if isinstance(e.body, Closure):
            words = "sheath left in" if e.body.method == "sheath left in" else "closure"
        if e is first_treatment:
            words = "first treatment"
        # a second access or closure is a key time too; a second start is the program's business
        if words and not (kind in ("case_start", "case_end") and kind in first):
            first.add(kind)
            yield Moment(at_min(e), words, (e.n,))


def _complications(
    happened: list[Entry], of_device: dict[int, DeviceLife], at_min: Callable[[Entry], float]
) -> Iterator[Moment]:
    for e in happened:
        words = complication_words(e, of_device.get(e.n))
        if words:
            life = of_device.get(e.n)
            cites = (e.n,) if life is None else tuple(sorted({life.entry.n, e.n}))
            yield Moment(at_min(e), words, cites, grave=True)


def complication_words(entry: Entry, life: DeviceLife | None) -> str:
    """Return what went wrong with this entry, in a few words; empty if nothing did."""
    body = entry.body
    where = (
        f", {body.segment}"
        if isinstance(body, (Dissection, Perforation, NoReflow, SlowFlow)) and body.segment
        else ""
    )
    if isinstance(body, Dissection):
        return f"dissection{f' type {body.type}' if body.type else ''}{where}"
    if isinstance(body, Perforation):
        if body.type == "distal wire":
            return f"distal wire perforation{where}"
        return f"perforation{f' Ellis {body.type}' if body.type else ''}{where}"
    if isinstance(body, (NoReflow, SlowFlow)):
        return f"{'no reflow' if isinstance(body, NoReflow) else 'slow flow'}{where}"
    if isinstance(body, DeviceEvent) and body.happening in TROUBLE:
        named = (
            device(life.body)
            if life is not None
            else " ".join(filter(None, (body.type, body.device or "device")))
        )
        return f"{named} {body.happening}"
    return ""


def _rhythm(happened: list[Entry], at_min: Callable[[Entry], float]) -> Iterator[Moment]:
    for e in happened:
        if isinstance(e.body, Rhythm):
            yield Moment(at_min(e), e.body.rhythm, (e.n,), grave=e.body.rhythm in GRAVE_RHYTHMS)
        elif isinstance(e.body, Shock):
            yield Moment(at_min(e), f"shock {number(e.body.energy_j)} J", (e.n,), grave=True)
        elif e.body.kind == "circulation_returned":
            yield Moment(at_min(e), "circulation returned", (e.n,), grave=True)


def _compressions(happened: list[Entry], at_min: Callable[[Entry], float]) -> Iterator[Stretch]:
    began: Entry | None = None
    for e in happened:
        if not isinstance(e.body, Compressions):
            continue
        if e.body.action == "started" and began is None:
            began = e
        elif e.body.action == "stopped" and began is not None:
            yield Stretch(at_min(began), at_min(e), "compressions", (began.n, e.n))
            began = None
        elif e.body.action == "stopped":
            yield Stretch(at_min(e), at_min(e), "compressions stopped", (e.n,))
    if began is not None:
        yield Stretch(at_min(began), None, "compressions", (began.n,))


# --- devices --------------------------------------------------------------------------------------


def _bar(life: DeviceLife, at_min: Callable[[Entry], float], end_min: float) -> Bar:
    events = [(e, e.body) for e in life.happenings if isinstance(e.body, DeviceEvent)]
    ended = [e for e, body in events if body.happening in _ENDS and body.happening == life.fate]
    begin = at_min(life.entry)
    stays_from: float | None = None
    if life.fate == "implanted":
        stays_from = at_min(deployment(life))
    elif life.fate in ("crushed", "left in place"):
        stays_from = at_min(ended[-1]) if ended else begin
    end = at_min(ended[-1]) if ended and life.fate in ("out", "retrieved") else end_min
    return Bar(
        number=life.number,
        group=GROUPS.get(life.body.device, "other"),
        begin_min=begin,
        end_min=max(begin, end),
        stays_from_min=stays_from,
        fate=life.fate,
        ups=tuple(
            Up(
                at_min(up.entry),
                None if up.seconds is None else at_min(up.entry) + _lasted(up.seconds),
                None if up.pressure_atm is None else float(up.pressure_atm),
                up.deploys,
                (up.entry.n,),
            )
            for up in life.inflations
        ),
        runs=tuple(at_min(e) for e, body in events if body.happening == "run"),
        failures=tuple(at_min(e) for e, body in events if body.happening == "not across"),
        troubles=tuple(at_min(e) for e, body in events if body.happening in TROUBLE),
        text=_bar_text(life),
        cites=tuple(sorted({life.entry.n, *(e.n for e in life.happenings)})),
    )


def deployment(life: DeviceLife) -> Entry:
    """Return the entry that made a device an implant: its deployment, or the one with which it went in."""
    return next((up.entry for up in life.inflations if up.deploys), life.entry)


def _bar_text(life: DeviceLife) -> str:
    runs = f"run {life.runs} times" if life.runs > 1 else "run once" if life.runs else ""
    fate = {
        "implanted": "" if life.body.device in IMPLANTS else "stays",
        "crushed": "crushed, stays",
        "left in place": "left in place",
        "retrieved": "retrieved",
        "in": "not said to be out",
    }.get(life.fate, "")
    name = device(life.body).removesuffix(" mm")
    said = [pressures(life.inflations), runs, *trouble(life), fate]
    return ", ".join(part for part in (name, *said) if part)


# --- drugs ----------------------------------------------------------------------------------------


def _drugs(happened: list[Entry], at_min: Callable[[Entry], float]) -> Iterator[Row]:
    """Yield a row for each drug, route and unit, in the order in which they were first given."""
    doses: dict[tuple[str, str], list[Moment]] = {}
    rates: dict[tuple[str, str], list[Entry]] = {}
    for e in happened:
        if isinstance(e.body, Drug):
            route = ROUTES.get(e.body.route or "", "")
            key = (e.body.drug, " ".join(filter(None, (unit(e.body.unit), route))))
            doses.setdefault(key, []).append(Moment(at_min(e), number(e.body.dose), (e.n,)))
        elif isinstance(e.body, Infusion):
            key = (e.body.drug, "infusion")
            doses.setdefault(key, [])
            rates.setdefault(key, []).append(e)
    for key, given in doses.items():
        yield Row(key[0], key[1], tuple(given), tuple(_stretches(rates.get(key, []), at_min)))


def _stretches(told: list[Entry], at_min: Callable[[Entry], float]) -> Iterator[Stretch]:
    """Yield the times at one rate; a stop that follows no start is a stretch of no length."""
    running: Entry | None = None
    for e in told:
        assert isinstance(e.body, Infusion)
        if running is not None:
            assert isinstance(running.body, Infusion)
            yield Stretch(at_min(running), at_min(e), rate(running.body), (running.n, e.n))
        elif e.body.action == "stopped":
            yield Stretch(at_min(e), at_min(e), "stopped", (e.n,))
        running = None if e.body.action == "stopped" else e
    if running is not None:
        assert isinstance(running.body, Infusion)
        yield Stretch(at_min(running), None, rate(running.body), (running.n,))


def _signs(happened: list[Entry], at_min: Callable[[Entry], float]) -> Iterator[Row]:
    saturation = [
        Moment(at_min(e), number(e.body.saturation_percent), (e.n,))
        for e in happened
        if isinstance(e.body, Saturation)
    ]
    pain = [
        Moment(at_min(e), number(e.body.pain_of_ten), (e.n,)) for e in happened if isinstance(e.body, Pain)
    ]
    for name, measure, moments in (("oxygen saturation", "%", saturation), ("chest pain", "of 10", pain)):
        if moments:
            yield Row(name, measure, tuple(moments), adds_up=False)


# --- clotting and contrast ------------------------------------------------------------------------


def _target(computed: Computed) -> Window | None:
    found = computed.find("clotting", "ACT target")
    if found is None or found.low is None or found.high is None:
        return None
    return Window(found.low, found.high, found.text, found.source)


def _contrast(happened: list[Entry], at_min: Callable[[Entry], float]) -> Iterator[Reading]:
    """Yield the contrast so far after each call-out, as `Case.contrast_ml` adds it up."""
    total = Decimal(0)
    told: list[int] = []
    for e in happened:
        if isinstance(e.body, Contrast):
            if e.body.counted == "total":
                total, told = e.body.volume_ml, [e.n]
            else:
                total += e.body.volume_ml
                told.append(e.n)
            yield Reading(at_min(e), float(total), tuple(told))


def _contrast_limits(computed: Computed) -> Iterator[Limit]:
    allowed = computed.find("contrast", "maximum allowable")
    if allowed is not None and allowed.value is not None:
        yield Limit("maximum allowable", allowed.value, allowed.source)
    given = computed.find("contrast", "given")
    reached = computed.find("contrast", "step reached")
    if reached is not None and reached.value is not None:
        yield Limit(_step_name(reached), reached.value, reached.source)
    ahead = computed.find("contrast", "to the next step")
    if ahead is not None and ahead.value is not None and given is not None and given.value is not None:
        yield Limit(_step_name(ahead), given.value + ahead.value, ahead.source)


def _step_name(figure: Figured) -> str:
    """Return the name in "two times the clearance (102 mL)" and "13 mL to three times … (153 mL)"."""
    words = figure.text.rpartition(" (")[0] or figure.text
    return words.partition(" mL to ")[2] or words
