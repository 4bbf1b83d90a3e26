"""Reads a folder of cases into tables, and keeps what it read for the next time.

A kept row is used again only if every byte of the journal, the limits and the rules of the digest
are the same; so a changed journal is read and checked anew.
"""

from __future__ import annotations

import gc
import hashlib
import multiprocessing
import os
import types
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args, get_type_hints

from checkback import __version__
from checkback.collecting.digest import (
    DIGEST_VERSION,
    AdviceRow,
    CaseRow,
    Digest,
    LesionRow,
    ReadingRow,
    RefusalRow,
    digest,
)
from checkback.errors import UserError
from checkback.extras import extra
from checkback.record.case import Case
from checkback.record.journal import JOURNAL, read_entries
from checkback.watching.limits import Limits

if TYPE_CHECKING:
    import polars

State = Literal["finished", "unfinished", "left out"]

TABLES: Mapping[str, type] = {
    "cases": CaseRow,
    "readings": ReadingRow,
    "refusals": RefusalRow,
    "lesions": LesionRow,
    "advice": AdviceRow,
}
"""Every table by name, with the type of its rows; each row is behind the name of its case."""

LEFT_OUT = "left_out"
"""The table of cases that could not be read, with the reason."""

_A_BATCH = 25


@dataclass(frozen=True)
class Found:
    """A journal in the folder, and the SHA-256 of its bytes; None if it cannot be read."""

    case: str
    folder: Path
    sha256: str | None
    trouble: str = ""


@dataclass(frozen=True)
class Read:
    """What became of one case: its digest, or why there is none, and what is to be said of it."""

    case: str
    sha256: str | None
    digest: Digest | None
    reason: str = ""


@dataclass(frozen=True)
class Collection:
    """The tables of a folder.

    Attributes
    ----------
    tables : mapping of str to polars.DataFrame
        Those of `TABLES` and `LEFT_OUT`, sorted by the name of the case.
    kept : int
        How many cases were taken from what an earlier run kept.
    """

    tables: Mapping[str, polars.DataFrame]
    kept: int

    def __getitem__(self, name: str) -> polars.DataFrame:
        return self.tables[name]


# --- finding -------------------------------------------------------------------------------------


def find(folder: Path) -> tuple[list[Path], list[Path]]:
    """Return every case folder below `folder`, or `folder` itself, and what could not be looked into.

    Both are in the order of their names.

    Raises
    ------
    UserError
        If there is no such folder, or no case in it.
    """
    if not folder.is_dir():
        raise UserError(f"{folder} is no folder: name the one that holds the case folders")
    closed: list[Path] = []
    walk = os.walk(folder, onerror=lambda error: closed.append(Path(error.filename)))
    found = [Path(place) for place, _, files in walk if JOURNAL in files]
    if not found and not closed:
        raise UserError(f"{folder}: no {JOURNAL} below it; name the folder that holds the case folders")
    return sorted(found), sorted(closed)


def looked_at(folder: Path, root: Path) -> Found:
    """Return a case's name, which is its path below `root`, and what its journal is known by."""
    name = _name(folder, root)
    try:
        with (folder / JOURNAL).open("rb") as file:
            return Found(name, folder, hashlib.file_digest(file, "sha256").hexdigest())
    except OSError as error:
        return Found(name, folder, None, f"cannot be read: {error.strerror or error}")


def _name(folder: Path, root: Path) -> str:
    name = folder.relative_to(root).as_posix()
    return folder.absolute().name if name == "." else name


# --- reading -------------------------------------------------------------------------------------


