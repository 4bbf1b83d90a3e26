"""Which entries stand behind a figure, and how a computed figure is told with them."""

from __future__ import annotations

from collections.abc import Sequence

from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import Act, CaseEnd, CaseStart, Contrast, Device, Entry, Lesion, Patient, TimeOut
from checkback.reporting.computed import Figured

GP_INHIBITORS = frozenset({"abciximab", "eptifibatide", "tirofiban"})

NOT_RECORDED = "not recorded"

LOCAL = "check against local protocol"
"""What stands beside every limit, target and piece of advice."""

_KIDNEY = ("age_y", "sex", "weight_kg", "creatinine_mg_dl", "creatinine_umol_l")
_LIMIT = ("weight_kg", "creatinine_mg_dl", "creatinine_umol_l")


def numbers(entries: Sequence[Entry]) -> tuple[int, ...]:
    """Return the numbers of entries, in order and each once."""
    return tuple(sorted({entry.n for entry in entries}))


def contrast_entries(case: Case) -> list[Entry]:
    """Return the entries that make up the contrast so far: the last total, and what was given since."""
    told = [(e, e.body) for e in case.in_force() if isinstance(e.body, Contrast)]
    totals = [i for i, (_, body) in enumerate(told) if body.counted == "total"]
    return [e for e, _ in told[totals[-1] if totals else 0 :]]


def patient_entries(case: Case, *fields: str) -> list[Entry]:
    """Return the entries that tell one of these things of the patient."""
    return [
        e
        for e in case.in_force()
        if isinstance(e.body, Patient) and any(getattr(e.body, field, None) is not None for field in fields)
    ]


def open_entries(case: Case) -> list[Entry]:
    """Return what somebody has to settle, by time: questions, words not understood, moments marked."""
    told = [e for e in case.in_force() if e.body.kind in ("unclear", "mark")]
    return sorted([*case.questions(), *told], key=lambda e: (e.at.wall, e.n))


def heparin_entries(case: Case) -> list[Entry]:
    """Return the entries of heparin that was given."""
    return [e for e in case.in_force() if getattr(e.body, "drug", None) == "heparin"]


def basis(case: Case, figure: Figured, treatment: Entry | None = None) -> tuple[int, ...]:
    """Return the entries that a computed figure rests on.

    Parameters
    ----------
    case : Case
    figure : Figured
        Its own citation counts, if it has one.
    treatment : Entry or None
        The first treatment, which ends the times from door, contact and onset.
    """
    if figure.cites:
        return figure.cites
    entries: list[Entry] = []
    latest = {"air kerma": "air_kerma", "dose-area product": "dose_area", "fluoroscopy": "fluoroscopy"}
    match (figure.section, figure.name):
        case ("contrast", "maximum allowable"):
            entries = patient_entries(case, *_LIMIT)
        case ("contrast", "left"):
            entries = [*contrast_entries(case), *patient_entries(case, *_LIMIT)]
        case ("contrast", name):
            entries = contrast_entries(case)
            if name != "given":
                entries += patient_entries(case, *_KIDNEY)
        case ("clotting", "ACT target"):
            entries = [e for e in case.in_force() if getattr(e.body, "drug", None) in GP_INHIBITORS]
            entries += patient_entries(case, "gp_inhibitor")
        case ("clotting", "last ACT" | "age of that ACT"):
            entries = [act for act in [case.latest(Act)] if act]
        case ("clotting", name) if "heparin" in name or "bolus" in name or "protamine" in name:
            entries = [*heparin_entries(case), *patient_entries(case, "weight_kg")]
        case ("radiation", name):
            wanted = [latest[name]] if name in latest else list(latest.values())
            entries = [e for kind in wanted for e in [e for e in case.in_force() if e.body.kind == kind][-1:]]
        case ("times", "procedure time"):
            began = [e for e in case.in_force() if isinstance(e.body, TimeOut)]
            began = began or [e for e in case.in_force() if isinstance(e.body, CaseStart)]
            entries = [*began[:1], *[end for end in [case.latest(CaseEnd)] if end]]
        case ("times", name):
            field = {
                "door to device": "arrival",
                "contact to device": "first_contact",
                "total ischaemic time": "symptom_onset",
            }.get(name)
            entries = patient_entries(case, field) if field else []
            entries += [treatment] if treatment is not None else []
        case ("patient", _):
            entries = patient_entries(case, *_KIDNEY)
    return numbers(entries)


def place_of(case: Case, life: DeviceLife) -> tuple[str, tuple[int, ...]]:
    """Return where a device was used: as was said with it, else the lesion named last before it.

    Returns
    -------
    tuple of (str, tuple of int)
        The place in words, empty if none was named, and the entries that say so.
    """
    told = _place(life.body)
    if told:
        return told, (life.entry.n,)
    named = ""
    cites: tuple[int, ...] = ()
    for entry in case.in_force():
        if entry.n == life.entry.n:
            break
        words = _place(entry.body)
        if words:
            named, cites = words, (entry.n,)
    return named, cites


def _place(body: object) -> str:
    if not isinstance(body, (Device, Lesion)):
        return ""
    number = f"lesion {body.lesion}" if body.lesion is not None else ""
    return ", ".join(part for part in (number, body.segment) if part)
