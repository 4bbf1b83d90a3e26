"""A document read back into entries, from its codes.

What stands in `shapes` in the other direction: each resource that has the number of an entry gives
some of that entry's fields.  Nothing is read from text that is meant for people, except where text is
all there is (a drug without a code, an allergy).
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cache

from pydantic import ValidationError

from checkback.errors import UserError
from checkback.record.entry import BODY, Entry
from checkback.reporting.fhir import codes
from checkback.reporting.fhir.basics import UNCERTAIN, event_coding
from checkback.reporting.fhir.equipment import INFUSION_ACTION
from checkback.reporting.fhir.resources import NONE_KNOWN, closure_coding, vessel
from checkback.reporting.fhir.shapes import (
    BODY_TYPES,
    COMPLICATIONS,
    CONDITIONS,
    LEADING_FIELD,
    NOT_HELD,
    ON_THE_DEVICE,
    VALUE_FIELD,
    fields_of,
    moment_at,
    on_one_clock,
)
from checkback.reporting.fhir.values import (
    ForeignError,
    Json,
    amount_in,
    codings_in,
    dose_in,
    field_code,
    value_from,
    value_in,
    values_of,
)

Pair = tuple[str, str]

_KINDS: Mapping[Pair, tuple[str, ...]] = {
    code[:2]: tuple(kind for kind, other in codes.KIND_CODES.items() if other[:2] == code[:2])
    for code in codes.KIND_CODES.values()
}
_TIMES = ("effectiveDateTime", "onsetDateTime", "performedDateTime", "recordedDate")
_ONCE = ("Composition", "Patient", "Practitioner", "Provenance", "Device")
"""What stands for no entry of its own."""


@dataclass(frozen=True)
class Document:
    """What was read.

    Attributes
    ----------
    entries : tuple of Entry
        By number; the numbers are those of the case that was exported, so there are gaps.
    notes : tuple of str
        What was left out, one sentence each.
    """

    entries: tuple[Entry, ...]
    notes: tuple[str, ...]


def read_document(text: str | bytes) -> Document:
    """Read a FHIR document that `checkback.reporting.fhir.bundle` wrote.

    Raises
    ------
    UserError
        If it is no FHIR document.
    """
    entries = _resources(text)
    by_address = {e["fullUrl"]: e["resource"] for e in entries if isinstance(e.get("fullUrl"), str)}
    origins: dict[int, list[Json]] = defaultdict(list)
    provenance = _provenance(by_address)
    notes: list[str] = []
    told_by: dict[int, list[tuple[str, Json]]] = defaultdict(list)
    for address, resource in by_address.items():
        number = _number(resource)
        if number is not None:
            told_by[number].append((address, resource))
            origins[number] += provenance.get(address, [])
        elif resource["resourceType"] not in _ONCE and not _is_whole_procedure(resource, by_address):
            notes.append(f"A {resource['resourceType']} without the number of an entry was left out.")
    read: list[Entry] = []
    for number in sorted(told_by):
        try:
            read.append(_entry(number, told_by[number], origins[number], by_address))
        except (ForeignError, ValidationError, KeyError, TypeError, ValueError, AttributeError) as error:
            notes.append(f"Entry {number} was left out: {_why(error)}.")
    return Document(tuple(on_one_clock(read)), tuple(notes))


def _resources(text: str | bytes) -> list[Json]:
    try:
        bundle = json.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError):
        raise UserError("This is no JSON: name a FHIR document, a Bundle in JSON.") from None
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise UserError("This is no FHIR Bundle: name a FHIR document, a Bundle in JSON.")
    if bundle.get("type") != "document":
        raise UserError(f"This Bundle is of type {bundle.get('type')!r}: only a document can be read.")
    entries = bundle.get("entry")
    whole = isinstance(entries, list) and all(
        isinstance(e, dict)
        and isinstance(e.get("resource"), dict)
        and isinstance(e["resource"].get("resourceType"), str)
        for e in entries
    )
    if not whole or not entries or entries[0]["resource"]["resourceType"] != "Composition":
        raise UserError("This Bundle is no document: a document begins with a Composition.")
    found: list[Json] = entries
    return found


def _provenance(by_address: Mapping[str, Json]) -> dict[str, list[Json]]:
    found: dict[str, list[Json]] = defaultdict(list)
    for resource in by_address.values():
        if resource["resourceType"] == "Provenance":
            for target in resource.get("target", []):
                found[target.get("reference", "")].append(resource)
    return found


def _is_whole_procedure(resource: Json, by_address: Mapping[str, Json]) -> bool:
    composition = next(iter(by_address.values()))
    details = [ref for event in composition.get("event", []) for ref in event.get("detail", [])]
    return any(by_address.get(ref.get("reference", "")) is resource for ref in details)


def _number(resource: Json) -> int | None:
    listed = resource.get("identifier")
    for identifier in listed if isinstance(listed, list) else []:
        value = identifier.get("value", "")
        if codes.ENTRY_NUMBER[:2] in codings_in(identifier.get("type")) and value.isdecimal():
            return int(value) or None
    return None


def _why(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        return f"{'.'.join(map(str, first['loc']))}: {first['msg']}"
    if isinstance(error, KeyError):
        return f"it has no {error.args[0]}"
    return str(error) or "it has another form"


# --- one entry ----------------------------------------------------------------------------------


def _entry(
    number: int, parts: list[tuple[str, Json]], origins: list[Json], by_address: Mapping[str, Json]
) -> Entry:
    fields: Json = {}
    for _, resource in parts:
        for name, value in _fields(resource, by_address).items():
            if fields.get(name, value) != value:
                raise ForeignError(f"its resources say two things about {name}")
            fields[name] = value
    at = _time(parts[0][1])
    origin = origins[0]
    sources = {coding[:2]: source for source, coding in codes.SOURCES.items()}
    source = next((sources[p] for p in codings_in(origin.get("activity")) if p in sources), None)
    if source is None:
        raise ForeignError("how it came into the record is not known")
    marked = [s.get("code") for _, r in parts for s in r.get("meta", {}).get("security", [])]
    content = {
        "n": number,
        "session": 1,
        "at": moment_at(at, at),
        "said": moment_at(_moment(origin["occurredDateTime"]), at),
        "recorded": moment_at(_moment(origin["recorded"]), at),
        "source": source,
        "standing": "questioned" if UNCERTAIN["code"] in marked else "stands",
        "body": BODY.validate_python(fields),
    }
    return Entry.model_validate(content)


def _time(resource: Json) -> datetime:
    if "timingPeriod" in resource:
        return _moment(resource["timingPeriod"]["start"])
    for name in _TIMES:
        if name in resource:
            return _moment(resource[name])
    raise ForeignError("it has no time")


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ForeignError(f"{text} has no time zone")
    return moment


def _fields(resource: Json, by_address: Mapping[str, Json]) -> Json:
    """Return the fields of a body that a resource gives, the kind among them."""
    readers = {
        "Observation": _of_observation,
        "Condition": _of_condition,
        "AllergyIntolerance": _of_allergy,
        "Procedure": _of_procedure,
        "MedicationAdministration": _of_administration,
        "DeviceUseStatement": _of_use,
    }
    reader = readers.get(resource["resourceType"])
    if reader is None:
        raise ForeignError(f"a {resource['resourceType']} is no entry")
    return reader(resource, by_address)


def _of_observation(resource: Json, _: Mapping[str, Json]) -> Json:
    pairs = codings_in(resource["code"])
    fields: Json | None = None
    for pair in pairs:
        if pair == codes.EVENT[:2]:
            fields = _of_event(resource)
        elif pair in _patient_fields():
            field = _patient_fields()[pair]
            return {"kind": "patient", field: value_from("patient", field, resource)}
        elif pair in _ratios():
            fields = {"kind": "pressure_ratio", "index": _ratios()[pair]}
        elif pair in _KINDS:
            fields = {"kind": _kind_of(resource, _KINDS[pair])}
        if fields is not None:
            break
    if fields is None:
        raise ForeignError(f"the code of its Observation is not known, {pairs}")
    kind = fields["kind"]
    if kind == "contrast":
        fields["counted"] = "total"
    value_field = VALUE_FIELD.get(kind)
    if value_field:
        fields[value_field] = value_from(kind, value_field, resource)
    fields |= _of_components(kind, resource)
    return fields | _of_site(kind, resource.get("bodySite"))


def _of_event(resource: Json) -> Json:
    for pair in codings_in(resource["valueCodeableConcept"]):
        if pair in _events():
            kind, leading = _events()[pair]
            return {"kind": kind} if leading is None else {"kind": kind, LEADING_FIELD[kind]: leading}
    raise ForeignError("what happened has no known code")


def _kind_of(resource: Json, kinds: tuple[str, ...]) -> str:
    if len(kinds) == 1:
        return kinds[0]
    present = {pair for c in resource.get("component", []) for pair in codings_in(c["code"])}
    for kind in kinds:
        if any(field_code(kind, field)[:2] in present for field in fields_of(kind)):
            return kind
    raise ForeignError("it has none of the known components")


def _of_components(kind: str, resource: Json) -> Json:
    known = {field_code(kind, field)[:2]: field for field in fields_of(kind)}
    found: Json = {}
    for part in resource.get("component", []):
        field = next((known[pair] for pair in codings_in(part["code"]) if pair in known), None)
        if field is None:
            raise ForeignError(f"a component of its Observation is not known, {codings_in(part['code'])}")
        value = value_from(kind, field, part)
        if value is not None:
            found[field] = value
    return found


def _of_site(kind: str, site: Json | None) -> Json:
    return {} if site is None else {"segment": value_in(kind, "segment", site)}


def _of_condition(resource: Json, _: Mapping[str, Json]) -> Json:
    pairs = codings_in(resource["code"])
    status = [code for _, code in codings_in(resource.get("verificationStatus"))]
    for pair in pairs:
        if pair in _patient_fields() and _patient_fields()[pair] in CONDITIONS:
            return {"kind": "patient", _patient_fields()[pair]: "refuted" not in status}
        kind = next((k for k in _KINDS.get(pair, ()) if k in COMPLICATIONS), None)
        if kind is not None:
            (site,) = resource.get("bodySite") or (None,)
            (stage,) = resource.get("stage") or (None,)
            of_type = {} if stage is None else {"type": value_in(kind, "type", stage["summary"])}
            return {"kind": kind, **_of_site(kind, site), **of_type}
    raise ForeignError(f"the code of its Condition is not known, {pairs}")


def _of_allergy(resource: Json, _: Mapping[str, Json]) -> Json:
    code = resource["code"]
    none = codes.NO_KNOWN_ALLERGY[:2] in codings_in(code)
    return {"kind": "patient", "allergies": code.get("text") or (NONE_KNOWN if none else None)}


def _of_procedure(resource: Json, by_address: Mapping[str, Json]) -> Json:
    for pair in codings_in(resource["code"]):
        fields: Json
        if pair in _closures():
            fields = {"kind": "closure", "method": _closures()[pair]}
        elif pair == codes.KIND_CODES["time_out"][:2]:
            return {"kind": "time_out"}
        elif pair == codes.KIND_CODES["access"][:2]:
            fields = {"kind": "access"}
            for ref in resource.get("usedReference", []):
                for part in by_address[ref["reference"]].get("property", []):
                    (size,) = part["valueQuantity"]
                    fields["sheath_french"] = amount_in("sheath_french", size)
        else:
            continue
        (site,) = resource.get("bodySite") or (None,)
        if site is not None:
            found = [_vessels()[pair] for pair in codings_in(site) if pair in _vessels()]
            if not found:
                raise ForeignError(f"the site of its Procedure is not known, {codings_in(site)}")
            fields |= {"site": found[0][0], "side": found[0][1]}
        return fields
    raise ForeignError(f"the code of its Procedure is not known, {codings_in(resource['code'])}")


def _of_administration(resource: Json, _: Mapping[str, Json]) -> Json:
    medicine = resource["medicationCodeableConcept"]
    pairs = codings_in(medicine)
    dosage = resource.get("dosage", {})
    if codes.CONTRAST_MEDIUM[:2] in pairs:
        volume = amount_in("volume_ml", dosage["dose"])
        return {"kind": "contrast", "counted": "given", "volume_ml": volume}
    known = {code[:2]: drug for drug, code in codes.DRUG_CODES.items()}
    drug = next((known[pair] for pair in pairs if pair in known), None) or medicine["text"]
    actions = [e["valueCode"] for e in resource.get("extension", []) if e.get("url") == INFUSION_ACTION]
    if actions:
        fields: Json = {"kind": "infusion", "drug": drug, "action": actions[0]}
        if "rateQuantity" in dosage:
            fields["rate"], unit = dose_in(dosage["rateQuantity"])
            fields["unit"] = unit or None
        return fields
    fields = {"kind": "drug", "drug": drug}
    fields["dose"], fields["unit"] = dose_in(dosage["dose"])
    if "route" in dosage:
        fields["route"] = value_in("drug", "route", dosage["route"])
    return fields


def _of_use(resource: Json, by_address: Mapping[str, Json]) -> Json:
    device = by_address[resource["device"]["reference"]]
    fields: Json = {"kind": "device", "device": value_in("device", "device", device["type"])}
    known = {field_code("device", field)[:2]: field for field in ON_THE_DEVICE}
    for part in device.get("property", []):
        field = next((known[pair] for pair in codings_in(part["type"]) if pair in known), None)
        if field is None:
            raise ForeignError("a property of its Device is not known")
        if "valueQuantity" in part:
            fields[field] = amount_in(field, part["valueQuantity"][0])
        else:
            fields[field] = part["valueCode"][0]["text"]
    return fields | _of_site("device", resource.get("bodySite"))


# --- codes to what they mean --------------------------------------------------------------------


@cache
def _patient_fields() -> Mapping[Pair, str]:
    return {field_code("patient", field)[:2]: field for field in fields_of("patient")}


@cache
def _ratios() -> Mapping[Pair, str]:
    return {coding[:2]: index for index, coding in codes.RATIO_CODES.items()}


@cache
def _events() -> Mapping[Pair, tuple[str, str | None]]:
    return {event_coding(kind, leading)[:2]: (kind, leading) for kind, leading in _kinds_of_events()}


def _kinds_of_events() -> Iterator[tuple[str, str | None]]:
    for kind in BODY_TYPES:
        if kind in NOT_HELD or kind in codes.KIND_CODES:
            continue
        for leading in values_of(kind, LEADING_FIELD[kind]) if kind in LEADING_FIELD else (None,):
            yield kind, leading


@cache
def _closures() -> Mapping[Pair, str]:
    return {closure_coding(method)[:2]: method for method in values_of("closure", "method")}


@cache
def _vessels() -> Mapping[Pair, tuple[str | None, str | None]]:
    found: dict[Pair, tuple[str | None, str | None]] = {}
    for site in (*values_of("access", "site"), None):
        for side in (*values_of("access", "side"), None):
            for pair in codings_in(vessel(site, side)):
                found[pair] = (site, side)
    return found
