"""What of the record has a place in the FHIR document, and in which resource.

A kind that is not named here becomes an event: an Observation with a code of our own, every field a
component.  So a new class of entry is exported before anybody thought about it; what is *not* to be
exported has to be named, with the reason.
"""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AwareDatetime, BaseModel

from checkback.record.case import Case
from checkback.record.entry import Body, Entry, Moment

BODY_TYPES: Mapping[str, type[BaseModel]] = {
    cls.model_fields["kind"].default: cls for cls in get_args(get_args(Body)[0])
}
"""The class of each kind of entry."""

NOT_HELD: Mapping[str, str] = {
    "session": "about the program; only its version goes along, with the software as a Device",
    "imported": "about the journal, not about the patient",
    "clock_step": "about the computer's clock; times are those of the wall clock as it was",
    "advice": "what the program said to the team is no finding about the patient",
    "card_step": "how the team was led; what was done stands in entries of its own",
    "left_open": "a question that nobody answered; the document says what it holds, not what it lacks",
    "noted": "an answer to the program",
    "stand_by": "an answer to the program",
    "signature": "who signed and when stands in the Composition; the hash is about the journal",
    "unclear": "words without a meaning; the document says how many of them are open",
    "withdrawal": "what was withdrawn is left out, and so is the withdrawal",
}
"""Kinds that are left out, with the reason."""

LOST_FIELDS: Mapping[tuple[str, str], str] = {
    ("device", "stocked"): "about the laboratory's shelf, not about the patient",
    (
        "dictation",
        "clip",
    ): "a sound file beside the journal, which does not go along; a note of sound alone is left out",
    ("dictation", "clip_sha256"): "as for the clip",
    ("infusion", "unit"): "if no rate was said: a unit needs an amount",
}
"""Fields that are left out, with the reason."""

LOST_OF_EVERY_ENTRY: Mapping[str, str] = {
    "words, alternatives, recogniser, score, certainty": "how it was heard; the report in prose quotes what is still open, and nothing of that is read back",
    "question": "shown as a note beside the entry that is questioned, and not read back",
    "amends": "the entry that was replaced is not in the document; a revision is marked in the Provenance",
    "session, monotonic_s, schema_version": "about the program's clocks and files; read back, all is one session and "
    "intervals are those of the wall clock",
    "white space and control characters in text": "folded to single spaces; other signs that FHIR does not allow are replaced",
}
"""What is not held of any entry."""

CONDITIONS = frozenset(
    ("diabetes", "heart_failure", "hypertension", "hyperlipidaemia", "peripheral_disease", "lung_disease")
)
"""Facts about the patient that are a Condition; false ones are refuted."""

COMPLICATIONS = frozenset(("dissection", "perforation", "no_reflow"))
"""Kinds that are a Condition with its onset."""

PROCEDURES = frozenset(("access", "closure", "time_out"))
"""Kinds that are a Procedure."""

VALUE_FIELD: Mapping[str, str] = {
    "act": "act_s",
    "heart_rate": "rate_per_min",
    "saturation": "saturation_percent",
    "pain": "pain_of_ten",
    "rhythm": "rhythm",
    "stenosis": "stenosis_percent",
    "calcium": "grade",
    "thrombus": "thrombus_grade",
    "flow": "timi",
    "contrast": "volume_ml",
    "pressure_ratio": "ratio",
}
"""The field of a kind that is the value of its Observation; further fields are components."""

LEADING_FIELD: Mapping[str, str] = {"device_event": "happening", "compressions": "action"}
"""The field of an event that says what happened."""

ON_THE_DEVICE = ("type", "diameter_mm", "length_mm", "french", "curve")
"""Fields of a device entry that are properties of its Device resource."""

SECTION_OF: Mapping[str, str] = {
    "patient": "history",
    "stenosis": "findings",
    "reference": "findings",
    "calcium": "findings",
    "thrombus": "findings",
    "flow": "findings",
    "slow_flow": "findings",
    "pressure_ratio": "findings",
    "device": "devices",
    "identity": "devices",
    "drug": "medications",
    "infusion": "medications",
    "contrast": "medications",
    "blood_pressure": "vitals",
    "heart_rate": "vitals",
    "saturation": "vitals",
    "pain": "vitals",
    "rhythm": "vitals",
    "act": "results",
    "dissection": "complications",
    "perforation": "complications",
    "no_reflow": "complications",
    "fluoroscopy": "radiation",
    "air_kerma": "radiation",
    "dose_area": "radiation",
}
"""The section that an entry stands in; the others stand in "procedure"."""

