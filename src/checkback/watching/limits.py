"""Limits and drug rules as data: each with value, unit, source and date, checked when read."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    model_validator,
)

from checkback.errors import UserError
from checkback.language.catalogue import read_toml

FILE_NAME = "limits.toml"

EGFR_SOURCE = "CKD-EPI 2021, Inker, NEJM 2021;385:1737"
CLEARANCE_SOURCE = "Cockcroft-Gault, Nephron 1976;16:31"
NOTE = "check against local protocol"

MODELS = (
    "**Mehran score.** Copies disagree at the edges. Here age 75 counts nothing; contrast counts for each "
    "full 100 mL; an eGFR of 60 counts nothing, 40 counts as 40-60 and 20 as 20-40; 16 points are the "
    "highest band; the eGFR line or the creatinine line counts, never both. What is not known counts "
    "nothing and is named, so the score is then a lower bound.",
    "**Dialysis.** With chronic dialysis on record eGFR, clearance, maximum allowable contrast, contrast over "
    "clearance and the Mehran score are not computed and their reminders are silent: creatinine then tells "
    "of the dialysis, and the cohort behind the steps left such patients out. The contrast given is still "
    "counted. Label doses are those for dialysis where the label has them.",
    "**Heparin that is left.** One compartment: each bolus adds to what is left, and from then on the sum "
    "halves in the half-life that belongs to that sum per kg (between the rows linear in the logarithm of "
    "the dose, outside them that of the nearest row), until the next bolus. Infusions are not counted.",
    "**Protamine.** Each bolus by its own age, summed, then capped. At 60 minutes, which two rows of the "
    "source claim, the smaller dose counts. Once protamine is on record, neither a further dose nor the "
    "heparin that is left is computed: no rule here tells how much of it was bound.",
    "**When the clotting time falls below its target.** A least-squares line through the logarithm of the "
    "patient's own readings since the last heparin: of the excess over the baseline where one is known, "
    "else of the whole clotting time, which tends to be early far ahead. The bounds are where the "
    "confidence band of the line crosses the target; its width comes from the scatter about the line and "
    "is never less than the assay error gives, which alone counts for two readings. There is no estimate "
    "from fewer than two readings, while heparin runs in, if the readings do not fall, or beyond the "
    "horizon; the reason is shown instead.",
    "**Radiation.** A value itself counts as reached, also where the source says more than.",
    '**Reminders.** At once, or so long after the cause; again while nobody answers; quiet after "noted" '
    "until the next cause, or for the time shown. A stand-by holds all that is not marked otherwise. After "
    "the end of the case only what the record lacks and devices unaccounted for are spoken of. Of the steps "
    "of contrast to clearance only the highest one reached and the next one ahead are named. A balloon of "
    "which the duration was called out counts from the end of that.",
    "**Intervals.** Full minutes are shown and held against the target, whose last minute is included.",
)


def _plain_number(value: Any) -> Any:
    # A quoted number or a true/false would otherwise be converted without a word.
    if isinstance(value, (str, bool)):
        raise ValueError(f"{value!r} is not a number")
    return value


Number = Annotated[float, BeforeValidator(_plain_number), Field(ge=0, allow_inf_nan=False)]
Positive = Annotated[float, BeforeValidator(_plain_number), Field(gt=0, allow_inf_nan=False)]
Count = Annotated[int, BeforeValidator(_plain_number), Field(ge=0)]


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Rule(_Data):
    """What every rule carries beside its value."""

    unit: str = Field(min_length=1)
    source: str = Field(min_length=1)
    dated: str = Field(pattern=r"^(undated|\d{4}(-\d{2}){0,2})$")
    known: Literal[
        "found",
        "found in a secondary copy",
        "from memory",
        "common practice, no source",
        "setting of this program",
    ]
    note: Literal["check against local protocol"]

    @property
    def cited(self) -> str:
        """Source and how it is known, to stand beside every figure made with the rule."""
        plain = self.known in ("found", "setting of this program")
        return self.source if plain else f"{self.source} ({self.known})"

    def shown(self) -> str:
        """Return the value in words, without its unit."""
        raise TypeError(type(self).__name__)


class Value(Rule):
    """One number."""

    value: Positive

    def shown(self) -> str:
        """Return the number."""
        return f"{self.value:g}"


class Range(Rule):
    """From `low` to `high`, both included."""

    low: Number
    high: Number

    @model_validator(mode="after")
    def _in_order(self) -> Range:
        if self.high < self.low:
            raise ValueError(f"'high' ({self.high:g}) is below 'low' ({self.low:g})")
        return self

    def shown(self) -> str:
        """Return both ends."""
        return f"{self.low:g}" if self.low == self.high else f"{self.low:g}-{self.high:g}"


class Remaining(Rule):
    """What is left when to warn, the most first."""

    values: tuple[Positive, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _falling(self) -> Remaining:
        if any(later >= earlier for earlier, later in pairwise(self.values)):
            raise ValueError("'values' must fall from one to the next")
        return self

    def shown(self) -> str:
        """Return the numbers."""
        return ", ".join(f"{value:g}" for value in self.values)


class Notices(Rule):
    """A first notice and the step to each next one."""

    first: Positive
    step: Positive

    def shown(self) -> str:
        """Return first and step."""
        return f"{self.first:g}, then each {self.step:g}"


class FollowUp(Rule):
    """What is to be done from a value on."""

    lowest: Positive = Field(alias="from")
    text: str = Field(min_length=1)

    def shown(self) -> str:
        """Return value and text."""
        return f"from {self.lowest:g}: {self.text}"


class Points(Rule):
    """Points of a score for a finding: below, above or for each full amount."""

    points: Count
    below: Positive | None = None
    above: Positive | None = None
    each: Positive | None = None

    def shown(self) -> str:
        """Return condition and points."""
        conditions = (("below", self.below), ("above", self.above), ("each", self.each))
        when = "".join(f"{word} {value:g}: " for word, value in conditions if value is not None)
        return f"{when}{self.points} points"


class Below(Points):
    """Points below a value."""

    below: Positive


class Above(Points):
    """Points above a value."""

    above: Positive


class Each(Points):
    """Points for each full amount."""

    each: Positive


class Band(Rule):
    """A band of a score with its risks."""

    lowest: Count = Field(alias="from")
    nephropathy_percent: Number
    dialysis_percent: Number

    def shown(self) -> str:
        """Return the lowest score and the risks."""
        return (
            f"from {self.lowest}: nephropathy {self.nephropathy_percent:g} %, "
            f"dialysis {self.dialysis_percent:g} %"
        )


class HalfLife(Rule):
    """Half-life of heparin at a dose."""

    dose_u_per_kg: Positive
    half_life_min: Positive

    def shown(self) -> str:
        """Return dose and half-life."""
        return f"{self.dose_u_per_kg:g} U/kg: {self.half_life_min:g}"


class ProtamineRow(Range):
    """Protamine until a time since the heparin; the last row has no end."""

    until_min: Positive | None = None
    until_included: bool = False

    def covers(self, age_min: float) -> bool:
        """Return whether heparin of this age is not too old for the row."""
        if self.until_min is None:
            return True
        return age_min < self.until_min or (self.until_included and age_min == self.until_min)

    def shown(self) -> str:
        """Return time and dose."""
        word = "up to" if self.until_included else "before"
        when = "later" if self.until_min is None else f"{word} {self.until_min:g} min"
        return f"{when}: {super().shown()}"


class KidneyRule(Rule):
    """Which kidney line of the score counts."""

    choice: Literal["egfr", "creatinine"]

    def shown(self) -> str:
        """Return the choice."""
        return self.choice


class AnalyserRule(Rule):
    """Which class of clotting time analyser stands in the laboratory."""

    choice: Literal["low", "high"]

    def shown(self) -> str:
        """Return the choice."""
        return self.choice


class LabelRule(Rule):
    """Whose label is followed."""

    choice: Literal["US", "EU"]

    def shown(self) -> str:
        """Return the choice."""
        return self.choice


class DialysisRule(Rule):
    """Whether a patient on dialysis may have the drug at all."""

    choice: Literal["excluded", "as low clearance"]

    def shown(self) -> str:
        """Return the choice."""
        return self.choice


class Reminder(Rule):
    """When the program speaks up by itself; every time is in the unit of the rule.

    Attributes
    ----------
    on : bool
        Whether it speaks at all.
    first : float
        How long after the cause.
    repeat : float
        How long until it is said again if nobody answers; 0: never.
    after_noted : float
        How long an answer holds while the cause stays; 0: for good.
    critical : bool
        Whether it speaks during a stand-by too.
    """

    on: StrictBool
    first: Number
    repeat: Number
    after_noted: Number
    critical: StrictBool

    def shown(self) -> str:
        """Return the times."""
        if not self.on:
            return "off"
        parts = [
            f"first after {self.first:g}" if self.first else "at once",
            f"again each {self.repeat:g}" if self.repeat else "once",
            f"{self.after_noted:g} after an answer" if self.after_noted else "",
            "also during a stand-by" if self.critical else "",
        ]
        return ", ".join(filter(None, parts))


R = TypeVar("R", bound=Rule)


class _Unit:
    """The one unit that a rule may have."""

    def __init__(self, unit: str) -> None:
        self.unit = unit

    def __call__(self, rule: R) -> R:
        if rule.unit != self.unit:
            raise ValueError(f"unit is '{rule.unit}' and must be '{self.unit}'")
        return rule


def _unit(unit: str) -> AfterValidator:
    return AfterValidator(_Unit(unit))


class Plausible(_Data):
    """What is taken for a real figure at all."""

    age: Annotated[Range, _unit("years")]
    weight: Annotated[Range, _unit("kg")]
    creatinine_mg_dl: Annotated[Range, _unit("mg/dL")]
    creatinine_umol_l: Annotated[Range, _unit("umol/L")]
    haematocrit: Annotated[Range, _unit("%")]
    act: Annotated[Range, _unit("s")]
    air_kerma: Annotated[Range, _unit("Gy")]
    dose_area: Annotated[Range, _unit("Gy.cm2")]
    fluoroscopy: Annotated[Range, _unit("min")]


class ContrastLimits(_Data):
    """Contrast medium."""

    allowable: Annotated[Value, _unit("mL.mg/dL/kg")]
    cap: Annotated[Value, _unit("mL")]
    ratio_steps: tuple[Annotated[Value, _unit("mL per mL/min")], ...] = Field(min_length=1)
    warn_remaining: Annotated[Remaining, _unit("mL")]

    @model_validator(mode="after")
    def _rising(self) -> ContrastLimits:
        if any(later.value <= earlier.value for earlier, later in pairwise(self.ratio_steps)):
            raise ValueError("'ratio_steps' must rise from one to the next")
        return self


class MehranRules(_Data):
    """The score of 2004."""

    hypotension: Annotated[Below, _unit("mmHg")]
    balloon_pump: Annotated[Points, _unit("points")]
    heart_failure: Annotated[Points, _unit("points")]
    age: Annotated[Above, _unit("years")]
    anaemia_male: Annotated[Below, _unit("%")]
    anaemia_female: Annotated[Below, _unit("%")]
    diabetes: Annotated[Points, _unit("points")]
    contrast: Annotated[Each, _unit("mL")]
    kidney: Annotated[KidneyRule, _unit("rule")]
    creatinine: Annotated[Above, _unit("mg/dL")]
    egfr: tuple[Annotated[Below, _unit("mL/min/1.73 m2")], ...] = Field(min_length=1)
    bands: tuple[Annotated[Band, _unit("points")], ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _in_order(self) -> MehranRules:
        if any(later.below >= earlier.below for earlier, later in pairwise(self.egfr)):
            raise ValueError("'egfr' must fall from one row to the next")
        if self.bands[0].lowest != 0:
            raise ValueError("'bands' must begin at 0")
        if any(later.lowest <= earlier.lowest for earlier, later in pairwise(self.bands)):
            raise ValueError("'bands' must rise from one row to the next")
        return self


class HeparinRules(_Data):
    """Heparin boluses."""

    bolus: Annotated[Range, _unit("U/kg")]
    bolus_with_gp_inhibitor: Annotated[Range, _unit("U/kg")]
    half_life: tuple[Annotated[HalfLife, _unit("min")], ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _rising(self) -> HeparinRules:
        for earlier, later in pairwise(self.half_life):
            if later.dose_u_per_kg <= earlier.dose_u_per_kg or later.half_life_min < earlier.half_life_min:
                raise ValueError("'half_life' must rise from one row to the next")
        return self


class ActRules(_Data):
    """Activated clotting time."""

    analyser: Annotated[AnalyserRule, _unit("class")]
    target_low_reading: Annotated[Range, _unit("s")]
    target_high_reading: Annotated[Range, _unit("s")]
    target_with_gp_inhibitor: Annotated[Range, _unit("s")]
    first_after_bolus: Annotated[Value, _unit("min")]
    interval: Annotated[Value, _unit("min")]
    assay_error: Annotated[Value, _unit("%")]
    confidence: Annotated[Value, _unit("%")]
    horizon: Annotated[Value, _unit("min")]

    @model_validator(mode="after")
    def _a_percentage(self) -> ActRules:
        if self.confidence.value >= 100:
            raise ValueError("'confidence' must be below 100 %")
        return self


class ProtamineRules(_Data):
    """Protamine for heparin."""

    rows: tuple[Annotated[ProtamineRow, _unit("mg per 100 U")], ...] = Field(min_length=1)
    cap: Annotated[Value, _unit("mg")]
    over: Annotated[Value, _unit("min")]

    @model_validator(mode="after")
    def _in_order(self) -> ProtamineRules:
        if self.rows[-1].until_min is not None:
            raise ValueError("the last of 'rows' must have no 'until_min'")
        ends = [row.until_min for row in self.rows[:-1]]
        if None in ends or any(b <= a for a, b in pairwise(end for end in ends if end is not None)):
            raise ValueError("'until_min' must rise from one row to the next")
        if any(b.high > a.high or b.low > a.low for a, b in pairwise(self.rows)):
            raise ValueError("the doses of 'rows' must not rise with time")
        return self


class BivalirudinRules(_Data):
    """Bivalirudin."""

    bolus: Annotated[Value, _unit("mg/kg")]
    infusion: Annotated[Value, _unit("mg/kg/h")]
    infusion_low_clearance: Annotated[Value, _unit("mg/kg/h")]
    clearance_limit: Annotated[Value, _unit("mL/min")]
    infusion_dialysis: Annotated[Value, _unit("mg/kg/h")]
    concentration: Annotated[Value, _unit("mg/mL")]


class EptifibatideRules(_Data):
    """Eptifibatide."""

    bolus: Annotated[Value, _unit("ug/kg")]
    second_bolus_after: Annotated[Value, _unit("min")]
    bolus_cap: Annotated[Value, _unit("mg")]
    infusion: Annotated[Value, _unit("ug/kg/min")]
    infusion_cap: Annotated[Value, _unit("mg/h")]
    infusion_low_clearance: Annotated[Value, _unit("ug/kg/min")]
    infusion_cap_low_clearance: Annotated[Value, _unit("mg/h")]
    clearance_limit: Annotated[Value, _unit("mL/min")]
    dialysis: Annotated[DialysisRule, _unit("rule")]
    concentration_bolus: Annotated[Value, _unit("mg/mL")]
    concentration_infusion: Annotated[Value, _unit("mg/mL")]


class TirofibanRules(_Data):
    """Tirofiban."""

    bolus: Annotated[Value, _unit("ug/kg")]
    bolus_over: Annotated[Value, _unit("min")]
    infusion: Annotated[Value, _unit("ug/kg/min")]
    label: Annotated[LabelRule, _unit("label")]
    clearance_limit_us: Annotated[Value, _unit("mL/min")]
    bolus_low_clearance_us: Annotated[Value, _unit("ug/kg")]
    infusion_low_clearance_us: Annotated[Value, _unit("ug/kg/min")]
    clearance_limit_eu: Annotated[Value, _unit("mL/min")]
    bolus_low_clearance_eu: Annotated[Value, _unit("ug/kg")]
    infusion_low_clearance_eu: Annotated[Value, _unit("ug/kg/min")]
    concentration: Annotated[Value, _unit("mg/mL")]


class CangrelorRules(_Data):
    """Cangrelor."""

    bolus: Annotated[Value, _unit("ug/kg")]
    infusion: Annotated[Value, _unit("ug/kg/min")]
    concentration: Annotated[Value, _unit("mg/mL")]


class RadiationLimits(_Data):
    """Radiation."""

    air_kerma: Annotated[Notices, _unit("Gy")]
    dose_area: Annotated[Notices, _unit("Gy.cm2")]
    fluoroscopy: Annotated[Notices, _unit("min")]
    substantial_air_kerma: Annotated[Value, _unit("Gy")]
    substantial_dose_area: Annotated[Value, _unit("Gy.cm2")]
    substantial_fluoroscopy: Annotated[Value, _unit("min")]
    substantial_peak_skin: Annotated[Value, _unit("Gy")]
    follow_up: tuple[Annotated[FollowUp, _unit("Gy")], ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _rising(self) -> RadiationLimits:
        if any(later.lowest <= earlier.lowest for earlier, later in pairwise(self.follow_up)):
            raise ValueError("'follow_up' must rise from one row to the next")
        return self


class TimeTargets(_Data):
    """Key times."""

    contact_to_device: Annotated[Value, _unit("min")]
    contact_to_device_transfer: Annotated[Value, _unit("min")]
    door_to_device: Annotated[Value, _unit("min")]
    door_in_door_out: Annotated[Value, _unit("min")]


class Reminders(_Data):
    """What the program says by itself, by the name of the rule."""

    stand_by: Annotated[Value, _unit("min")]
    act_watch: Annotated[Value, _unit("h")]
    falling_ahead: Annotated[Value, _unit("min")]
    pressure_over_rated: Annotated[Reminder, _unit("s")]
    inflation_long: Annotated[Reminder, _unit("s")]
    devices_unaccounted: Annotated[Reminder, _unit("min")]
    contrast_limit: Annotated[Reminder, _unit("min")]
    act_below_target: Annotated[Reminder, _unit("min")]
    act_due: Annotated[Reminder, _unit("min")]
    act_falling: Annotated[Reminder, _unit("min")]
    antiplatelet_missing: Annotated[Reminder, _unit("min")]
    bolus_window: Annotated[Reminder, _unit("min")]
    contrast_ahead: Annotated[Reminder, _unit("min")]
    ratio_reached: Annotated[Reminder, _unit("min")]
    ratio_ahead: Annotated[Reminder, _unit("min")]
    dose_substantial: Annotated[Reminder, _unit("min")]
    air_kerma_notice: Annotated[Reminder, _unit("min")]
    dose_area_notice: Annotated[Reminder, _unit("min")]
    fluoroscopy_notice: Annotated[Reminder, _unit("min")]
    guide_out_missing: Annotated[Reminder, _unit("min")]
    case_end_missing: Annotated[Reminder, _unit("min")]


class Limits(_Data):
    """Every limit and drug rule of one file."""

    plausible: Plausible
    contrast: ContrastLimits
    mehran: MehranRules
    heparin: HeparinRules
    act: ActRules
    protamine: ProtamineRules
    bivalirudin: BivalirudinRules
    eptifibatide: EptifibatideRules
    tirofiban: TirofibanRules
    cangrelor: CangrelorRules
    radiation: RadiationLimits
    times: TimeTargets
    reminders: Reminders


def load(folder: Path) -> Limits:
    """Read the limits from the folder of the grammars.

    Raises
    ------
    UserError
        If the file is missing, is not TOML, or a rule is wrong: the message names file and key.
    """
    return read_toml(folder / FILE_NAME, Limits)


def check(what: str, value: float, allowed: Range, hint: str = "") -> None:
    """Refuse a figure that is not plausible.

    Raises
    ------
    UserError
        If the figure is outside the range, or not a number.
    """
    # Written so that not-a-number fails too.
    if not allowed.low <= value <= allowed.high:
        raise UserError(
            f"{what} {value:g} {allowed.unit} is outside {allowed.shown()} {allowed.unit}{hint}; "
            "check figure and unit"
        )


def rules(limits: Limits) -> Iterator[tuple[str, Rule]]:
    """Yield every rule with its key in the file, rows of a list numbered from 1."""
    for group in Limits.model_fields:
        data = getattr(limits, group)
        for name in type(data).model_fields:
            found = getattr(data, name)
            if isinstance(found, Rule):
                yield f"{group}.{name}", found
            else:
                yield from ((f"{group}.{name} {n}", rule) for n, rule in enumerate(found, 1))


def page(limits: Limits) -> str:
    """Return docs/limits.md."""
    lines = [
        "# Limits and drug rules",
        "",
        "Made from `grammars/limits.toml`, which a laboratory edits; do not edit this page. Every figure is "
        "advice for licensed staff, never an order. The file is checked at every start, and a value in another "
        "unit than the one shown is refused.",
        "",
        "| Rule | Value | Unit | Source | Dated | Known | Note |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| `{key}` | {rule.shown()} | {rule.unit} | {rule.source} | {rule.dated} | {rule.known} | {rule.note} |"
        for key, rule in rules(limits)
    ]
    lines += [
        "",
        "## Formulas",
        "",
        "| Formula | Source | Note |",
        "|---|---|---|",
        f"| eGFR, mL/min/1.73 m2 | {EGFR_SOURCE} | {NOTE} |",
        f"| creatinine clearance, mL/min, with the actual weight | {CLEARANCE_SOURCE} | {NOTE} |",
        "",
        "## Models and edges",
        "",
    ]
    lines += [f"- {text}" for text in MODELS]
    return "\n".join(lines) + "\n"
