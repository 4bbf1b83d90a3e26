"""Entries of one or many cases as one Parquet file.

The columns are those of `entries.csv`, with their types, behind the name of the case.  Times are
in UTC; `utc_offset_min` keeps the offset of the place.
"""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import Entry
from checkback.reporting.tables import COLUMNS, TABLE, Column, put_file, rows, table_schema, unguarded

if TYPE_CHECKING:
    import polars

COLLECTION = "entries.parquet"


def load_polars() -> ModuleType:
    """Return the library for columnar tables.

    Raises
    ------
    UserError
        If it is not installed.
    """
    try:
        import polars
    except ImportError:
        raise UserError(
            "Parquet and collections need the package polars: install it with pip install 'checkback[export]'"
        ) from None
    return polars


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
    pl = load_polars()
    types: dict[str, Any] = {
        "integer": pl.Int64,
        "number": pl.Float64,
        "boolean": pl.Boolean,
        "string": pl.String,
        "datetime": pl.Datetime("ms", "UTC"),
    }
    schema = {"case": pl.String, "utc_offset_min": pl.Int64, **{c.name: types[c.type] for c in COLUMNS}}
    table: list[list[Any]] = []
    for name, case in cases:
        for entry, cells in zip(
            case.entries, rows(case.entries, standing=case.standing, summary=summary), strict=True
        ):
            offset = entry.at.wall.utcoffset()
            assert offset is not None
            values = [_value(column, cell) for column, cell in zip(COLUMNS, cells, strict=True)]
            table.append([name, round(offset.total_seconds() / 60), *values])
    result: polars.DataFrame = pl.DataFrame(table, schema=schema, orient="row")
    return result


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
