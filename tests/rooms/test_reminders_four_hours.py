"""Four hours of a case in seconds: every reminder at its time, none twice, none lost.

The journal is a real one on disk.  In one run the program is started again three times and the
wall clock is set back by an hour in the middle; in the other nothing disturbs.  Both must speak
at the same true times.  The case begins at 22:10, so that midnight passes in it.
"""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from pathlib import Path

import pytest

from checkback.record.entry import (
    Access,
    Act,
    Advice,
    AirKerma,
    CaseEnd,
    CaseStart,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Drug,
    Flow,
    Fluoroscopy,
    Frozen,
    Inflation,
    Noted,
    Patient,
    StandBy,
    TimeOut,
)
from checkback.record.journal import Journal, verify
from watched_room import Room


def heparin(units: int) -> Drug:
    return Drug(drug="heparin", dose=Decimal(units), unit="U", route="intravenous")


def contrast(total_ml: int) -> Contrast:
    return Contrast(volume_ml=Decimal(total_ml), counted="total")


def balloon(kind: str) -> Device:
    return Device(device="balloon", type=kind, diameter_mm=Decimal("2.5"), length_mm=Decimal(15))


STENT = Device(device="stent", type="drug-eluting", diameter_mm=Decimal(3), length_mm=Decimal(18))
PATIENT = Patient(
    age_y=Decimal(60), sex="male", weight_kg=Decimal(70), creatinine_mg_dl=Decimal(1), anticoagulant="heparin"
)

# h:mm:ss, a name where a reminder is about the entry, what is called out
TOLD: list[tuple[str, str, Frozen]] = [
    ("0:00:00", "", PATIENT),
    ("0:00:30", "", CaseStart()),
    ("0:05:00", "", TimeOut()),
    ("0:06:00", "", Access(site="radial", side="right", sheath_french=Decimal(6))),
    ("0:08:00", "bolus", heparin(4000)),
    ("0:20:00", "act 231", Act(act_s=Decimal(231))),
    ("0:22:00", "second bolus", heparin(2000)),
    ("0:25:00", "", Device(device="guide", french=Decimal(6), curve="JR4")),
    ("0:26:00", "wire", Device(device="wire", type="workhorse")),
    ("0:28:00", "act 320", Act(act_s=Decimal(320))),
    ("0:35:00", "", contrast(60)),
    ("0:59:00", "", Noted(rule="act_due")),
    ("1:10:00", "act 262", Act(act_s=Decimal(262))),
    ("1:15:00", "", contrast(110)),
    ("1:20:00", "", balloon("semi-compliant")),
    ("1:20:30", "long inflation", Inflation(pressure_atm=Decimal(12))),
    ("1:22:10", "", Deflation()),
    ("1:25:00", "hard inflation", Inflation(pressure_atm=Decimal(16))),
    ("1:25:30", "", Deflation()),
    ("1:30:00", "", DeviceEvent(device="balloon", happening="out")),
    ("1:40:30", "third bolus", heparin(2000)),
    ("1:45:00", "act 300", Act(act_s=Decimal(300))),
    ("1:50:00", "stent", STENT),
    ("1:50:20", "", Noted(rule="antiplatelet_missing")),
    ("1:51:00", "", Deployment(pressure_atm=Decimal(12))),
    ("1:51:20", "", Deflation()),
    ("2:05:00", "", Flow(segment="mid right coronary", timi=Decimal(3))),
    ("2:14:00", "", StandBy()),
    ("2:15:30", "", balloon("non-compliant")),
    ("2:16:00", "harder inflation", Inflation(pressure_atm=Decimal(22))),
    ("2:17:10", "", Deflation()),
    ("2:20:00", "", contrast(160)),
    ("2:25:00", "act 290", Act(act_s=Decimal(290))),
    ("2:30:00", "", DeviceEvent(device="balloon", happening="out")),
    ("3:00:00", "", contrast(260)),
    ("3:02:00", "act 255", Act(act_s=Decimal(255))),
    ("3:02:30", "last bolus", heparin(1000)),
    ("3:07:00", "act 295", Act(act_s=Decimal(295))),
    ("3:35:00", "", AirKerma(air_kerma_mgy=Decimal(5200))),
    ("3:36:00", "", Fluoroscopy(fluoroscopy_min=Decimal(32))),
    ("3:40:00", "guide out", DeviceEvent(device="guide", happening="out")),
    ("3:42:00", "", Drug(drug="protamine", dose=Decimal(25), unit="mg", route="intravenous")),
    ("3:55:00", "end", CaseEnd()),
    ("3:59:30", "", DeviceEvent(device="wire", happening="out")),
]

# 60 y, 70 kg, 1.0 mg/dL: clearance 77.8 mL/min, so 155.6, 233.3 and 287.8 mL at 2, 3 and 3.7; 300 mL allowed
DUE: list[tuple[str, str, str]] = [
    ("0:08:00", "bolus_window", "bolus"),  # 57 U/kg
    ("0:13:00", "act_due", "bolus"),
    ("0:18:00", "act_due", "bolus"),
    ("0:20:00", "act_below_target", "act 231"),
    ("0:27:00", "act_due", "second bolus"),
    ("0:58:00", "act_due", "act 320"),  # noted a minute later
    # log-linear from 320 s at 28 min and 262 s at 70 min: 250 s at 79:50, said five minutes ahead
    ("1:14:51", "act_falling", "act 262"),
    ("1:15:00", "ratio_ahead", "2 at 155"),
    ("1:21:30", "inflation_long", "long inflation"),
    ("1:22:00", "inflation_long", "long inflation"),
    ("1:25:00", "pressure_over_rated", "hard inflation"),  # rated 14 atm
    ("1:40:00", "act_due", "act 262"),
    ("1:50:00", "antiplatelet_missing", "stent"),
    ("2:16:00", "pressure_over_rated", "harder inflation"),  # rated 20 atm; during the stand-by
    ("2:17:00", "inflation_long", "harder inflation"),
    # the stand-by of 2:14 is over; the clotting time was due at 2:15
    ("2:24:00", "act_due", "act 300"),
    ("2:24:00", "ratio_reached", "2 at 155"),
    ("2:55:00", "act_due", "act 290"),
    ("3:00:00", "act_due", "act 290"),
    ("3:00:00", "contrast_ahead", "300 less 50"),
    ("3:00:00", "ratio_reached", "3 at 233"),
    ("3:00:00", "ratio_ahead", "3.7 at 287"),
    ("3:35:00", "dose_substantial", ""),
    ("3:35:00", "air_kerma_notice", "5"),
    ("3:36:00", "fluoroscopy_notice", "30"),
    ("3:37:00", "act_due", "act 295"),
    ("3:43:00", "guide_out_missing", "guide out"),
    ("3:55:00", "devices_unaccounted", "wire"),
    ("3:55:00", "case_end_missing", "end"),
    ("3:57:00", "devices_unaccounted", "wire"),
    ("3:59:00", "devices_unaccounted", "wire"),
]

RESTARTS = {"0:40:00": 60, "2:12:00": 30, "2:57:00": 120}
CLOCK_SET_BACK = "2:00:00"


def at_s(clock: str) -> int:
    hours, minutes, seconds = map(int, clock.split(":"))
    return hours * 3600 + minutes * 60 + seconds


def h_mm_ss(seconds: float) -> str:
    minutes, s = divmod(round(seconds), 60)
    return f"{minutes // 60}:{minutes % 60:02}:{s:02}"


def told(folder: Path, *, disturbed: bool) -> tuple[Room, list[tuple[str, str, str]]]:
    """Run the case and return what was said: when, which rule, about what."""
    room = Room(folder)
    said_at: dict[int, list[tuple[str, Frozen]]] = {}
    for clock, name, body in TOLD:
        said_at.setdefault(at_s(clock), []).append((name, body))
    restarts = {at_s(clock): down_s for clock, down_s in RESTARTS.items()} if disturbed else {}
    names: dict[str, str] = {}
    while room.at_s <= 4 * 3600:
        second = round(room.at_s)
        for name, body in said_at.pop(second, []):
            entry = room.say(body)
            if name:
                names[str(entry.n)] = name
        if disturbed and second == at_s(CLOCK_SET_BACK):
            room.clock.step_wall(-3600)
        room.tick()
        if second in restarts:
            room.restart(restarts[second])
        else:
            room.pass_second()
    assert not said_at
    room.close()
    about = {rule for _, rule, name in DUE if name in names.values()}
    said = [
        (h_mm_ss(when), due.rule, names[due.step] if due.rule in about else due.step) for when, due in room
    ]
    return room, said


@pytest.mark.parametrize("disturbed", [False, True], ids=["undisturbed", "three restarts, clock set back"])
def test_every_reminder_at_its_time_none_twice_none_lost(tmp_path: Path, disturbed: bool) -> None:
    room, said = told(tmp_path / "case", disturbed=disturbed)
    assert said == DUE
    assert room.session == (4 if disturbed else 1)

    assert verify(tmp_path / "case").ok
    entries = Journal.read(tmp_path / "case")
    written = [entry.body for entry in entries if isinstance(entry.body, Advice)]
    assert [(body.rule, body.step) for body in written] == [(due.rule, due.step) for _, due in room]
    assert all(body.source for body in written)
    kinds = Counter(entry.body.kind for entry in entries)
    assert kinds["clock_step"] == (1 if disturbed else 0)

    wall = [entry.at.wall for entry in entries]
    assert {each.day for each in wall} == {2, 3}, "midnight passes"
    assert (sorted(wall) != wall) == disturbed, "the wall clock goes back"

    figures_are_right(room)


def figures_are_right(room: Room) -> None:
    figures = {due.rule: (dict(due.values), due.source) for _, due in room}
    assert figures["contrast_ahead"][0] == {"left_ml": 40, "limit_ml": 300}
    assert figures["contrast_ahead"][1].startswith("Cigarroa")
    assert figures["ratio_ahead"][0] == {"times": 3.7, "left_ml": 27}
    assert figures["act_below_target"] == ({"act_s": 231, "target_s": 250}, "PubMed Central PMC4544474")
    falling = figures["act_falling"][0]
    assert falling["earliest_minutes"] <= falling["minutes"] == 4 and falling["target_s"] == 250
    assert figures["act_due"] == (
        {"minutes": 30},
        "none: no guideline number found (common practice, no source)",
    )
    assert figures["bolus_window"] == (
        {"u_per_kg": 57, "low_u_per_kg": 70, "high_u_per_kg": 100},
        "PubMed Central PMC4544474",
    )
    assert figures["pressure_over_rated"][0] == {
        "pressure_atm": 22, "rated_atm": 20, "device": "balloon", "type": "non-compliant"
    }  # fmt: skip
    assert figures["air_kerma_notice"][0] == {"air_kerma_gy": 5.2, "level_gy": 5}
    assert figures["guide_out_missing"][0] == {"missing": "closure dose_area devices"}
    assert figures["case_end_missing"][0] == {"missing": "closure dose_area"}
    assert figures["devices_unaccounted"][0]["device"] == "wire"
