"""What goes into which section of the narrative; nothing that was withdrawn or amended is used."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, get_args

from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import (
    AirKerma,
    Contrast,
    Deployment,
    Device,
    Dictation,
    DoseArea,
    Entry,
    Fluoroscopy,
    Frozen,
    Identity,
    Moment,
    Segment,
    Session,
)
from checkback.reporting.narrative_course import (
    COMPLICATIONS,
    DEVICES,
    FINDINGS,
    NO_STEP,
    bailouts,
    complications,
    groups,
    resuscitations,
    treats,
)

COURSE = {"case_start", "time_out", "case_end", "clock_step", "imported"}
DRUGS = {"drug", "infusion", "act"}
MONITORING = ("rhythm", "blood_pressure", "heart_rate", "saturation", "pain")
RESUSCITATION = ("shock", "compressions", "circulation_returned")
ABOUT_THE_RECORD = {"advice", "noted", "stand_by", "left_open"}

TOLD = {
    *COURSE, *DRUGS, *MONITORING, *RESUSCITATION, *ABOUT_THE_RECORD, *FINDINGS, *DEVICES, *COMPLICATIONS,
    "session", "patient", "access", "closure", "lesion", "identity", "contrast", "fluoroscopy", "air_kerma",
    "dose_area", "mark", "unclear", "signature", "dictation", "card_step",
}  # fmt: skip
"""Kinds of entries that have a section; any other is told at the end, so that none is lost."""

CLOTTING = {
    "argatroban", "bivalirudin", "dalteparin", "enoxaparin", "fondaparinux", "heparin", "protamine",
    "abciximab", "aspirin", "cangrelor", "clopidogrel", "eptifibatide", "prasugrel", "ticagrelor", "tirofiban",
    "alteplase", "reteplase", "tenecteplase",
}  # fmt: skip
"""Drugs that are told under anticoagulation."""


@dataclass(frozen=True)
class Repeated:
    """What was recorded in the same words once or more often."""

    body: Any
    entries: tuple[Entry, ...]

    @property
    def times(self) -> tuple[Moment, ...]:
        """When it happened, in order."""
        return tuple(entry.at for entry in self.entries)


@dataclass
class InSegment:
    """Findings of one segment, and those told right after them with no segment named."""

    segment: str | None
    entries: list[Entry] = field(default_factory=list)
    loose: list[Entry] = field(default_factory=list)


@dataclass(frozen=True)
class Implant:
    """A device that stays, what its label says, and the entries that say so."""

    life: DeviceLife
    body: Device
    identity: Identity | None
    cited: tuple[Entry, ...]


@dataclass(frozen=True)
class Labelled:
    """A label that was scanned, or a lot that was typed, of what is no implant."""

    entry: Entry
    life: DeviceLife | None


@dataclass(frozen=True)
class Undone:
    """An entry that does not count any more; what it said is told nowhere."""

    entry: Entry
    standing: str
    by: int


def contents(case: Case) -> dict[str, Any]:
    """Sort the entries in force into the sections of the template."""
    standing = case.in_force()

    def of(*kinds: str) -> list[Entry]:
        return [entry for entry in standing if entry.body.kind in kinds]

    lives = {entry.n: life for life in case.devices() for entry in (life.entry, *life.happenings)}
    treating = [i for i, entry in enumerate(standing) if treats(entry)]
    first, last = (treating[0], treating[-1]) if treating else (len(standing), len(standing))
    begun = [e for e in standing if e.body.kind not in NO_STEP]
    radiation = (case.latest(kind) for kind in (Fluoroscopy, AirKerma, DoseArea))
    given = of(*DRUGS)
    contrast = _contrast(of("contrast"))
    clotting = [e for e in given if _about_clotting(e)]
    implants = [_implant(life) for life in case.devices() if life.deployed]
    found = {
        "date": case.entries[0].at.wall.date() if case.entries else None,
        "begun": bool(begun),
        "ended": bool(of("case_end")),
        "last": begun[-1] if begun else None,
        "course": [e for e in standing if e.body.kind in COURSE or _restarts(e)],
        "time_out": of("time_out"),
        "patient": _patient(of("patient")),
        "access": of("access"),
        "clotting": repeated(clotting),
        "drugs": repeated([e for e in given if not _about_clotting(e)]),
        "findings": by_segment([e for e in standing[:first] if e.body.kind in FINDINGS]),
        "intervention": groups(standing, lives, range(first, last)),
        "implants": implants,
        "unlabelled": [each for each in implants if each.identity is None],
        "labelled": list(_labelled(of("identity"), lives)),
        "devices": _implants_first(case.devices()),
        "monitoring": [told for kind in MONITORING if (told := of(kind))],
        "resuscitation": of(*RESUSCITATION),
        "complications": complications(standing, lives),
        "resuscitations": resuscitations(standing),
        "bailouts": bailouts(standing),
        "treated": bool(treating),
        "result": by_segment([e for e in standing[last + 1 :] if e.body.kind in FINDINGS]),
        "closure": of("closure"),
        "contrast": contrast,
        "contrast_ml": case.contrast_ml(),
        "radiation": [entry for entry in radiation if entry],
        "open": sorted([*case.questions(), *of("mark", "unclear")], key=lambda e: (e.at.wall, e.n)),
        "advised": of(*ABOUT_THE_RECORD),
        "undone": list(_undone(case)),
        "missing": case.missing(),
        "unknown": case.unknown(),
        "unaccounted": case.unaccounted(),
        "signatures": of("signature"),
        "notes": _notes(standing, first, last),
    }
    return found | {"others": [entry for entry in standing if entry.body.kind not in TOLD]}


def repeated(entries: list[Entry]) -> list[Repeated]:
    """Take together what was recorded in the same words, at the place of the first."""
    together: list[list[Entry]] = []
    for entry in entries:
        same = next((each for each in together if each[0].body == entry.body), None)
        if same is not None:
            same.append(entry)
        else:
            together.append([entry])
    return [Repeated(each[0].body, tuple(each)) for each in together]


def by_segment(entries: list[Entry]) -> list[InSegment]:
    """Sort findings by segment, in the order of the coronary tree.

    A finding with no segment named stays behind the one that it was told after.
    """
    found: dict[str | None, InSegment] = {}
    segment: str | None = None
    for entry in entries:
        named = getattr(entry.body, "segment", None)
        segment = named or segment
        group = found.setdefault(segment, InSegment(segment))
        (group.entries if named else group.loose).append(entry)
    order = (None, *get_args(Segment))
    return sorted(found.values(), key=lambda group: order.index(group.segment))


def _notes(standing: list[Entry], first: int, last: int) -> dict[str, list[Entry]]:
    """Return dictated notes by the stretch of the case in which they were begun.

    "before" the access, "findings" until the first treatment, "result" after the last one, "after"
    the closure; those in between are told in the intervention.
    """
    kinds = [entry.body.kind for entry in standing]
    access = kinds.index("access") if "access" in kinds else 0
    closure = kinds.index("closure") if "closure" in kinds else len(standing)
    found: dict[str, list[Entry]] = {"before": [], "findings": [], "result": [], "after": []}
    for i, entry in enumerate(standing):
        if entry.body.kind != "dictation" or first < i < last:
            continue
        if i < first:
            found["before" if i < access else "findings"].append(entry)
        else:
            found["after" if i > closure else "result"].append(entry)
    return found


def _patient(entries: list[Entry]) -> dict[str, tuple[Any, tuple[Entry, ...]]]:
    """Return each fact of the patient with the entries that it came from; the later one holds."""
    found: dict[str, tuple[Any, tuple[Entry, ...]]] = {}
    for entry in entries:
        said = {k: v for k, v in dict(entry.body).items() if v is not None and k != "kind"}
        if {"creatinine_mg_dl", "creatinine_umol_l"} & said.keys():
            found.pop("creatinine_mg_dl", None)
            found.pop("creatinine_umol_l", None)
        for name, value in said.items():
            # allergies add up, so nobody is left out who told one
            before = found[name][1] if name == "allergies" and name in found else ()
            found[name] = (value, (*before, entry))
    return found


def _about_clotting(entry: Entry) -> bool:
    return entry.body.kind == "act" or getattr(entry.body, "drug", "") in CLOTTING


def _restarts(entry: Entry) -> bool:
    return isinstance(entry.body, Session) and entry.body.number > 1


def _implants_first(lives: list[DeviceLife]) -> list[DeviceLife]:
    return sorted(lives, key=lambda life: (not life.deployed, life.number))


def _implant(life: DeviceLife) -> Implant:
    deployments = [e for e in life.happenings if _deploys(e.body)]
    labels = [entry for entry in life.happenings if isinstance(entry.body, Identity)]
    return Implant(life, life.body, life.identity, (life.entry, *deployments, *labels))


def _deploys(body: Frozen) -> bool:
    return isinstance(body, Deployment) or (isinstance(body, Device) and bool(body.deployed))


def _labelled(labels: list[Entry], lives: dict[int, DeviceLife]) -> Iterator[Labelled]:
    for entry in labels:
        life = lives.get(entry.n)
        if life is None or not life.deployed:
            yield Labelled(entry, life)


def _contrast(entries: list[Entry]) -> list[Entry]:
    """Return the entries that make up the contrast volume: the last total, and what was given since."""
    totals = [i for i, e in enumerate(entries) if isinstance(e.body, Contrast) and e.body.counted == "total"]
    return entries[totals[-1] :] if totals else entries


def _undone(case: Case) -> Iterator[Undone]:
    for entry in case.entries:
        standing, by = case.standing(entry)
        if by is not None and not _goes_on(entry, case.entry(by)):
            yield Undone(entry, standing, by)


def _goes_on(entry: Entry, later: Entry | None) -> bool:
    """Whether the later one is the same note with more of it: nothing that it said was taken back."""
    return (
        isinstance(entry.body, Dictation)
        and entry.body.ended is None
        and later is not None
        and isinstance(later.body, Dictation)
        and later.body.text.startswith(entry.body.text)
    )
