"""An invented case of four hours: forty devices, over three hundred entries, and much that goes wrong."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

from checkback.record.case import Case
from checkback.record.entry import (
    Access,
    Act,
    AirKerma,
    Alternative,
    BloodPressure,
    CaseEnd,
    CaseStart,
    CirculationReturned,
    Closure,
    Compressions,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Dissection,
    DoseArea,
    Drug,
    Flow,
    Fluoroscopy,
    HeartRate,
    Identity,
    Inflation,
    Infusion,
    Mark,
    NoReflow,
    Pain,
    Patient,
    Perforation,
    Rhythm,
    Saturation,
    Session,
    Shock,
    Stenosis,
    TimeOut,
    Unclear,
)
from watched_case import BEGAN, Told

MINUTES = 240.0
_SIZES = ("1.25", "1.5", "2.0", "2.5", "2.75", "3.0", "3.5", "4.0")


def _d(value: float | str) -> Decimal:
    return Decimal(str(value))


def _begin(told: Told) -> None:
    told.say(-5, Session(number=1, program_version="0.1.0", recogniser="none", phrasebook_sha256="a" * 64, catalogue_sha256="b" * 64), source="program")  # fmt: skip
    told.say(
        -5,
        Patient(
            age_y=_d(71), sex="female", weight_kg=_d(64), height_cm=_d(160), creatinine_mg_dl=_d("1.1"), haematocrit_percent=_d(38),
            diabetes=True, anticoagulant="heparin", symptom_onset=BEGAN - timedelta(minutes=190),
            first_contact=BEGAN - timedelta(minutes=90), arrival=BEGAN - timedelta(minutes=35),
        ),
        source="plan",
    )  # fmt: skip
    told.say(0, CaseStart())
    told.say(2, TimeOut())
    told.say(4, Access(site="radial", side="right", sheath_french=_d(6)))
    told.say(6, Access(site="femoral", side="left", sheath_french=_d(7)))
    for minute, drug, dose, unit, route in (
        (1, "midazolam", 2, "mg", "intravenous"),
        (1.5, "fentanyl", 50, "ug", "intravenous"),
        (5, "verapamil", "2.5", "mg", "intra-arterial"),
        (8, "heparin", 5000, "U", "intravenous"),
        (9, "aspirin", 300, "mg", "oral"),
        (9.5, "ticagrelor", 180, "mg", "oral"),
        (45, "heparin", 2000, "U", "intravenous"),
        (47, "midazolam", 1, "mg", "intravenous"),
        (101, "heparin", 2000, "U", "intravenous"),
        (130, "atropine", "0.5", "mg", "intravenous"),
        (131, "epinephrine", 1, "mg", "intravenous"),
        (134, "epinephrine", 1, "mg", "intravenous"),
        (135, "amiodarone", 300, "mg", "intravenous"),
        (160, "heparin", 1500, "U", "intravenous"),
        (215, "protamine", 25, "mg", "intravenous"),
        (225, "fentanyl", 25, "ug", "intravenous"),
    ):
        told.say(minute, Drug(drug=drug, dose=_d(dose), unit=unit, route=route))
    for i in range(9):
        told.say(
            20 + 22 * i,
            Drug(drug="nitroglycerin", dose=_d(100 + 50 * (i % 3)), unit="ug", route="intracoronary"),
        )
    for minute in (151, 152.5, 154, 156, 159, 163):
        told.say(minute, Drug(drug="adenosine", dose=_d(60), unit="ug", route="intracoronary"))
    for minute, action, rate in (
        (128, "started", 4),
        (136, "changed", 12),
        (170, "changed", 6),
        (210, "stopped", None),
    ):
        told.say(minute, Infusion(action=action, drug="norepinephrine", rate=None if rate is None else _d(rate), unit=None if rate is None else "ug/min"))  # fmt: skip
    told.say(165, Infusion(action="started", drug="tirofiban", rate=_d("0.15"), unit="ug/kg/min"))


def _figures(told: Told) -> None:
    for i, seconds in enumerate((178, 262, 231, 288, 305, 241, 276, 296, 258)):
        told.say(3 + 26 * i, Act(act_s=_d(seconds), site="guide"))
    for i in range(30):
        drop = 55 if 16 <= i <= 18 else 0
        told.say(
            3 + 7.8 * i,
            BloodPressure(
                systolic_mmhg=_d(138 - drop - (7 * i) % 24), diastolic_mmhg=_d(78 - drop // 2 - (5 * i) % 12)
            ),
        )
        told.say(3.4 + 7.8 * i, HeartRate(rate_per_min=_d(70 + (11 * i) % 34 + drop)))
    for i in range(14):
        told.say(10 + 16 * i, Contrast(volume_ml=_d(20 + 5 * (i % 3)), counted="given"))
    for i in range(6):
        told.say(12 + 38 * i, Saturation(saturation_percent=_d(98 - (3 * i) % 8)))
    for minute, pain in ((15, 6), (60, 4), (146, 8), (222, 0)):
        told.say(minute, Pain(pain_of_ten=_d(pain)))
    told.say(222.5, Fluoroscopy(fluoroscopy_min=_d("78.4")))
    told.say(223, AirKerma(air_kerma_mgy=_d(5210)))
    told.say(223.5, DoseArea(dose_area_gy_cm2=_d(318)))


def _trouble(told: Told) -> None:
    for minute, body in (
        (7, Rhythm(rhythm="sinus rhythm")),
        (88, Dissection(segment="mid right coronary", type="C")),
        (127, Perforation(segment="distal right coronary", type="II")),
        (129, Rhythm(rhythm="complete heart block")),
        (130.5, Rhythm(rhythm="ventricular fibrillation")),
        (130.7, Compressions(action="started")),
        (131.5, Shock(energy_j=_d(200))),
        (133.5, Shock(energy_j=_d(200))),
        (135.5, Shock(energy_j=_d(360))),
        (137, Compressions(action="stopped")),
        (137.2, CirculationReturned()),
        (138, Rhythm(rhythm="atrial fibrillation")),
        (150, NoReflow(segment="distal right coronary")),
        (172, Rhythm(rhythm="sinus tachycardia")),
        (220, Rhythm(rhythm="sinus rhythm")),
        (14, Stenosis(segment="proximal right coronary", stenosis_percent=_d(95))),
        (14.5, Stenosis(segment="mid right coronary", stenosis_percent=_d(80))),
        (16, Flow(segment="distal right coronary", timi=_d(1))),
        (218, Stenosis(segment="proximal right coronary", stenosis_percent=_d(10))),
        (219, Flow(segment="distal right coronary", timi=_d(3))),
        (139, Mark()),
    ):
        told.say(minute, body, **({"source": "pedal"} if isinstance(body, Mark) else {}))


def _in(told: Told, minute: float, device: str, **more: Any) -> float:
    told.say(minute, Device(device=device, **more))
    return minute


def _balloon(told: Told, i: int, minute: float) -> None:
    """Tell of one balloon, each in another way."""
    kind = ("semi-compliant", "non-compliant", "scoring", "lithotripsy")[i % 4]
    _in(told, minute, "balloon", type=kind, diameter_mm=_d(_SIZES[i % 8]), length_mm=_d((12, 15, 20)[i % 3]), stocked=True)  # fmt: skip
    if i % 5 == 1:
        told.say(minute + 0.6, DeviceEvent(happening="not across", device="balloon"))
    else:
        told.say(minute + 0.4, DeviceEvent(happening="across", device="balloon"))
        for k in range(1 + i % 6 if i % 4 else 2):
            told.say(minute + 0.7 + 0.6 * k, Inflation(pressure_atm=_d(8 + 2 * ((i + k) % 7))))
            if i == 9 and k == 2:
                told.say(minute + 0.8 + 0.6 * k, DeviceEvent(happening="ruptured", device="balloon"))
                break
            told.say(minute + 1.0 + 0.6 * k, Deflation())
    told.say(minute + 4.3, DeviceEvent(happening="out", device="balloon"))


def _stent(told: Told, minute: float, diameter: str, length: int, lot: str | None) -> None:
    _in(
        told,
        minute,
        "stent",
        type="drug-eluting",
        diameter_mm=_d(diameter),
        length_mm=_d(length),
        stocked=True,
    )
    told.say(minute + 1, Deployment(pressure_atm=_d(14), duration_s=_d(20)))
    told.say(minute + 1.5, Deflation())
    if lot is not None:
        told.say(
            minute + 2, Identity(udi=f"(01)09506000134352(10){lot}", device_identifier="09506000134352", lot=lot, expires="2028-05-31")
        )  # fmt: skip


def _devices(told: Told) -> None:
    _in(told, 10, "diagnostic catheter", french=_d(6), curve="JL3.5")
    told.say(13, DeviceEvent(happening="out", device="diagnostic catheter"))
    _in(told, 17, "guide", french=_d(7), curve="AL1")
    _in(told, 18, "wire", type="workhorse")
    told.say(19, DeviceEvent(happening="not across", device="wire"))
    told.say(21, DeviceEvent(happening="out", device="wire"))
    _in(told, 21.5, "microcatheter")
    _in(told, 22, "wire", type="polymer-jacketed")
    told.say(24, DeviceEvent(happening="across", device="wire"))
    told.say(25, DeviceEvent(happening="out", device="microcatheter"))
    for i in range(8):
        _balloon(told, i, 26 + 5 * i)
    _in(told, 68, "microcatheter")
    _in(told, 69, "wire", type="atherectomy")
    told.say(70, DeviceEvent(happening="out", device="microcatheter"))
    _in(told, 71, "burr", diameter_mm=_d("1.25"))
    for k in range(4):
        told.say(72 + k, DeviceEvent(happening="run", device="burr"))
    told.say(76, DeviceEvent(happening="stuck", device="burr"))
    told.say(79, DeviceEvent(happening="out", device="burr"))
    _in(told, 80, "guide extension", french=_d(6))
    for i in range(8, 12):
        _balloon(told, i, 82 + 5 * (i - 8))
    _stent(told, 103, "3.0", 38, "AB1234")
    _stent(told, 109, "3.5", 28, "AB1235")
    told.say(112, DeviceEvent(happening="out", device="guide extension"))
    _in(told, 113, "imaging catheter", type="ultrasound")
    told.say(118, DeviceEvent(happening="out", device="imaging catheter"))
    for i in range(12, 14):
        _balloon(told, i, 119 + 4.5 * (i - 12))
    _in(told, 132, "pacing wire")
    _in(told, 133, "balloon", type="semi-compliant", diameter_mm=_d("3.0"), length_mm=_d(20))
    told.say(133.2, Inflation(pressure_atm=_d(3), duration_s=_d(600)))
    told.say(143.5, Deflation())
    told.say(144, DeviceEvent(happening="out", device="balloon"))
    _in(told, 145, "stent", type="covered", diameter_mm=_d("3.5"), length_mm=_d(19), pressure_atm=_d(15), deployed=True)  # fmt: skip
    told.say(145.8, Deflation())
    _in(told, 152, "aspiration catheter", french=_d(6))
    told.say(157, DeviceEvent(happening="out", device="aspiration catheter"))
    _stent(told, 175, "3.5", 15, None)
    for i in range(14, 17):
        _balloon(told, i, 180 + 5 * (i - 14))
    _in(told, 196, "snare", type="loop")
    told.say(198, DeviceEvent(happening="out", device="snare"))
    _in(told, 199, "coil", diameter_mm=_d(3), length_mm=_d(80), deployed=True)
    _in(told, 202, "stent", type="drug-eluting", diameter_mm=_d("2.5"), length_mm=_d(18))
    told.say(203, DeviceEvent(happening="off its balloon", device="stent"))
    told.say(205, DeviceEvent(happening="retrieved", device="stent"))
    for i in range(17, 19):
        _balloon(told, i, 206 + 5 * (i - 17))
    told.say(216, DeviceEvent(happening="out", device="wire"))
    told.say(217, DeviceEvent(happening="out", device="guide"))


def _open(told: Told) -> None:
    told.say(
        99,
        Drug(drug="heparin", dose=_d(2000), unit="U"),
        words="heparin two thousand",
        standing="questioned",
        question="two thousand, or three thousand?",
        alternatives=(
            Alternative(words="heparin three thousand", body=Drug(drug="heparin", dose=_d(3000), unit="U")),
        ),
    )
    told.say(142, Unclear(), words="tell the theatre next door we may come", standing="questioned")
    wrong = told.say(190, Drug(drug="metoprolol", dose=_d(77), unit="mg", route="intravenous"))
    told.withdraw(190.5, wrong)
    old = told.say(118.5, Act(act_s=_d(999)))
    told.say(118.5, Act(act_s=_d(271), site="guide"), amends=old.n, at=old.at)


def long_case() -> Case:
    """Return the case; the entries stand in the journal in the order in which they were said."""
    told = Told()
    for part in (_begin, _figures, _trouble, _devices, _open):
        part(told)
    told.say(226, Closure(site="radial", side="right", method="compression band"))
    told.say(228, Closure(site="femoral", side="left", method="sheath left in"))
    told.say(MINUTES, CaseEnd())
    return in_order(told.case)


def in_order(case: Case) -> Case:
    """Return the case as if everything had been told when it happened."""
    told = sorted(case.entries, key=lambda entry: (entry.said.monotonic_s, entry.n))
    numbers = {entry.n: n for n, entry in enumerate(told, start=1)}
    renumbered = []
    for entry in told:
        body: Any = entry.body
        if hasattr(body, "target"):
            body = body.model_copy(update={"target": numbers[body.target]})
        amends = None if entry.amends is None else numbers[entry.amends]
        renumbered.append(entry.model_copy(update={"n": numbers[entry.n], "amends": amends, "body": body}))
    return Case(renumbered)
