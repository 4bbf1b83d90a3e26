"""Drugs, contrast and devices as FHIR resources.

Source: HL7 FHIR R4 (4.0.1).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any, Literal

from checkback.record.devices import IMPLANTS, DeviceLife
from checkback.record.entry import DeviceEvent, Entry, Identity
from checkback.reporting.fhir import codes
from checkback.reporting.fhir.basics import Setting, body_site, component, event_coding, observation
from checkback.reporting.fhir.shapes import ON_THE_DEVICE, field_form, fields_of
from checkback.reporting.fhir.values import (
    Json,
    concept,
    dose,
    field_code,
    quantity,
    time_text,
    value_coding,
)

INFUSION_ACTION = f"{codes.LOCAL}:infusion-action"
"""Address of the extension that says whether an infusion was started, changed or stopped."""


# --- drugs --------------------------------------------------------------------------------------


def administration(entry: Entry, setting: Setting) -> Json:
    """Return a dose, a change of an infusion, or contrast given."""
    body: Any = entry.body
    status: Literal["completed", "in-progress", "stopped", "unknown"] = "completed"
    dosage: Json = {}
    action: Json = {}
    if body.kind == "contrast":
        medicine = concept(codes.CONTRAST_MEDIUM)
        dosage = {"dose": quantity("volume_ml", body.volume_ml)}
    else:
        medicine = medication(body.drug)
    if body.kind == "drug":
        route = {} if body.route is None else {"route": concept(value_coding("drug", "route", body.route))}
        dosage = {**route, "dose": dose(body.dose, body.unit)}
    elif body.kind == "infusion":
        status = "stopped" if body.action == "stopped" else "in-progress"
        action = {"extension": [{"url": INFUSION_ACTION, "valueCode": body.action}]}
        if body.rate is not None:
            dosage = {"rateQuantity": dose(body.rate, body.unit or "")}
    return {
        "resourceType": "MedicationAdministration",
        **action,
        "partOf": [setting.procedure],
        "status": "unknown" if entry.standing == "questioned" else status,
        "medicationCodeableConcept": medicine,
        "subject": setting.patient,
        "effectiveDateTime": time_text(entry.at.wall),
        **({"dosage": dosage} if dosage else {}),
    }


def medication(drug: str) -> Json:
    """Return a drug by its generic name, with a code where PS3.16 has one."""
    code = codes.DRUG_CODES.get(drug)
    return {"text": drug} if code is None else concept(code, text=drug)


# --- devices ------------------------------------------------------------------------------------


def device(entry: Entry, setting: Setting) -> Iterator[tuple[str, Json]]:
    """Yield the Device, the statement of its use, and what else was said with it."""
    life = setting.lives.get(entry.n)
    if life is not None and life.entry.n != entry.n:
        # "stent three by eighteen, deployed" about a stent that is in already is no second device
        yield "observation", _said_of_device(entry, setting, life.entry.n, fields_of("device"))
        return
    yield "device", _device_resource(entry, life, setting)
    yield (
        "use",
        {
            "resourceType": "DeviceUseStatement",
            "status": use_status(life),
            "subject": setting.patient,
            **_use_time(entry, life),
            "device": setting.ref("Device", entry.n, "device"),
            **body_site(entry),
        },
    )
    further = [f for f in fields_of("device") if f not in (*ON_THE_DEVICE, "device", "segment")]
    if any(getattr(entry.body, field) is not None for field in further):
        yield "observation", _said_of_device(entry, setting, entry.n, further)


def _said_of_device(entry: Entry, setting: Setting, about: int, fields: Sequence[str]) -> Json:
    told = [(field, getattr(entry.body, field)) for field in fields if field != "segment"]
    return {
        **observation(codes.EVENT, entry, setting, "procedure"),
        "valueCodeableConcept": concept(event_coding("device", None)),
        **body_site(entry),
        "device": setting.ref("Device", about, "device"),
        "component": [component("device", field, value) for field, value in told if value is not None],
    }


def _device_resource(entry: Entry, life: DeviceLife | None, setting: Setting) -> Json:
    body: Any = entry.body
    properties: list[Json] = []
    for field in ON_THE_DEVICE:
        value = getattr(body, field)
        if value is not None:
            form: Json = (
                {"valueCode": [{"text": value}]}
                if field_form("device", field) == "text"
                else {"valueQuantity": [quantity(field, value)]}
            )
            properties.append({"type": concept(field_code("device", field)), **form})
    stays = life is not None and life.body.device in IMPLANTS and life.fate not in ("in", "out", "retrieved")
    return {
        "resourceType": "Device",
        **(_label(life.identity) if life is not None and life.identity is not None else {}),
        "type": concept(value_coding("device", "device", body.device), text=body.device),
        **({"property": properties} if properties else {}),
        **({"patient": setting.patient} if stays else {}),
    }


def _label(identity: Identity) -> Json:
    """Return what the label says, as a Device has it."""
    carrier: Json = {}
    if identity.device_identifier:
        carrier["deviceIdentifier"] = identity.device_identifier
    if identity.udi:
        carrier |= {"carrierHRF": identity.udi, "entryType": "barcode"}
    elif carrier:
        carrier["entryType"] = "manual"
    return {
        **({"udiCarrier": [carrier]} if carrier else {}),
        **({"expirationDate": identity.expires} if _is_day(identity.expires) else {}),
        **({"lotNumber": identity.lot} if identity.lot else {}),
        **({"serialNumber": identity.serial} if identity.serial else {}),
    }


def _is_day(text: str | None) -> bool:
    try:
        return text is not None and date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def use_status(life: DeviceLife | None) -> str:
    """Return the status of the use: completed once the device is out."""
    return "completed" if life is not None and life.fate in ("out", "retrieved") else "active"


def _use_time(entry: Entry, life: DeviceLife | None) -> Json:
    start = time_text(entry.at.wall)
    out = [
        e.at.wall
        for e in (life.happenings if life is not None else ())
        if isinstance(e.body, DeviceEvent) and e.body.happening in ("out", "retrieved")
    ]
    ended = life is not None and life.fate in ("out", "retrieved") and bool(out) and out[-1] >= entry.at.wall
    return {"timingPeriod": {"start": start, **({"end": time_text(out[-1])} if ended else {})}}
