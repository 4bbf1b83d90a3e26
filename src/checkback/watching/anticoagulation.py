"""Clotting: heparin given and left, clotting times and when they fall, doses by weight and kidney."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist, fmean
from typing import Literal

from checkback.errors import UserError
from checkback.watching.limits import (
    ActRules,
    BivalirudinRules,
    CangrelorRules,
    EptifibatideRules,
    HalfLife,
    HeparinRules,
    Plausible,
    ProtamineRules,
    Rule,
    TirofibanRules,
    Value,
    check,
)
from checkback.watching.renal import check_weight


@dataclass(frozen=True)
class Bolus:
    """A bolus of heparin.

    Attributes
    ----------
    at_min : float
        When, in minutes on any clock that is never set.
    dose_u : float
        Units.
    """

    at_min: float
    dose_u: float


@dataclass(frozen=True)
class HeparinTotal:
    """Heparin given so far.

    Attributes
    ----------
    total_u, total_u_per_kg : float
        Units, and units per kg.
    source : str
        "the entries": a sum has no other.
    """

    total_u: float
    total_u_per_kg: float
    source: str


@dataclass(frozen=True)
class BolusCheck:
    """One bolus against its window.

    Attributes
    ----------
    u_per_kg : float
        The bolus per kg.
    low_u, high_u : float
        The window for this weight, both ends included.
    verdict : {"below", "within", "above"}
        Where the bolus lies.
    source : str
        Of the window.
    """

    u_per_kg: float
    low_u: float
    high_u: float
    verdict: Literal["below", "within", "above"]
    source: str


@dataclass(frozen=True)
class HeparinLeft:
    """An estimate of the heparin that is left.

    Attributes
    ----------
    remaining_u : float
        Units.
    half_life_min : float or None
        The half-life since the last bolus; None before the first.
    source : str
        Of the half-lives.
    """

    remaining_u: float
    half_life_min: float | None
    source: str


@dataclass(frozen=True)
class Protamine:
    """A window of protamine.

    Attributes
    ----------
    low_mg, high_mg : float
        The window, after the cap.
    computed_low_mg, computed_high_mg : float
        The window before the cap.
    over_min : float
        Give over at least so many minutes.
    source : str
        Of doses and cap.
    """

    low_mg: float
    high_mg: float
    computed_low_mg: float
    computed_high_mg: float
    over_min: float
    source: str

    @property
    def capped(self) -> bool:
        """Whether the cap cut the window."""
        return self.computed_high_mg > self.high_mg


@dataclass(frozen=True)
class ActTarget:
    """Target of the activated clotting time.

    Attributes
    ----------
    low_s, high_s : float
        Seconds, both included.
    source : str
        Of the target.
    """

    low_s: float
    high_s: float
    source: str


@dataclass(frozen=True)
class Act:
    """A reading of the activated clotting time.

    Attributes
    ----------
    at_min : float
        When the blood was drawn, on the clock of the boluses.
    act_s : float
        Seconds.
    """

    at_min: float
    act_s: float


@dataclass(frozen=True)
class ActFall:
    """An estimate of when the clotting time falls below its target.

    Attributes
    ----------
    at_min : float
        When, on the clock of the readings; never before the last of them.
    earliest_min : float
        Lower bound at the confidence of the rules; never before the last reading.
    latest_min : float or None
        Upper bound; None: not within the horizon.
    readings : int
        How many readings the line rests on.
    source : str
        The model, in words.
    """

    at_min: float
    earliest_min: float
    latest_min: float | None
    readings: int
    source: str


@dataclass(frozen=True)
class NotEstimated:
    """Why there is no estimate.

    Attributes
    ----------
    reason : str
        One clause, to be shown.
    source : str
        The model that does not apply.
    """

    reason: str
    source: str


@dataclass(frozen=True)
class WeightDose:
    """Bolus and infusion of a drug for one patient.

    Attributes
    ----------
    drug : str
        Generic name.
    bolus_mg, bolus_ml : float
        Bolus, and its volume.
    infusion_mg_per_h, infusion_ml_per_h : float
        Infusion, and its rate by volume.
    bolus_capped, infusion_capped : bool
        Whether a cap cut them.
    reduced : bool
        Whether the dose is that for low clearance or dialysis.
    clearance_known : bool
        False where the dose would depend on a clearance that is not known; it is then the full dose.
    bolus_over_min, second_bolus_after_min : float or None
        Time of the bolus, and time to an equal second one, where the label has them.
    source : str
        Of every figure used.
    """

    drug: str
    bolus_mg: float
    bolus_ml: float
    infusion_mg_per_h: float
    infusion_ml_per_h: float
    bolus_capped: bool
    infusion_capped: bool
    reduced: bool
    clearance_known: bool
    bolus_over_min: float | None
    second_bolus_after_min: float | None
    source: str

    @property
    def infusion_ug_per_min(self) -> float:
        """The infusion in µg/min."""
        return self.infusion_mg_per_h * 1000 / 60


# --- heparin ------------------------------------------------------------------------------------


def heparin_total(boluses: Iterable[Bolus], weight_kg: float, plausible: Plausible) -> HeparinTotal:
    """Return the heparin given so far.

    Raises
    ------
    UserError
        If weight or dose is not plausible.
    """
    check_weight(weight_kg, plausible)
    total_u = math.fsum(_checked(bolus).dose_u for bolus in boluses)
    return HeparinTotal(total_u, total_u / weight_kg, "the entries")


def bolus_check(
    dose_u: float, weight_kg: float, gp_inhibitor: bool, rules: HeparinRules, plausible: Plausible
) -> BolusCheck:
    """Return where a first bolus of heparin lies in its window.

    Parameters
    ----------
    dose_u, weight_kg : float
        Units, and weight in kg.
    gp_inhibitor : bool
        Whether a glycoprotein IIb/IIIa inhibitor is given or planned.
    rules : HeparinRules
        The windows.
    plausible : Plausible
        What is taken for real.

    Raises
    ------
    UserError
        If weight or dose is not plausible.
    """
    check_weight(weight_kg, plausible)
    _checked(Bolus(0, dose_u))
    window = rules.bolus_with_gp_inhibitor if gp_inhibitor else rules.bolus
    low_u, high_u = window.low * weight_kg, window.high * weight_kg
    verdict: Literal["below", "within", "above"]
    verdict = "below" if dose_u < low_u else "above" if dose_u > high_u else "within"
    return BolusCheck(dose_u / weight_kg, low_u, high_u, verdict, window.cited)


def half_life_min(u_per_kg: float, rows: Sequence[HalfLife]) -> float:
    """Return the half-life of heparin at an amount in the body.

    Between two rows the half-life is linear in the logarithm of the amount; outside them it is
    that of the nearest row.

    Parameters
    ----------
    u_per_kg : float
        Units per kg in the body.
    rows : sequence of HalfLife
        Ascending.
    """
    if u_per_kg <= rows[0].dose_u_per_kg:
        return rows[0].half_life_min
    for low, high in pairwise(rows):
        if u_per_kg <= high.dose_u_per_kg:
            part = math.log(u_per_kg / low.dose_u_per_kg) / math.log(high.dose_u_per_kg / low.dose_u_per_kg)
            return low.half_life_min + part * (high.half_life_min - low.half_life_min)
    return rows[-1].half_life_min


def heparin_left(
    boluses: Iterable[Bolus], now_min: float, weight_kg: float, rules: HeparinRules, plausible: Plausible
) -> HeparinLeft:
    """Return an estimate of the heparin that is left.

    One compartment: each bolus adds to what is left, and from then on the sum halves in the
    half-life that belongs to that sum per kg, unchanged until the next bolus.  Infusions are not
    counted.

    Parameters
    ----------
    boluses : iterable of Bolus
        Those after `now_min` are left out.
    now_min, weight_kg : float
        The time on the clock of the boluses, and the weight in kg.
    rules : HeparinRules
        The half-lives.
    plausible : Plausible
        What is taken for real.

    Raises
    ------
    UserError
        If weight or dose is not plausible.
    """
    check_weight(weight_kg, plausible)
    left_u, since_min, half = 0.0, now_min, None
    for bolus in sorted(map(_checked, boluses), key=lambda b: b.at_min):
        if bolus.at_min > now_min:
            break
        if half is not None:
            left_u *= 0.5 ** ((bolus.at_min - since_min) / half)
        left_u += bolus.dose_u
        since_min, half = bolus.at_min, half_life_min(left_u / weight_kg, rules.half_life)
    if half is not None:
        left_u *= 0.5 ** ((now_min - since_min) / half)
    return HeparinLeft(left_u, half, _sources(*rules.half_life))


def protamine(boluses: Iterable[Bolus], now_min: float, rules: ProtamineRules) -> Protamine:
    """Return the protamine window by the age of each bolus, the sum capped.

    Parameters
    ----------
    boluses : iterable of Bolus
        Those after `now_min` are left out.
    now_min : float
        The time on the clock of the boluses.
    rules : ProtamineRules
        Doses by age, and the cap.

    Raises
    ------
    UserError
        If a dose is not plausible.
    """
    low_mg = high_mg = 0.0
    for bolus in map(_checked, boluses):
        if bolus.at_min <= now_min:
            row = next(row for row in rules.rows if row.covers(now_min - bolus.at_min))
            low_mg += row.low * bolus.dose_u / 100
            high_mg += row.high * bolus.dose_u / 100
    return _capped(low_mg, high_mg, rules)


def protamine_for_left(left: HeparinLeft, rules: ProtamineRules) -> Protamine:
    """Return the protamine for the heparin that is left, by the row for fresh heparin, capped."""
    row = rules.rows[0]
    return _capped(row.low * left.remaining_u / 100, row.high * left.remaining_u / 100, rules)


def _capped(low_mg: float, high_mg: float, rules: ProtamineRules) -> Protamine:
    cap_mg = rules.cap.value
    return Protamine(
        low_mg=min(low_mg, cap_mg),
        high_mg=min(high_mg, cap_mg),
        computed_low_mg=low_mg,
        computed_high_mg=high_mg,
        over_min=rules.over.value,
        source=_sources(*rules.rows, rules.cap, rules.over),
    )


def _checked(bolus: Bolus) -> Bolus:
    if not 0 < bolus.dose_u < math.inf:
        raise UserError(f"heparin {bolus.dose_u:g} U is no dose; check the figure")
    return bolus


# --- clotting time ------------------------------------------------------------------------------


def act_target(gp_inhibitor: bool, rules: ActRules) -> ActTarget:
    """Return the target for the plan and for the class of the laboratory's analyser."""
    if gp_inhibitor:
        window = rules.target_with_gp_inhibitor
    elif rules.analyser.choice == "high":
        window = rules.target_high_reading
    else:
        window = rules.target_low_reading
    return ActTarget(window.low, window.high, window.cited)


