"""An invented case with two lesions, a failure, a perforation and an arrest, for the report."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any

from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.clock import HandClock
from checkback.record.entry import (
    Access,
    Act,
    Alternative,
    BloodPressure,
    Calcium,
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
    Dictation,
    DoseArea,
    Drug,
    Entry,
    Flow,
    Fluoroscopy,
    HeartRate,
    Identity,
    Inflation,
    Infusion,
    Lesion,
    Mark,
    Patient,
    Perforation,
    Reference,
    Rhythm,
    Session,
    Shock,
    Stenosis,
    TimeOut,
    Unclear,
    Withdrawal,
)

PHRASING = Phrasing(Phrasebook.load(Path(__file__).parents[1] / "grammars"))
CLOCK = HandClock(datetime(2026, 3, 2, 8, 0, 0, tzinfo=timezone(timedelta(hours=1))))

SESSION = Session(
    number=1,
    program_version="0.1.0",
    recogniser="pocketsphinx",
    phrasebook_sha256="a" * 64,
    catalogue_sha256="b" * 64,
)


class Room:
    """Writes down a case in which somebody speaks every so many seconds."""

    def __init__(self, every_s: float = 10.0) -> None:
        self.entries: list[Entry] = []
        self._every_s = every_s

    def say(self, body: Any, words: str = "", *, ago_s: float = 0.0, **more: Any) -> int:
        n = len(self.entries) + 1
        said = CLOCK.at(self._every_s * n)
        fields: dict[str, Any] = {
            "n": n,
            "session": 1,
            "at": said.earlier(ago_s),
            "said": said,
            "recorded": said,
            "source": "speech",
            "words": words,
            "standing": "stands",
            "body": body,
        }
        self.entries.append(Entry(**(fields | more)))
        return n

    def correct(self, body: Any) -> int:
        last = self.entries[-1]
        return self.say(body, amends=last.n, at=last.at)

    @property
    def case(self) -> Case:
        return Case(self.entries)


def d(value: int | str) -> Decimal:
    return Decimal(value)


def told() -> Room:
    """Return the case, somebody speaking every 45 seconds."""
    room = Room(45.0)
    say = room.say
    balloon = Device(device="balloon", type="semi-compliant", diameter_mm=d(2), length_mm=d(15), stocked=True)
    hard = Device(device="balloon", type="non-compliant", diameter_mm=d(3), length_mm=d(15), stocked=True)
    stent = Device(device="stent", type="drug-eluting", diameter_mm=d("3.5"), length_mm=d(28), stocked=True)
    say(SESSION)
    say(
        Patient(
            indication="stable angina, heavily calcified right coronary artery",
            age_y=d(74),
            sex="male",
            weight_kg=d(78),
            creatinine_mg_dl=d("1.4"),
            diabetes=True,
            heart_failure=False,
            allergies="none known",
            anticoagulant="heparin",
            antiplatelet_loaded=True,
            consent=True,
            recommendations="dual antiplatelet therapy for six months",
        ),
        source="plan",
    )
    say(CaseStart(), "start the case")
    say(TimeOut())
    say(Access(site="radial", side="right", sheath_french=d(6)))
    say(Drug(drug="heparin", dose=d(7000), unit="U", route="intravenous"))
    say(Device(device="guide", french=d(6), curve="AL1"))
    say(Stenosis(segment="mid right coronary", stenosis_percent=d(90)))
    say(Calcium(segment="mid right coronary", grade="severe"))
    say(Reference(diameter_mm=d("3.5"), length_mm=d(28)))
    say(Stenosis(segment="posterolateral", stenosis_percent=d(80)))
    say(Lesion(lesion=1, segment="mid right coronary"))
    say(Device(device="wire", type="workhorse"))
    say(DeviceEvent(happening="across", device="wire"))
    say(balloon)
    say(DeviceEvent(happening="not across", device="balloon"))
    say(DeviceEvent(happening="out", device="balloon"))
    say(Dictation(text="Change of plan: the vessel is too hard, so the burr comes next."), "note")
    say(Act(act_s=d(287)))
    say(Device(device="burr", diameter_mm=d("1.5")))
    say(DeviceEvent(happening="run", device="burr"))
    say(DeviceEvent(happening="run", device="burr"))
    say(DeviceEvent(happening="out", device="burr"))
    say(HeartRate(rate_per_min=d(199)))
    say(Withdrawal(target=24))
    say(hard)
    say(Inflation(pressure_atm=d(14)))
    room.correct(Inflation(pressure_atm=d(16), duration_s=d(20)))
    say(Deflation())
    say(DeviceEvent(happening="out", device="balloon"))
    say(stent)
    say(Deployment(pressure_atm=d(12)))
    say(Identity(udi="", lot="AB123", serial="S7"))
    say(Lesion(lesion=2, segment="posterolateral"))
    say(balloon)
    say(Inflation(pressure_atm=d(10)))
    say(Deflation())
    say(Inflation(pressure_atm=d(12)))
    say(Deflation())
    say(Perforation(segment="posterolateral", type="II"))
    say(Drug(drug="protamine", dose=d(50), unit="mg", route="intravenous"))
    say(Rhythm(rhythm="ventricular fibrillation"))
    say(Compressions(action="started"))
    say(Shock(energy_j=d(200)))
    say(Drug(drug="adrenaline", dose=d(1), unit="mg", route="intravenous"))
    say(CirculationReturned())
    say(BloodPressure(systolic_mmhg=d(118), diastolic_mmhg=d(64)))
    say(Infusion(action="started", drug="norepinephrine", rate=d("0.1"), unit="ug/kg/min"))
    say(DeviceEvent(happening="out", device="balloon"))
    say(Stenosis(segment="mid right coronary", stenosis_percent=d(10)))
    say(Flow(segment="mid right coronary", timi=d(3)))
    say(Contrast(volume_ml=d(140), counted="total"))
    say(Contrast(volume_ml=d(15), counted="given"))
    say(
        Unclear(),
        "contrast forty",
        standing="questioned",
        question="given or total?",
        alternatives=tuple(
            Alternative(words="", body=Contrast.model_validate({"volume_ml": d(40), "counted": counted}))
            for counted in ("given", "total")
        ),
    )
    say(Fluoroscopy(fluoroscopy_min=d("18.4")))
    say(DoseArea(dose_area_gy_cm2=d(86)))
    say(Mark())
    say(Closure(site="radial", side="right", method="compression band"))
    say(DeviceEvent(happening="out", device="wire"))
    say(CaseEnd())
    return room
