"""What the rules need to know, gathered from the entries of a case."""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import datetime

from checkback.errors import UserError
from checkback.record.case import LONGEST_STEP_S, Case
from checkback.record.entry import (
    Act,
    AirKerma,
    BloodPressure,
    Deployment,
    Device,
    DeviceEvent,
    DoseArea,
    Drug,
    Entry,
    Fluoroscopy,
    Inflation,
    Infusion,
    Moment,
    Patient,
)
from checkback.watching.anticoagulation import Act as ActReading
from checkback.watching.anticoagulation import Bolus
from checkback.watching.contrast import Risk
from checkback.watching.limits import Plausible
from checkback.watching.radiation import Exposure
from checkback.watching.renal import creatinine_mg_dl, egfr
from checkback.watching.times import KeyTimes

GP_INHIBITORS = frozenset({"abciximab", "eptifibatide", "tirofiban"})
P2Y12_INHIBITORS = frozenset({"clopidogrel", "prasugrel", "ticagrelor", "cangrelor"})


@dataclass(frozen=True)
class Facts:
    """The state of a case in the terms of the rules; None: not on record.

    Attributes
    ----------
    patient : Patient
        What is known of the patient; of a value given twice the later one.
    creatinine_mg_dl : float or None
        Serum creatinine in mg/dL, whichever unit it was given in; None also if it is refused.
    creatinine_refused : str or None
        Why the creatinine on record cannot be true, in a sentence.
    boluses : tuple of (Entry, Bolus)
        Boluses of heparin, in minutes from now: negative is past.
    uncounted_heparin : tuple of Entry
        Boluses that are not among them, because they cannot be turned into units.
    heparin_last_min : float or None
        When heparin was last given, the end of an infusion included, on the same clock.
    protamine : tuple of (Entry, float)
        Each dose of protamine, with its time on the same clock.
    baseline_s : float or None
        The last clotting time before the first heparin on record, s.
    acts : tuple of (Entry, anticoagulation.Act)
        Readings of the activated clotting time, on the same clock.
    heparin_infusion : bool
        Whether one is running.
    gp_inhibitor : bool
        Whether one was given or is planned.
    loaded : bool
        Whether a P2Y12 inhibitor was given, now or before.
    contrast_ml : float
        Contrast so far; 0 if none is on record.
    exposure : Exposure
        Radiation so far.
    risk : Risk
        For the Mehran score.
    times : KeyTimes
        Key moments of an emergency; `device` is the first balloon, stent or aspiration.
    """

    patient: Patient
    creatinine_mg_dl: float | None
    creatinine_refused: str | None
    boluses: tuple[tuple[Entry, Bolus], ...]
    uncounted_heparin: tuple[Entry, ...]
    heparin_last_min: float | None
    protamine: tuple[tuple[Entry, float], ...]
    baseline_s: float | None
    acts: tuple[tuple[Entry, ActReading], ...]
    heparin_infusion: bool
    gp_inhibitor: bool
    loaded: bool
    contrast_ml: float
    exposure: Exposure
    risk: Risk
    times: KeyTimes


def minutes(moment: Moment, session: int, now: Moment, now_session: int) -> float:
    """Return `moment` in minutes before or after `now`: negative is past.

    Within one session the monotonic clock rules; from one session to another only the wall clock
    is left.
    """
    if session == now_session:
        return (moment.monotonic_s - now.monotonic_s) / 60
    return (moment.wall - now.wall).total_seconds() / 60


def on_one_clock(case: Case, now: Moment, now_session: int) -> Callable[[Entry], float]:
    """Return what gives the time of an entry in minutes from `now`: negative is past.

    As `minutes`, and right where an entry was amended in a later session than it was made in, and
    where the wall clock was set between entry and `now`.
    """

    def at_min(entry: Entry) -> float:
        read = _first_written(case, entry)
        found = minutes(read.at, read.session, now, now_session)
        if read.session != now_session:
            found += case.clock_set_since_s(read.n) / 60
        # nothing in a case is further away; a damaged figure must not overflow what is made of it
        return max(-LONGEST_STEP_S / 60, min(LONGEST_STEP_S / 60, found))

    return at_min


def _first_written(case: Case, entry: Entry) -> Entry:
    """Return the entry with which the time of `entry` was read: a correction keeps the old time."""
    while entry.amends is not None and entry.amends < entry.n:
        old = case.entry(entry.amends)
        if old is None or old.at != entry.at:
            break
        entry = old
    return entry


