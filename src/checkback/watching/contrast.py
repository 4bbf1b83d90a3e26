"""Contrast medium: how much is allowed, how much is left, when to speak up, and the Mehran score."""

from __future__ import annotations

from dataclasses import dataclass

from checkback.errors import UserError
from checkback.watching.limits import Band, ContrastLimits, MehranRules, Plausible, Points
from checkback.watching.renal import Sex, check_creatinine, check_haematocrit, check_weight


@dataclass(frozen=True)
class Limit:
    """One limit of the contrast volume.

    Attributes
    ----------
    name : str
        What limits, to be spoken.
    limit_ml : float
        The limit, unrounded.
    source : str
        Where the limit comes from.
    """

    name: str
    limit_ml: float
    source: str

    def remaining_ml(self, given_ml: float) -> float:
        """Return what is left, never below zero."""
        return max(0.0, self.limit_ml - given_ml)


@dataclass(frozen=True)
class RatioState:
    """Contrast volume over creatinine clearance.

    Attributes
    ----------
    ratio : float
        mL per mL/min, unrounded.
    reached : Limit or None
        The highest step that is reached.
    ahead : Limit or None
        The next step; none after the last.
    to_next_ml : float or None
        What is left to the next step.
    source : str
        Of the steps.
    """

    ratio: float
    reached: Limit | None
    ahead: Limit | None
    to_next_ml: float | None
    source: str


@dataclass(frozen=True)
class ContrastWarning:
    """Something to say about one limit.

    Attributes
    ----------
    limit : Limit
        Which limit.
    remaining_ml : float
        What is left now; 0 when the limit is reached.
    threshold_ml : float
        The amount left that made it due; 0 for the limit itself.
    source : str
        Where the limit comes from.
    """

    limit: Limit
    remaining_ml: float
    threshold_ml: float
    source: str


@dataclass(frozen=True)
class Finding:
    """One line of the score.

    Attributes
    ----------
    name : str
        What counts.
    points : int
        How much.
    """

    name: str
    points: int


@dataclass(frozen=True)
class Mehran:
    """Mehran score of 2004.

    Attributes
    ----------
    points : int
        The sum; a lower bound while something is unknown.
    findings : tuple of Finding
        What contributes.
    unknown : tuple of str
        What was not known and counted nothing.
    band_from : int
        Lowest score of the band.
    nephropathy_percent, dialysis_percent : float
        Risks of the band.
    source : str
        Where score and bands come from.
    """

    points: int
    findings: tuple[Finding, ...]
    unknown: tuple[str, ...]
    band_from: int
    nephropathy_percent: float
    dialysis_percent: float
    source: str


@dataclass(frozen=True)
class Risk:
    """The patient's side of the Mehran score; None is "not known".

    Attributes
    ----------
    age_y, systolic_mmhg, haematocrit_percent, creatinine_mg_dl, egfr_ml_min_173 : float or None
        Figures in the unit of their name.
    sex : {"female", "male"} or None
        Which haematocrit counts.
    balloon_pump, heart_failure, diabetes : bool or None
        Whether there is one.
    """

    age_y: float | None = None
    sex: Sex | None = None
    systolic_mmhg: float | None = None
    haematocrit_percent: float | None = None
    creatinine_mg_dl: float | None = None
    egfr_ml_min_173: float | None = None
    balloon_pump: bool | None = None
    heart_failure: bool | None = None
    diabetes: bool | None = None


def allowable(
    weight_kg: float, creatinine_mg_dl: float, rules: ContrastLimits, plausible: Plausible
) -> Limit:
    """Return the maximum allowable contrast: 5 mL x weight / creatinine, at most the cap.

    Parameters
    ----------
    weight_kg, creatinine_mg_dl : float
        Weight in kg, serum creatinine in mg/dL.
    rules : ContrastLimits
        Factor and cap.
    plausible : Plausible
        What is taken for real.

    Raises
    ------
    UserError
        If weight or creatinine is not plausible.
    """
    check_weight(weight_kg, plausible)
    check_creatinine(creatinine_mg_dl, plausible)
    volume_ml = rules.allowable.value * weight_kg / creatinine_mg_dl
    if volume_ml > rules.cap.value:
        return Limit("maximum allowable contrast", rules.cap.value, rules.cap.cited)
    return Limit("maximum allowable contrast", volume_ml, rules.allowable.cited)


def ratio_limits(clearance_ml_min: float, rules: ContrastLimits) -> tuple[Limit, ...]:
    """Return the volume at which each step of contrast over clearance is reached, ascending.

    Raises
    ------
    UserError
        If the clearance is not above zero.
    """
    if not clearance_ml_min > 0:
        raise UserError(f"creatinine clearance {clearance_ml_min:g} mL/min is not above 0; check the figure")
    return tuple(
        Limit(f"{step.value:g} times the creatinine clearance", step.value * clearance_ml_min, step.cited)
        for step in rules.ratio_steps
    )


