"""Entries as FHIR resources.

Source: HL7 FHIR R4 (4.0.1).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from checkback.record.entry import Entry
from checkback.reporting.fhir import codes
from checkback.reporting.fhir.basics import (
    UNCERTAIN,
    Made,
    Setting,
    absent,
    body_site,
    component,
    event_coding,
    observation,
)
from checkback.reporting.fhir.codes import Coding, local
from checkback.reporting.fhir.equipment import administration, device
from checkback.reporting.fhir.shapes import (
    COMPLICATIONS,
    CONDITIONS,
    LEADING_FIELD,
    VALUE_FIELD,
    fields_of,
)
from checkback.reporting.fhir.values import (
    Json,
    concept,
    field_code,
    quantity,
    time_text,
    value_coding,
    valued,
)

NONE_KNOWN = "none known"
"""How the record says that there is no known allergy."""

_VITAL = ("blood_pressure", "heart_rate", "saturation", "pain", "rhythm")
_EXAM = ("stenosis", "reference", "calcium", "thrombus", "flow", "pressure_ratio")
_PATIENT_CATEGORY = {
    "weight_kg": "vital-signs",
    "height_cm": "vital-signs",
    "creatinine_mg_dl": "laboratory",
    "creatinine_umol_l": "laboratory",
    "haematocrit_percent": "laboratory",
    "smoker": "social-history",
}


def resources(entry: Entry, setting: Setting) -> list[Made]:
    """Return the resources of one entry; none has what `shapes` leaves out.

    Parameters
    ----------
    entry : Entry
        As `shapes.held` returns it.
    setting : Setting
    """
    return [
        Made(setting.address(entry.n, role), {**_head(resource["resourceType"], entry, setting), **resource})
        for role, resource in _parts(entry, setting)
    ]


def _head(type_: str, entry: Entry, setting: Setting) -> Json:
    head: Json = {"resourceType": type_}
    if entry.standing == "questioned":
        head["meta"] = {"security": [UNCERTAIN]}
    if type_ != "Device":
        head["identifier"] = [
            {
                "type": concept(codes.ENTRY_NUMBER),
                "system": setting.case.urn,
                "value": str(entry.n),
            }
        ]
        if entry.standing == "questioned":
            asked = setting.questions.get(entry.n, "")
            head["note"] = [{"text": f"Questioned and not settled. {asked}".strip()}]
    return head


def _parts(entry: Entry, setting: Setting) -> Iterator[tuple[str, Json]]:
    body: Any = entry.body
    kind: str = body.kind
    if kind == "device":
        yield from device(entry, setting)
    elif kind == "patient":
        yield from _patient(entry, setting)
    elif kind in ("drug", "infusion") or (kind == "contrast" and body.counted == "given"):
        yield "administration", administration(entry, setting)
    elif kind in COMPLICATIONS:
        yield "condition", _complication(entry, setting)
    elif kind == "access":
        yield from _access(entry, setting)
    elif kind in ("closure", "time_out"):
        yield "procedure", _act(entry, setting)
    else:
        yield "observation", _observation(entry, setting)


# --- observations -------------------------------------------------------------------------------


def _observation(entry: Entry, setting: Setting) -> Json:
    body: Any = entry.body
    kind: str = body.kind
    left = {field for field in fields_of(kind) if getattr(body, field) not in (None, "")} - {"segment"}
    content: Json = {}
    value_field, leading = VALUE_FIELD.get(kind), LEADING_FIELD.get(kind)
    if kind == "pressure_ratio":
        code = codes.RATIO_CODES[body.index]
        left.discard("index")
    elif kind in codes.KIND_CODES:
        code = codes.KIND_CODES[kind]
    else:
        code = codes.EVENT
        content["valueCodeableConcept"] = concept(
            event_coding(kind, getattr(body, leading) if leading else None)
        )
        left.discard(leading or "")
    if kind == "contrast":
        left.discard("counted")
    if value_field and value_field in left:
        content |= valued(kind, value_field, getattr(body, value_field))
        left.discard(value_field)
    elif value_field:
        content["dataAbsentReason"] = absent()
    components = [component(kind, f, getattr(body, f)) for f in fields_of(kind) if f in left]
    if kind == "blood_pressure" and "diastolic_mmhg" not in left:
        # the vital signs of R4 have both, or say that one is absent
        components.append({"code": concept(field_code(kind, "diastolic_mmhg")), "dataAbsentReason": absent()})
    return {
        **observation(code, entry, setting, category_of(kind)),
        **content,
        **body_site(entry),
        **_device_of(entry, setting),
        **({"component": components} if components else {}),
    }


def _device_of(entry: Entry, setting: Setting) -> Json:
    life = setting.lives.get(entry.n)
    return {} if life is None else {"device": setting.ref("Device", life.entry.n, "device")}


def category_of(kind: str) -> str:
    """Return the category of a kind's Observation."""
    if kind in _VITAL:
        return "vital-signs"
    if kind in _EXAM:
        return "imaging"
    return "laboratory" if kind == "act" else "procedure"


