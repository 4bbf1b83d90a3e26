"""A case as a data package: a CSV file for each kind of entry and one descriptor; and JSON Lines.

`entries.csv` holds every entry with all columns.  Beside it stands one table for each kind that the
case has, with the number of the entry and the fields of that kind alone.

Source: Frictionless Data Package v1, Table Schema v1, RFC 4180, https://jsonlines.org.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from checkback.record.case import Case
from checkback.record.entry import Entry
from checkback.reporting.tables import (
    CLASSES,
    TABLE,
    Summary,
    csv_text,
    kind_columns,
    kind_of,
    kind_rows,
    put_file,
    table,
    table_schema,
)

DESCRIPTOR = "datapackage.json"
LINES = "entries.jsonl"

_DIALECT = {"delimiter": ",", "lineTerminator": "\r\n", "quoteChar": '"', "doubleQuote": True, "header": True}

GUARD = (
    "A text that begins with =, +, -, @, a tab or a line end, or with apostrophes before such a sign, has one "
    "apostrophe put in front, so that no spreadsheet takes it for a formula; take that one away to get the text."
)
"""What a reader of the tables has to know of their cells."""


def package(
    case: Case, summary: Summary, *, name: str = "case", notes: Sequence[str] = ()
) -> dict[str, bytes]:
    """Return the files of the data package by name, the descriptor last.

    Parameters
    ----------
    case : Case
    summary : callable
        Says an entry in one line.
    name : str
        Name of the package; is made to fit the rules for such names.
    notes : sequence of str
        What a reader must know of this case, such as that it is unfinished.
    """
    everything = table(case.entries, standing=case.standing, summary=summary)
    files = {TABLE: everything.encode()}
    resources = [_resource("entries", TABLE, files[TABLE], table_schema(), "Every entry of the case.")]
    present = {type(entry.body) for entry in case.entries}
    for cls in CLASSES:
        if cls not in present:
            continue
        kind = kind_of(cls)
        path = f"{kind}.csv"
        text = csv_text(kind_columns(cls), kind_rows(cls, case.entries, standing=case.standing))
        files[path] = text.encode()
        resources.append(_resource(kind, path, files[path], _kind_schema(cls), cls.__doc__ or ""))
    descriptor = {
        "profile": "tabular-data-package",
        "name": re.sub(r"[^a-z0-9._-]+", "-", name.lower()).strip("-") or "case",
        "title": "Entries of one case, as recorded; not a signed report",
        "description": " ".join([*notes, GUARD]),
        "resources": resources,
    }
    files[DESCRIPTOR] = (json.dumps(descriptor, ensure_ascii=False, indent=2) + "\n").encode()
    return files


def _kind_schema(cls: Any) -> dict[str, Any]:
    columns = kind_columns(cls)
    to_entries = ["n", *(column.name for column in columns if column.name == "target")]
    return {
        "fields": [column.field() for column in columns],
        "missingValues": [""],
        "primaryKey": ["n"],
        "foreignKeys": [
            {"fields": [name], "reference": {"resource": "entries", "fields": ["n"]}} for name in to_entries
        ],
    }


def _resource(name: str, path: str, data: bytes, schema: dict[str, Any], what: str) -> dict[str, Any]:
    return {
        "profile": "tabular-data-resource",
        "name": name,
        "path": path,
        "description": " ".join(what.split()),
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
        "dialect": _DIALECT,
        "schema": schema,
    }


def write_package(
    case: Case, summary: Summary, folder: Path, *, name: str = "case", notes: Sequence[str] = ()
) -> list[Path]:
    """Write the data package into an existing folder; parameters as for `package`.

    Tables of kinds that the case does not have (any more) are removed if an earlier descriptor in
    the folder names them.

    Raises
    ------
    OSError
        If a file cannot be written.  The descriptor comes last, so it never names what is not there.
    """
    files = package(case, summary, name=name, notes=notes)
    stale = set(_named_before(folder)) - files.keys()
    for path, data in files.items():
        put_file(folder / path, data)
    for path in stale:
        (folder / path).unlink(missing_ok=True)
    return [folder / path for path in files]


def _named_before(folder: Path) -> Iterator[str]:
    """Yield the tables that an earlier package in the folder holds, by kind alone: nothing else is touched."""
    try:
        earlier = json.loads((folder / DESCRIPTOR).read_bytes())
        named = {resource["path"] for resource in earlier["resources"]}
    except (OSError, ValueError, KeyError, TypeError):
        return
    yield from (path for path in (f"{kind_of(cls)}.csv" for cls in CLASSES) if path in named)


def lines(case: Case, summary: Callable[[Entry], str]) -> Iterator[str]:
    """Yield a JSON object for each entry: the line of the journal, with what became of it.

    `standing` is how it stands now, `by` the entry that withdrew or replaced it, `summary` the
    entry in one line for people.
    """
    for entry in case.entries:
        standing, by = case.standing(entry)
        more = {"standing": standing, "by": by, "summary": summary(entry)}
        yield json.dumps(entry.model_dump(mode="json") | more, ensure_ascii=False)


def write_jsonl(case: Case, summary: Callable[[Entry], str], folder: Path) -> list[Path]:
    """Write `entries.jsonl` into an existing folder.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    path = folder / LINES
    put_file(path, "".join(f"{line}\n" for line in lines(case, summary)).encode())
    return [path]
