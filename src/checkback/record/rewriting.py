"""A journal written as a whole: imported entries, or an old journal in the version of today."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path

from checkback.errors import UserError
from checkback.record.entry import SCHEMA_VERSION, Entry
from checkback.record.journal import JOURNAL, START, Journal, Lock, line_of


def journal_bytes(entries: Iterable[Entry]) -> bytes:
    """Return a journal that holds `entries`, which are numbered from 1 without gaps.

    Raises
    ------
    ValueError
        If the numbers are not so.
    """
    lines, prev = [], START
    for due, entry in enumerate(entries, start=1):
        if entry.n != due:
            raise ValueError(f"entry has n = {entry.n}, and {due} is due")
        line, prev = line_of(entry, prev)
        lines.append(line)
    return b"".join(lines)


def oldest_version(data: bytes) -> int:
    """Return the lowest `schema_version` in the whole lines of a journal; today's if it has none."""
    versions = [SCHEMA_VERSION]
    for line in data.splitlines():
        # the last line may be torn
        with suppress(ValueError):
            versions.append(json.loads(line).get("schema_version", SCHEMA_VERSION))
    return min(versions)


def write_new(folder: Path, entries: Iterable[Entry]) -> None:
    """Begin a case with all `entries` at once: the journal appears whole or not at all.

    Raises
    ------
    UserError
        If the folder holds a journal, another program writes there, or it cannot be written to.
    """
    data = journal_bytes(entries)
    with _locked(folder):
        path = folder / JOURNAL
        if path.exists() and path.stat().st_size > 0:
            raise UserError(f"There is a journal in {folder} already: name another folder.")
        _swap(folder, data)


def write_instead(folder: Path, entries: Iterable[Entry]) -> Path:
    """Put `entries` in the place of the journal in `folder`; the old file stays beside it.

    Returns
    -------
    Path
        Where the old journal is now: `journal.v1.jsonl`, or the first such name that is free.

    Raises
    ------
    UserError
        If there is no sound journal, another program writes it, or the folder cannot be written to.
    """
    data = journal_bytes(entries)
    with _locked(folder):
        Journal.read(folder)
        kept = _keep(folder, (folder / JOURNAL).read_bytes())
        _swap(folder, data)
    return kept


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    # not by opening the journal: some systems let no open file be replaced
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = Lock(folder)
    except OSError as error:
        raise UserError(
            f"No journal can be written in {folder} ({error.strerror or error}): make room and leave to write "
            "there, or choose another folder."
        ) from None
    try:
        yield
    finally:
        lock.release()


def _keep(folder: Path, old: bytes) -> Path:
    stem = f"journal.v{oldest_version(old)}"
    for i in count(1):
        kept = folder / (f"{stem}.jsonl" if i == 1 else f"{stem}-{i}.jsonl")
        try:
            with kept.open("xb") as file:
                file.write(old)
                file.flush()
                os.fsync(file.fileno())
        except FileExistsError:
            continue
        except OSError as error:
            with suppress(OSError):
                kept.unlink()
            raise UserError(
                f"The old journal cannot be kept as {kept} ({error.strerror or error}), so nothing was changed: "
                "make room and leave to write there."
            ) from None
        return kept
    raise AssertionError("unreachable")


def _swap(folder: Path, data: bytes) -> None:
    """Put a file with `data` at the place of the journal, in one step."""
    name: str | None = None
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{JOURNAL}.", dir=folder)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).chmod(0o644)
        Path(name).replace(folder / JOURNAL)
    except OSError as error:
        if name is not None:
            with suppress(OSError):
                Path(name).unlink()
        raise UserError(
            f"The journal in {folder} cannot be written ({error.strerror or error}), so nothing was imported: "
            "make room and leave to write there, or choose another folder."
        ) from None
