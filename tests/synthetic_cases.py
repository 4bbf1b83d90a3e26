"""Invented cases in any number, from a random generator over the entry types.

The order is that of a coronary intervention; every figure is drawn at random and means nothing.  A
few cases are unfinished, torn by a power cut, changed afterwards, or empty, as in a real folder.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any, get_args

from checkback.record.clock import HandClock
from checkback.record.entry import (
    Access,
    Act,
    Advice,
    AirKerma,
    BloodPressure,
    CaseEnd,
    CaseStart,
    Closure,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    DoseArea,
    Drug,
    Entry,
    Flow,
    Fluoroscopy,
    Frozen,
    HeartRate,
    Inflation,
    Lesion,
    Noted,
    Patient,
    Segment,
    Session,
    Stenosis,
    TimeOut,
    Withdrawal,
)
from checkback.record.journal import JOURNAL, START, line_of

ZONE = timezone(timedelta(hours=1))
SEGMENTS = [segment for segment in get_args(Segment) if "graft" not in segment]
UNFINISHED, TORN, CHANGED, EMPTY = 0.03, 0.005, 0.005, 0.002


class Writer:
    """Writes the entries of one case, and lets time pass between them."""

    def __init__(self, rng: random.Random, start: datetime) -> None:
        self.rng = rng
        self.clock = HandClock(start)
        self.at_s = 0.0
        self.entries: list[Entry] = []

    def put(self, body: Frozen, wait_s: float = 20.0, source: str = "speech", **more: Any) -> Entry:
        """Append an entry after about `wait_s` seconds."""
        self.at_s += round(wait_s * self.rng.uniform(0.5, 1.5), 3)
        said = self.clock.at(self.at_s)
        fields: dict[str, Any] = {
            "n": len(self.entries) + 1,
            "session": 1,
            "at": said,
            "said": said,
            "recorded": self.clock.at(self.at_s + 1.5),
            "source": source,
            "words": body.kind.replace("_", " ") if source == "speech" else "",  # type: ignore[attr-defined]
            "standing": "stands",
            "body": body,
        }
        self.entries.append(Entry(**(fields | more)))
        return self.entries[-1]


def case(rng: random.Random) -> list[Entry]:
    """Return the entries of one case."""
    start = datetime(2025, 1, 1, 7, tzinfo=ZONE) + timedelta(minutes=rng.randrange(500_000))
    write = Writer(rng, start)
    write.put(Session(number=1, program_version="0.1.0", recogniser="none", phrasebook_sha256="a" * 64, catalogue_sha256="b" * 64), 0, "program")  # fmt: skip
    _patient(write, start)
    write.put(CaseStart(), 60)
    if rng.random() < 0.95:
        write.put(TimeOut(), 60)
    write.put(
        Access(site=rng.choice(["radial", "radial", "femoral"]), side="right", sheath_french=Decimal(6)), 120
    )
    write.put(Device(device="guide", french=Decimal(6), curve="EBU3.5"), 90)
    write.put(
        Drug(drug="heparin", dose=Decimal(rng.randrange(5, 10) * 1000), unit="U", route="intravenous"), 60
    )
    for number in range(1, rng.choice([1, 1, 1, 2, 2, 3]) + 1):
        _lesion(write, number, rng.choice(SEGMENTS))
    _end(write)
    return write.entries


def _patient(write: Writer, start: datetime) -> None:
    rng = write.rng
    emergency = rng.random() < 0.3
    told: dict[str, Any] = {
        "age_y": rng.randrange(35, 92),
        "sex": rng.choice(["female", "male"]),
        "weight_kg": rng.randrange(45, 130),
        "creatinine_mg_dl": Decimal(rng.randrange(6, 30)) / 10,
        "gp_inhibitor": rng.random() < 0.1 or None,
    }
    if emergency:
        arrival = start - timedelta(minutes=rng.randrange(5, 60))
        told |= {
            "arrival": arrival,
            "first_contact": arrival - timedelta(minutes=rng.randrange(10, 90)),
            "symptom_onset": arrival - timedelta(minutes=rng.randrange(90, 400)),
        }
    # what is not known in every tenth case
    for name in list(told):
        if rng.random() < 0.1:
            told[name] = None
    write.put(Patient(**told), 1, "plan")


def _act(write: Writer) -> None:
    rng = write.rng
    if rng.random() < 0.4:
        write.put(
            Advice(
                rule="act_due", step=str(len(write.entries)), text="clotting time is due", source="invented"
            ),
            60,
            "program",
        )
        if rng.random() < 0.6:
            write.put(Noted(rule="act_due"), 15)
    write.put(Act(act_s=Decimal(rng.randrange(170, 380))), 30)
    if rng.random() < 0.3:
        write.put(Drug(drug="heparin", dose=Decimal(2000), unit="U", route="intravenous"), 60)


def _lesion(write: Writer, number: int, segment: Any) -> None:
    rng = write.rng
    write.put(Stenosis(segment=segment, stenosis_percent=Decimal(rng.randrange(70, 100))), 30)
    write.put(Lesion(lesion=number, segment=segment), 30)
    write.put(Contrast(volume_ml=Decimal(rng.randrange(4, 25)), counted="given"), 20)
    _cross(
        write, [("wire", "workhorse"), ("microcatheter", None), ("wire", "polymer"), ("wire", "stiff")], 0.15
    )
    _act(write)
    for _ in range(rng.randrange(1, 3)):
        crossed = _cross(
            write,
            [
                ("balloon", "semi-compliant"),
                ("balloon", "low profile"),
                ("guide extension", None),
                ("burr", None),
            ],
            0.2,
        )
        if crossed and write.entries[-1].body.kind == "device_event":
            write.put(Inflation(pressure_atm=Decimal(rng.randrange(8, 18))), 20)
            write.put(Deflation(), 20)
        write.put(DeviceEvent(happening="out"), 20)
    write.put(BloodPressure(systolic_mmhg=Decimal(rng.randrange(85, 180)), diastolic_mmhg=Decimal(70)), 20)
    for _ in range(rng.choice([1, 1, 2])):
        size = {
            "diameter_mm": Decimal(rng.randrange(9, 17)) / 4,
            "length_mm": Decimal(rng.choice([12, 18, 24, 28])),
        }
        write.put(Device(device="stent", type="drug-eluting", **size), 60)
        write.put(Deployment(pressure_atm=Decimal(rng.randrange(9, 16))), 60)
        write.put(Deflation(), 20)
        write.put(DeviceEvent(happening="out", device="balloon"), 30)
    if rng.random() < 0.7:
        write.put(
            Device(
                device="balloon",
                type="non-compliant",
                diameter_mm=Decimal("3.5"),
                length_mm=Decimal(12),
                pressure_atm=Decimal(18),
            ),
            60,
        )
        write.put(Deflation(), 20)
        write.put(DeviceEvent(happening="out", device="balloon"), 20)
    wrong = write.put(HeartRate(rate_per_min=Decimal(rng.randrange(45, 130))), 20)
    if rng.random() < 0.2:
        write.put(HeartRate(rate_per_min=Decimal(72)), 10, amends=wrong.n, at=wrong.at)
    elif rng.random() < 0.1:
        write.put(Withdrawal(target=wrong.n), 10)
    write.put(Contrast(volume_ml=Decimal(rng.randrange(10, 60)), counted="given"), 60)
    write.put(Flow(segment=segment, timi=Decimal(3)), 30)
    if rng.random() < 0.6:
        write.at_s += rng.randrange(0, 1800)
        _act(write)


def _cross(write: Writer, ladder: list[tuple[Any, str | None]], refused: float) -> bool:
    """Try one device after another until one is across."""
    for device, type_ in ladder:
        size: dict[str, Any] = {}
        if device == "balloon":
            size = {"diameter_mm": Decimal(write.rng.choice(["1.5", "2", "2.5"])), "length_mm": Decimal(12)}
        write.put(Device(device=device, type=type_, **size), 60)
        crossed = write.rng.random() >= refused
        write.put(DeviceEvent(happening="across" if crossed else "not across", device=device), 60)
        if crossed:
            return True
        write.put(DeviceEvent(happening="out", device=device), 20)
    return False


def _end(write: Writer) -> None:
    rng = write.rng
    if rng.random() < UNFINISHED:
        return
    write.put(DeviceEvent(happening="out", device="guide"), 120)
    write.put(Fluoroscopy(fluoroscopy_min=Decimal(rng.randrange(40, 500)) / 10), 20)
    write.put(AirKerma(air_kerma_mgy=Decimal(rng.randrange(200, 4000))), 10)
    write.put(DoseArea(dose_area_gy_cm2=Decimal(rng.randrange(10, 250))), 10)
    write.put(Closure(site="radial", side="right", method="compression band"), 120)
    write.put(CaseEnd(), 60)


def lines(entries: list[Entry]) -> list[bytes]:
    """Return the lines of the journal of a case."""
    result, prev = [], START
    for entry in entries:
        line, prev = line_of(entry, prev)
        result.append(line)
    return result


def spoilt(rng: random.Random, journal: list[bytes]) -> bytes:
    """Return the bytes of a journal; a few are cut off, changed or empty."""
    lot = rng.random()
    whole = b"".join(journal)
    if lot < TORN:
        return whole[:-40]
    if lot < TORN + CHANGED:
        place = len(journal) // 2
        changed = journal[place].replace(b'"session":1', b'"session":2', 1)
        return b"".join([*journal[:place], changed, *journal[place + 1 :]])
    return b"" if lot < TORN + CHANGED + EMPTY else whole


def write_cases(folder: Path, count: int, seed: int) -> Iterator[Path]:
    """Write so many case folders, by month, and yield each; the same seed gives the same bytes."""
    for i in range(count):
        rng = random.Random(f"{seed}/{i}")
        entries = case(rng)
        began = entries[0].at.wall.astimezone(UTC)
        path = folder / f"{began:%Y-%m}" / f"case-{i:05}"
        path.mkdir(parents=True)
        (path / JOURNAL).write_bytes(spoilt(rng, lines(entries)))
        yield path
