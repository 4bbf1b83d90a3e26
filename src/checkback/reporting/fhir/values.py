"""Single values: a field of an entry as a FHIR value with its code or unit, and back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Any, get_args

from checkback.reporting.fhir import codes
from checkback.reporting.fhir.codes import UCUM, Coding, local
from checkback.reporting.fhir.shapes import BODY_TYPES, Form, field_form, plain_number

Json = dict[str, Any]


class ForeignError(ValueError):
    """A value that this program did not write and cannot read: a code, a unit or a form that is unknown."""


# --- codes --------------------------------------------------------------------------------------


def field_code(kind: str, field: str) -> Coding:
    """Return the code that says which field a component is."""
    code = f"{kind}.{field}"
    return codes.FIELD_CODES.get((kind, field)) or local(code, codes.DISPLAYS.get(code) or _in_words(field))


def _in_words(field: str) -> str:
    ending = next((e for e in codes.QUANTITY_UNITS if e.startswith("_") and field.endswith(e)), "")
    return field.removesuffix(ending).replace("_", " ").capitalize()


def value_coding(kind: str, field: str, value: str) -> Coding:
    """Return the code of one of the values that a field can have."""
    key = _key(kind, field)
    return codes.VALUE_CODES.get((key, value)) or local(f"{key}:{value}", value)


def concept(*codings: Coding, text: str | None = None) -> Json:
    """Return a CodeableConcept."""
    return {"coding": [coding.plain() for coding in codings], **({"text": text} if text else {})}


def codings_in(concept: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    """Return the (system, code) pairs of a CodeableConcept."""
    found = (concept or {}).get("coding", [])
    return [(coding.get("system", ""), coding.get("code", "")) for coding in found]


def value_in(kind: str, field: str, concept: Mapping[str, Any]) -> str:
    """Return the value that a CodeableConcept stands for.

    Raises
    ------
    ForeignError
        If none of its codes is known for this field.
    """
    known = _values(kind, field)
    for pair in codings_in(concept):
        if pair in known:
            return known[pair]
    raise ForeignError(f"no known code for {field} of {kind} in {codings_in(concept)}")


def _key(kind: str, field: str) -> str:
    return "segment" if field == "segment" else codes.SHARED_VALUES.get((kind, field), f"{kind}.{field}")


def values_of(kind: str, field: str) -> tuple[str, ...]:
    """Return the values that a field can have, if there is a list of them."""
    part = BODY_TYPES[kind].model_fields[field].annotation
    listed = get_args(part)
    return get_args(listed[0]) if type(None) in listed else listed


@cache
def _values(kind: str, field: str) -> Mapping[tuple[str, str], str]:
    found = {value: value_coding(kind, field, value) for value in values_of(kind, field)}
    return {(coding.system, coding.code): value for value, coding in found.items()}


# --- quantities ---------------------------------------------------------------------------------


def quantity(field: str, value: Decimal) -> Json:
    """Return a Quantity in UCUM; the unit is known by the name of the field."""
    code, shown, factor = _unit(field)
    return {"value": value * factor, "unit": shown, "system": UCUM, "code": code}


def amount_in(field: str, quantity: Mapping[str, Any]) -> Decimal:
    """Return the amount in the unit of the field.

    Raises
    ------
    ForeignError
        If it is in another unit.
    """
    code, _, factor = _unit(field)
    if (quantity.get("system"), quantity.get("code")) != (UCUM, code):
        raise ForeignError(f"{quantity.get('code') or quantity.get('unit')} where {code} is due")
    return _decimal(quantity) / factor


def dose(value: Decimal, unit: str) -> Json:
    """Return a dose or rate; a unit that the formulary does not know has no code."""
    code = codes.DRUG_UCUM.get(unit)
    if code is None:
        return {"value": value, **({"unit": unit} if unit else {})}
    return {"value": value, "unit": unit.replace("ug", "µg"), "system": UCUM, "code": code}


def dose_in(quantity: Mapping[str, Any]) -> tuple[Decimal, str]:
    """Return the amount and the unit of a dose or rate.

    Raises
    ------
    ForeignError
        If the code of its unit is none that drugs are dosed in here.
    """
    if "code" not in quantity:
        return _decimal(quantity), quantity.get("unit", "")
    known = {code: unit for unit, code in codes.DRUG_UCUM.items()}
    if quantity.get("system") != UCUM or quantity["code"] not in known:
        raise ForeignError(f"no drug is dosed in {quantity['code']} here")
    return _decimal(quantity), known[quantity["code"]]


@cache
def _unit(field: str) -> tuple[str, str, int]:
    for ending, unit in codes.QUANTITY_UNITS.items():
        if field.endswith(ending):
            return unit
    raise KeyError(f"no unit is known for a field named {field}: add it to QUANTITY_UNITS")


def _decimal(quantity: Mapping[str, Any]) -> Decimal:
    value = quantity.get("value")
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise ForeignError("a quantity without a value")
    if quantity.get("comparator"):
        raise ForeignError(f"a quantity that is only {quantity['comparator']} {value}")
    return value if isinstance(value, Decimal) else Decimal(str(value))


# --- any value ----------------------------------------------------------------------------------

_LARGEST_INTEGER = 2**31 - 1
"""The largest integer of FHIR R4."""

_NAMES: Mapping[Form, str] = {
    "choice": "valueCodeableConcept",
    "number": "valueQuantity",
    "time": "valueDateTime",
    "flag": "valueBoolean",
    "whole": "valueInteger",
    "text": "valueString",
}


def valued(kind: str, field: str, value: Any) -> Json:
    """Return a value as the `value[x]` of an Observation or of a component."""
    form = field_form(kind, field)
    if (kind, field) == ("flow", "timi") and value in (0, 1, 2, 3):
        return {"valueCodeableConcept": concept(value_coding(kind, field, str(int(value))))}
    if form == "choice":
        return {"valueCodeableConcept": concept(value_coding(kind, field, value))}
    if form == "number":
        return {_NAMES[form]: quantity(field, value)}
    if form == "whole" and value > _LARGEST_INTEGER:
        return {"valueQuantity": {"value": value, "unit": "1", "system": UCUM, "code": "1"}}
    return {_NAMES[form]: time_text(value) if form == "time" else value}


def value_from(kind: str, field: str, part: Mapping[str, Any]) -> Any:
    """Return the value of a field from an Observation or a component; None if it is said to be absent.

    Raises
    ------
    ForeignError
        If it is of another form, or its code or unit is unknown.
    """
    form = field_form(kind, field)
    if (kind, field) == ("flow", "timi") and "valueCodeableConcept" in part:
        grades = {codes.VALUE_CODES["flow.timi", grade][:2]: Decimal(grade) for grade in "0123"}
        found = next((grades[p] for p in codings_in(part["valueCodeableConcept"]) if p in grades), None)
        if found is None:
            raise ForeignError("no known grade of flow")
        return found
    if form == "whole" and "valueQuantity" in part:
        return int(_decimal(part["valueQuantity"]))
    name = _NAMES[form]
    if name not in part:
        if any(other.startswith("value") for other in part):
            raise ForeignError(f"{field} of {kind} is no {name}")
        return None
    value = part[name]
    if form == "choice":
        return value_in(kind, field, value)
    return amount_in(field, value) if form == "number" else value


def time_text(moment: datetime) -> str:
    """Return a time as FHIR has it: with its offset, to the millisecond."""
    return moment.isoformat(timespec="milliseconds")


def numbers_plain(value: Any) -> Any:
    """Return JSON data with every Decimal as a plain number."""
    if isinstance(value, Decimal):
        return plain_number(value)
    if isinstance(value, dict):
        return {key: numbers_plain(item) for key, item in value.items()}
    if isinstance(value, list):
        return [numbers_plain(item) for item in value]
    return value