def gather(case: Case, now: Moment, now_session: int, plausible: Plausible) -> Facts:
    """Return the facts of a case at a moment.

    Parameters
    ----------
    case : Case
    now : Moment
        The clock of `Bolus.at_min` and `Act.at_min` is minutes from this moment.
    now_session : int
        The session that `now` belongs to.
    plausible : Plausible
        Against which creatinine and age are checked; what fails counts as not known, so that one
        wrong figure does not hide the rest of the case.
    """
    standing = case.in_force()
    patient = case.patient()
    creatinine, refused = creatinine_of(patient, plausible)
    weight_kg = _number(patient.weight_kg)
    pressures = [e.body for e in standing if isinstance(e.body, BloodPressure)]
    drugs = [e.body for e in standing if isinstance(e.body, Drug)]
    given = {d.drug for d in drugs} | {e.body.drug for e in standing if isinstance(e.body, Infusion)}
    at_min = on_one_clock(case, now, now_session)
    doses = [
        (e, heparin_u(e.body, weight_kg))
        for e in standing
        if isinstance(e.body, Drug) and e.body.drug == "heparin" and e.body.route != "subcutaneous"
    ]
    infusions = [e for e in standing if isinstance(e.body, Infusion) and e.body.drug == "heparin"]
    heparin_min = [at_min(e) for e in (*(e for e, _ in doses), *infusions)]
    acts = tuple((e, ActReading(at_min(e), float(e.body.act_s))) for e in standing if isinstance(e.body, Act))
    before = [act for _, act in acts if heparin_min and act.at_min < min(heparin_min)]

    return Facts(
        patient=patient,
        creatinine_mg_dl=creatinine,
        creatinine_refused=refused,
        boluses=tuple((e, Bolus(at_min(e), dose_u)) for e, dose_u in doses if dose_u is not None),
        uncounted_heparin=tuple(e for e, dose_u in doses if dose_u is None),
        heparin_last_min=max(heparin_min, default=None),
        protamine=tuple(
            (e, at_min(e))
            for e in standing
            if isinstance(e.body, Drug) and e.body.drug == "protamine" and e.body.dose > 0
        ),
        baseline_s=max(before, key=lambda act: act.at_min).act_s if before else None,
        acts=acts,
        heparin_infusion=_running(standing, "heparin"),
        gp_inhibitor=has_gp_inhibitor(given, patient),
        loaded=is_loaded(given, patient),
        contrast_ml=float(case.contrast_ml() or 0),
        exposure=exposure_of(case),
        risk=Risk(
            age_y=_number(patient.age_y),
            sex=patient.sex,
            systolic_mmhg=min((float(p.systolic_mmhg) for p in pressures), default=None),
            haematocrit_percent=_number(patient.haematocrit_percent),
            creatinine_mg_dl=creatinine,
            egfr_ml_min_173=None if patient.dialysis else _egfr(patient, creatinine, plausible),
            balloon_pump=any(_is_pump(e.body) for e in standing),
            heart_failure=patient.heart_failure,
            diabetes=patient.diabetes,
        ),
        times=KeyTimes(
            onset=patient.symptom_onset,
            contact=patient.first_contact,
            arrival=patient.arrival,
            device=_first_device(standing),
            first_door=patient.first_door,
            first_door_out=patient.first_door_out,
        ),
    )


def _number(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]


def creatinine_of(patient: Patient, plausible: Plausible) -> tuple[float | None, str | None]:
    """Return creatinine in mg/dL, or why the one on record is refused."""
    try:
        if patient.creatinine_mg_dl is not None:
            return creatinine_mg_dl(float(patient.creatinine_mg_dl), "mg/dL", plausible), None
        if patient.creatinine_umol_l is not None:
            return creatinine_mg_dl(float(patient.creatinine_umol_l), "umol/L", plausible), None
    except UserError as error:
        return None, str(error)
    return None, None


def _egfr(patient: Patient, creatinine: float | None, plausible: Plausible) -> float | None:
    if creatinine is None or patient.age_y is None or patient.sex is None:
        return None
    try:
        return egfr(creatinine, float(patient.age_y), patient.sex, plausible).egfr_ml_min_173
    except UserError:
        return None


def _is_pump(body: object) -> bool:
    """Whether this tells of a balloon pump; one that came in with the patient is only switched."""
    if isinstance(body, DeviceEvent):
        return body.device == "balloon pump" and body.happening == "on"
    return isinstance(body, Device) and body.device == "balloon pump"


def has_gp_inhibitor(given: AbstractSet[str], patient: Patient) -> bool:
    """Return whether a glycoprotein IIb/IIIa inhibitor was given or is planned."""
    return bool(given & GP_INHIBITORS) or bool(patient.gp_inhibitor)


def is_loaded(given: AbstractSet[str], patient: Patient) -> bool:
    """Return whether a P2Y12 inhibitor was given, in this case or before it."""
    return bool(given & P2Y12_INHIBITORS) or bool(patient.antiplatelet_loaded)


def heparin_u(body: Drug, weight_kg: float | None) -> float | None:
    """Return a dose in units; one by weight counts only if the weight is known."""
    if body.unit == "U/kg":
        return None if weight_kg is None else float(body.dose) * weight_kg
    units = {"U": 1, "kU": 1000}.get(body.unit)
    return None if units is None else float(body.dose) * units


def _running(standing: list[Entry], drug: str) -> bool:
    actions = [e.body.action for e in standing if isinstance(e.body, Infusion) and e.body.drug == drug]
    return bool(actions) and actions[-1] != "stopped"


def exposure_of(case: Case) -> Exposure:
    """Return the radiation so far, each reading as it was called out last."""
    kerma, area, time = (case.latest(kind) for kind in (AirKerma, DoseArea, Fluoroscopy))
    return Exposure(
        air_kerma_gy=float(kerma.body.air_kerma_mgy) / 1000
        if kerma and isinstance(kerma.body, AirKerma)
        else None,
        dose_area_gy_cm2=float(area.body.dose_area_gy_cm2)
        if area and isinstance(area.body, DoseArea)
        else None,
        fluoroscopy_min=float(time.body.fluoroscopy_min)
        if time and isinstance(time.body, Fluoroscopy)
        else None,
    )


def _first_device(standing: list[Entry]) -> datetime | None:
    for entry in standing:
        body = entry.body
        opens = isinstance(body, (Inflation, Deployment)) or (
            isinstance(body, Device)
            and (body.device == "aspiration catheter" or body.pressure_atm is not None or bool(body.deployed))
        )
        if opens or (isinstance(body, DeviceEvent) and body.happening == "run"):
            return entry.at.wall
    return None
