"""Which content items each kind of entry becomes.

An entry is one content item at the first level of the log (a `Head`, which says by its concept and,
where it is a constant, by its value which kind it is) with its other fields below it (`Slot`).  Slots
are derived from the types in `checkback.record.entry`, so a new kind or field finds its place with
private codes; standard codes stand in `codes` and, for heads, in `HEADS`.

Source: PS3.16, TID 3001 and the templates that it includes (3100, 3106, 3107, 3108, 3109).  These
are extensible.  TID 3105 and 3108 want a site, an attempt number or a lesion number that call-outs
need not tell, so their concepts are used, not the templates.
"""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AwareDatetime, BaseModel

from checkback.record.entry import Body
from checkback.reporting.dicom import codes
from checkback.reporting.dicom.codes import Code, dcm, own, own_value, sct

Form = Literal["number", "choice", "name", "text", "time", "flag"]
"""How a field is written: NUM; CODE of a closed list; CODE of a name that may be any; TEXT; DATETIME; CODE
yes or no."""

CLASSES: dict[str, type[BaseModel]] = {
    cls.model_fields["kind"].default: cls for cls in get_args(get_args(Body)[0])
}
"""Every class of body by its kind."""

NOT_CARRIED: dict[str, str] = {
    "withdrawal": "what was withdrawn does not appear, so neither does its withdrawal",
}
"""Kinds that are left out on purpose, with the reason."""

_NAMES = ("drug",)  # fields of any name that are coded all the same


@dataclass(frozen=True)
class Slot:
    """Where one field of a body goes.

    Attributes
    ----------
    field : str
    concept : Code
    form : Form
    unit : Code or None
        Of a number.
    values : mapping
        Codes of a closed list, by value.
    factor : int
        What the number is multiplied by when it is written.
    unit_field : str or None
        The field that holds the unit of this number.
    """

    field: str
    concept: Code
    form: Form
    unit: Code | None = None
    values: Mapping[str, Code] = dataclasses.field(default_factory=dict)
    factor: int = 1
    unit_field: str | None = None


@dataclass(frozen=True)
class Head:
    """The first-level item of an entry.

    Attributes
    ----------
    concept : Code
    value : Code or str
        A constant, or the name of the field that is its value.
    when : mapping
        What the fields must be for this head; it stands for them.
    action_id : str or None
        Procedure action that the item starts or ends.
    """

    concept: Code
    value: Code | str
    when: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    action_id: str | None = None

    def fits(self, body: BaseModel) -> bool:
        """Whether a body can be written with this head."""
        values = dict(body)
        return all(values[name] == wanted for name, wanted in self.when.items()) and (
            isinstance(self.value, Code) or values[self.value] is not None
        )


_TIMI = ("371867000", "371866009", "371864007", "371865008")
_TIMI_MEANING = (
    "0: No Perfusion", "1: Penetration without Perfusion", "2: Partial Perfusion", "3: Complete Perfusion",
)  # fmt: skip
_FLOW = own("flow", "TIMI flow")
_CROSSED = dcm("122302", "Guidewire crossing lesion successful")
_NOT_CROSSED = dcm("122301", "Guidewire crossing lesion unsuccessful")
_NOT_PLACED = dcm("122310", "Interventional device placement unsuccessful")