def act_fall(
    readings: Iterable[Act],
    last_bolus_min: float,
    target_s: float,
    rules: ActRules,
    plausible: Plausible,
    *,
    baseline_s: float | None = None,
    heparin_infusion: bool = False,
) -> ActFall | NotEstimated:
    """Return when the clotting time falls below its target, or why that is not estimated.

    A straight line is fitted by least squares to the logarithm of the patient's own readings
    after the last bolus: of the excess over the baseline where a baseline (before heparin) is
    known, of the whole clotting time where it is not.  With a baseline the fall slows down as it
    should; without one the estimate is somewhat early far ahead.  The bounds are where the
    confidence band of the line crosses the target.  Its width comes from the scatter about the
    line (Student's t) and is never less than the stated assay error gives, which alone
    counts for two readings.

    Parameters
    ----------
    readings : iterable of Act
        All readings; those not after the last bolus are left out.
    last_bolus_min : float
        When heparin was last given, on the clock of the readings.
    target_s : float
        The lower end of the target, s.
    rules : ActRules
        Assay error, confidence and horizon.
    plausible : Plausible
        What is taken for real.
    baseline_s : float, optional
        The clotting time before heparin, s.
    heparin_infusion : bool
        Whether heparin runs in, which the line does not describe.

    Raises
    ------
    UserError
        If a clotting time is not plausible.
    """
    used = sorted((r for r in readings if r.at_min > last_bolus_min), key=lambda r: r.at_min)
    for act_s in [reading.act_s for reading in used] + ([] if baseline_s is None else [baseline_s]):
        check("clotting time", act_s, plausible.act)
    floor_s = 0.0 if baseline_s is None else baseline_s
    source = _model(rules, baseline_s)
    reason = _no_line(used, target_s, floor_s, heparin_infusion)
    if reason is not None:
        return NotEstimated(reason, source)

    n = len(used)
    centre = fmean(reading.at_min for reading in used)
    u = [reading.at_min - centre for reading in used]
    y = [math.log(reading.act_s - floor_s) for reading in used]
    sxx = math.fsum(a * a for a in u)
    mean = fmean(y)
    slope = math.fsum(a * b for a, b in zip(u, y, strict=True)) / sxx
    if slope >= 0:
        return NotEstimated("the readings do not fall", source)
    # Distances from here on are logarithms above the target, times are from the centre.
    above = mean - math.log(target_s - floor_s)
    crossing, last = -above / slope, u[-1]
    if crossing > last + rules.horizon.value:
        return NotEstimated(f"it is more than {rules.horizon.value:g} minutes ahead", source)

    # The error of one reading, as a logarithm of what the line is fitted to; the worst one counts.
    error = max(rules.assay_error.value / 100 * r.act_s / (r.act_s - floor_s) for r in used)
    quantile = (1 + rules.confidence.value / 100) / 2
    width = NormalDist().inv_cdf(quantile) * error
    if n > 2:
        scatter = math.fsum((b - mean - slope * a) ** 2 for a, b in zip(u, y, strict=True))
        width = max(width, student_t(quantile, n - 2) * math.sqrt(scatter / (n - 2)))

    def band(side: int) -> Callable[[float], float]:
        return lambda t: above + slope * t + side * width * math.sqrt(1 / n + t * t / sxx)

    lower, upper, end = band(-1), band(1), last + rules.horizon.value
    # Until the line crosses, the lower edge is concave and the upper edge beyond it convex:
    # each falls through the target once at most.
    earliest = last if crossing <= last or lower(last) <= 0 else _root(lower, last, crossing)
    latest = None if upper(end) > 0 else _root(upper, crossing, end)
    return ActFall(
        at_min=centre + max(crossing, last),
        earliest_min=centre + earliest,
        latest_min=None if latest is None else centre + max(latest, last),
        readings=n,
        source=source,
    )