def ratio_state(given_ml: float, clearance_ml_min: float, rules: ContrastLimits) -> RatioState:
    """Return which step of contrast over clearance is reached and what is left to the next.

    Raises
    ------
    UserError
        If the volume is negative or the clearance is not above zero.
    """
    _check_volume(given_ml)
    limits = ratio_limits(clearance_ml_min, rules)
    reached = [limit for limit in limits if given_ml >= limit.limit_ml]
    ahead = [limit for limit in limits if given_ml < limit.limit_ml]
    return RatioState(
        ratio=given_ml / clearance_ml_min,
        reached=reached[-1] if reached else None,
        ahead=ahead[0] if ahead else None,
        to_next_ml=ahead[0].remaining_ml(given_ml) if ahead else None,
        source="; ".join(dict.fromkeys(limit.source for limit in limits)),
    )


def warnings(
    before_ml: float | None, now_ml: float, limits: tuple[Limit, ...], rules: ContrastLimits
) -> tuple[ContrastWarning, ...]:
    """Return what is due after the total went from `before_ml` to `now_ml`.

    Each limit warns ahead, when little is left, and once more when it is reached.  Of several
    thresholds passed at once only the last is due: one warning for each limit at most.

    Parameters
    ----------
    before_ml : float or None
        The total when this was last asked; None: never, so whatever is already passed is due.
    now_ml : float
        The total.
    limits : tuple of Limit
        What to look at.
    rules : ContrastLimits
        How much left is little.

    Raises
    ------
    UserError
        If a volume is negative.
    """
    _check_volume(now_ml)
    due = []
    for limit in limits:
        for threshold_ml in sorted((0.0, *rules.warn_remaining.values)):
            at_ml = limit.limit_ml - threshold_ml
            if now_ml < at_ml:
                continue
            if before_ml is None or before_ml < at_ml:
                due.append(ContrastWarning(limit, limit.remaining_ml(now_ml), threshold_ml, limit.source))
            break
    return tuple(due)


def mehran(risk: Risk, given_ml: float, rules: MehranRules, plausible: Plausible) -> Mehran:
    """Return the Mehran score of 2004 with what contributes.

    Copies of the score disagree at the edges.  Here age 75 counts nothing, contrast counts
    for each *full* 100 mL, an eGFR of 60 counts nothing, 40 counts as 40-60, 20 as 20-40, and 16
    points are the highest band.  The original took the eGFR from another formula.

    Parameters
    ----------
    risk : Risk
        What is known of the patient.
    given_ml : float
        Contrast so far, mL.
    rules : MehranRules
        Points, bands, and which kidney line counts.
    plausible : Plausible
        What is taken for real.

    Raises
    ------
    UserError
        If the volume is negative or the haematocrit is not plausible.
    """
    _check_volume(given_ml)
    if risk.haematocrit_percent is not None:
        check_haematocrit(risk.haematocrit_percent, plausible)
    lines = (
        ("low blood pressure", _met(risk.systolic_mmhg, rules.hypotension), rules.hypotension),
        ("balloon pump", risk.balloon_pump, rules.balloon_pump),
        ("heart failure", risk.heart_failure, rules.heart_failure),
        ("age", _met(risk.age_y, rules.age), rules.age),
        ("anaemia", *_anaemia(risk, rules)),
        ("diabetes", risk.diabetes, rules.diabetes),
        ("kidney function", *_kidney(risk, rules)),
    )
    findings = [Finding(name, rule.points) for name, met, rule in lines if met]
    full = int(given_ml // rules.contrast.each)
    if full:
        findings.append(Finding("contrast", full * rules.contrast.points))
    points = sum(finding.points for finding in findings)
    band = _band(points, rules)
    return Mehran(
        points=points,
        findings=tuple(findings),
        unknown=tuple(name for name, met, _ in lines if met is None),
        band_from=band.lowest,
        nephropathy_percent=band.nephropathy_percent,
        dialysis_percent=band.dialysis_percent,
        source=band.cited,
    )


def mehran_ahead(
    risk: Risk,
    given_ml: float,
    rules: MehranRules,
    plausible: Plausible,
    more_ml: tuple[float, ...] = (50.0, 100.0),
) -> tuple[tuple[float, Mehran], ...]:
    """Return the score after each further volume, as pairs of that volume (mL) and score.

    Raises
    ------
    UserError
        As `mehran`.
    """
    return tuple((more, mehran(risk, given_ml + more, rules, plausible)) for more in more_ml)


def _met(value: float | None, rule: Points) -> bool | None:
    if value is None:
        return None
    return (rule.below is not None and value < rule.below) or (rule.above is not None and value > rule.above)


def _anaemia(risk: Risk, rules: MehranRules) -> tuple[bool | None, Points]:
    rule = rules.anaemia_male if risk.sex == "male" else rules.anaemia_female
    return (None if risk.sex is None else _met(risk.haematocrit_percent, rule)), rule


def _kidney(risk: Risk, rules: MehranRules) -> tuple[bool | None, Points]:
    if rules.kidney.choice == "creatinine":
        return _met(risk.creatinine_mg_dl, rules.creatinine), rules.creatinine
    met = [row for row in rules.egfr if _met(risk.egfr_ml_min_173, row)]
    if risk.egfr_ml_min_173 is None:
        return None, rules.egfr[0]
    return bool(met), met[-1] if met else rules.egfr[0]


def _band(points: int, rules: MehranRules) -> Band:
    return [band for band in rules.bands if points >= band.lowest][-1]


def _check_volume(volume_ml: float) -> None:
    if not 0 <= volume_ml < float("inf"):
        raise UserError(f"contrast volume {volume_ml:g} mL is not possible; check the figure")