def read_one(found: Found, limits: Limits) -> Read:
    """Read one case; whatever is wrong with it becomes a reason and is not raised."""
    if found.sha256 is None:
        return Read(found.case, None, None, found.trouble)
    try:
        data = (found.folder / JOURNAL).read_bytes()
        # a writer may have added a line since
        sha256 = hashlib.sha256(data).hexdigest()
        entries = read_entries(data, found.folder)
        return Read(found.case, sha256, digest(Case(entries), limits), entries.torn or "")
    except (UserError, OSError) as error:
        return Read(found.case, found.sha256, None, str(error))
    except Exception as error:
        # one case that this program cannot digest must not cost the others; it is named
        return Read(found.case, found.sha256, None, f"cannot be digested: {type(error).__name__}: {error}")


def _read_batch(batch: list[Found], limits: Limits) -> list[Read]:
    # a batch makes many objects that all live to its end: to look for cycles among them takes a third of the time
    looks = gc.isenabled()
    gc.disable()
    try:
        return [read_one(found, limits) for found in batch]
    finally:
        if looks:
            gc.enable()


def read_all(
    cases: list[Found],
    limits: Limits,
    *,
    workers: int = 1,
    progress: Callable[[int], None] = lambda count: None,
) -> Iterator[Read]:
    """Yield what became of each case, in order.

    Parameters
    ----------
    cases : list of Found
    limits : Limits
    workers : int
        Processes that read; with 1, this one.  With more, the main script of the caller is imported
        by each, so it needs `if __name__ == "__main__":`.
    progress : callable
        Is given the number of cases done, now and then.
    """
    batches = [cases[i : i + _A_BATCH] for i in range(0, len(cases), _A_BATCH)]
    work = partial(_read_batch, limits=limits)
    done = 0
    if workers == 1 or len(batches) < 4:
        results: Iterable[list[Read]] = map(work, batches)
        for batch in results:
            done += len(batch)
            progress(done)
            yield from batch
        return
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        for batch in pool.map(work, batches, chunksize=2):
            done += len(batch)
            progress(done)
            yield from batch


# --- tables --------------------------------------------------------------------------------------


def _schemas() -> dict[str, dict[str, Any]]:
    pl = extra("polars", of="export", purpose="a collection of cases")
    types_: dict[type, Any] = {
        bool: pl.Boolean,
        int: pl.Int64,
        float: pl.Float64,
        str: pl.String,
        datetime: pl.Datetime("ms", "UTC"),
    }

    def schema(cls: type) -> dict[str, Any]:
        hints = get_type_hints(cls)
        return {"case": pl.String, **{f.name: types_[_plain(hints[f.name])] for f in fields(cls)}}

    result = {name: schema(cls) for name, cls in TABLES.items()}
    known = {"journal_sha256": pl.String, "known_by": pl.String, "note": pl.String}
    result["cases"] |= known
    result[LEFT_OUT] = {"case": pl.String, "reason": pl.String}
    return result


def _plain(hint: Any) -> type:
    parts = [part for part in get_args(hint) or (hint,) if part is not types.NoneType]
    plain: type = parts[0]
    return plain


def known_by(limits: Limits) -> str:
    """Return what digests of these rules are known by."""
    text = f"{__version__} {DIGEST_VERSION} {limits.model_dump_json()}"
    return hashlib.sha256(text.encode()).hexdigest()


def frames(reads: Iterable[Read], known: str) -> dict[str, polars.DataFrame]:
    """Return the tables of what was read.

    Raises
    ------
    UserError
        If polars is not installed.
    """
    schemas = _schemas()
    import polars as pl

    rows: dict[str, list[list[Any]]] = {name: [] for name in schemas}
    for read in reads:
        if read.digest is None:
            rows[LEFT_OUT].append([read.case, read.reason])
            continue
        rows["cases"].append([read.case, *_values(read.digest.case), read.sha256, known, read.reason])
        for name in ("readings", "refusals", "lesions", "advice"):
            rows[name] += ([read.case, *_values(row)] for row in getattr(read.digest, name))
    return {name: pl.DataFrame(rows[name], schema=schema, orient="row") for name, schema in schemas.items()}


def _values(row: Any) -> list[Any]:
    values = [getattr(row, f.name) for f in fields(row)]
    return [v.astimezone(UTC) if isinstance(v, datetime) else v for v in values]


