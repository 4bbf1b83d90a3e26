"""The clock of a cardiac arrest: what is due at a moment, by a regime and by what is on record.

Pure functions of the entries: shocks, drugs, compressions, rhythms and the return of circulation.
What is due is advice for licensed staff, never an order.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Literal

from checkback.guiding.conditions import Scene
from checkback.guiding.regimes import Regime
from checkback.record.case import Case
from checkback.record.entry import CirculationReturned, Compressions, Drug, Entry, Moment, Rhythm, Shock

SHOCKABLE = frozenset(("ventricular fibrillation", "ventricular tachycardia"))
ARREST_RHYTHMS = frozenset(("ventricular fibrillation", "pulseless electrical activity", "asystole"))
"""Rhythms with which an arrest begins; a ventricular tachycardia may have a pulse."""

_TO_MG = {"mg": Decimal(1), "ug": Decimal("0.001"), "g": Decimal(1000)}

COUNTS_FROM = Decimal("0.5")
"""A smaller part of the full dose of epinephrine is no dose of the arrest: a setting of this program."""

LOOK_BACK_S = 120.0
"""A ventricular tachycardia so shortly before the compressions was the arrest: a setting of this program."""

What = Literal[
    "shock", "compressions", "pulse check", "rhythm check", "epinephrine", "amiodarone", "lidocaine"
]


RULES = (
    "arrest_shock", "arrest_shock_if_no_pulse", "arrest_compressions", "arrest_pause", "arrest_pulse_check", "arrest_rhythm_check",
    "arrest_epinephrine", "arrest_epinephrine_again", "arrest_antiarrhythmic",
)  # fmt: skip
"""Everything that the clock can call due."""


@dataclass(frozen=True)
class Due:
    """Something that is due, or will be.

    Attributes
    ----------
    what : str
    since_s : float
        From when on, s since the arrest began; it lies ahead if it is not due yet.
    until_s : float or None
        The latest, where the regime gives one.
    text : str
        In words, with dose.
    sources : tuple of str
        Names of sources of the regimes' file.
    rule : str
        One of `RULES`: under which the phrasebook has words for the voice.
    values : mapping of str to str or float
        What is filled into those words.
    """

    what: What
    since_s: float
    until_s: float | None
    text: str
    sources: tuple[str, ...]
    rule: str
    values: Mapping[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True)
class Arrest:
    """An arrest at one moment.

    Attributes
    ----------
    began : Entry
    ended : Entry or None
        The return of circulation.
    elapsed_s : float
        Since it began; to its end, if it ended.
    rhythm : Entry or None
        The last rhythm called out in it.
    shocks, epinephrine, antiarrhythmics : tuple of Entry
        Given in this arrest, in order; antiarrhythmics since the first arrest of the case.
    small_epinephrine : tuple of Entry
        Smaller amounts, which are not counted.
    compressing : bool
    hands_on_s : float
        Time with compressions.
    paused_s : float or None
        How long they have been paused; None while they go on, or before they began.
    cycle_s : float or None
        How long the present cycle has gone on.
    epinephrine_before_s : float or None
        When the last full dose before this arrest was given, s since it began (so below zero).
    due : tuple of Due
        What is due now, in the order of urgency; nothing after the return of circulation.
    ahead : tuple of Due
        What comes next, the soonest first.
    """

    began: Entry
    ended: Entry | None
    elapsed_s: float
    rhythm: Entry | None
    shocks: tuple[Entry, ...]
    epinephrine: tuple[Entry, ...]
    small_epinephrine: tuple[Entry, ...]
    antiarrhythmics: tuple[Entry, ...]
    compressing: bool
    hands_on_s: float
    paused_s: float | None
    cycle_s: float | None
    epinephrine_before_s: float | None = None
    due: tuple[Due, ...] = ()
    ahead: tuple[Due, ...] = ()

    @property
    def shockable(self) -> bool:
        """Whether the last rhythm can be shocked; unknown is no."""
        return self.rhythm is not None and _rhythm(self.rhythm) in SHOCKABLE


def arrest(case: Case, regime: Regime, at: Moment, session: int) -> Arrest | None:
    """Return the last arrest of a case as it stands at a moment, or None if there was none.

    Parameters
    ----------
    case : Case
    regime : Regime
    at : Moment
        The present moment; what is on record for later is not looked at.
    session : int
        The session whose clock `at` was read from.

    Notes
    -----
    An arrest begins with ventricular fibrillation, pulseless electrical activity, asystole or
    compressions (then with the ventricular tachycardia that was called out shortly before), and
    ends with the return of circulation.  While the last rhythm called out is one that may have a
    pulse, no drug is due but a look for the pulse.  Shocks are counted anew in each arrest.
    Doses of amiodarone and lidocaine go on counting from the first arrest of the case, so that a
    second arrest does not begin with a full first dose again, and a full dose of epinephrine before the
    arrest holds the first one back like any other (settings of this program).
    """
    scene = Scene(case, at, session)
    aged = [(entry, scene.age_s(entry)) for entry in scene.entries]
    timed = [(entry, age) for entry, age in aged if age > 0 or entry.at.wall <= at.wall]
    if not (arrests := _arrests(timed)):
        return None
    first, last = arrests[0], arrests[-1]
    began_age = last[0][1]
    course = [(entry, round(began_age - age, 3)) for entry, age in last]
    ended = course[-1] if isinstance(course[-1][0].body, CirculationReturned) else None
    now_s = ended[1] if ended else began_age
    since_first = [entry for entry, age in timed if age <= first[0][1]]
    state = _state(course, now_s, regime, since_first)
    before = [
        round(began_age - age, 3)
        for entry, age in timed
        if age > began_age and _is_drug(entry, "epinephrine") and _counts(entry, regime)
    ]
    state = replace(state, epinephrine_before_s=before[-1] if before else None)
    if ended is not None:
        return replace(state, ended=ended[0])
    due = list(_due(state, course, regime))
    return replace(
        state,
        due=tuple(each for each in due if each.since_s <= now_s),
        ahead=tuple(sorted((d for d in due if d.since_s > now_s), key=lambda each: each.since_s)),
    )


Timed = list[tuple[Entry, float]]


def _arrests(timed: Timed) -> list[Timed]:
    """Return the entries of each arrest, in order, the return of circulation included."""
    found: list[Timed] = []
    running = False
    before: Timed = []  # since a tachycardia that nobody has called an arrest yet
    for entry, age in timed:
        if isinstance(entry.body, (Rhythm, CirculationReturned)):
            before = []
        if not running and _begins(entry):
            recent = isinstance(entry.body, Compressions) and before and before[0][1] - age <= LOOK_BACK_S
            found.append(before if recent else [])
            running = True
        elif before or _is_tachycardia(entry):
            before = [*before, (entry, age)]
        if running:
            found[-1].append((entry, age))
            running = not isinstance(entry.body, CirculationReturned)
    return found


def _begins(entry: Entry) -> bool:
    body = entry.body
    if isinstance(body, Rhythm):
        return body.rhythm in ARREST_RHYTHMS
    return isinstance(body, Compressions) and body.action == "started"


def _is_tachycardia(entry: Entry) -> bool:
    return isinstance(entry.body, Rhythm) and entry.body.rhythm == "ventricular tachycardia"


def _state(course: Timed, now_s: float, regime: Regime, since_first: Iterable[Entry]) -> Arrest:
    epinephrine = [entry for entry, _ in course if _is_drug(entry, "epinephrine")]
    full = [entry for entry in epinephrine if _counts(entry, regime)]
    hands_on_s, compressing, changed_s = 0.0, False, None
    for entry, at_s in course:
        body = entry.body
        if not isinstance(body, Compressions) or compressing == (body.action == "started"):
            continue
        if compressing and changed_s is not None:
            hands_on_s += at_s - changed_s
        compressing, changed_s = body.action == "started", at_s
    since_change_s = None if changed_s is None else round(now_s - changed_s, 3)
    if compressing and since_change_s is not None:
        hands_on_s += since_change_s
    cycle_began_s = _cycle_began(course)
    return Arrest(
        began=course[0][0],
        ended=None,
        elapsed_s=now_s,
        rhythm=next((entry for entry, _ in reversed(course) if isinstance(entry.body, Rhythm)), None),
        shocks=tuple(entry for entry, _ in course if isinstance(entry.body, Shock)),
        epinephrine=tuple(full),
        small_epinephrine=tuple(entry for entry in epinephrine if entry not in full),
        antiarrhythmics=tuple(e for e in since_first if _is_drug(e, "amiodarone", "lidocaine")),
        compressing=compressing,
        hands_on_s=round(hands_on_s, 3),
        paused_s=None if compressing else since_change_s,
        cycle_s=None if cycle_began_s is None else round(now_s - cycle_began_s, 3),
    )


def _cycle_began(course: Timed) -> float | None:
    """Return when the present cycle began: with the compressions after the last look or shock.

    Compressions that stop and go on again, with neither in between, do not begin it anew.
    """
    compressing = False
    began: float | None = None
    for entry, at_s in course:
        body = entry.body
        if isinstance(body, (Rhythm, Shock)):
            began = at_s if compressing else None
        elif isinstance(body, Compressions):
            compressing = body.action == "started"
            if compressing and began is None:
                began = at_s
    return began


def _due(state: Arrest, course: Timed, regime: Regime) -> Iterable[Due]:
    at_s = {entry.n: seconds for entry, seconds in course}
    yield from _shock(state, course, regime)
    yield from _compressions(state, regime)
    if state.rhythm is not None and _rhythm(state.rhythm) not in ARREST_RHYTHMS | SHOCKABLE:
        # nobody knows whether there is a pulse with it, and a full dose for a beating heart is harmful
        text = "feel for a pulse: say return of circulation, or the rhythm of the arrest"
        yield Due("pulse check", at_s[state.rhythm.n], None, text, regime.sources, "arrest_pulse_check")
        return
    if state.cycle_s is not None:
        since_s = round(state.elapsed_s - state.cycle_s + float(regime.cycle_s), 3)
        text = f"look at the rhythm, {_spell(float(regime.cycle_s))} of compressions are over"
        minutes = {"cycle_min": float(regime.cycle_s) / 60}
        yield Due("rhythm check", since_s, None, text, regime.sources, "arrest_rhythm_check", minutes)
    yield from _epinephrine(state, at_s, regime)
    yield from _antiarrhythmic(state, at_s, regime)


def _compressions(state: Arrest, regime: Regime) -> Iterable[Due]:
    if state.compressing:
        return
    if state.paused_s is None:
        yield Due("compressions", 0.0, None, "start compressions", regime.sources, "arrest_compressions")
        return
    since_s = round(state.elapsed_s - state.paused_s + float(regime.pause_s), 3)
    text = f"compressions: the pause is longer than {_spell(float(regime.pause_s))}"
    pause = {"pause_s": float(regime.pause_s)}
    yield Due("compressions", since_s, None, text, regime.sources, "arrest_pause", pause)


def _shock(state: Arrest, course: Timed, regime: Regime) -> Iterable[Due]:
    if state.rhythm is None or not state.shockable:
        return
    place = [entry.n for entry, _ in course].index(state.rhythm.n)
    if any(isinstance(entry.body, Shock) for entry, _ in course[place + 1 :]):
        return
    text = f"shock {len(state.shocks) + 1}, {regime.shock_j}"
    values: dict[str, str | float] = {"shock": len(state.shocks) + 1, "energy": regime.shock_j}
    rule = "arrest_shock"
    if _is_tachycardia(state.rhythm):
        # it may have a pulse
        rule, text = "arrest_shock_if_no_pulse", f"if there is no pulse: {text}"
    yield Due("shock", course[place][1], None, text, regime.sources, rule, values)


def _epinephrine(state: Arrest, at_s: dict[int, float], regime: Regime) -> Iterable[Due]:
    rule = regime.epinephrine
    text = f"epinephrine {rule.dose_mg} mg"
    if state.epinephrine:
        last_s = at_s[state.epinephrine[-1].n]
        since_s, until_s = last_s + 60 * float(rule.least_min), last_s + 60 * float(rule.most_min)
        again = f"{text} again, {rule.least_min} to {rule.most_min} minutes after the last"
        values: dict[str, str | float] = {
            "dose_mg": float(rule.dose_mg),
            "least_min": float(rule.least_min),
            "most_min": float(rule.most_min),
        }
        yield Due(
            "epinephrine", round(since_s, 3), round(until_s, 3), again, rule.sources,
            "arrest_epinephrine_again", values,
        )  # fmt: skip
        return
    if state.rhythm is None:
        return
    dose: dict[str, str | float] = {"dose_mg": float(rule.dose_mg)}
    given_s = state.epinephrine_before_s
    earliest_s = -math.inf if given_s is None else given_s + 60 * float(rule.least_min)
    if not state.shockable:
        since_s = round(max(at_s[state.rhythm.n], earliest_s), 3)
        yield Due(
            "epinephrine", since_s, None, f"{text}, the first", rule.sources, "arrest_epinephrine", dose
        )
        return
    counted = _counted_shocks(state.shocks, at_s, float(regime.stack_s))
    if len(counted) >= rule.after_shock:
        since_s = round(max(at_s[counted[rule.after_shock - 1].n], earliest_s), 3)
        yield Due(
            "epinephrine", since_s, None, f"{text}, the first", rule.sources, "arrest_epinephrine", dose
        )


def _counted_shocks(shocks: tuple[Entry, ...], at_s: dict[int, float], stack_s: float) -> list[Entry]:
    """Return the shocks that count for epinephrine: those stacked at the beginning are one, the last."""
    stacked = 1
    while stacked < min(3, len(shocks)) and at_s[shocks[stacked].n] - at_s[shocks[stacked - 1].n] <= stack_s:
        stacked += 1
    return list(shocks[stacked - 1 :])


def _antiarrhythmic(state: Arrest, at_s: dict[int, float], regime: Regime) -> Iterable[Due]:
    if not state.shockable:
        return
    given = state.antiarrhythmics
    # the drug that was begun with is gone on with: never both
    begun = {_drug(entry) for entry in given}
    for rule in regime.antiarrhythmics:
        place = sum(_drug(entry) == rule.drug for entry in given)
        if (begun and begun != {rule.drug}) or place >= len(rule.doses):
            continue
        after = rule.after_shocks[place]
        if len(state.shocks) >= after:
            since_s = at_s[state.shocks[after - 1].n]
            text = f"{rule.drug} {rule.doses[place]}, after shock {after}"
            if not begun and len(regime.antiarrhythmics) > 1:
                text += "; one antiarrhythmic, never both"
            values: dict[str, str | float] = {
                "drug": rule.drug,
                "dose": rule.doses[place],
                "shock": after,
            }
            yield Due(rule.drug, since_s, None, text, rule.sources, "arrest_antiarrhythmic", values)


def _rhythm(entry: Entry) -> str:
    assert isinstance(entry.body, Rhythm)
    return entry.body.rhythm


def _is_drug(entry: Entry, *names: str) -> bool:
    return isinstance(entry.body, Drug) and entry.body.drug in names and entry.body.dose > 0


def _drug(entry: Entry) -> str:
    assert isinstance(entry.body, Drug)
    return entry.body.drug


def _counts(entry: Entry, regime: Regime) -> bool:
    body = entry.body
    assert isinstance(body, Drug)
    if body.unit not in _TO_MG or body.route in ("intramuscular", "subcutaneous", "inhaled"):
        return False
    return body.dose * _TO_MG[body.unit] >= COUNTS_FROM * regime.epinephrine.dose_mg


def _spell(seconds: float) -> str:
    return f"{seconds / 60:g} min" if seconds >= 60 else f"{seconds:g} s"
