"""Content items of a structured report, and values as their representations hold them.

Source: PS3.3, C.17.3 and C.18; PS3.5, 6.2.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from checkback.reporting.dicom import codes
from checkback.reporting.dicom.codes import Code

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

LONGEST_NUMBER = 16
"""Characters of a decimal string (PS3.5, table 6.2-1)."""

_ZONE_LIMITS = timedelta(hours=-12), timedelta(hours=14)


def below(item: Dataset, child: Dataset) -> None:
    """Put a content item below another."""
    if "ContentSequence" not in item:
        item.ContentSequence = []
    item.ContentSequence.append(child)


def new_item(relationship: str, value_type: str, concept: Code) -> Dataset:
    """Return a content item without a value."""
    from pydicom.dataset import Dataset

    item = Dataset()
    item.RelationshipType = relationship
    item.ValueType = value_type
    item.ConceptNameCodeSequence = [coded(concept)]
    return item


def coded(code: Code) -> Dataset:
    """Return a code as an item of a code sequence."""
    from pydicom.dataset import Dataset

    ds = Dataset()
    ds.CodeValue = code.value
    ds.CodingSchemeDesignator = code.scheme
    ds.CodeMeaning = code.meaning
    return ds


def code_item(concept: Code, value: Code, relationship: str = "HAS PROPERTIES") -> Dataset:
    """Return a CODE item."""
    item = new_item(relationship, "CODE", concept)
    item.ConceptCodeSequence = [coded(value)]
    return item


def text_item(concept: Code, text: str, relationship: str = "HAS PROPERTIES") -> Dataset:
    """Return a TEXT item; see `clean`."""
    item = new_item(relationship, "TEXT", concept)
    item.TextValue = clean(text)
    return item


def text_or_empty(concept: Code, text: str) -> Dataset:
    """Return a text; an empty one, which a TEXT must not be, as a code."""
    return text_item(concept, text) if clean(text) else code_item(concept, codes.EMPTY)


def time_item(concept: Code, value: datetime) -> Dataset:
    """Return a DATETIME item."""
    item = new_item("HAS PROPERTIES", "DATETIME", concept)
    item.DateTime = date_time(value)
    return item


def number_item(concept: Code, value: Decimal, unit: Code) -> Dataset:
    """Return a NUM item."""
    from pydicom.dataset import Dataset

    measured = Dataset()
    measured.MeasurementUnitsCodeSequence = [coded(unit)]
    text = decimal_text(value)
    if len(text) > LONGEST_NUMBER:
        # (PS3.3, C.18.1) the exact value goes beside what the string can hold
        measured.FloatingPointValue = float(value)
        text = _rounded(value)
    measured.NumericValue = text
    item = new_item("HAS PROPERTIES", "NUM", concept)
    item.MeasuredValueSequence = [measured]
    return item


def decimal_text(value: Decimal) -> str:
    """Return a number without exponent and needless zeros."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _rounded(value: Decimal) -> str:
    for digits in range(LONGEST_NUMBER, 0, -1):
        text = f"{value:.{digits}g}"
        if len(text) <= LONGEST_NUMBER:
            return text
    raise AssertionError("a number with one digit fits")


def clean(text: str) -> str:
    """Return a text as a TEXT item can hold it: no control characters but those of layout, no blanks at the end."""
    kept = (
        sign
        if sign in "\t\n\f\r" or not ("\0" <= sign < " " or "\x7f" <= sign < "\xa0")
        else "\N{REPLACEMENT CHARACTER}"
        for sign in text
    )
    return "".join(kept).rstrip(" ")


def date_time(value: datetime) -> str:
    """Return a moment as a DT with milliseconds and offset; an offset that a DT cannot hold becomes UTC."""
    offset = value.utcoffset() or timedelta(0)
    lowest, highest = _ZONE_LIMITS
    if not lowest <= offset <= highest or offset % timedelta(minutes=1):
        value, offset = value.astimezone(UTC), timedelta(0)
    minutes = int(offset.total_seconds()) // 60
    sign = "-" if minutes < 0 else "+"
    return (
        f"{date_of(value)}{value:%H%M%S}.{value.microsecond // 1000:03}"
        f"{sign}{abs(minutes) // 60:02}{abs(minutes) % 60:02}"
    )


def date_of(value: datetime) -> str:
    """Return a day as a DA."""
    return f"{value.year:04}{value:%m%d}"


def time_of(value: datetime) -> str:
    """Return a time of day as a TM with milliseconds."""
    return f"{value:%H%M%S}.{value.microsecond // 1000:03}"


def short(text: str) -> str:
    """Return a text in one line, as an LO can hold it."""
    return " ".join(clean(text).replace("\\", "/").split())[:64].rstrip()


def person_of(name: str) -> str:
    """Return a name as a PN; its parts cannot be told apart, so it is all of the first one."""
    return " ".join(clean(name).replace("\\", " ").replace("^", " ").replace("=", " ").split())[:64]