HEADS: dict[str, tuple[Head, ...]] = {
    "case_start": (Head(codes.START_ACTION, own("case"), action_id="1"),),
    "case_end": (Head(codes.END_ACTION, own("case"), action_id="1"),),
    "time_out": (Head(codes.STATUS_OR_EVENT, own("time_out", "time-out held")),),
    "access": (Head(own("access", "percutaneous entry"), "site"),),
    "closure": (Head(own("closure", "closure of an access"), "method"),),
    "device": (Head(sct("373062004", "Device used"), "device"),),
    "device_event": (
        Head(codes.INTERVENTION, _CROSSED, {"happening": "across", "device": "wire"}),
        Head(codes.INTERVENTION, _NOT_CROSSED, {"happening": "not across", "device": "wire"}),
        Head(dcm("122089", "Device crossed lesion"), "device", {"happening": "across"}),
        Head(codes.INTERVENTION, _NOT_PLACED, {"happening": "not across"}),
        Head(sct("371875006", "Device withdrawn / removed"), "device", {"happening": "out"}),
        Head(own("device_event"), "happening"),
    ),
    "inflation": (Head(codes.INTERVENTION, dcm("122303", "Angioplasty balloon inflated")),),
    "deflation": (Head(codes.INTERVENTION, dcm("122304", "Angioplasty balloon deflated")),),
    "deployment": (Head(codes.INTERVENTION, dcm("122305", "Device deployed")),),
    "lesion": (Head(own("lesion", "lesion worked on from here on"), own("lesion")),),
    "drug": (Head(dcm("122083", "Drug administered"), "drug"),),
    "infusion": (
        Head(dcm("122081", "Drug start"), "drug", {"action": "started"}),
        Head(dcm("122082", "Drug end"), "drug", {"action": "stopped"}),
        Head(own("infusion_changed", "infusion changed"), "drug", {"action": "changed"}),
    ),
    "act": (Head(Code("3184-9", "LN", "Activated clotting time"), "act_s"),),
    "blood_pressure": (Head(codes.FIELDS["systolic_mmhg"], "systolic_mmhg"),),
    "heart_rate": (Head(Code("8867-4", "LN", "Heart rate"), "rate_per_min"),),
    "saturation": (Head(Code("20564-1", "LN", "Blood Oxygen saturation"), "saturation_percent"),),
    "pain": (Head(sct("225908003", "Pain score"), "pain_of_ten"),),
    "rhythm": (Head(own("rhythm", "cardiac rhythm"), "rhythm"),),
    "circulation_returned": (Head(codes.STATUS_OR_EVENT, own("circulation_returned")),),
    "stenosis": (Head(sct("408715008", "Lumen Diameter Stenosis"), "stenosis_percent"),),
    "reference": (Head(own("reference", "reference diameter"), "diameter_mm"),),
    "calcium": (Head(own("calcium", "calcification"), "grade"),),
    "thrombus": (Head(codes.FINDING, sct("396339007", "Thrombus")),),
    "flow": (
        *(
            Head(_FLOW, sct(value, meaning), {"timi": Decimal(grade)})
            for grade, (value, meaning) in enumerate(zip(_TIMI, _TIMI_MEANING, strict=True))
        ),
        Head(_FLOW, "timi"),
    ),
    "dissection": (Head(codes.FINDING, sct("710864009", "Arterial dissection")),),
    "perforation": (Head(codes.FINDING, own("perforation")),),
    "no_reflow": (Head(codes.FINDING, own("no_reflow", "no-reflow")),),
    "pressure_ratio": (
        Head(sct("371842003", "Fractional flow reserve"), "ratio", {"index": "fractional flow reserve"}),
        Head(own("resting_ratio", "resting ratio of pressures"), "ratio", {"index": "resting ratio"}),
    ),
    "contrast": (
        Head(dcm("122086", "Contrast administered"), codes.CONTRAST_AGENT, {"counted": "given"}),
        Head(own("contrast_total", "contrast so far"), "volume_ml", {"counted": "total"}),
    ),
    "fluoroscopy": (Head(dcm("113730", "Total Fluoro Time"), "fluoroscopy_min"),),
    "air_kerma": (Head(dcm("113725", "Dose (RP) Total"), "air_kerma_mgy"),),
    "dose_area": (Head(dcm("113722", "Dose Area Product Total"), "dose_area_gy_cm2"),),
    "patient": (Head(codes.STATUS_OR_EVENT, own("patient", "known of patient and plan")),),
    # TID 3001, row 6: a log note is a TEXT
    "dictation": (Head(dcm("121174", "Procedure Note"), "text"),),
    "shock": (Head(own("shock"), "energy_j"),),
    "compressions": (Head(own("compressions", "chest compressions"), "action"),),
}
"""Heads of their own; every kind has a private one besides (see `heads`)."""


@cache
def heads(kind: str) -> tuple[Head, ...]:
    """Return the heads of a kind; the first that fits is taken."""
    return (*HEADS.get(kind, ()), Head(own("record_entry", "entry of the record"), own(kind)))


@cache
def slots(kind: str) -> tuple[Slot, ...]:
    """Return the slots of a kind, in the order of its fields; a field of a type unknown here has none."""
    fields = CLASSES[kind].model_fields
    units: dict[str, str] = {name: "unit" for name in ("dose", "rate") if name in fields and "unit" in fields}
    found = (
        _slot(name, info.annotation, units.get(name))
        for name, info in fields.items()
        if name != "kind" and not (name == "unit" and units)
    )
    return tuple(slot for slot in found if slot is not None)


def _slot(name: str, annotation: Any, unit_field: str | None) -> Slot | None:
    allowed = set(_parts(annotation))
    part = allowed.pop()
    if allowed:
        return None
    concept = codes.FIELDS.get(name) or own(name, _meaning(name))
    if get_origin(part) is Literal:
        known = codes.VALUES.get(name, {})
        return Slot(name, concept, "choice", values={v: known.get(v) or own_value(v) for v in get_args(part)})
    if name in _NAMES:
        return Slot(name, concept, "name", values=codes.VALUES.get(name, {}))
    if name == "lesion":
        # a text of digits by PS3.16, TID 3105
        return Slot(name, concept, "text")
    if part is bool:
        return Slot(name, concept, "flag")
    if part in (int, float, Decimal):
        if name == "fluoroscopy_min":
            # the total of the dose report is in seconds
            return Slot(name, concept, "number", codes.UNITS["_s"], factor=60)
        unit = next((unit for end, unit in codes.UNITS.items() if name.endswith(end)), codes.NO_UNIT)
        return Slot(name, concept, "number", None if unit_field else unit, unit_field=unit_field)
    if part in (str, AwareDatetime):
        return Slot(name, concept, "text" if part is str else "time")
    return None


def _meaning(name: str) -> str:
    end = next((end for end in codes.UNITS if end.startswith("_") and name.endswith(end)), "")
    return name.removesuffix(end).replace("_", " ")


def _parts(annotation: Any) -> Iterator[Any]:
    """Yield the types that an annotation allows, without None and without metadata."""
    origin = get_origin(annotation)
    if origin is Annotated:
        yield from _parts(get_args(annotation)[0])
    elif origin in (Union, types.UnionType):
        for part in get_args(annotation):
            yield from _parts(part)
    elif annotation is not types.NoneType:
        yield annotation


@cache
def head_of() -> Mapping[tuple[tuple[str, str], tuple[str, str] | None], list[tuple[str, Head]]]:
    """Return kinds and heads by concept and constant value; None where the value is a field."""
    found: dict[tuple[tuple[str, str], tuple[str, str] | None], list[tuple[str, Head]]] = {}
    for kind in CLASSES:
        for head in () if kind in NOT_CARRIED else heads(kind):
            constant = head.value.key if isinstance(head.value, Code) else None
            found.setdefault((head.concept.key, constant), []).append((kind, head))
    return found
