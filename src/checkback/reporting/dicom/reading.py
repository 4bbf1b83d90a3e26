"""A DICOM Procedure Log becomes entries again.

Everything is read from codes, by the layout that it was written with; meanings are for people and
decide nothing, but for names in the private scheme, whose code is made from the name.  What has no
place in the layout, such as another program's entries, is left out and named.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from decimal import Decimal, InvalidOperation
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from checkback.errors import UserError
from checkback.record.entry import BODY, Entry, Moment
from checkback.reporting.dicom import codes
from checkback.reporting.dicom.codes import Code
from checkback.reporting.dicom.layout import Head, Slot, head_of, slots
from checkback.reporting.dicom.log import SOP_CLASS

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_DATE_TIME = re.compile(r"(\d{14})(?:\.(\d{1,6}))?([+-]\d{4})?")
_UNIT_NAMES = {unit.key: name for name, unit in codes.DRUG_UNITS.items()}
_UNITS_OF_BODIES = {unit.key for unit in (codes.NO_UNIT, codes.UNIT_AS_TEXT)}


@dataclass(frozen=True)
class ReadLog:
    """What a procedure log holds.

    Attributes
    ----------
    entries : tuple of Entry
        By number.  Their monotonic times are counted from the first one by the wall clock, and all
        are of session 1: a log holds neither.
    left_out : tuple of str
        What could not be read, each as a sentence for people.
    notes : tuple of str
        What the log says about itself, such as that the case is unfinished.
    """

    entries: tuple[Entry, ...]
    left_out: tuple[str, ...]
    notes: tuple[str, ...]


class _Unreadable(Exception):  # noqa: N818 - it is turned into a sentence
    """An item that the layout has no place for."""


def read_log(path: Path) -> ReadLog:
    """Read a procedure log from a DICOM file.

    Raises
    ------
    UserError
        If the file cannot be read, is no Procedure Log, or its times have no offset.
    """
    try:
        data = Path(path).read_bytes()
    except OSError as error:
        raise UserError(f"{path} cannot be read ({error.strerror or error}): name a DICOM file") from None
    return read_bytes(data, name=str(path))


def read_bytes(data: bytes, *, name: str) -> ReadLog:
    """Read a procedure log from the bytes of a DICOM file; `name` is for messages.

    Raises
    ------
    UserError
        As for `read_log`.
    """
    try:
        from pydicom import dcmread
        from pydicom.errors import InvalidDicomError
    except ImportError:
        raise UserError(
            "reading DICOM needs the packages of the extra 'export': pip install 'checkback[export]'"
        ) from None
    try:
        with warnings.catch_warnings():
            # what pydicom finds odd in a file of others is no concern of who reads entries from it
            warnings.simplefilter("ignore")
            ds = dcmread(BytesIO(data))
            # decodes all that is read lazily, so that damage shows here
            ds.walk(lambda _, element: element.value)
    except InvalidDicomError:
        raise UserError(f"{name} is no DICOM file: name one, such as procedure-log.dcm") from None
    except Exception as error:
        # pydicom raises whatever its parser meets in a damaged file
        raise UserError(f"{name} is damaged and cannot be read as DICOM ({type(error).__name__})") from None
    return entries_of(ds, name=name)


def entries_of(ds: Dataset, *, name: str = "the log") -> ReadLog:
    """Return what a procedure log holds.

    Raises
    ------
    UserError
        If it is no Procedure Log, or its times have no offset.
    """
    if ds.get("SOPClassUID") != SOP_CLASS:
        raise UserError(f"{name} is DICOM, but no procedure log: it is of SOP class {ds.get('SOPClassUID')}")
    zone = str(ds.get("TimezoneOffsetFromUTC", "") or "") or None
    read: list[dict[str, Any]] = []
    left_out, notes = [], []
    for item in ds.get("ContentSequence", []):
        if item.get("RelationshipType") != "CONTAINS":
            if _concept(item).key == codes.AT_ROOT.key:
                notes.append(_text(item))
            continue
        try:
            at = _moment(item.get("ObservationDateTime"), zone)
        except _Unreadable as reason:
            raise UserError(f"{name}: an entry has {reason}; it cannot be placed in time") from None
        try:
            read.append(_entry(item, at, zone))
        except _Unreadable as reason:
            left_out.append(f"{at:%H:%M:%S} {_concept(item).meaning or 'entry without a concept'}: {reason}")
    return ReadLog(tuple(_numbered(read)), tuple(left_out), tuple(notes))


def _numbered(read: list[dict[str, Any]]) -> Iterator[Entry]:
    """Yield entries by number; those of another program get numbers after the last one."""
    if not read:
        return
    first = min(fields["at"] for fields in read)
    last = max((fields["n"] or 0 for fields in read), default=0)
    taken: set[int] = set()
    for fields in read:
        if fields["n"] is None or fields["n"] in taken:
            last += 1
            fields["n"] = last
        taken.add(fields["n"])
    for fields in sorted(read, key=lambda fields: fields["n"]):
        moments = {
            name: Moment(wall=fields[name], monotonic_s=round((fields[name] - first).total_seconds(), 3))
            for name in ("at", "said", "recorded")
        }
        yield Entry(**(fields | moments), session=1)


# --- one entry -----------------------------------------------------------------------------------


def _entry(item: Dataset, at: datetime, zone: str | None) -> dict[str, Any]:
    questioned = _concept(item).key == codes.QUESTIONED.key
    inner = item
    if questioned:
        inside = [c for c in _children(item) if _is_body(c)]
        if len(inside) != 1:
            raise _Unreadable("a questioned entry without what was questioned")
        inner = inside[0]
    known = {_concept(child).key: child for child in _children(item)}

    def moment(concept: Code) -> datetime:
        child = known.get(concept.key)
        return at if child is None else _moment(child.get("DateTime"), zone)

    number, source = known.get(codes.NUMBER.key), known.get(codes.SOURCE.key)
    words, question = known.get(codes.WORDS.key), known.get(codes.QUESTION.key)
    return {
        "n": None if number is None else int(_number(number)[0]),
        "at": at,
        "said": moment(codes.SAID),
        "recorded": moment(codes.RECORDED),
        "source": "import" if source is None else _source(source),
        "words": "" if words is None else _text(words),
        "standing": "questioned" if questioned else "stands",
        "question": None if question is None else _text(question),
        "body": _body(inner, zone),
    }


def _is_body(child: Dataset) -> bool:
    """Whether a child of a questioned entry is what was questioned."""
    concept = _concept(child).key
    qualifiers = (
        codes.NUMBER,
        codes.SAID,
        codes.RECORDED,
        codes.SOURCE,
        codes.WORDS,
        codes.QUESTION,
        codes.COMMENT,
    )
    return concept not in {code.key for code in qualifiers}


def _source(item: Dataset) -> str:
    code = _code(item)
    if not codes.is_own_value(code):
        raise _Unreadable(f"source {code.meaning} is unknown")
    return code.meaning


def _body(item: Dataset, zone: str | None) -> Any:
    reasons = []
    for kind, head in _possible(item):
        try:
            return BODY.validate_python(_fields(kind, head, item, zone))
        except ValidationError as error:
            reasons.append(f"as {kind}, {error.errors()[0]['msg']}")
        except _Unreadable as reason:
            reasons.append(str(reason))
    raise _Unreadable(reasons[0] if reasons else "no kind of entry is written so")


def _possible(item: Dataset) -> list[tuple[str, Head]]:
    """Return what kinds and heads an item may be: those with its value as a constant, then the others."""
    concept = _concept(item).key
    constant = _code(item).key if item.get("ValueType") == "CODE" else None
    found = head_of()
    exact = found.get((concept, constant), []) if constant is not None else []
    return [*exact, *found.get((concept, None), [])]


def _fields(kind: str, head: Head, item: Dataset, zone: str | None) -> dict[str, Any]:
    fields: dict[str, Any] = {"kind": kind, **head.when}
    by_concept = {slot.concept.key: slot for slot in slots(kind)}
    if isinstance(head.value, str):
        slot = next(slot for slot in slots(kind) if slot.field == head.value)
        fields |= _field(slot, item, zone)
    for child in _children(item):
        concept = _concept(child).key
        if concept == codes.DRUG_UNIT.key:
            fields["unit"] = _text(child)
        elif (found := by_concept.get(concept)) is not None:
            # a unit that is a text stands for the one that says so
            fields = (
                _field(found, child, zone) | fields
                if found.unit_field
                else fields | _field(found, child, zone)
            )
    return fields


def _field(slot: Slot, item: Dataset, zone: str | None) -> dict[str, Any]:
    if slot.form == "number":
        number, unit = _number(item)
        if slot.unit is not None:
            if unit.key != slot.unit.key:
                raise _Unreadable(f"{_concept(item).meaning} is in {unit.value}, not in {slot.unit.value}")
            return {slot.field: number / slot.factor}
        return {slot.field: number} | _unit(slot, unit)
    if slot.form == "time":
        return {slot.field: _moment(item.get("DateTime"), zone)}
    if slot.form == "flag":
        flags = {codes.YES.key: True, codes.NO.key: False}
        if _code(item).key not in flags:
            raise _Unreadable(f"{_concept(item).meaning} is neither yes nor no")
        return {slot.field: flags[_code(item).key]}
    if item.get("ValueType") == "TEXT" or _code(item).key == codes.EMPTY.key:
        return {slot.field: _text(item)}
    value = {code.key: value for value, code in slot.values.items()}.get(_code(item).key)
    if value is None and slot.form == "name" and codes.is_own_value(_code(item)):
        value = _code(item).meaning
    if value is None:
        raise _Unreadable(f"{_concept(item).meaning} {_code(item).meaning} is unknown")
    return {slot.field: value}


def _unit(slot: Slot, unit: Code) -> dict[str, Any]:
    if unit.key in _UNITS_OF_BODIES or slot.unit_field is None:
        return {}
    # another program may measure in a unit that has no name here
    return {slot.unit_field: _UNIT_NAMES.get(unit.key, unit.value)}


# --- items ---------------------------------------------------------------------------------------


def _children(item: Dataset) -> list[Dataset]:
    return list(item.get("ContentSequence", None) or [])


def _first_code(sequence: Any) -> Code:
    if not sequence:
        return Code("", "", "")
    ds = sequence[0]
    value = ds.get("CodeValue") or ds.get("LongCodeValue") or ds.get("URNCodeValue") or ""
    return Code(str(value), str(ds.get("CodingSchemeDesignator", "")), str(ds.get("CodeMeaning", "")))


def _concept(item: Dataset) -> Code:
    return _first_code(item.get("ConceptNameCodeSequence"))


def _code(item: Dataset) -> Code:
    return _first_code(item.get("ConceptCodeSequence"))


def _text(item: Dataset) -> str:
    return str(item.get("TextValue") or "")


def _number(item: Dataset) -> tuple[Decimal, Code]:
    measured = item.get("MeasuredValueSequence")
    if not measured:
        raise _Unreadable(f"{_concept(item).meaning} has no number")
    unit = _first_code(measured[0].get("MeasurementUnitsCodeSequence"))
    exact = measured[0].get("FloatingPointValue")
    try:
        number = Decimal(repr(exact) if exact is not None else str(measured[0].get("NumericValue")))
    except InvalidOperation:
        raise _Unreadable(f"{_concept(item).meaning} has no number") from None
    return number, unit


def _moment(value: Any, zone: str | None) -> datetime:
    found = _DATE_TIME.fullmatch(str(value or ""))
    if found is None:
        raise _Unreadable("no time to the second")
    offset = found[3] or zone
    if offset is None:
        raise _Unreadable("a time without its offset from UTC")
    minutes = int(offset[1:3]) * 60 + int(offset[3:5])
    try:
        return datetime.strptime(found[1], "%Y%m%d%H%M%S").replace(
            microsecond=int((found[2] or "").ljust(6, "0")),
            tzinfo=timezone(timedelta(minutes=-minutes if offset[0] == "-" else minutes)),
        )
    except ValueError:
        raise _Unreadable("a time that does not exist") from None
