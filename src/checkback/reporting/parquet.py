"""Entries of one or many cases as one Parquet file.

The columns are those of `entries.csv`, with their types, behind the name of the case.  Times are
in UTC; `utc_offset_min` keeps the offset of the place.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from checkback.extras import extra
from checkback.record.case import Case
from checkback.record.entry import Entry
from checkback.reporting.tables import COLUMNS, TABLE, Column, put_file, rows, table_schema, unguarded

if TYPE_CHECKING:
    import polars

COLLECTION = "entries.parquet"

PORTION = 20_000
"""So many entries are held as rows before they go into columns, which take far less memory."""


def frame(cases: Iterable[tuple[str, Case]], summary: Callable[[Entry], str]) -> polars.DataFrame:
    """Return one row per entry of all cases.

    Parameters
    ----------
    cases : iterable of (str, Case)
        Name of each case, and the case.
    summary : callable
        Says an entry in one line.

    Raises
    ------
    UserError
        If polars is not installed.
    """
    pl = extra("polars", of="export", purpose="a Parquet file")
    types: dict[str, Any] = {
        "integer": pl.Int64,
        "number": pl.Float64,
        "boolean": pl.Boolean,
        "string": pl.String,
        "datetime": pl.Datetime("ms", "UTC"),
    }
    schema = {"case": pl.String, "utc_offset_min": pl.Int64, **{c.name: types[c.type] for c in COLUMNS}}
    parts = [pl.DataFrame(schema=schema)]
    table: list[list[Any]] = []
    for name, case in cases:
        table += _rows(name, case, summary)
        if len(table) >= PORTION:
            parts.append(pl.DataFrame(table, schema=schema, orient="row"))
            table = []
    parts.append(pl.DataFrame(table, schema=schema, orient="row"))
    result: polars.DataFrame = pl.concat(parts)
    return result


def _rows(name: str, case: Case, summary: Callable[[Entry], str]) -> Iterator[list[Any]]:
    cells_of = rows(case.entries, standing=case.standing, summary=summary)
    for entry, cells in zip(case.entries, cells_of, strict=True):
        offset = entry.at.wall.utcoffset()
        assert offset is not None
        values = [_value(column, cell) for column, cell in zip(COLUMNS, cells, strict=True)]
        yield [name, round(offset.total_seconds() / 60), *values]


def _value(column: Column, cell: str) -> Any:
    """Return the value that stands in a cell of `entries.csv`."""
    if column.type == "string":
        # an empty cell stands for no text and for an empty one
        return unguarded(cell) or None
    if not cell:
        return None
    if column.type == "datetime":
        return datetime.fromisoformat(cell).astimezone(UTC)
    if column.type == "boolean":
        return cell == "true"
    return int(cell) if column.type == "integer" else float(cell)


def write_parquet(
    cases: Iterable[tuple[str, Case]], summary: Callable[[Entry], str], folder: Path
) -> list[Path]:
    """Write `entries.parquet` into an existing folder; parameters as for `frame`.

    The Table Schema of `entries.csv`, with units and descriptions, stands in the file's metadata
    under the key "table_schema".

    Raises
    ------
    UserError
        If polars is not installed.
    OSError
        If the file cannot be written.
    """
    data = io.BytesIO()
    frame(cases, summary).write_parquet(
        data, compression="zstd", metadata={"table_schema": json.dumps(table_schema()), "table": TABLE}
    )
    path = folder / COLLECTION
    put_file(path, data.getvalue())
    return [path]