# --- procedures and complications ---------------------------------------------------------------


def _act(entry: Entry, setting: Setting) -> Json:
    body: Any = entry.body
    code = closure_coding(body.method) if body.kind == "closure" else codes.KIND_CODES[body.kind]
    site = vessel(getattr(body, "site", None), getattr(body, "side", None))
    return {
        "resourceType": "Procedure",
        "partOf": [setting.procedure],
        "status": "unknown" if entry.standing == "questioned" else "completed",
        "code": concept(code),
        "subject": setting.patient,
        "performedDateTime": time_text(entry.at.wall),
        **({"bodySite": [site]} if site else {}),
    }


def _access(entry: Entry, setting: Setting) -> Iterator[tuple[str, Json]]:
    act = _act(entry, setting)
    body: Any = entry.body
    french = body.sheath_french
    if french is None:
        yield "procedure", act
        return
    yield "procedure", {**act, "usedReference": [setting.ref("Device", entry.n, "sheath")]}
    size = {
        "type": concept(field_code("access", "sheath_french")),
        "valueQuantity": [quantity("sheath_french", french)],
    }
    yield "sheath", {"resourceType": "Device", "type": concept(codes.SHEATH), "property": [size]}


def closure_coding(method: str) -> Coding:
    """Return the code of closing an access in one way."""
    return local(f"closure:{method}", f"{codes.KIND_CODES['closure'].display}: {method}")


def vessel(site: str | None, side: str | None) -> Json | None:
    """Return where an access is, in SNOMED CT put together with its side where both have a code."""
    if site is None:
        return None if side is None else concept(value_coding("access", "side", side))
    coding = value_coding("access", "site", site)
    if side is not None:
        shown = f"{side} {coding.display.lower()}"
        if coding.system == codes.SNOMED:
            side_code = value_coding("access", "side", side).code
            coding = coding._replace(code=f"{coding.code}:{codes.LATERALITY}={side_code}", display=shown)
        else:
            coding = local(f"{coding.code}:{side}", shown)
    return concept(coding)


def _complication(entry: Entry, setting: Setting) -> Json:
    body: Any = entry.body
    segment = body_site(entry)
    of_type = getattr(body, "type", None)
    stage = (
        {}
        if of_type is None
        else {
            "stage": [
                {
                    "summary": concept(value_coding(body.kind, "type", of_type)),
                    "type": concept(field_code(body.kind, "type")),
                }
            ]
        }
    )
    return {
        **condition(codes.KIND_CODES[body.kind], entry, setting, true=True),
        **({"bodySite": [segment["bodySite"]]} if segment else {}),
        "onsetDateTime": time_text(entry.at.wall),
        "recordedDate": time_text(entry.recorded.wall),
        **stage,
    }


def condition(code: Coding, entry: Entry, setting: Setting, *, true: bool) -> Json:
    """Return a Condition that is confirmed, refuted, or, if questioned, unconfirmed."""
    status = "refuted" if not true else "unconfirmed" if entry.standing == "questioned" else "confirmed"
    system = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
    category = "http://terminology.hl7.org/CodeSystem/condition-category"
    return {
        "resourceType": "Condition",
        "verificationStatus": {"coding": [{"system": system, "code": status}]},
        "category": [{"coding": [{"system": category, "code": "encounter-diagnosis"}]}],
        "code": concept(code),
        "subject": setting.patient,
    }


# --- the patient --------------------------------------------------------------------------------


def _patient(entry: Entry, setting: Setting) -> Iterator[tuple[str, Json]]:
    for field in fields_of("patient"):
        value = getattr(entry.body, field)
        if value in (None, ""):
            continue
        code = field_code("patient", field)
        when = {"recordedDate": time_text(entry.at.wall)}
        if field in CONDITIONS:
            yield field, {**condition(code, entry, setting, true=value), **when}
        elif field == "allergies":
            yield field, {**_allergy(value, entry, setting), **when}
        else:
            category = _PATIENT_CATEGORY.get(field, "exam")
            yield (
                field,
                {**observation(code, entry, setting, category), **valued("patient", field, value)},
            )


def _allergy(text: str, entry: Entry, setting: Setting) -> Json:
    # "none known" alone would be read as a substance
    code = concept(codes.NO_KNOWN_ALLERGY, text=text) if text.lower() == NONE_KNOWN else {"text": text}
    systems = "http://terminology.hl7.org/CodeSystem/allergyintolerance-"
    verified = "unconfirmed" if entry.standing == "questioned" else "confirmed"
    return {
        "resourceType": "AllergyIntolerance",
        "clinicalStatus": {"coding": [{"system": f"{systems}clinical", "code": "active"}]},
        "verificationStatus": {"coding": [{"system": f"{systems}verification", "code": verified}]},
        "code": code,
        "patient": setting.patient,
    }