UNKNOWN_SIGN = "\N{REPLACEMENT CHARACTER}"


def _parts(annotation: Any) -> Iterator[Any]:
    origin = get_origin(annotation)
    if origin is Annotated:
        yield from _parts(get_args(annotation)[0])
    elif origin in (Union, types.UnionType):
        for part in get_args(annotation):
            yield from _parts(part)
    elif annotation is not types.NoneType:
        yield annotation


Form = Literal["choice", "number", "whole", "flag", "text", "time"]
"""What a field holds: one of a list, a Decimal, an int, a bool, any text, or a time."""

_FORMS: Mapping[Any, Form] = {
    Decimal: "number",
    int: "whole",
    bool: "flag",
    str: "text",
    datetime: "time",
    AwareDatetime: "time",
}


@cache
def field_form(kind: str, field: str) -> Form:
    """Return what a field holds."""
    (part,) = _parts(BODY_TYPES[kind].model_fields[field].annotation)
    return "choice" if get_origin(part) is Literal else _FORMS[part]


def fields_of(kind: str) -> list[str]:
    """Return the fields of a kind that have a place."""
    return [f for f in BODY_TYPES[kind].model_fields if f != "kind" and (kind, f) not in _NEVER]


_NEVER = frozenset(LOST_FIELDS) - {("infusion", "unit")}


def folded(text: str) -> str:
    """Return a text as FHIR can hold it: on one line, with no sign that it does not allow."""
    allowed = (
        sign if sign.isspace() or (sign >= " " and sign not in _NOT_XML) else UNKNOWN_SIGN for sign in text
    )
    return " ".join("".join(allowed).split())


_NOT_XML = frozenset(chr(code) for code in (*range(0x7F, 0xA0), 0xFFFE, 0xFFFF))


# --- the entries as the document holds them -----------------------------------------------------


def held(case: Case) -> list[Entry]:
    """Return the entries that have a place in the document, without what has none.

    A document read back gives exactly these, in this order.

    Parameters
    ----------
    case : Case

    Returns
    -------
    list of Entry
        Those that stand and those still questioned, by number.
    """
    alive = sorted((*case.in_force(), *case.questions()), key=lambda entry: entry.n)
    kept = [(entry, held_body(entry.body)) for entry in alive if entry.body.kind not in NOT_HELD]
    return on_one_clock(
        [
            Entry(
                n=entry.n,
                session=1,
                at=entry.at,
                said=entry.said,
                recorded=entry.recorded,
                source=entry.source,
                standing=entry.standing,
                body=body,
            )
            for entry, body in kept
            if body is not None
        ]
    )


def held_body(body: BaseModel) -> BaseModel | None:
    """Return a body without what has no place; None if nothing is left."""
    values = dict(body)
    kind: str = values["kind"]
    cls = BODY_TYPES[kind]
    for field, value in values.items():
        if isinstance(value, str) and field != "kind" and field_form(kind, field) == "text":
            default = (
                UNKNOWN_SIGN if cls.model_fields[field].is_required() else cls.model_fields[field].default
            )
            values[field] = folded(value) or default
        if (kind, field) in _NEVER:
            values[field] = cls.model_fields[field].default
    if kind == "dictation" and values["text"] == UNKNOWN_SIGN:
        return None  # only its sound was kept
    if kind == "infusion" and values["rate"] is None:
        values["unit"] = None
    if kind == "patient" and all(value is None for field, value in values.items() if field != "kind"):
        return None
    return cls.model_validate(values)


def on_one_clock(entries: list[Entry]) -> list[Entry]:
    """Return entries with monotonic times that are seconds since the earliest of them."""
    if not entries:
        return []
    origin = min(entry.at.wall for entry in entries)

    def placed(moment: Moment) -> Moment:
        return moment_at(moment.wall, origin)

    return [
        entry.model_copy(
            update={"at": placed(entry.at), "said": placed(entry.said), "recorded": placed(entry.recorded)}
        )
        for entry in entries
    ]


def moment_at(wall: datetime, origin: datetime) -> Moment:
    """Return a moment whose monotonic time is the seconds since `origin`."""
    return Moment(wall=wall, monotonic_s=round((wall - origin).total_seconds(), 3))


def plain_number(value: Decimal) -> int | float:
    """Return a number as JSON has it; up to 15 digits come back exactly."""
    return int(value) if value == value.to_integral_value() else float(value)
