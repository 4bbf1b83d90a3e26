"""The state of a case as data: every figure with its source, or the reason why there is none."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from checkback.record.entry import (
    Frozen,
    Moment,
)

ENTRIES = "the entries"
"""Source of a figure that was called out, and of sums of such figures."""


class Figure(Frozen):
    """One figure, or why there is none."""

    text: str | None = Field(default=None, description="As it is shown; null if there is none.")
    value: float | None = Field(default=None, description="Unrounded; null also for a window or a word.")
    low: float | None = Field(default=None, description="Lower end of a window, or of an estimate.")
    high: float | None = Field(default=None, description="Upper end.")
    unit: str | None = None
    source: str = ENTRIES
    missing: str | None = Field(default=None, description="Why there is none.")


class Section(Frozen):
    """Figures of one kind; the title of a field is what stands in front of its figure."""

    def figures(self) -> Iterator[tuple[str, Figure]]:
        """Yield every figure with its title."""
        for name, field in type(self).model_fields.items():
            figure = getattr(self, name)
            if isinstance(figure, Figure):
                yield field.title or name, figure


class PatientSection(Section):
    """The patient."""

    age: Figure = Field(title="age")
    sex: Figure = Field(title="sex")
    weight: Figure = Field(title="weight")
    height: Figure = Field(title="height")
    haematocrit: Figure = Field(title="haematocrit")
    creatinine: Figure = Field(title="creatinine")
    egfr: Figure = Field(title="eGFR")
    clearance: Figure = Field(title="creatinine clearance")
    allergies: Figure = Field(title="allergies")
    indication: Figure = Field(title="indication")
    plan: Figure = Field(title="plan")
    risk_factors: Figure = Field(title="risk factors")


class DeviceNow(Frozen):
    """A device that is in, an implant, or one that is not accounted for."""

    number: int = Field(description="1 for the first device of the case.")
    entry: int = Field(description="Number of the entry with which it went in.")
    device: str
    since_s: float = Field(description="Seconds since it went in.")
    notes: tuple[str, ...] = Field(default=(), description="What is to be known of it, such as stuck.")


class BalloonUp(Section):
    """A balloon, or the balloon of a stent, that is up."""

    number: int
    device: str
    pressure: Figure = Field(title="pressure")
    up: Figure = Field(title="up for")
    rated_burst: Figure = Field(title="rated burst pressure")
    diameter: Figure = Field(title="diameter at this pressure")
    vessel_ratio: Figure = Field(title="balloon to vessel")


class LesionNow(Frozen):
    """What was done in one lesion."""

    number: int | None = Field(description="As spoken; null if it has none.")
    segment: str | None = Field(description="With neither number nor segment: no lesion was named yet.")
    in_hand: bool = Field(description="Whether it is the one that is worked on.")
    devices: int
    attempts: int = Field(description="Attempts to cross that were called out.")
    failures: int = Field(description="Those that did not cross.")
    failed: tuple[str, ...] = Field(default=(), description="The devices that did not cross.")
    inflations: int
    stents: int


class DeviceSection(Frozen):
    """The devices."""

    inside: tuple[DeviceNow, ...]
    up: tuple[BalloonUp, ...]
    implants: tuple[DeviceNow, ...]
    lesions: tuple[LesionNow, ...] = Field(default=(), description="In the order in which they were named.")
    unaccounted: tuple[DeviceNow, ...] = Field(
        description="What went in and is neither out, implanted nor declared left; of a deployed stent the balloon."
    )


class Contribution(Frozen):
    """One line of the Mehran score."""

    name: str
    points: int


class MehranSection(Section):
    """The Mehran score now, and what more contrast would add."""

    score: Figure = Field(title="Mehran score")
    contributions: tuple[Contribution, ...] = ()
    unknown: tuple[str, ...] = Field(default=(), description="What counted nothing, not being known.")
    risk: Figure = Field(title="risk of that score")
    ahead: Figure = Field(title="after 50 mL more")


class ContrastSection(Section):
    """Contrast medium against the kidney."""

    total: Figure = Field(title="given")
    allowable: Figure = Field(title="maximum allowable")
    left: Figure = Field(title="left")
    ratio: Figure = Field(title="contrast / clearance")
    step_reached: Figure = Field(title="step reached")
    to_next_step: Figure = Field(title="to the next step")
    mehran: MehranSection


class Dose(Section):
    """The label's dose of one drug for this patient."""

    drug: str
    bolus: Figure = Field(title="bolus")
    infusion: Figure = Field(title="infusion")


class ClottingSection(Section):
    """Heparin, clotting time and other antithrombotic drugs."""

    heparin: Figure = Field(title="heparin given")
    heparin_per_kg: Figure = Field(title="heparin per kg")
    first_bolus: Figure = Field(title="first bolus")
    act: Figure = Field(title="last ACT")
    act_site: Literal["guide", "sheath", "venous"] | None = None
    act_age: Figure = Field(title="age of that ACT")
    target: Figure = Field(title="ACT target")
    below_target: Figure = Field(title="below target")
    heparin_left: Figure = Field(title="heparin left (estimate)")
    protamine: Figure = Field(title="protamine, full reversal by label")
    protamine_for_left: Figure = Field(title="protamine for heparin left")
    doses: tuple[Dose, ...] = Field(description="Label doses for this patient.")


class Level(Section):
    """A radiation notice or substantial dose level that was reached."""

    quantity: str
    substantial: bool
    level: Figure


class RadiationSection(Section):
    """Radiation."""

    air_kerma: Figure = Field(title="air kerma")
    dose_area: Figure = Field(title="dose-area product")
    fluoroscopy: Figure = Field(title="fluoroscopy")
    levels: tuple[Level, ...] = Field(description="Of each quantity the highest that was reached.")
    follow_up: Figure = Field(title="follow-up")


class TimesSection(Section):
    """Times."""

    procedure: Figure = Field(title="procedure time")
    door_to_device: Figure = Field(title="door to device")
    contact_to_device: Figure = Field(title="contact to device")
    onset_to_device: Figure = Field(title="total ischaemic time")
    first_door_to_device: Figure = Field(title="first door to device")
    door_in_door_out: Figure = Field(title="door in to door out")
    inflated: Figure = Field(title="balloons up in all")


class Question(Frozen):
    """An entry that is still questioned."""

    entry: int
    asked: str
    words: str


class Status(Frozen):
    """The state of a case at one moment."""

    at: Moment
    ended: bool
    patient: PatientSection
    devices: DeviceSection
    contrast: ContrastSection
    clotting: ClottingSection
    radiation: RadiationSection
    times: TimesSection
    questions: tuple[Question, ...]
    missing: tuple[str, ...] = Field(description="What a complete record still lacks.")
    unknown: tuple[str, ...] = Field(
        default=(), description="What is lacking too and was said not to be known."
    )
