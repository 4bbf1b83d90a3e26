"""The state of a case as one object: what the rules make of the entries at one moment.

Every figure carries its source; where one cannot be computed the reason stands in its place.
Everything here is advice for licensed staff, never an order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import datetime
from decimal import Decimal
from typing import Literal, NamedTuple, TypeVar

from pydantic import Field

from checkback.errors import UserError
from checkback.language.catalogue import Catalogue
from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import (
    Act,
    CaseEnd,
    CaseStart,
    Contrast,
    Device,
    Entry,
    Frozen,
    Infusion,
    Moment,
    Patient,
    Reference,
    TimeOut,
)
from checkback.watching.anticoagulation import (
    NotEstimated,
    Protamine,
    WeightDose,
    act_fall,
    act_target,
    bivalirudin,
    bolus_check,
    cangrelor,
    eptifibatide,
    heparin_left,
    heparin_total,
    protamine,
    protamine_for_left,
    tirofiban,
)
from checkback.watching.contrast import allowable, mehran, mehran_ahead, ratio_state
from checkback.watching.devices import diameters_at, over_rated, rated_burst, vessel_ratio
from checkback.watching.facts import Facts, gather, on_one_clock
from checkback.watching.limits import Limits
from checkback.watching.limits import check as check_plausible
from checkback.watching.radiation import Exposure, check_exposure, follow_up, notices, substantial
from checkback.watching.renal import Sex, check_haematocrit, check_weight, clearance, egfr
from checkback.watching.times import (
    Interval,
    KeyTimes,
    door_in_door_out,
    elapsed_s,
    h_mm,
    key_intervals,
)

ENTRIES = "the entries"
"""Source of a figure that was called out, and of sums of such figures."""

MORE_CONTRAST_ML = 50.0
"""The further volume for which the score is shown ahead."""

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


class Row(NamedTuple):
    """One line of the table: what, its value, where that comes from."""

    section: str
    figure: str
    value: str
    source: str
    known: bool


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
        patient=_patient(facts, limits),
        devices=_devices(case, catalogue, at_min),
        contrast=_contrast(case, facts, limits),
        clotting=_clotting(case, facts, limits),
        radiation=_radiation(facts, limits),
        times=_times(case, facts, limits, now, at_min),
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


def rows(state: Status) -> Iterator[Row]:
    """Yield the state as lines of a table, section by section."""
    yield from _rows("patient", state.patient)
    yield from _device_rows(state.devices, ended=state.ended)
    yield from _rows("contrast", state.contrast)
    yield from _rows("contrast", state.contrast.mehran)
    yield from _rows("clotting", state.clotting)
    yield from _dose_rows(state.clotting.doses)
    yield from _rows("radiation", state.radiation)
    for level in state.radiation.levels:
        what = "substantial dose level" if level.substantial else "notice level"
        yield _row("radiation", f"{what}, {level.quantity}", level.level)
    yield from _rows("times", state.times)
    for question in state.questions:
        asked = question.asked or question.words or "not understood"
        yield Row("open questions", f"entry {question.entry}", asked, ENTRIES, known=False)
    for lacking in state.missing:
        yield Row("missing in the record", lacking, "", "", known=False)
    for lacking in state.unknown:
        yield Row("missing in the record", lacking, "said not to be known", ENTRIES, known=True)


def _rows(section: str, figures: Section) -> Iterator[Row]:
    return (_row(section, title, figure) for title, figure in figures.figures())


def _row(section: str, title: str, figure: Figure) -> Row:
    if figure.text is None:
        return Row(section, title, figure.missing or "", "", known=False)
    return Row(section, title, figure.text, figure.source, known=True)


def _device_rows(devices: DeviceSection, *, ended: bool) -> Iterator[Row]:
    inside = {each.number for each in devices.inside}
    # while the case runs, what is simply in is no trouble
    open_ends = tuple(each for each in devices.unaccounted if ended or each.number not in inside)
    for title, found in (
        ("in", devices.inside),
        ("implant", devices.implants),
        ("not accounted for", open_ends),
    ):
        if not found:
            yield Row("devices", title, "none", ENTRIES, known=True)
        for each in found:
            words = ", ".join((each.device, *each.notes, f"went in {_span(each.since_s)} ago"))
            yield Row("devices", title, words, ENTRIES, known=True)
    for lesion in devices.lesions:
        words = f"{_lesion_name(lesion)}: {_lesion_words(lesion)}"
        yield Row("devices", "lesion", words, ENTRIES, known=True)
    for balloon in devices.up:
        yield Row("devices", "up", balloon.device, ENTRIES, known=True)
        yield from _rows("devices", balloon)


def _lesion_name(lesion: LesionNow) -> str:
    if lesion.number is None:
        return lesion.segment or "none named"
    return f"{lesion.number}" + ("" if lesion.segment is None else f", {lesion.segment}")


def _lesion_words(lesion: LesionNow) -> str:
    failed = f", {lesion.failures} did not cross" if lesion.failures else ""
    which = f" ({'; '.join(lesion.failed)})" if lesion.failed else ""
    said = [
        _count(lesion.devices, "device"),
        _count(lesion.attempts, "attempt to cross", "attempts to cross") + failed + which,
        _count(lesion.inflations, "inflation"),
        _count(lesion.stents, "stent"),
    ]
    return ", ".join(said) + ("; in hand" if lesion.in_hand else "")


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _dose_rows(doses: tuple[Dose, ...]) -> Iterator[Row]:
    reasons = {dose.bolus.missing for dose in doses}
    if len(reasons) == 1 and None not in reasons:
        yield _row("clotting", "label doses", doses[0].bolus)
        return
    for dose in doses:
        row = _row("clotting", f"{dose.drug} (label)", dose.bolus)
        yield row._replace(value=f"{row.value}; then {dose.infusion.text}") if row.known else row


# --- what may not be known ------------------------------------------------------------------------


class _Given:
    """Figures of the patient; one that is not known is an error that names it."""

    def __init__(self, facts: Facts) -> None:
        self._patient = facts.patient
        self._creatinine_mg_dl = facts.creatinine_mg_dl
        self._refused = facts.creatinine_refused
        self.dialysis = bool(facts.patient.dialysis)

    @property
    def age_y(self) -> float:
        return self._number("age", self._patient.age_y)

    @property
    def weight_kg(self) -> float:
        return self._number("weight", self._patient.weight_kg)

    @property
    def creatinine_mg_dl(self) -> float:
        if self._refused is not None:
            raise UserError(self._refused)
        return self._number("creatinine", self._creatinine_mg_dl)

    @property
    def sex(self) -> Sex:
        if self._patient.sex is None:
            raise UserError(_not_on_record("sex"))
        return self._patient.sex

    def need(self, *names: Literal["age", "sex", "weight", "creatinine"]) -> None:
        """Refuse with one sentence that names all that is lacking."""
        known = {
            "age": self._patient.age_y,
            "sex": self._patient.sex,
            "weight": self._patient.weight_kg,
            # a refused one has a sentence of its own
            "creatinine": self._creatinine_mg_dl if self._refused is None else self._refused,
        }
        lacking = [name for name in names if known[name] is None]
        if lacking:
            raise UserError(_not_on_record(*lacking))

    def need_own_kidney(self, what: str) -> None:
        """Refuse what is made of creatinine: on dialysis that tells of the dialysis.

        Gurm, JACC 2011;58:907 left patients on dialysis out; the formulas assume a steady state.
        """
        if self.dialysis:
            raise UserError(f"on dialysis: {what} from creatinine does not apply")

    @staticmethod
    def _number(name: str, value: float | Decimal | None) -> float:
        if value is None:
            raise UserError(_not_on_record(name))
        return float(value)


def _not_on_record(*names: str) -> str:
    if len(names) == 1:
        plural = names[0] in ("allergies", "risk factors")
        return f"{names[0]} {'are' if plural else 'is'} not on record"
    return f"{', '.join(names[:-1])} and {names[-1]} are not on record"


def _figure(compute: Callable[[], Figure]) -> Figure:
    """Return a figure, or the sentence of what stands against it."""
    try:
        return compute()
    except UserError as error:
        return Figure(missing=str(error))


# --- patient --------------------------------------------------------------------------------------


def _patient(facts: Facts, limits: Limits) -> PatientSection:
    given, plausible = _Given(facts), limits.plausible

    def age() -> Figure:
        check_plausible("age", given.age_y, plausible.age)
        return _number(given.age_y, unit="years")

    def weight() -> Figure:
        check_weight(given.weight_kg, plausible)
        return _number(given.weight_kg, unit="kg")

    def creatinine() -> Figure:
        value = given.creatinine_mg_dl
        umol_l = facts.patient.creatinine_umol_l
        said = "" if umol_l is None else f" ({_n(float(umol_l))} µmol/L)"
        return Figure(text=f"{_n(value, 2)} mg/dL{said}", value=value, unit="mg/dL")

    def haematocrit() -> Figure:
        value = float(_told("haematocrit", facts.patient.haematocrit_percent))
        check_haematocrit(value, plausible)
        return _number(value, unit="%")

    def filtration() -> Figure:
        given.need_own_kidney("eGFR")
        given.need("creatinine", "age", "sex")
        found = egfr(given.creatinine_mg_dl, given.age_y, given.sex, plausible)
        return Figure(
            text=f"{found.egfr_ml_min_173:.0f} mL/min/1.73 m²",
            value=found.egfr_ml_min_173,
            unit="mL/min/1.73 m2",
            source=found.source,
        )

    def cleared() -> Figure:
        return _number(*_clearance(given, limits), unit="mL/min")

    return PatientSection(
        age=_figure(age),
        sex=_figure(lambda: Figure(text=given.sex)),
        weight=_figure(weight),
        creatinine=_figure(creatinine),
        egfr=_figure(filtration),
        clearance=_figure(cleared),
        height=_figure(lambda: _number(float(_told("height", facts.patient.height_cm)), unit="cm")),
        haematocrit=_figure(haematocrit),
        allergies=_figure(lambda: Figure(text=_told("allergies", facts.patient.allergies))),
        indication=_figure(lambda: Figure(text=_told("indication", facts.patient.indication))),
        plan=_figure(lambda: Figure(text=_told("plan", _plan(facts.patient)))),
        risk_factors=_figure(lambda: Figure(text=_told("risk factors", _risk_factors(facts.patient)))),
    )


Told = TypeVar("Told")


def _told(name: str, value: Told | None) -> Told:
    if value is None or value == "":
        raise UserError(_not_on_record(name))
    return value


def _plan(patient: Patient) -> str | None:
    parts = [
        patient.anticoagulant,
        {True: "glycoprotein inhibitor planned", False: "no glycoprotein inhibitor planned"}.get(
            patient.gp_inhibitor  # type: ignore[arg-type]
        ),
        {True: "loaded with a P2Y12 inhibitor", False: "not loaded with a P2Y12 inhibitor"}.get(
            patient.antiplatelet_loaded  # type: ignore[arg-type]
        ),
        "transferred from another hospital" if patient.transfer_in else None,
    ]
    return ", ".join(part for part in parts if part) or None


RISK_FACTORS = (
    "diabetes",
    "heart_failure",
    "dialysis",
    "hypertension",
    "hyperlipidaemia",
    "smoker",
    "family_history",
    "prior_infarction",
    "prior_intervention",
    "prior_bypass",
    "prior_stroke",
    "peripheral_disease",
    "lung_disease",
)
"""Fields of the patient that are told as yes or no."""


def _risk_factors(patient: Patient) -> str | None:
    told = [(name.replace("_", " "), getattr(patient, name)) for name in RISK_FACTORS]
    words = [name if value else f"no {name}" for name, value in told if value is not None]
    return ", ".join(words) or None


def _clearance(given: _Given, limits: Limits) -> tuple[float, str]:
    """Return the creatinine clearance, mL/min, and its source."""
    given.need_own_kidney("clearance")
    given.need("creatinine", "age", "weight", "sex")
    found = clearance(given.creatinine_mg_dl, given.age_y, given.weight_kg, given.sex, limits.plausible)
    return found.clearance_ml_min, found.source


# --- devices --------------------------------------------------------------------------------------


def _devices(case: Case, catalogue: Catalogue, at_min: Callable[[Entry], float]) -> DeviceSection:
    def now(life: DeviceLife, name: str, notes: list[str]) -> DeviceNow:
        return DeviceNow(
            number=life.number,
            entry=life.entry.n,
            device=name,
            since_s=_ago_s(at_min, life.entry),
            notes=tuple(notes),
        )

    reference = case.latest(Reference)
    vessel = None if reference is None else reference.body
    assert vessel is None or isinstance(vessel, Reference)
    unaccounted = case.unaccounted()
    return DeviceSection(
        inside=tuple(now(life, device_name(life.body), _notes(life)) for life in case.inside()),
        up=tuple(
            _balloon_up(life, vessel, catalogue, at_min)
            for life in unaccounted
            if life.inflated and life.inflations
        ),
        implants=tuple(
            now(
                life, device_name(life.body), _label(life) + ([] if life.fate == "implanted" else [life.fate])
            )
            for life in case.implants()
        ),
        lesions=_lesions(case),
        unaccounted=tuple(
            now(life, f"balloon of the {name}" if life.deployed else name, _notes(life))
            for life in unaccounted
            for name in [device_name(life.body)]
        ),
    )


def _lesions(case: Case) -> tuple[LesionNow, ...]:
    by_number = {life.number: device_name(life.body) for life in case.devices()}
    in_hand = case.lesion_in_hand()
    return tuple(
        LesionNow(
            number=work.number,
            segment=work.segment,
            in_hand=work is in_hand,
            devices=len(work.devices),
            attempts=work.attempts,
            failures=work.failures,
            failed=tuple(by_number[number] for number in work.failed),
            inflations=work.inflations,
            stents=work.stents,
        )
        for work in case.lesions()
    )


def _label(life: DeviceLife) -> list[str]:
    identity = life.identity
    said = () if identity is None else (("lot", identity.lot), ("serial number", identity.serial))
    return [f"{name} {value}" for name, value in said if value]


def _notes(life: DeviceLife) -> list[str]:
    said = (
        ("across", life.across is True),
        ("not across", life.across is False),
        ("up", life.inflated),
        ("stuck", life.stuck),
        ("ruptured", life.ruptured),
        ("off its balloon", life.off_balloon),
        ("snared", life.snared),
    )
    return [words for words, true in said if true]


def _balloon_up(
    life: DeviceLife, vessel: Reference | None, catalogue: Catalogue, at_min: Callable[[Entry], float]
) -> BalloonUp:
    last = life.inflations[-1]
    seconds, pressure_atm = _ago_s(at_min, last.entry), last.pressure_atm

    def called_out() -> Decimal:
        if pressure_atm is None:
            raise UserError("the pressure was not called out")
        return pressure_atm

    def rated() -> Figure:
        found = rated_burst(catalogue, life.body)
        if found is None:
            raise UserError("the catalogue has none for this device")
        over = None if pressure_atm is None else over_rated(catalogue, life.body, pressure_atm)
        above = "" if over is None else f", which this pressure exceeds by {_n(float(over.excess_atm))} atm"
        lowest = ", the lowest of several items" if found.lowest_of_several else ""
        return Figure(
            text=f"{_n(float(found.rated_burst_atm))} atm{lowest}{above}",
            value=float(found.rated_burst_atm),
            unit="atm",
            source=f"catalogue: {found.source}",
        )

    def diameter() -> Figure:
        found = diameters_at(catalogue, life.body, called_out())
        if not found:
            raise UserError("the catalogue has no compliance table for this device")
        inside = [(float(each.diameter_mm), each.source) for each in found if each.diameter_mm is not None]
        if not inside:
            low, high = found[0].table_atm
            raise UserError(
                f"{_n(float(called_out()))} atm is {found[0].beyond} the compliance table, "
                f"{_n(float(low))}-{_n(float(high))} atm"
            )
        low_mm, high_mm = min(inside)[0], max(inside)[0]
        text = _n(low_mm, 2) if low_mm == high_mm else f"{_n(low_mm, 2)}-{_n(high_mm, 2)}"
        return Figure(
            text=f"{text} mm",
            low=low_mm,
            high=high_mm,
            unit="mm",
            source="catalogue: " + "; ".join(source for _, source in inside),
        )

    def ratio() -> Figure:
        if vessel is None:
            raise UserError(_not_on_record("reference diameter"))
        at = [
            each for each in diameters_at(catalogue, life.body, called_out()) if each.diameter_mm is not None
        ]
        widest = max(at, key=lambda each: each.diameter_mm or 0, default=None)
        if widest is None or widest.diameter_mm is None:
            raise UserError("the diameter at this pressure is not known")
        found = vessel_ratio(widest.diameter_mm, f"catalogue: {widest.source}", vessel)
        if found is None:
            raise UserError("the reference diameter on record is 0 mm")
        return Figure(
            text=f"{_n(float(found.ratio), 2)} of a vessel of {_n(float(found.reference_mm), 2)} mm",
            value=float(found.ratio),
            unit="ratio",
            source=f"{found.source}; reference diameter from the entries",
        )

    return BalloonUp(
        number=life.number,
        device=device_name(life.body),
        pressure=_figure(lambda: _number(float(called_out()), unit="atm")),
        up=Figure(text=_span(seconds), value=seconds, unit="s"),
        rated_burst=_figure(rated),
        diameter=_figure(diameter),
        vessel_ratio=_figure(ratio),
    )


def device_name(body: Device) -> str:
    """Return a device as a short line for the eye, such as "non-compliant balloon 3.0 × 15 mm"."""
    size = [
        # the trade writes "3.0 mm"
        None if mm is None else f"{mm:.1f}" if least and mm == round(mm, 1) else f"{mm.normalize():f}"
        for mm, least in ((body.diameter_mm, True), (body.length_mm, False))
    ]
    sizes = " × ".join(each for each in size if each is not None)
    parts = (
        body.type,
        body.device,
        body.curve,
        None if body.french is None else f"{body.french.normalize():f} French",
        f"{sizes} mm" if sizes else None,
    )
    return " ".join(part for part in parts if part)


# --- contrast -------------------------------------------------------------------------------------


def _contrast(case: Case, facts: Facts, limits: Limits) -> ContrastSection:
    given, rules, plausible = _Given(facts), limits.contrast, limits.plausible
    given_ml = facts.contrast_ml

    def total() -> Figure:
        if case.latest(Contrast) is None:
            raise UserError(_not_on_record("contrast"))
        return _number(given_ml, unit="mL")

    def limit_and_left() -> tuple[Figure, Figure]:
        given.need_own_kidney("a maximum")
        given.need("weight", "creatinine")
        limit = allowable(given.weight_kg, given.creatinine_mg_dl, rules, plausible)
        left_ml = limit.remaining_ml(given_ml)
        over = "" if given_ml <= limit.limit_ml else f", {_n(given_ml - limit.limit_ml)} mL above it"
        return (
            Figure(text=f"{_down(limit.limit_ml)} mL", value=limit.limit_ml, unit="mL", source=limit.source),
            Figure(text=f"{_down(left_ml)} mL{over}", value=left_ml, unit="mL", source=limit.source),
        )

    def steps() -> tuple[Figure, Figure, Figure]:
        cleared, source = _clearance(given, limits)
        found = ratio_state(given_ml, cleared, rules)
        reached, ahead = found.reached, found.ahead
        return (
            Figure(
                text=f"{math.floor(found.ratio * 100 + 1e-9) / 100:.2f}",
                value=found.ratio,
                unit="mL per mL/min",
                source=source,
            ),
            Figure(
                text="none" if reached is None else f"{reached.name} ({_down(reached.limit_ml)} mL)",
                value=None if reached is None else reached.limit_ml,
                unit="mL",
                source=found.source if reached is None else reached.source,
            ),
            Figure(missing="the last step is reached")
            if ahead is None or found.to_next_ml is None
            else Figure(
                text=f"{_down(found.to_next_ml)} mL to {ahead.name} ({_down(ahead.limit_ml)} mL)",
                value=found.to_next_ml,
                unit="mL",
                source=ahead.source,
            ),
        )

    allowed, left = _figures(2, limit_and_left)
    ratio, reached, ahead = _figures(3, steps)
    return ContrastSection(
        total=_figure(total),
        allowable=allowed,
        left=left,
        ratio=ratio,
        step_reached=reached,
        to_next_step=ahead,
        mehran=_mehran(facts, limits),
    )


def _mehran(facts: Facts, limits: Limits) -> MehranSection:
    rules, plausible, given_ml = limits.mehran, limits.plausible, facts.contrast_ml
    try:
        _Given(facts).need_own_kidney("a risk score")
        now = mehran(facts.risk, given_ml, rules, plausible)
        ((_, ahead),) = mehran_ahead(facts.risk, given_ml, rules, plausible, (MORE_CONTRAST_ML,))
    except UserError as error:
        without = Figure(missing=str(error))
        return MehranSection(score=without, risk=without, ahead=without)
    least = "at least " if now.unknown else ""
    because = ", ".join(f"{each.name} {each.points}" for each in now.findings)
    unknown = f"; not known: {', '.join(now.unknown)}" if now.unknown else ""
    return MehranSection(
        score=Figure(
            text=f"{least}{_points(now.points)}{': ' if because else ''}{because}{unknown}",
            value=now.points,
            unit="points",
            source=now.source,
        ),
        contributions=tuple(Contribution(name=f.name, points=f.points) for f in now.findings),
        unknown=now.unknown,
        risk=Figure(
            text=f"{least}nephropathy {_n(now.nephropathy_percent)} %, dialysis {_n(now.dialysis_percent, 2)} %",
            value=now.nephropathy_percent,
            unit="%",
            source=now.source,
        ),
        ahead=Figure(
            text=f"{least}{_points(ahead.points)}", value=ahead.points, unit="points", source=ahead.source
        ),
    )


def _points(points: int) -> str:
    return f"{points} {'point' if points == 1 else 'points'}"


def _figures(count: int, compute: Callable[[], tuple[Figure, ...]]) -> tuple[Figure, ...]:
    """Return figures that stand or fall together."""
    try:
        return compute()
    except UserError as error:
        return (Figure(missing=str(error)),) * count


# --- clotting -------------------------------------------------------------------------------------


def _clotting(case: Case, facts: Facts, limits: Limits) -> ClottingSection:
    given, plausible = _Given(facts), limits.plausible
    target = act_target(facts.gp_inhibitor, limits.act)
    with_gp = " with a glycoprotein inhibitor" if facts.gp_inhibitor else ""
    boluses = [bolus for _, bolus in facts.boluses]
    last = max(facts.acts, key=lambda act: act[1].at_min, default=None)

    def counted() -> None:
        if facts.uncounted_heparin:
            body = facts.uncounted_heparin[0].body
            entry = f"the heparin of entry {facts.uncounted_heparin[0].n}"
            by_weight = getattr(body, "unit", "") == "U/kg"
            why = "is by weight, and weight is not on record" if by_weight else "is not in units"
            raise UserError(f"{entry} {why}")
        if not boluses:
            raise UserError("no bolus of heparin is on record")

    def heparin() -> Figure:
        counted()
        infused = any(isinstance(e.body, Infusion) and e.body.drug == "heparin" for e in case.in_force())
        beside = ", infusion not counted" if infused else ""
        total_u = math.fsum(bolus.dose_u for bolus in boluses)
        return Figure(text=f"{_n(total_u)} U{beside}", value=total_u, unit="U")

    def per_kg() -> Figure:
        counted()
        found = heparin_total(boluses, given.weight_kg, plausible)
        return _number(found.total_u_per_kg, found.source, unit="U/kg")

    def first_bolus() -> Figure:
        counted()
        first = min(boluses, key=lambda bolus: bolus.at_min)
        found = bolus_check(first.dose_u, given.weight_kg, facts.gp_inhibitor, limits.heparin, plausible)
        window = f"{_n(found.low_u)}-{_n(found.high_u)} U"
        return Figure(
            text=f"{_n(first.dose_u)} U, {_n(found.u_per_kg)} U/kg: {found.verdict} {window}{with_gp}",
            value=found.u_per_kg,
            low=found.low_u / given.weight_kg,
            high=found.high_u / given.weight_kg,
            unit="U/kg",
            source=found.source,
        )

    def last_act() -> Figure:
        if last is None:
            raise UserError("no clotting time is on record")
        act_s = last[1].act_s
        check_plausible("clotting time", act_s, plausible.act)
        site = _site(last[0])
        side = "below" if act_s < target.low_s else "above" if act_s > target.high_s else "within"
        return Figure(
            text=f"{_n(act_s)} s{'' if site is None else f' from the {_SITES[site]}'}, {side} the target",
            value=act_s,
            unit="s",
        )

    def act_age() -> Figure:
        if last is None:
            raise UserError("no clotting time is on record")
        age_min = max(0.0, -last[1].at_min)
        return Figure(text=_span(age_min * 60), value=age_min, unit="min")

    def not_reversed() -> None:
        counted()
        if facts.protamine:
            # how much heparin it has bound no rule here tells, and a figure without it is too high
            raise UserError(
                f"protamine is on record (entry {facts.protamine[-1][0].n}): not computed after it"
            )

    def left() -> Figure:
        not_reversed()
        found = heparin_left(boluses, 0.0, given.weight_kg, limits.heparin, plausible)
        half = "" if found.half_life_min is None else f", half-life {_n(found.half_life_min, 0)} min"
        return Figure(
            text=f"{_n(found.remaining_u, 0)} U{half}", value=found.remaining_u, unit="U", source=found.source
        )

    def reversal() -> Figure:
        not_reversed()
        return _protamine(protamine(boluses, 0.0, limits.protamine), limits)

    def reversal_of_left() -> Figure:
        not_reversed()
        rest = heparin_left(boluses, 0.0, given.weight_kg, limits.heparin, plausible)
        return _protamine(protamine_for_left(rest, limits.protamine), limits)

    return ClottingSection(
        heparin=_figure(heparin),
        heparin_per_kg=_figure(per_kg),
        first_bolus=_figure(first_bolus),
        act=_figure(last_act),
        act_site=None if last is None else _site(last[0]),
        act_age=_figure(act_age),
        target=Figure(
            text=f"{_n(target.low_s)}-{_n(target.high_s)} s{with_gp}",
            low=target.low_s,
            high=target.high_s,
            unit="s",
            source=target.source,
        ),
        below_target=_figure(lambda: _below_target(facts, limits, target.low_s)),
        heparin_left=_figure(left),
        protamine=_figure(reversal),
        protamine_for_left=_figure(reversal_of_left),
        doses=_doses(given, limits),
    )


def _protamine(found: Protamine, limits: Limits) -> Figure:
    low, high = _n(found.low_mg), _n(found.high_mg)
    window = low if low == high else f"{low}-{high}"
    capped = f" (capped at {_n(limits.protamine.cap.value)} mg)" if found.capped else ""
    return Figure(
        text=f"{window} mg{capped} over at least {_n(found.over_min)} min",
        low=found.low_mg,
        high=found.high_mg,
        unit="mg",
        source=found.source,
    )


_SITES = {"guide": "guide", "sheath": "sheath", "venous": "vein"}


def _site(entry: Entry) -> Literal["guide", "sheath", "venous"] | None:
    return entry.body.site if isinstance(entry.body, Act) else None


def _below_target(facts: Facts, limits: Limits, target_s: float) -> Figure:
    """Return in how many minutes the clotting time falls below its target."""
    if facts.heparin_last_min is None:
        raise UserError("no heparin is on record")
    if any(at_min > facts.heparin_last_min for _, at_min in facts.protamine):
        return Figure(missing="not estimated: protamine was given since the last heparin")
    found = act_fall(
        [act for _, act in facts.acts],
        facts.heparin_last_min,
        target_s,
        limits.act,
        limits.plausible,
        baseline_s=facts.baseline_s,
        heparin_infusion=facts.heparin_infusion,
    )
    if isinstance(found, NotEstimated):
        return Figure(missing=f"not estimated: {found.reason}", source=found.source)
    latest = f"{_n(found.latest_min, 0)} min" if found.latest_min is not None else "not foreseeable"
    return Figure(
        text=f"{_from_now(found.at_min)} (earliest {_n(found.earliest_min, 0)} min, latest {latest}; "
        f"{found.readings} readings)",
        value=found.at_min,
        low=found.earliest_min,
        high=found.latest_min,
        unit="min",
        source=found.source,
    )


def _from_now(minutes: float) -> str:
    return f"in about {minutes:.0f} min" if minutes >= 0 else f"about {-minutes:.0f} min ago"


def _doses(given: _Given, limits: Limits) -> tuple[Dose, ...]:
    plausible, on = limits.plausible, given.dialysis
    cleared: float | None
    try:
        cleared = _clearance(given, limits)[0]
    except UserError:
        cleared = None
    return (
        _labelled(
            "bivalirudin",
            lambda: bivalirudin(given.weight_kg, cleared, limits.bivalirudin, plausible, dialysis=on),
            dialysis=on,
        ),
        _labelled("cangrelor", lambda: cangrelor(given.weight_kg, limits.cangrelor, plausible)),
        _labelled(
            "eptifibatide",
            lambda: eptifibatide(given.weight_kg, cleared, limits.eptifibatide, plausible, dialysis=on),
            dialysis=on,
        ),
        _labelled(
            "tirofiban",
            lambda: tirofiban(given.weight_kg, cleared, limits.tirofiban, plausible, dialysis=on),
            dialysis=on,
        ),
    )


def _labelled(drug: str, compute: Callable[[], WeightDose], *, dialysis: bool = False) -> Dose:
    bolus, infusion = _figures(2, lambda: _dose(compute(), dialysis))
    return Dose(drug=drug, bolus=bolus, infusion=infusion)


def _dose(dose: WeightDose, dialysis: bool) -> tuple[Figure, ...]:
    over = "" if dose.bolus_over_min is None else f" over {_n(dose.bolus_over_min)} min"
    again = (
        "" if dose.second_bolus_after_min is None else f", again after {_n(dose.second_bolus_after_min)} min"
    )
    kidney = f", reduced for {'dialysis' if dialysis else 'the clearance'}" if dose.reduced else ""
    if not dose.clearance_known:
        kidney = ", full dose: the clearance is not known"
    return (
        Figure(
            text=f"{_n(dose.bolus_mg, 2)} mg = {_n(dose.bolus_ml)} mL{_capped(dose.bolus_capped)}{over}{again}",
            value=dose.bolus_mg,
            unit="mg",
            source=dose.source,
        ),
        Figure(
            text=f"{_n(dose.infusion_mg_per_h, 2)} mg/h = {_n(dose.infusion_ml_per_h)} mL/h"
            f"{_capped(dose.infusion_capped)}{kidney}",
            value=dose.infusion_mg_per_h,
            unit="mg/h",
            source=dose.source,
        ),
    )


def _capped(capped: bool) -> str:
    return " (capped)" if capped else ""


# --- radiation ------------------------------------------------------------------------------------


def _radiation(facts: Facts, limits: Limits) -> RadiationSection:
    plausible, exposure = limits.plausible, facts.exposure
    alone = (
        ("air kerma", exposure.air_kerma_gy, "Gy", Exposure(air_kerma_gy=exposure.air_kerma_gy)),
        ("dose-area product", exposure.dose_area_gy_cm2, "Gy·cm²", Exposure(dose_area_gy_cm2=exposure.dose_area_gy_cm2)),
        ("fluoroscopy time", exposure.fluoroscopy_min, "min", Exposure(fluoroscopy_min=exposure.fluoroscopy_min)),
    )  # fmt: skip
    read: list[Figure] = []
    levels: list[Level] = []
    sound = Exposure()
    for name, value, unit, each in alone:
        if value is None:
            read.append(Figure(missing=_not_on_record(name)))
            continue
        try:
            # one reading in a wrong unit must not hide the two others
            check_exposure(each, plausible)
        except UserError as error:
            read.append(Figure(missing=str(error)))
            continue
        read.append(Figure(text=f"{_n(value, 2)} {unit}", value=value, unit=unit))
        levels += _levels(each, unit, limits)
        sound = Exposure(
            sound.air_kerma_gy if each.air_kerma_gy is None else each.air_kerma_gy,
            sound.dose_area_gy_cm2 if each.dose_area_gy_cm2 is None else each.dose_area_gy_cm2,
            sound.fluoroscopy_min if each.fluoroscopy_min is None else each.fluoroscopy_min,
        )
    line = follow_up(sound, limits.radiation, plausible)
    return RadiationSection(
        air_kerma=read[0],
        dose_area=read[1],
        fluoroscopy=read[2],
        levels=tuple(levels),
        follow_up=Figure(missing="no substantial dose level is on record")
        if line is None
        else Figure(text=" ".join(line.actions), source=line.source),
    )


def _levels(exposure: Exposure, unit: str, limits: Limits) -> Iterator[Level]:
    """Yield the highest notice and the substantial level that one reading has reached."""
    due = notices(Exposure(), exposure, limits.radiation, limits.plausible)[-1:]
    for found, is_substantial in (
        *((notice, False) for notice in due),
        *((notice, True) for notice in substantial(exposure, limits.radiation, limits.plausible)),
    ):
        yield Level(
            quantity=found.quantity,
            substantial=is_substantial,
            level=Figure(
                text=f"{_n(found.level)} {unit} reached", value=found.level, unit=unit, source=found.source
            ),
        )


# --- times ----------------------------------------------------------------------------------------


def _times(
    case: Case, facts: Facts, limits: Limits, now: Moment, at_min: Callable[[Entry], float]
) -> TimesSection:
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
            raise UserError(_not_on_record("arrival at or departure from the first hospital"))
        return _held_against_target(found)

    def inflated() -> Figure:
        ups = [up for life in case.devices() for up in life.inflations]
        if not ups:
            raise UserError("no inflation is on record")
        counted_s = math.fsum(up.seconds for up in ups if up.seconds is not None)
        running = [
            _ago_s(at_min, life.inflations[-1].entry)
            for life in case.unaccounted()
            if life.inflated and life.inflations[-1].ended is None and life.inflations[-1].seconds is None
        ]
        seconds = counted_s + math.fsum(running)
        open_ends = sum(up.seconds is None for up in ups) - len(running)
        ends = f", without {_count(open_ends, 'inflation')} of unknown end" if open_ends else ""
        return Figure(text=f"{_span(seconds)}, {_count(len(ups), 'time')}{ends}", value=seconds, unit="s")

    def procedure() -> Figure:
        began = _first(case, TimeOut) or _first(case, CaseStart)
        if began is None:
            raise UserError("neither time-out nor start of the case is on record")
        end = case.latest(CaseEnd)
        seconds = _ago_s(at_min, began) if end is None else case.seconds_between(began, end)
        since = "time-out" if isinstance(began.body, TimeOut) else "start of the case"
        running = "so far" if end is None else "to the end of the case"
        return Figure(text=f"{h_mm(seconds)} h from the {since}, {running}", value=seconds / 60, unit="min")

    def to_device(start: str, known: KeyTimes) -> Figure:
        begun = known.arrival or known.contact or known.onset or known.first_door
        if begun is None:
            raise UserError(_not_on_record(start))
        if known.device is None:
            waited_s = elapsed_s(begun, now.wall)
            so_far = f" ({int(waited_s // 60)} min since {start})" if waited_s >= 0 else ""
            raise UserError(f"no balloon, stent or aspiration was used yet{so_far}")
        (found,) = key_intervals(known, transferred, limits.times)
        return _held_against_target(found)

    device = times.device
    return TimesSection(
        procedure=_figure(procedure),
        door_to_device=_figure(lambda: to_device("arrival", KeyTimes(arrival=times.arrival, device=device))),
        contact_to_device=_figure(
            lambda: to_device("first medical contact", KeyTimes(contact=times.contact, device=device))
        ),
        onset_to_device=_figure(
            lambda: to_device("symptom onset", KeyTimes(onset=times.onset, device=device))
        ),
        first_door_to_device=_figure(first_door),
        door_in_door_out=_figure(door_in_out),
        inflated=_figure(inflated),
    )


def _held_against_target(found: Interval) -> Figure:
    verdict = ""
    if found.target_min is not None:
        verdict = f", {'within' if found.within else 'above'} {_n(found.target_min)} min"
    return Figure(
        text=f"{found.minutes} min{verdict}",
        value=found.minutes,
        high=found.target_min,
        unit="min",
        source=found.source,
    )


def _first(case: Case, kind: type[Frozen]) -> Entry | None:
    return next((entry for entry in case.in_force() if isinstance(entry.body, kind)), None)


# --- how figures look -----------------------------------------------------------------------------


def _ago_s(at_min: Callable[[Entry], float], entry: Entry) -> float:
    return max(0.0, round(-60 * at_min(entry), 3))


def _n(value: float, places: int = 1) -> str:
    """Return a number without zeros that say nothing."""
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _down(volume_ml: float) -> str:
    # what is left is never shown as more than it is
    return str(math.floor(volume_ml + 1e-9))


def _number(value: float, source: str = ENTRIES, *, unit: str) -> Figure:
    return Figure(text=f"{_n(value)} {unit}", value=value, unit=unit, source=source)


def _span(seconds: float) -> str:
    """Return a time as it is said in the room: seconds at first, then minutes, then hours."""
    whole = int(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{h_mm(seconds)} h"