# --- keeping -------------------------------------------------------------------------------------


def collect(
    folder: Path,
    limits: Limits,
    kept: Path | None = None,
    *,
    workers: int = 1,
    progress: Callable[[int], None] = lambda count: None,
) -> Collection:
    """Read all cases below a folder.

    Parameters
    ----------
    folder : Path
    limits : Limits
    kept : Path or None
        Folder with the tables of an earlier run, see `keep`; what is wrong with it is as if there
        were none.
    workers, progress
        As for `read_all`.

    Raises
    ------
    UserError
        If there is no case, or polars is not installed.
    """
    _schemas()
    paths, closed = find(folder)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        cases = list(pool.map(lambda path: looked_at(path, folder), paths))
    cases += [Found(_name(path, folder), path, None, "cannot be looked into") for path in closed]
    known = known_by(limits)
    earlier = _kept(kept, known) if kept is not None else None
    same = _unchanged(earlier, cases)
    new = [found for found in cases if found.case not in same]
    tables = frames(read_all(new, limits, workers=workers, progress=progress), known)
    if earlier is not None and same:
        tables = _merged(earlier, same, tables)
    return Collection(
        {name: table.sort("case", maintain_order=True) for name, table in tables.items()}, len(same)
    )


def _kept(folder: Path, known: str) -> dict[str, polars.DataFrame] | None:
    import polars as pl

    try:
        tables = {name: pl.read_parquet(folder / f"{name}.parquet") for name in TABLES}
    except (OSError, pl.exceptions.PolarsError):
        return None
    schemas = _schemas()
    if any(dict(table.schema) != schemas[name] for name, table in tables.items()):
        return None
    # tables of two runs, one of them killed in between, do not belong together
    if tables["cases"].filter(pl.col("known_by") != known).height or not _belong_together(folder, tables):
        return None
    return tables


def _belong_together(folder: Path, tables: Mapping[str, polars.DataFrame]) -> bool:
    try:
        return (folder / _SEAL).read_text(encoding="utf-8") == _seal(folder)
    except OSError:
        return False


_SEAL = "tables.sha256"


def _seal(folder: Path) -> str:
    """Return a line for each table file, as sha256sum writes them."""
    lines = []
    for name in TABLES:
        with (folder / f"{name}.parquet").open("rb") as file:
            lines.append(f"{hashlib.file_digest(file, 'sha256').hexdigest()}  {name}.parquet\n")
    return "".join(lines)


def _unchanged(earlier: Mapping[str, polars.DataFrame] | None, cases: list[Found]) -> set[str]:
    if earlier is None:
        return set()
    before = dict(earlier["cases"].select("case", "journal_sha256").iter_rows())
    return {
        found.case for found in cases if found.sha256 is not None and before.get(found.case) == found.sha256
    }


def _merged(
    earlier: Mapping[str, polars.DataFrame], same: set[str], new: Mapping[str, polars.DataFrame]
) -> dict[str, polars.DataFrame]:
    import polars as pl

    names = pl.DataFrame({"case": sorted(same)}, schema={"case": pl.String})
    merged = dict(new)
    for name in TABLES:
        merged[name] = pl.concat(
            [earlier[name].join(names, on="case", how="semi", maintain_order="left"), new[name]]
        )
    return merged


def keep(collection: Collection, folder: Path) -> list[Path]:
    """Write the tables as Parquet into an existing folder, for the next run and for other programs.

    Raises
    ------
    OSError
        If they cannot be written.
    """
    with suppress(FileNotFoundError):
        (folder / _SEAL).unlink()
    written = []
    for name, table in collection.tables.items():
        path = folder / f"{name}.parquet"
        part = path.with_suffix(".part")
        table.write_parquet(part, compression="zstd")
        part.replace(path)
        written.append(path)
    (folder / _SEAL).write_text(_seal(folder), encoding="utf-8")
    return written
