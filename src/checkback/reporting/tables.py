"""Tables: the case as one CSV file, with a schema that says what every column means.

Columns that come from a body are derived from the types in `checkback.record.entry`, so a new class
of body brings its columns, enumerations and descriptions along.

Source: RFC 4180 (CSV), RFC 3339 (times), Frictionless Table Schema v1.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import tempfile
import types
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AwareDatetime, BaseModel

from checkback.errors import UserError
from checkback.record.entry import Body, Entry, Moment

TABLE = "entries.csv"
SCHEMA = "entries.schema.json"

Standing = Callable[[Entry], tuple[str, int | None]]
"""Tells what became of an entry (stands, questioned, withdrawn, amended) and which entry replaces it."""

Summary = Callable[[Entry], str]
"""Says an entry in one line for people."""

CLASSES: tuple[type[BaseModel], ...] = get_args(get_args(Body)[0])
"""Every type of body, in the order of the union."""

# What a spreadsheet takes for the beginning of a formula, also in the full width of East Asian
# keyboards; source: OWASP, "CSV Injection".
_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")

_UNITS = {
    "_gy_cm2": "Gy·cm²",
    "_mgy": "mGy",
    "_mmhg": "mmHg",
    "_atm": "atm",
    "_mm": "mm",
    "_ml": "ml",
    "_per_min": "1/min",
    "_min": "min",
    "_percent": "%",
    "_s": "s",
    "_y": "a",
    "_kg": "kg",
    "_cm": "cm",
    "_mg_dl": "mg/dL",
    "_umol_l": "µmol/L",
    "_j": "J",
    "french": "Fr",
}  # a suffix that contains another one stands before it

_TIME_FORMAT = "%Y-%m-%dT%H:%M:%S.%f%z"


# --- columns ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """One column of the table.

    Parameters
    ----------
    name : str
        Heading.
    type : str
        Type in the words of Table Schema: integer, number, string, boolean or datetime.
    description : str
        What a cell means, with its unit.
    values : tuple of str
        All values that may stand in it; empty if there is no such list.
    unit : str or None
        Unit of a number.
    required : bool
        Whether no cell is empty.
    """

    name: str
    type: str
    description: str
    values: tuple[str, ...] = ()
    unit: str | None = None
    required: bool = False

    def field(self) -> dict[str, Any]:
        """Return the column as a field of a Table Schema."""
        constraints: dict[str, Any] = {}
        if self.required:
            constraints["required"] = True
        if self.values:
            constraints["enum"] = list(self.values)
        if self.name == "n":
            constraints |= {"unique": True, "minimum": 1}
        return {
            "name": self.name,
            "type": self.type,
            **({"format": _TIME_FORMAT} if self.type == "datetime" else {}),
            "description": self.description,
            **({"unit": self.unit} if self.unit else {}),
            **({"constraints": constraints} if constraints else {}),
        }


def kind_of(cls: type[BaseModel]) -> str:
    """Return the kind of entry that a type of body makes."""
    kind: str = cls.model_fields["kind"].default
    return kind


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


_TABLE_TYPES: dict[Any, str] = {
    bool: "boolean",
    int: "integer",
    float: "number",
    Decimal: "number",
    str: "string",
    Moment: "datetime",
    AwareDatetime: "datetime",
}


def _type_and_values(annotation: Any) -> tuple[str, tuple[str, ...]]:
    (part,) = _parts(annotation)
    if get_origin(part) is Literal:
        return "string", get_args(part)
    return _TABLE_TYPES[part], ()


def _entry_column(name: str) -> Column:
    field = Entry.model_fields[name]
    type_, values = _type_and_values(field.annotation)
    return Column(name, type_, field.description or "", values)


def _entry_columns() -> tuple[Column, ...]:
    described = {
        "session": "Which start of the program wrote it.",
        "source": "Whether it was spoken, typed, pressed, or comes from the program itself.",
        "recogniser": "The recogniser that heard the words.",
    }
    columns = {
        name: replace(
            _entry_column(name),
            description=described.get(name) or _entry_column(name).description,
            required=name in ("n", "at", "said", "recorded", "session", "source"),
        )
        for name in (
            "n",
            "at",
            "said",
            "recorded",
            "session",
            "amends",
            "source",
            "words",
            "recogniser",
            "score",
            "question",
        )
    }
    return (
        *(columns[name] for name in ("n", "at", "said", "recorded", "session")),
        Column(
            "kind",
            "string",
            "What was recorded. " + " ".join(f"{kind_of(cls)}: {cls.__doc__}" for cls in CLASSES),
            tuple(kind_of(cls) for cls in CLASSES),
            required=True,
        ),
        Column(
            "standing",
            "string",
            "What became of the entry: it stands, is questioned still, was withdrawn, or was amended by a later one.",
            ("stands", "questioned", "withdrawn", "amended"),
            required=True,
        ),
        Column("amended_by", "integer", "The entry that replaces this one."),
        *(columns[name] for name in ("amends", "source", "words", "recogniser", "score", "question")),
        Column("summary", "string", "The entry in one line for people."),
    )


def column_name(cls: type[BaseModel], field: str) -> str:
    """Return the heading for a field of a body; one that an entry has too is told apart by the kind."""
    return f"{kind_of(cls)}_{field}" if field in _ENTRY_NAMES else field


def _body_columns() -> tuple[Column, ...]:
    homes: dict[str, list[tuple[type[BaseModel], str]]] = {}
    for cls in CLASSES:
        for field in cls.model_fields:
            if field != "kind":
                homes.setdefault(column_name(cls, field), []).append((cls, field))
    return tuple(_body_column(name, home) for name, home in homes.items())


def _body_column(name: str, homes: list[tuple[type[BaseModel], str]]) -> Column:
    fields = [cls.model_fields[field] for cls, field in homes]
    seen = [_type_and_values(field.annotation) for field in fields]
    (type_,) = {type_ for type_, _ in seen}  # one heading never means two types
    values: tuple[str, ...] = ()
    if all(listed for _, listed in seen):
        values = tuple(dict.fromkeys(value for _, listed in seen for value in listed))
    numeric = type_ in ("number", "integer")
    unit = next((unit for suffix, unit in _UNITS.items() if numeric and name.endswith(suffix)), None)
    kinds = [kind_of(cls) for cls, _ in homes]
    sentences = [
        *_descriptions(kinds, [field.description for field in fields]),
        *([f"Unit: {unit}."] if unit else []),
        *(["Its unit stands in the column unit."] if name in ("dose", "rate") else []),
        f"Belongs to {', '.join(kinds)}.",
    ]
    return Column(name, type_, " ".join(sentences), values, unit)


def _descriptions(kinds: list[str], texts: list[str | None]) -> Iterator[str]:
    """Yield each description once, with the kinds that it is for unless it is for all."""
    for text in dict.fromkeys(filter(None, texts)):
        whose = [kind for kind, other in zip(kinds, texts, strict=True) if other == text]
        yield text if whose == kinds else f"In {', '.join(whose)}: {text}"


_ENTRY_COLUMNS = _entry_columns()
_ENTRY_NAMES = frozenset(column.name for column in _ENTRY_COLUMNS)

COLUMNS: tuple[Column, ...] = (*_ENTRY_COLUMNS, *_body_columns())
"""All columns in their order: those of the entry, then the fields of all bodies."""


def table_schema() -> dict[str, Any]:
    """Return the Frictionless Table Schema of `entries.csv`."""
    return {
        "fields": [column.field() for column in COLUMNS],
        "missingValues": [""],
        "primaryKey": ["n"],
        "foreignKeys": [
            # An empty resource name is this table itself.
            {"fields": [name], "reference": {"resource": "", "fields": ["n"]}}
            for name in ("amended_by", "amends", "target")
        ],
    }


# --- cells --------------------------------------------------------------------------------------


def rows(entries: Iterable[Entry], *, standing: Standing, summary: Summary) -> Iterator[list[str]]:
    """Yield one row of cells per entry, in the order of `COLUMNS`.

    Parameters
    ----------
    entries : iterable of Entry
        The entries of a case in order.
    standing : callable
        What became of an entry, and which entry replaces it.
    summary : callable
        An entry in one line.
    """
    for entry in entries:
        state, amended_by = standing(entry)
        values: dict[str, Any] = {column.name: getattr(entry, column.name, None) for column in _ENTRY_COLUMNS}
        values |= {
            "kind": entry.body.kind,
            "standing": state,
            "amended_by": amended_by,
            "summary": summary(entry),
        }
        cls = type(entry.body)
        values |= {
            column_name(cls, field): getattr(entry.body, field)
            for field in cls.model_fields
            if field != "kind"
        }
        yield [cell(values.get(column.name)) for column in COLUMNS]


def kind_columns(cls: type[BaseModel]) -> tuple[Column, ...]:
    """Return the columns of the table of one kind: number, time and standing, then the body's fields."""
    first = (column for column in _ENTRY_COLUMNS if column.name in ("n", "at", "standing"))
    fields = (field for field in cls.model_fields if field != "kind")
    return (*first, *(_body_column(column_name(cls, field), [(cls, field)]) for field in fields))


