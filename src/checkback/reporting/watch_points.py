"""What the next unit has to watch: which entries make which piece of advice due.

The advice itself is data (`templates/handover.toml`).
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Literal

from pydantic import Field

from checkback.language.catalogue import read_toml
from checkback.record.case import Case
from checkback.record.entry import (
    Access,
    Act,
    BloodPressure,
    Closure,
    DeviceEvent,
    Drug,
    Entry,
    Frozen,
    Infusion,
    Patient,
    Rhythm,
)
from checkback.reporting.cited import GP_INHIBITORS, contrast_entries
from checkback.reporting.computed import Computed
from checkback.reporting.timeline import GRAVE_RHYTHMS, TROUBLE

DATA = Path(__file__).parent / "templates" / "handover.toml"

P2Y12_INHIBITORS = frozenset({"clopidogrel", "prasugrel", "ticagrelor", "cangrelor"})
SEDATION = frozenset({"midazolam", "fentanyl", "morphine", "propofol", "ketamine"})
LOW_SYSTOLIC_MMHG = Decimal(90)
"""Named in the advice; common practice, no source."""

When = Literal[
    "perforation",
    "dissection",
    "no_reflow",
    "grave_rhythm",
    "resuscitation",
    "device_trouble",
    "femoral_access",
    "arm_access",
    "compression_band",
    "sheath_in",
    "access_open",
    "infusion_running",
    "gp_inhibitor",
    "reversal",
    "act_above_target",
    "stent",
    "stent_without_p2y12",
    "contrast_over_limit",
    "contrast_step",
    "radiation_level",
    "pacing_wire_in",
    "balloon_pump_in",
    "device_left",
    "sedation",
    "low_pressure",
]


class DrugGroup(Frozen):
    """Drugs that stand together in the note."""

    name: str
    drugs: tuple[str, ...]


class Watch(Frozen):
    """One piece of advice and what makes it due."""

    when: When
    text: str
    source: str


class HandoverData(Frozen):
    """The data of the hand-over note."""

    note: str
    group: tuple[DrugGroup, ...] = Field(default=())
    watch: tuple[Watch, ...] = Field(default=())


def load(path: Path = DATA) -> HandoverData:
    """Read the data of the hand-over note.

    Raises
    ------
    UserError
        If the file is missing or a key is wrong.
    """
    return read_toml(path, HandoverData)


def due(case: Case, computed: Computed) -> dict[str, tuple[Entry, ...]]:
    """Return what stands in the record, by the names that advice goes by, with the entries that say so."""
    standing = case.in_force()

    def of(holds: Callable[[Entry], bool]) -> tuple[Entry, ...]:
        return tuple(e for e in standing if holds(e))

    def kind(*kinds: str) -> tuple[Entry, ...]:
        return of(lambda e: e.body.kind in kinds)

    def given(drugs: frozenset[str]) -> tuple[Entry, ...]:
        return of(lambda e: isinstance(e.body, (Drug, Infusion)) and e.body.drug in drugs)

    inside = {
        name: tuple(life.entry for life in case.inside() if life.body.device == name)
        for name in ("pacing wire", "balloon pump")
    }
    stents = tuple(
        life.entry for life in case.implants() if life.body.device == "stent" and life.fate == "implanted"
    )
    loaded = given(P2Y12_INHIBITORS) or of(
        lambda e: isinstance(e.body, Patient) and bool(e.body.antiplatelet_loaded)
    )
    left = [life for life in case.devices() if life.fate in ("crushed", "left in place")]
    return {
        "perforation": kind("perforation"),
        "dissection": kind("dissection"),
        "no_reflow": kind("no_reflow", "slow_flow"),
        "grave_rhythm": of(lambda e: isinstance(e.body, Rhythm) and e.body.rhythm in GRAVE_RHYTHMS),
        "resuscitation": kind("shock", "compressions", "circulation_returned"),
        "device_trouble": of(lambda e: isinstance(e.body, DeviceEvent) and e.body.happening in TROUBLE),
        "femoral_access": of(lambda e: isinstance(e.body, Access) and e.body.site.startswith("femoral")),
        "arm_access": of(
            lambda e: (
                isinstance(e.body, Access)
                and ("radial" in e.body.site or e.body.site in ("ulnar", "brachial"))
            )
        ),
        "compression_band": of(lambda e: isinstance(e.body, Closure) and e.body.method == "compression band"),
        "sheath_in": of(lambda e: isinstance(e.body, Closure) and e.body.method == "sheath left in"),
        "access_open": tuple(open_accesses(case)),
        "infusion_running": tuple(running(case)),
        "gp_inhibitor": given(GP_INHIBITORS),
        "reversal": given(frozenset({"protamine"})),
        "act_above_target": _act_above(case, computed),
        "stent": stents,
        "stent_without_p2y12": () if loaded else stents,
        "contrast_over_limit": _over_limit(case, computed),
        "contrast_step": tuple(contrast_entries(case)) if _step_reached(computed) else (),
        "radiation_level": kind("air_kerma", "dose_area", "fluoroscopy") if _level_reached(computed) else (),
        "pacing_wire_in": inside["pacing wire"],
        "balloon_pump_in": inside["balloon pump"],
        "device_left": tuple(life.entry for life in left),
        "sedation": given(SEDATION),
        "low_pressure": of(
            lambda e: isinstance(e.body, BloodPressure) and e.body.systolic_mmhg < LOW_SYSTOLIC_MMHG
        ),
    }


def closing(case: Case, access: Entry) -> Entry | None:
    """Return what closed an access: the last closure after it that is about its site, or about none.

    A closure that names no site counts only if there was one access.
    """
    assert isinstance(access.body, Access)
    standing = case.in_force()
    sites = {(e.body.site, e.body.side) for e in standing if isinstance(e.body, Access)}
    found: Entry | None = None
    after = False
    for entry in standing:
        after = after or entry.n == access.n
        body = entry.body
        if not after or not isinstance(body, Closure):
            continue
        same_site = body.site == access.body.site or (body.site is None and len(sites) == 1)
        same_side = body.side is None or access.body.side is None or body.side == access.body.side
        if same_site and same_side:
            found = entry
    return found


def accesses(case: Case) -> list[Entry]:
    """Return the accesses, of each site the last one said: a sheath that is exchanged is the same access."""
    last: dict[tuple[str, str | None], Entry] = {}
    for entry in case.in_force():
        if isinstance(entry.body, Access):
            last[entry.body.site, entry.body.side] = entry
    return sorted(last.values(), key=lambda e: (e.at.wall, e.n))


def open_accesses(case: Case) -> list[Entry]:
    """Return the accesses of which no closure is on record."""
    return [access for access in accesses(case) if closing(case, access) is None]


def running(case: Case) -> list[Entry]:
    """Return of every infusion that was not said to be stopped the entry that tells its rate."""
    last: dict[str, Entry] = {}
    for entry in case.in_force():
        if isinstance(entry.body, Infusion):
            last[entry.body.drug] = entry
    return [e for e in last.values() if isinstance(e.body, Infusion) and e.body.action != "stopped"]


def _act_above(case: Case, computed: Computed) -> tuple[Entry, ...]:
    last, target = case.latest(Act), computed.find("clotting", "ACT target")
    if last is None or target is None or target.high is None or not isinstance(last.body, Act):
        return ()
    return (last,) if float(last.body.act_s) > target.high else ()


def _over_limit(case: Case, computed: Computed) -> tuple[Entry, ...]:
    volume, limit = case.contrast_ml(), computed.find("contrast", "maximum allowable")
    if volume is None or limit is None or limit.value is None or float(volume) <= limit.value:
        return ()
    return tuple(contrast_entries(case))


def _step_reached(computed: Computed) -> bool:
    step = computed.find("contrast", "step reached")
    return step is not None and step.value is not None


def _level_reached(computed: Computed) -> bool:
    return any("level" in each.name for each in computed.of("radiation"))
