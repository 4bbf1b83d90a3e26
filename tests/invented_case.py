"""An invented case of thirty entries, as the program would write it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from typing import Any

from checkback.record.clock import HandClock
from checkback.record.entry import (
    Access,
    Act,
    Alternative,
    BloodPressure,
    Calcium,
    CaseEnd,
    CaseStart,
    Closure,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Drug,
    Entry,
    Flow,
    Fluoroscopy,
    Frozen,
    HeartRate,
    Inflation,
    Mark,
    Pain,
    Reference,
    Rhythm,
    Session,
    Stenosis,
    TimeOut,
    Unclear,
    Withdrawal,
)
from checkback.record.journal import START, line_of

CLOCK = HandClock(datetime(2026, 3, 2, 9, 14, 5, 250_000, tzinfo=timezone(timedelta(hours=1))))


def entry(n: int, body: Frozen, words: str = "", **more: Any) -> Entry:
    """Return entry `n` of a case in which somebody speaks every twenty seconds."""
    said = CLOCK.at(20.0 * n)
    fields: dict[str, Any] = {
        "n": n,
        "session": 1,
        "at": said,
        "said": said,
        "recorded": CLOCK.at(20.0 * n + 1.9),
        "source": "speech" if words else "program",
        "words": words,
        "recogniser": "pocketsphinx" if words else None,
        "score": -1934.25 if words else None,
        "standing": "stands",
        "body": body,
    }
    return Entry(**(fields | more))


_BALLOON = Device(
    device="balloon", type="non-compliant", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), stocked=True
)
_TOLD: list[tuple[Frozen, str, dict[str, Any]]] = [
    (
        Session(number=1, program_version="0.1.0", recogniser="pocketsphinx", phrasebook_sha256="a" * 64, catalogue_sha256="b" * 64),
        "",
        {},
    ),
    (CaseStart(), "case start", {}),
    (TimeOut(), "time out done", {}),
    (Access(site="radial", side="right", sheath_french=Decimal(6)), "right radial six french", {}),
    (Drug(drug="heparin", dose=Decimal(5000), unit="units", route="intravenous"), "heparin five thousand units iv", {}),
    (BloodPressure(systolic_mmhg=Decimal(138), diastolic_mmhg=Decimal(76)), "pressure one three eight over seven six", {}),
    (HeartRate(rate_per_min=Decimal(72)), "heart rate seventy two", {}),
    (Rhythm(rhythm="sinus rhythm"), "sinus rhythm", {}),
    (Device(device="guide", french=Decimal(6), curve="JR4"), "guide jay are four six french", {}),
    (Stenosis(segment="mid right coronary", stenosis_percent=Decimal(90)), "mid right coronary ninety percent", {}),
    (Calcium(segment="mid right coronary", grade="severe"), "calcium severe", {}),
    (Reference(diameter_mm=Decimal("2.75"), length_mm=Decimal(24)), "reference two seven five by twenty four", {}),
    (Device(device="wire", type="workhorse"), "workhorse wire", {}),
    (DeviceEvent(happening="across", device="wire"), "wire across", {}),
    (
        _BALLOON,
        "non compliant balloon two five by twelve",
        {
            "standing": "questioned",
            "question": "twelve, or twenty?",
            "alternatives": (
                Alternative(words="non compliant balloon two five by twenty", body=_BALLOON.model_copy(update={"length_mm": Decimal(20)})),
                Alternative(words="non compliant balloon two five by"),
            ),
        },
    ),
    (_BALLOON, "affirm", {"amends": 15}),
    (Inflation(pressure_atm=Decimal(14), duration_s=Decimal(20)), "fourteen atmospheres twenty seconds", {}),
    (Deflation(), "down", {}),
    (Pain(pain_of_ten=Decimal(3)), "chest pain three of ten", {}),
    (Unclear(), "and \"so\", on – das heißt\nnothing", {"source": "typed", "recogniser": None, "score": None}),
    (Act(act_s=Decimal(281), site="sheath"), "act two eight one", {"at": CLOCK.at(300.0)}),
    (Device(device="stent", type="drug-eluting", diameter_mm=Decimal("2.75"), length_mm=Decimal(28), stocked=True), "stent two seven five by twenty eight", {}),
    (Deployment(pressure_atm=Decimal(12)), "deployed at twelve", {}),
    (Withdrawal(target=19), "disregard", {}),
    (Flow(segment="mid right coronary", timi=Decimal(3)), "timi three", {}),
    (Mark(), "", {"source": "pedal"}),
    (Contrast(volume_ml=Decimal(120), counted="total"), "contrast total one twenty", {}),
    (Fluoroscopy(fluoroscopy_min=Decimal("11.4")), "fluoroscopy eleven point four", {}),
    (Closure(site="radial", side="right", method="compression band"), "radial closed with band", {}),
    (CaseEnd(), "case end", {}),
]  # fmt: skip

CASE: tuple[Entry, ...] = tuple(
    entry(n, body, words, **more) for n, (body, words, more) in enumerate(_TOLD, start=1)
)


def journal_lines(case: Iterable[Entry]) -> list[bytes]:
    """Return the lines of a journal that holds `case`."""
    lines, prev = [], START
    for each in case:
        line, prev = line_of(each, prev)
        lines.append(line)
    return lines