def kind_rows(cls: type[BaseModel], entries: Iterable[Entry], *, standing: Standing) -> Iterator[list[str]]:
    """Yield a row for each of the entries with a body of this type, in the order of `kind_columns`."""
    fields = [field for field in cls.model_fields if field != "kind"]
    for entry in entries:
        if type(entry.body) is cls:
            first = [entry.n, entry.at, standing(entry)[0]]
            yield [cell(value) for value in (*first, *(getattr(entry.body, field) for field in fields))]


def guarded(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula: one that begins like it gets an apostrophe.

    `unguarded` takes it away again.
    """
    return f"'{text}" if _FORMULA.match(text) else text


def unguarded(cell: str) -> str:
    """Return the text that `guarded` made a cell of."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def cell(value: Any) -> str:
    """Return a value as it stands in a table: empty for None, times as RFC 3339, text guarded."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Moment):
        value = value.wall
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds")
    if isinstance(value, Decimal):
        text = format(value, "f")
        return text.rstrip("0").rstrip(".") if "." in text else text
    return guarded(value) if isinstance(value, str) else str(value)


def csv_text(columns: Iterable[Column], cells: Iterable[Iterable[str]]) -> str:
    """Return a table as CSV (RFC 4180, CRLF) with a heading."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(column.name for column in columns)
    writer.writerows(cells)
    return text.getvalue()


def table(entries: Iterable[Entry], *, standing: Standing, summary: Summary) -> str:
    """Return the CSV text (RFC 4180, CRLF) of a case; parameters as for `rows`."""
    return csv_text(COLUMNS, rows(entries, standing=standing, summary=summary))


def write_tables(
    entries: Iterable[Entry], folder: Path, *, standing: Standing, summary: Summary
) -> tuple[Path, Path]:
    """Write `entries.csv` and `entries.schema.json` into `folder`.

    Each file appears whole or not at all, and replaces an earlier one.

    Parameters
    ----------
    entries : iterable of Entry
        The entries of a case in order.
    folder : Path
        An existing folder.
    standing, summary : callable
        As for `rows`.

    Returns
    -------
    table, schema : Path
        The files.

    Raises
    ------
    UserError
        If the folder cannot be written to; earlier files are then as they were.
    """
    csv_path, schema_path = Path(folder) / TABLE, Path(folder) / SCHEMA
    content = table(entries, standing=standing, summary=summary)
    schema = json.dumps(table_schema(), ensure_ascii=False, indent=2) + "\n"
    try:
        put_file(schema_path, schema.encode())
        put_file(csv_path, content.encode())
    except OSError as error:
        raise UserError(
            f"The tables cannot be written into {folder} ({error.strerror or error}): "
            "make room and leave to write there, or name another folder."
        ) from error
    return csv_path, schema_path


def put_file(path: Path, data: bytes) -> None:
    """Write `data` beside `path` and move it there in one step.

    Raises
    ------
    OSError
        If that cannot be done; an earlier file is then as it was.
    """
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        # A temporary file is private at first; a table is as readable as the journal beside it.
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise
