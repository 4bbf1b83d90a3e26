"""What every resource of a document is made with."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any, NamedTuple

from checkback.record.devices import DeviceLife
from checkback.record.entry import Entry
from checkback.reporting.fhir import codes
from checkback.reporting.fhir.codes import Coding, local
from checkback.reporting.fhir.values import Json, concept, field_code, time_text, value_coding, valued

CATEGORIES = "http://terminology.hl7.org/CodeSystem/observation-category"
UNCERTAIN = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "UNCERTREL",
    "display": "uncertain reliability",
}
"""Security label of what is still questioned."""


class Made(NamedTuple):
    """A resource, and the address under which others refer to it."""

    address: str
    resource: Json


class Setting(NamedTuple):
    """What all resources of a case refer to.

    Attributes
    ----------
    case : UUID
        The case's own; the same however far the case has come.
    questions : mapping
        What was asked, by number of the entry that is questioned.
    lives : mapping
        The device that an entry is about, by number of the entry.
    signed : bool
        Whether somebody signed the whole record.
    """

    case: uuid.UUID
    questions: Mapping[int, str]
    lives: Mapping[int, DeviceLife]
    signed: bool = False

    def address(self, *names: str | int) -> str:
        """Return the address of a resource of this case."""
        return uuid.uuid5(self.case, "/".join(map(str, names))).urn

    def ref(self, type_: str, *names: str | int) -> Json:
        """Return a reference to a resource of this case, with its type."""
        return reference(type_, self.address(*names))

    @property
    def patient(self) -> Json:
        """Reference to the patient."""
        return self.ref("Patient", "patient")

    @property
    def procedure(self) -> Json:
        """Reference to the whole procedure."""
        return self.ref("Procedure", "procedure")


def reference(type_: str, address: str) -> Json:
    """Return a reference to a resource of some type."""
    return {"reference": address, "type": type_}


def observation(code: Coding, entry: Entry, setting: Setting, category: str) -> Json:
    """Return an Observation with no value yet; nothing is final before somebody signs."""
    return {
        "resourceType": "Observation",
        "partOf": [setting.procedure],
        "status": "final" if setting.signed and entry.standing == "stands" else "preliminary",
        "category": [{"coding": [{"system": CATEGORIES, "code": category}]}],
        "code": concept(code),
        "subject": setting.patient,
        "effectiveDateTime": time_text(entry.at.wall),
        "issued": time_text(entry.recorded.wall),
    }


def component(kind: str, field: str, value: Any) -> Json:
    """Return a component with its code and value."""
    return {"code": concept(field_code(kind, field)), **valued(kind, field, value)}


def event_coding(kind: str, leading: str | None) -> Coding:
    """Return the code of what happened."""
    known = codes.EVENT_CODES.get((kind, leading))
    if known is not None:
        return known
    code = kind if leading is None else f"{kind}:{leading}"
    what = codes.DISPLAYS.get(kind) or kind.replace("_", " ").capitalize()
    return local(code, what if leading is None else f"{what}: {leading}")


def absent() -> Json:
    """Return the reason why there is no value: it was not said."""
    system = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
    return {"coding": [{"system": system, "code": "unknown", "display": "Unknown"}]}


def body_site(entry: Entry) -> Json:
    """Return the segment of an entry as the one body site, if it was said."""
    segment = getattr(entry.body, "segment", None)
    return {"bodySite": concept(value_coding(entry.body.kind, "segment", segment))} if segment else {}
