"""What is known of the patient, put together from several entries."""

from __future__ import annotations

from collections.abc import Iterable

from checkback.record.entry import Patient

NONE_KNOWN = "none known"
"""What stands for no allergy; the phrasebook says it too."""


def with_later(known: Patient, later: Patient) -> Patient:
    """Return what is known after a later entry: it changes only what it names.

    The creatinine in the other unit is the same thing said again.  Allergies add up: one that is
    told in the room must not hide another that stands in the plan.
    """
    said = {name: value for name, value in dict(later).items() if value is not None and value != ""}
    values = dict(known)
    if {"creatinine_mg_dl", "creatinine_umol_l"} & said.keys():
        values |= {"creatinine_mg_dl": None, "creatinine_umol_l": None}
    if known.allergies is not None and "allergies" in said:
        said["allergies"] = _both(known.allergies, said["allergies"])
    return Patient.model_construct(**values | said)


def merged(entries: Iterable[Patient]) -> Patient:
    """Return what is known of the patient from entries in the order of time."""
    known = Patient()
    for body in entries:
        known = with_later(known, body)
    return known


def _both(before: str, later: str) -> str:
    named = [each.strip() for each in before.split(",")]
    if later == NONE_KNOWN or named == [NONE_KNOWN]:
        # said anew: the later one holds
        return later
    return before if later in named else f"{before}, {later}"
