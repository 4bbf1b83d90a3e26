"""What the rules need to know, gathered from the entries of a case."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from checkback.record.case import Case
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
        Serum creatinine in mg/dL, whichever unit it was given in.
    boluses : tuple of (Entry, Bolus)
        Boluses of heparin, minutes on the clock of `minutes`.
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
    boluses: tuple[tuple[Entry, Bolus], ...]
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
        Against which creatinine is checked.

    Raises
    ------
    UserError
        If the creatinine on record is not plausible for its unit.
    """
    standing = case.in_force()
    patient = _merged([e.body for e in standing if isinstance(e.body, Patient)])
    creatinine = _creatinine(patient, plausible)
    weight_kg = _number(patient.weight_kg)
    pressures = [e.body for e in standing if isinstance(e.body, BloodPressure)]
    drugs = [e.body for e in standing if isinstance(e.body, Drug)]
    given = {d.drug for d in drugs} | {e.body.drug for e in standing if isinstance(e.body, Infusion)}
    pump = any(isinstance(e.body, Device) and e.body.device == "balloon pump" for e in standing)
    known = creatinine is not None and patient.age_y is not None and patient.sex is not None

    def at_min(entry: Entry) -> float:
        return minutes(entry.at, entry.session, now, now_session)

    return Facts(
        patient=patient,
        creatinine_mg_dl=creatinine,
        boluses=tuple(
            (e, Bolus(at_min(e), dose_u))
            for e in standing
            if isinstance(e.body, Drug) and (dose_u := _heparin_u(e.body, weight_kg)) is not None
        ),
        acts=tuple(
            (e, ActReading(at_min(e), float(e.body.act_s))) for e in standing if isinstance(e.body, Act)
        ),
        heparin_infusion=_running(standing, "heparin"),
        gp_inhibitor=bool(given & GP_INHIBITORS) or bool(patient.gp_inhibitor),
        loaded=bool(given & P2Y12_INHIBITORS) or bool(patient.antiplatelet_loaded),
        contrast_ml=float(case.contrast_ml() or 0),
        exposure=_exposure(case),
        risk=Risk(
            age_y=_number(patient.age_y),
            sex=patient.sex,
            systolic_mmhg=min((float(p.systolic_mmhg) for p in pressures), default=None),
            haematocrit_percent=_number(patient.haematocrit_percent),
            creatinine_mg_dl=creatinine,
            egfr_ml_min_173=(
                egfr(creatinine, float(patient.age_y), patient.sex, plausible).egfr_ml_min_173  # type: ignore[arg-type]
                if known
                else None
            ),
            balloon_pump=pump,
            heart_failure=patient.heart_failure,
            diabetes=patient.diabetes,
        ),
        times=KeyTimes(
            onset=patient.symptom_onset,
            contact=patient.first_contact,
            arrival=patient.arrival,
            device=_first_device(standing),
        ),
    )


def _merged(bodies: list[Patient]) -> Patient:
    values: dict[str, object] = {}
    for body in bodies:
        said = {k: v for k, v in dict(body).items() if v is not None}
        # the other unit is the same thing, said again
        if {"creatinine_mg_dl", "creatinine_umol_l"} & said.keys():
            values.pop("creatinine_mg_dl", None)
            values.pop("creatinine_umol_l", None)
        values |= said
    return Patient.model_validate(values)


def _number(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]


def _creatinine(patient: Patient, plausible: Plausible) -> float | None:
    if patient.creatinine_mg_dl is not None:
        return creatinine_mg_dl(float(patient.creatinine_mg_dl), "mg/dL", plausible)
    if patient.creatinine_umol_l is not None:
        return creatinine_mg_dl(float(patient.creatinine_umol_l), "umol/L", plausible)
    return None


def _heparin_u(body: Drug, weight_kg: float | None) -> float | None:
    """Return a bolus of heparin in units; one by weight counts only if the weight is known."""
    if body.drug != "heparin" or body.route == "subcutaneous":
        return None
    if body.unit == "U":
        return float(body.dose)
    return float(body.dose) * weight_kg if body.unit == "U/kg" and weight_kg is not None else None


def _running(standing: list[Entry], drug: str) -> bool:
    actions = [e.body.action for e in standing if isinstance(e.body, Infusion) and e.body.drug == drug]
    return bool(actions) and actions[-1] != "stopped"


def _exposure(case: Case) -> Exposure:
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
