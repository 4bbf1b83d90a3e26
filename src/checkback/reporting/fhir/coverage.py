"""What a FHIR document holds of the journal and what it cannot, told by what is written."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from pydantic import BaseModel

from checkback.record.entry import Entry, Moment
from checkback.reporting.fhir import codes
from checkback.reporting.fhir.basics import Setting
from checkback.reporting.fhir.codes import Coding
from checkback.reporting.fhir.resources import resources
from checkback.reporting.fhir.shapes import (
    BODY_TYPES,
    LOST_FIELDS,
    LOST_OF_EVERY_ENTRY,
    NOT_HELD,
    field_form,
)
from checkback.reporting.fhir.values import Json, values_of

_WHEN = datetime(2026, 1, 1, tzinfo=UTC)
_SHORT = {
    codes.LOINC: "LOINC",
    codes.SNOMED: "SNOMED CT",
    codes.DCM: "DCM",
    codes.MDC: "MDC",
    codes.LOCAL: "our own",
}


def sample(kind: str) -> BaseModel:
    """Return a body of a kind with every field filled, one of two that exclude each other left out."""
    cls = BODY_TYPES[kind]
    values = {field: _sample(kind, field) for field in cls.model_fields if field != "kind"}
    if kind == "patient":
        values |= {"weight_kg": Decimal(70), "height_cm": Decimal(170), "haematocrit_percent": Decimal(40)}
        values["creatinine_umol_l"] = None
    return cls.model_validate(values)


def _sample(kind: str, field: str) -> Any:
    form = field_form(kind, field)
    if form == "choice":
        return values_of(kind, field)[0]
    return {"number": Decimal(1), "whole": 1, "flag": True, "text": "text", "time": _WHEN}[form]


def written(body: BaseModel) -> list[Json]:
    """Return the resources of a body in a case of its own."""
    moment = Moment(wall=_WHEN, monotonic_s=0.0)
    content: dict[str, Any] = {"n": 1, "session": 1, "at": moment, "said": moment, "recorded": moment}
    entry = Entry(**content, source="typed", standing="stands", body=body)
    setting = Setting(uuid.UUID(int=0), {}, {})
    return [made.resource for made in resources(entry, setting)]


def table() -> str:
    """Return the tables of docs/fhir.md (Markdown)."""
    lines = ["| kind | resource | code | components and properties | left out |", "|---|---|---|---|---|"]
    for kind in BODY_TYPES:
        if kind in NOT_HELD:
            lines.append(f"| {kind} | none | | | {NOT_HELD[kind]} |")
            continue
        lost = "; ".join(f"{field}: {why}" for (of, field), why in LOST_FIELDS.items() if of == kind)
        found = _written_for(kind)
        types = ", ".join(dict.fromkeys(resource["resourceType"] for resource in found))
        own = "; ".join(dict.fromkeys(filter(None, map(_code, found))))
        parts = "; ".join(dict.fromkeys(part for resource in found for part in _parts(resource)))
        lines.append(f"| {kind} | {types} | {own} | {parts} | {lost} |")
    lines += ["", "| of every entry, left out | |", "|---|---|"]
    lines += [f"| {name} | {why} |" for name, why in LOST_OF_EVERY_ENTRY.items()]
    lines += ["", f"Codes {codes.MEMORY}:", ""]
    lines += [f"- {_name(code)}" for code in every_code() if code.source == codes.MEMORY]
    return "\n".join(lines) + "\n"


def _written_for(kind: str) -> list[Json]:
    found = written(sample(kind))
    if kind == "contrast":
        found += written(sample(kind).model_copy(update={"counted": "total"}))
    return found


def _code(resource: Json) -> str | None:
    """Return what says the kind: the code, or for an event its value."""
    concept = resource.get("code") or resource.get("medicationCodeableConcept") or {}
    coding = _first(concept)
    if coding is not None and tuple(coding)[:2] == codes.EVENT[:2]:
        coding = _first(resource["valueCodeableConcept"])
    return None if coding is None else _name(coding)


def _parts(resource: Json) -> Iterator[str]:
    for part in (*resource.get("component", []), *resource.get("property", []), *resource.get("stage", [])):
        coding = _first(part.get("code") or part["type"])
        if coding is not None:
            yield _name(coding)


def _first(concept: Json) -> Coding | None:
    for coding in concept.get("coding", []):
        return Coding(coding["system"], coding["code"], coding["display"], "")
    return None


def _name(coding: Coding) -> str:
    code = "" if coding.system == codes.LOCAL else f"{coding.code}, "
    return f"{coding.display} ({code}{_SHORT[coding.system]})"


def every_code() -> list[Coding]:
    """Return every code of `codes` that is not our own, each once."""
    tables: tuple[Any, ...] = (
        codes.KIND_CODES,
        codes.EVENT_CODES,
        codes.RATIO_CODES,
        codes.FIELD_CODES,
        codes.VALUE_CODES,
        codes.DRUG_CODES,
        codes.SECTIONS,
    )
    alone = (
        codes.CONTRAST_MEDIUM,
        codes.NO_KNOWN_ALLERGY,
        codes.SHEATH,
        codes.INTERVENTION,
        codes.CATHETERISATION,
        codes.DOCUMENT,
        codes.LATERALITY_CODE,
    )
    listed = [*(code for each in tables for code in each.values()), *alone]
    return list(dict.fromkeys(code for code in listed if code.source != codes.OWN))