def student_t(quantile: float, freedom: int) -> float:
    """Return a quantile of Student's t distribution (0.5 <= `quantile` < 1).

    Exact for one and two degrees of freedom, else the expansion 26.7.5 of Abramowitz and Stegun,
    within 0.5 % for quantiles up to 0.975.
    """
    if freedom == 1:
        return math.tan(math.pi * (quantile - 0.5))
    if freedom == 2:
        a = 2 * quantile - 1
        return a * math.sqrt(2 / (1 - a * a))
    z = NormalDist().inv_cdf(quantile)
    terms = (
        z,
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return math.fsum(term / freedom**power for power, term in enumerate(terms))


def _no_line(used: Sequence[Act], target_s: float, floor_s: float, heparin_infusion: bool) -> str | None:
    if heparin_infusion:
        return "heparin is running in"
    if len(used) < 2:
        return "fewer than two readings since the last heparin"
    if used[0].at_min == used[-1].at_min:
        return "the readings are of the same moment"
    if used[-1].act_s < target_s:
        return f"the last reading, {used[-1].act_s:g} s, is already below {target_s:g} s"
    if floor_s >= target_s:
        return f"the baseline, {floor_s:g} s, is not below the target, {target_s:g} s"
    if min(reading.act_s for reading in used) <= floor_s:
        return f"a reading is not above the baseline, {floor_s:g} s"
    return None


def _model(rules: ActRules, baseline_s: float | None) -> str:
    what = "excess over the baseline" if baseline_s is not None else "whole clotting time (no baseline)"
    return (
        f"this patient's readings since the last heparin, log-linear in the {what}; "
        f"{rules.confidence.value:g} % bounds, assay error at least {rules.assay_error.value:g} %"
    )


def _root(falling: Callable[[float], float], low: float, high: float) -> float:
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return high


# --- doses by weight and kidney -----------------------------------------------------------------


def bivalirudin(
    weight_kg: float,
    clearance_ml_min: float | None,
    rules: BivalirudinRules,
    plausible: Plausible,
    *,
    dialysis: bool = False,
    concentration_mg_ml: float | None = None,
) -> WeightDose:
    """Return bolus and infusion of bivalirudin.

    Parameters
    ----------
    weight_kg : float
        Weight, kg.
    clearance_ml_min : float or None
        Creatinine clearance, mL/min; None: not known.
    rules : BivalirudinRules
        The label's figures.
    plausible : Plausible
        What is taken for real.
    dialysis : bool
        Whether the patient is on dialysis, whatever the clearance.
    concentration_mg_ml : float, optional
        Of the syringe, mg/mL; none: that of the rules.

    Raises
    ------
    UserError
        If weight, clearance or concentration is not plausible.
    """
    low = dialysis or _below(clearance_ml_min, rules.clearance_limit)
    infusion = rules.infusion
    if low:
        infusion = rules.infusion_dialysis if dialysis else rules.infusion_low_clearance
    return _dose(
        "bivalirudin",
        weight_kg,
        plausible,
        bolus=(rules.bolus, rules.bolus.value, None),
        infusion=(infusion, infusion.value, None),
        concentrations=(rules.concentration, rules.concentration, concentration_mg_ml),
        reduced=low,
        clearance_known=dialysis or clearance_ml_min is not None,
        used=(rules.clearance_limit,),
    )


def eptifibatide(
    weight_kg: float,
    clearance_ml_min: float | None,
    rules: EptifibatideRules,
    plausible: Plausible,
    *,
    dialysis: bool = False,
    concentration_mg_ml: float | None = None,
) -> WeightDose:
    """Return bolus (to be given twice) and infusion of eptifibatide.

    Parameters and errors are those of `bivalirudin`.

    Raises
    ------
    UserError
        Also if the patient is on dialysis and the rules exclude that.
    """
    if dialysis and rules.dialysis.choice == "excluded":
        raise UserError(
            f"eptifibatide is not for a patient on dialysis ({rules.dialysis.cited}; {rules.dialysis.note})"
        )
    low = dialysis or _below(clearance_ml_min, rules.clearance_limit)
    infusion = rules.infusion_low_clearance if low else rules.infusion
    cap = rules.infusion_cap_low_clearance if low else rules.infusion_cap
    return _dose(
        "eptifibatide",
        weight_kg,
        plausible,
        bolus=(rules.bolus, rules.bolus.value / 1000, rules.bolus_cap),
        infusion=(infusion, infusion.value * 60 / 1000, cap),
        concentrations=(rules.concentration_bolus, rules.concentration_infusion, concentration_mg_ml),
        reduced=low,
        clearance_known=dialysis or clearance_ml_min is not None,
        used=(rules.clearance_limit, rules.second_bolus_after),
        second_bolus_after_min=rules.second_bolus_after.value,
    )


def tirofiban(
    weight_kg: float,
    clearance_ml_min: float | None,
    rules: TirofibanRules,
    plausible: Plausible,
    *,
    dialysis: bool = False,
    concentration_mg_ml: float | None = None,
) -> WeightDose:
    """Return bolus and infusion of tirofiban by the label that the rules name.

    The labels differ: one reduces the infusion at or below its clearance limit, the other halves
    bolus and infusion below a lower one.  Parameters and errors are those of `bivalirudin`;
    dialysis counts as low clearance.
    """
    bolus, infusion = rules.bolus, rules.infusion
    if rules.label.choice == "US":
        limit = rules.clearance_limit_us
        low = dialysis or _below(clearance_ml_min, limit, included=True)
        if low:
            bolus, infusion = rules.bolus_low_clearance_us, rules.infusion_low_clearance_us
    else:
        limit = rules.clearance_limit_eu
        low = dialysis or _below(clearance_ml_min, limit)
        if low:
            bolus, infusion = rules.bolus_low_clearance_eu, rules.infusion_low_clearance_eu
    return _dose(
        "tirofiban",
        weight_kg,
        plausible,
        bolus=(bolus, bolus.value / 1000, None),
        infusion=(infusion, infusion.value * 60 / 1000, None),
        concentrations=(rules.concentration, rules.concentration, concentration_mg_ml),
        reduced=low,
        clearance_known=dialysis or clearance_ml_min is not None,
        used=(limit, rules.bolus_over),
        bolus_over_min=rules.bolus_over.value,
    )


def cangrelor(
    weight_kg: float,
    rules: CangrelorRules,
    plausible: Plausible,
    *,
    concentration_mg_ml: float | None = None,
) -> WeightDose:
    """Return bolus and infusion of cangrelor, which do not depend on the kidney.

    Raises
    ------
    UserError
        If weight or concentration is not plausible.
    """
    return _dose(
        "cangrelor",
        weight_kg,
        plausible,
        bolus=(rules.bolus, rules.bolus.value / 1000, None),
        infusion=(rules.infusion, rules.infusion.value * 60 / 1000, None),
        concentrations=(rules.concentration, rules.concentration, concentration_mg_ml),
        reduced=False,
        clearance_known=True,
        used=(),
    )


def _below(clearance_ml_min: float | None, limit: Value, *, included: bool = False) -> bool:
    if clearance_ml_min is None:
        return False
    if not 0 <= clearance_ml_min < math.inf:
        raise UserError(f"creatinine clearance {clearance_ml_min:g} mL/min is not possible; check the figure")
    return clearance_ml_min < limit.value or (included and clearance_ml_min == limit.value)


def _dose(
    drug: str,
    weight_kg: float,
    plausible: Plausible,
    *,
    bolus: tuple[Value, float, Value | None],
    infusion: tuple[Value, float, Value | None],
    concentrations: tuple[Value, Value, float | None],
    reduced: bool,
    clearance_known: bool,
    used: tuple[Rule, ...],
    bolus_over_min: float | None = None,
    second_bolus_after_min: float | None = None,
) -> WeightDose:
    """Return the doses from rule, figure per kg in mg or mg/h, and cap, of bolus and infusion."""
    check_weight(weight_kg, plausible)
    for_bolus, for_infusion, own_mg_ml = concentrations
    if own_mg_ml is not None and not 0 < own_mg_ml < math.inf:
        raise UserError(f"concentration {own_mg_ml:g} mg/mL of {drug} is not possible; check the figure")
    (bolus_rule, bolus_mg_kg, bolus_cap), (infusion_rule, mg_kg_h, infusion_cap) = bolus, infusion
    bolus_mg, infusion_mg_per_h = bolus_mg_kg * weight_kg, mg_kg_h * weight_kg
    bolus_capped = bolus_cap is not None and bolus_mg > bolus_cap.value
    infusion_capped = infusion_cap is not None and infusion_mg_per_h > infusion_cap.value
    if bolus_cap is not None:
        bolus_mg = min(bolus_mg, bolus_cap.value)
    if infusion_cap is not None:
        infusion_mg_per_h = min(infusion_mg_per_h, infusion_cap.value)
    return WeightDose(
        drug=drug,
        bolus_mg=bolus_mg,
        bolus_ml=bolus_mg / (own_mg_ml or for_bolus.value),
        infusion_mg_per_h=infusion_mg_per_h,
        infusion_ml_per_h=infusion_mg_per_h / (own_mg_ml or for_infusion.value),
        bolus_capped=bolus_capped,
        infusion_capped=infusion_capped,
        reduced=reduced,
        clearance_known=clearance_known,
        bolus_over_min=bolus_over_min,
        second_bolus_after_min=second_bolus_after_min,
        source=_sources(bolus_rule, infusion_rule, bolus_cap, infusion_cap, *used),
    )


def _sources(*rules: Rule | None) -> str:
    return "; ".join(dict.fromkeys(rule.cited for rule in rules if rule is not None))
