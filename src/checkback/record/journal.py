"""The journal of a case: JSON Lines on disk, append-only, every line chained to the one before.

A case is a folder.  `journal.jsonl` in it holds one `Entry` per line, and the line ends with two
chain fields: `prev`, the `hash` of the line before (64 zeros in the first line), and `hash`, the
SHA-256 of the line's own bytes without the `hash` field.  docs/journal.md describes the format for
somebody who wants to check it without this program.

An entry is on disk, flushed and synced, when `Journal.append` returns `Written`.  If the disk does
not take it, `append` returns `Kept`: the entry waits in memory, `Journal.trouble` says why, and every
later `append` and `retry` tries again in order.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import socket
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from threading import RLock
from types import TracebackType
from typing import Annotated, Any, Literal, Self

from filelock import FileLock, Timeout
from pydantic import Field, ValidationError
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import PydanticSerializationError, core_schema

from checkback.errors import UserError
from checkback.record.entry import SCHEMA_VERSION, Entry
from checkback.record.migrations import migrate

JOURNAL = "journal.jsonl"
LOCK = "journal.lock"
HOLDER = "journal.holder"

START = "0" * 64
"""The `prev` of the first line."""

_CHAIN = re.compile(rb',"prev":"([0-9a-f]{64})","hash":"([0-9a-f]{64})"\}')
_CHAIN_BYTES = len(b',"prev":"') + 64 + len(b'","hash":"') + 64 + len(b'"}')

_OF_TODAY = b'{"schema_version":%d,' % SCHEMA_VERSION

BreakKind = Literal[
    "missing", "unreadable", "json", "chain", "hash", "prev", "schema", "content", "n", "torn"
]
"""What can be wrong with a journal: no file; a file that cannot be read; a line that is not JSON,
lacks its chain fields, was changed after it was written, does not follow the line before, is of a newer
schema, is not an entry, has the wrong number, or was cut off."""


# --- one line -----------------------------------------------------------------------------------


def line_of(entry: Entry, prev: str) -> tuple[bytes, str]:
    """Return the journal line for `entry` after the line whose hash is `prev`.

    Parameters
    ----------
    entry : Entry
        What the line says.
    prev : str
        Hash of the line before, 64 hexadecimal digits; `START` for the first line.

    Returns
    -------
    line : bytes
        The line with its newline.
    hash : str
        Its hash, which is the `prev` of the next line.
    """
    content = entry.model_dump_json().encode()[:-1] + b',"prev":"' + prev.encode() + b'"'
    digest = hashlib.sha256(content + b"}").hexdigest()
    return content + b',"hash":"' + digest.encode() + b'"}\n', digest


def _storable(entry: Entry) -> Entry:
    """Return `entry` as a reader of its line will see it.

    Half a surrogate pair (a terminal hands one over for a byte that is not UTF-8) cannot be
    written as UTF-8 and becomes a question mark, so that one odd byte does not cost the entry.
    """
    try:
        text = entry.model_dump_json()
    except PydanticSerializationError:
        text = Entry.model_validate(_encodable(entry.model_dump())).model_dump_json()
    return Entry.model_validate_json(text)


def _encodable(value: Any) -> Any:
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode()
    if isinstance(value, dict):
        return {key: _encodable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_encodable(item) for item in value]
    return value


# --- reading and checking -----------------------------------------------------------------------


@dataclass(frozen=True)
class Break:
    """One place where a journal is not what it should be.

    Parameters
    ----------
    line : int or None
        Line number from 1; None if the file as a whole is meant.
    kind : BreakKind
        What is wrong, for programs.
    reason : str
        What is wrong, for people: the end of a sentence that begins with the line.
    """

    line: int | None
    kind: BreakKind
    reason: str

    def __str__(self) -> str:
        return self.reason if self.line is None else f"line {self.line} {self.reason}"


@dataclass(frozen=True)
class VerifyReport:
    """What `verify` found.

    Parameters
    ----------
    path : Path
        The journal that was read.
    lines_ok : int
        Number of sound lines before the first break.
    head : str
        Hash of the last of those lines.  Noted elsewhere, it also shows lines cut off later.
    first_break : Break or None
        The first thing that is wrong.
    """

    path: Path
    lines_ok: int
    head: str
    first_break: Break | None

    @property
    def ok(self) -> bool:
        """Whether every byte of the journal is as it was written."""
        return self.first_break is None


class Entries(list[Entry]):
    """The entries of a journal in order, and what was wrong with it.

    Attributes
    ----------
    torn : str or None
        A sentence about a last line that was cut off (or is being written just now), which is
        not among the entries.
    breaks : tuple of Break
        Breaks of the chain; always empty unless reading despite them was asked for.
    """

    def __init__(self, entries: list[Entry], torn: str | None, breaks: tuple[Break, ...]) -> None:
        super().__init__(entries)
        self.torn = torn
        self.breaks = breaks


@dataclass(frozen=True)
class _Scan:
    lines: list[bytes]  # whole lines, each with its newline
    entries: list[Entry]  # of those that can be understood
    breaks: list[Break]
    head: str
    lines_ok: int
    torn: bytes  # the tail that a power cut left
    newline_missing: bool  # the last of `lines` stands without its newline in the file


def _scan(data: bytes) -> _Scan:
    *lines, tail = data.split(b"\n")
    # Some file systems leave zeros where the data of the last write did not arrive; a line has none.
    if not tail and lines and b"\0" in lines[-1]:
        tail = lines.pop() + b"\n"
    entries: list[Entry] = []
    breaks: list[Break] = []
    prev: str | None = START
    head = START
    n = 0
    lines_ok = 0
    for number, line in enumerate(lines, start=1):
        entry, digest, found = _examine(line, prev, n + 1)
        prev = digest
        if entry is not None:
            entries.append(entry)
            n = entry.n
        if found is not None:
            breaks.append(Break(number, *found))
        elif not breaks:
            assert digest is not None
            head, lines_ok = digest, number
    newline_missing = False
    if tail and not breaks:
        entry, digest, found = _examine(tail, prev, n + 1)
        # A newer schema verifies too: the reader must be told, not shown a torn line.
        if found is None or found[0] == "schema":
            newline_missing = True
            lines.append(tail)
            tail = b""
        if found is None and entry is not None and digest is not None:
            entries.append(entry)
            head, lines_ok = digest, len(lines)
        elif found is not None and found[0] == "schema":
            breaks.append(Break(len(lines), *found))
    return _Scan([line + b"\n" for line in lines], entries, breaks, head, lines_ok, tail, newline_missing)


def _examine(
    line: bytes, prev: str | None, n: int
) -> tuple[Entry | None, str | None, tuple[BreakKind, str] | None]:
    """Return the entry in `line` if it has one, the hash it claims, and what is wrong with it.

    `prev` is None if the line before does not tell its hash.
    """
    length = len(line) - _CHAIN_BYTES
    match = _CHAIN.fullmatch(line, length) if length > 0 and line.startswith(b"{") else None
    if match is None:
        entry = None
        try:
            content = json.loads(line)
        except (ValueError, RecursionError):
            return None, None, ("json", "is not JSON")
        if isinstance(content, dict):
            with suppress(ValidationError):
                entry = Entry.model_validate({k: v for k, v in content.items() if k not in ("prev", "hash")})
        return entry, None, ("chain", 'does not end with its "prev" and "hash" fields')
    text, claimed_prev, claimed = line[:length] + b"}", match[1].decode(), match[2].decode()
    found: tuple[BreakKind, str] | None = None
    if hashlib.sha256(line[: match.start(2) - len(b',"hash":"')] + b"}").hexdigest() != claimed:
        found = ("hash", "was changed after it was written: its hash does not match")
    elif prev is not None and claimed_prev != prev:
        found = ("prev", "does not follow the line before it: lines were removed, added or moved")
    # nearly every line: read once, by its own type.  Whatever that refuses is looked at more closely.
    if text.startswith(_OF_TODAY) and text.count(b'"schema_version"') == 1:
        with suppress(ValidationError):
            entry = Entry.model_validate_json(text)
            return entry, claimed, found or _misnumbered(entry, n)
    try:
        fields = json.loads(text)
        version = fields.get("schema_version")
    except (ValueError, RecursionError):
        return None, claimed, ("json", "is not JSON")
    if found is None and isinstance(version, int) and version > SCHEMA_VERSION:
        newer = f"has schema_version {version}, and this program knows no newer one than {SCHEMA_VERSION}"
        return None, claimed, ("schema", newer)
    if isinstance(version, int) and version < SCHEMA_VERSION:
        text = json.dumps(migrate(fields)).encode()
    try:
        entry = Entry.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "the line"
        return None, claimed, found or ("content", f"is not an entry: {where}: {first['msg']}")
    return entry, claimed, found or _misnumbered(entry, n)


def _misnumbered(entry: Entry, n: int) -> tuple[BreakKind, str] | None:
    return None if entry.n == n else ("n", f"has n = {entry.n} where {n} is due")


def _has_whole_line(data: bytes) -> bool:
    line, newline, _ = data.partition(b"\n")
    return bool(newline) and b"\0" not in line


def _torn_reason(torn: bytes) -> str:
    return f"was cut off after {len(torn)} bytes"


def read_entries(data: bytes, folder: Path, *, despite_breaks: bool = False) -> Entries:
    """Read the bytes of a journal; `folder` is where they came from, for messages.

    Raises
    ------
    UserError
        If the journal was written by a newer program, or is broken and that was not accepted.
    """
    scan = _scan(data)
    if scan.breaks and not despite_breaks:
        raise _refusal(folder, scan.breaks[0], "as a whole")
    torn = None
    if scan.torn:
        torn = f"Line {len(scan.lines) + 1} of the journal in {folder} {_torn_reason(scan.torn)} and is left out."
    return Entries(scan.entries, torn, tuple(scan.breaks))


def verify(folder: Path) -> VerifyReport:
    """Check every line of the journal in `folder`; nothing is changed and nothing is raised.

    A writer may be at work meanwhile.  What a chain cannot show is that whole lines are missing
    at the end: compare `lines_ok` and `head` with a note of them for that.
    """
    path = Path(folder) / JOURNAL
    try:
        scan = _scan(path.read_bytes())
    except (FileNotFoundError, NotADirectoryError):
        return VerifyReport(path, 0, START, Break(None, "missing", f"there is no {JOURNAL} in {folder}"))
    except (OSError, ValueError) as error:
        return VerifyReport(path, 0, START, Break(None, "unreadable", f"{path} cannot be read: {error}"))
    if scan.breaks:
        first = scan.breaks[0]
    elif scan.torn:
        first = Break(len(scan.lines) + 1, "torn", _torn_reason(scan.torn))
    else:
        first = None
    return VerifyReport(path, scan.lines_ok, scan.head, first)


# --- writing ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Written:
    """The entry is on disk."""

    entry: Entry


@dataclass(frozen=True)
class Kept:
    """The entry could not be written; it is kept in memory.

    Parameters
    ----------
    entry : Entry
        The entry.
    trouble : str
        One sentence: what, where, what to do.
    """

    entry: Entry
    trouble: str


class Journal:
    """The journal of one case, open for writing by this process alone.

    Made by `Journal.open`.  All entries of the case are held in memory too.  Methods may be called
    from any thread.
    """

    def __init__(self, folder: Path, lock: Lock, descriptor: int, scan: _Scan) -> None:
        self._folder = folder
        self._path = folder / JOURNAL
        self._lock = lock
        self._descriptor: int | None = descriptor
        self._entries = scan.entries
        self._lines = scan.lines
        self._head = scan.head
        self._size = sum(map(len, scan.lines))  # bytes of the open file that were synced
        self._on_disk = len(scan.lines)
        self._why: tuple[str, str] | None = None
        self._torn: list[Path] = []
        self._closed = False
        self._turn = RLock()

    @classmethod
    def open(cls, folder: Path, *, create: bool = True) -> Self:
        """Open the journal in `folder` for appending.

        A torn last line is moved to `journal.torn-N`, see `torn`.

        Parameters
        ----------
        folder : Path
            The case folder.
        create : bool
            Whether to begin a journal (and the folder) if there is none.

        Raises
        ------
        UserError
            If another program writes this case, the chain is broken, the journal was written by a newer
            program, the folder cannot be written to, or there is no journal and `create` is false.
        """
        folder = Path(folder).absolute()
        if not create and not (folder / JOURNAL).exists():
            raise UserError(f"There is no {JOURNAL} in {folder}: name the folder of a case.")
        try:
            _make_folder(folder)
            lock = Lock(folder)
        except OSError as error:
            raise _cannot_open(folder, error) from error
        descriptor: int | None = None
        try:
            descriptor = _open_file(folder / JOURNAL)
            scan = _scan(_read_all(descriptor))
            if scan.breaks:
                raise _refusal(folder, scan.breaks[0], "for writing")
            journal = cls(folder, lock, descriptor, scan)
            if scan.torn:
                journal._torn.append(_set_aside(folder, scan.torn))
                os.ftruncate(descriptor, journal._size)
            if scan.newline_missing:
                _write(descriptor, b"\n")
            _sync(descriptor)
            _sync_folder(folder)
        except BaseException as error:
            if descriptor is not None:
                os.close(descriptor)
            lock.release()
            if isinstance(error, OSError):
                raise _cannot_open(folder, error) from error
            raise
        return journal

    @staticmethod
    def read(folder: Path, *, despite_breaks: bool = False) -> Entries:
        """Read the journal in `folder` without a lock and without changing it.

        Works while another program writes it.  A torn last line is left alone and reported.

        Parameters
        ----------
        folder : Path
            The case folder.
        despite_breaks : bool
            Return what can be understood although the chain is broken; `Entries.breaks` names the places.

        Raises
        ------
        UserError
            If there is no journal, it cannot be read, was written by a newer program, or is broken.
        """
        folder = Path(folder)
        try:
            data = (folder / JOURNAL).read_bytes()
        except (FileNotFoundError, NotADirectoryError) as error:
            raise UserError(f"There is no {JOURNAL} in {folder}: name the folder of a case.") from error
        except OSError as error:
            raise UserError(
                f"The journal in {folder} cannot be read ({error.strerror or error}): "
                "check the folder's disk and permissions."
            ) from error
        return read_entries(data, folder, despite_breaks=despite_breaks)

    @property
    def folder(self) -> Path:
        """The case folder."""
        return self._folder

    @property
    def entries(self) -> tuple[Entry, ...]:
        """All entries of the case in order, also those that only memory holds."""
        with self._turn:
            return tuple(self._entries)

    def __iter__(self) -> Iterator[Entry]:
        return iter(self.entries)

    def __len__(self) -> int:
        return len(self._entries)

    @property
    def next_n(self) -> int:
        """The number that the next entry must have."""
        return len(self._entries) + 1

    @property
    def head(self) -> str:
        """Hash of the last line."""
        return self._head

    @property
    def waiting(self) -> int:
        """How many entries only memory holds."""
        return len(self._lines) - self._on_disk

    @property
    def torn(self) -> tuple[Path, ...]:
        """Files to which this journal moved torn lines."""
        return tuple(self._torn)

    @property
    def trouble(self) -> str | None:
        """One sentence if entries wait in memory or the file is out of reach: what, where, what to do."""
        with self._turn:
            if self._why is None:
                return None
            what, do = self._why
            first, last = self._on_disk + 1, len(self._lines)
            if first > last:
                return f"The journal in {self._folder} cannot be written, because {what}: {do}."
            subject = f"Entry {last} is" if first == last else f"Entries {first} to {last} are"
            return (
                f"{subject} kept in memory and not on disk, because {what}: {do}, "
                "and leave the program running until this is over."
            )

    def append(self, entry: Entry) -> Written | Kept:
        """Put `entry` on disk, synced, or keep it in memory if the disk does not take it.

        No failure of disk or folder is raised; see `trouble`.

        Parameters
        ----------
        entry : Entry
            The next entry; its `n` is `next_n`.

        Raises
        ------
        ValueError
            If `n` is not `next_n`, the journal was closed, or the entry would not survive being read back.
        """
        with self._turn:
            if self._closed:
                raise ValueError("the journal is closed")
            if entry.n != self.next_n:
                raise ValueError(f"entry has n = {entry.n}, and {self.next_n} is due")
            entry = _storable(entry)
            line, self._head = line_of(entry, self._head)
            self._entries.append(entry)
            self._lines.append(line)
            trouble = self.retry()
            return Written(entry) if trouble is None else Kept(entry, trouble)

    def retry(self) -> str | None:
        """Try to write what waits in memory, and see whether the file is still there.

        Returns
        -------
        str or None
            `trouble` after the attempt.
        """
        with self._turn:
            if self._closed:
                return self.trouble
            try:
                if self._why is not None or not self._in_place():
                    self._recover()
                # Line by line, so that a power cut can tear none but the last.
                for line in self._lines[self._on_disk :]:
                    assert self._descriptor is not None
                    _write(self._descriptor, line)
                    _sync(self._descriptor)
                    self._size += len(line)
                    self._on_disk += 1
            except _ForeignJournalError:
                self._why = (
                    f"another journal stands in {self._folder}",
                    f"move its {JOURNAL} to another place",
                )
            except UserError:
                self._why = (
                    f"another program has begun to write the case in {self._folder}",
                    "end that program and move its journal to another place",
                )
            except OSError as error:
                self._why = _explain(error, self._folder)
            else:
                self._why = None
            return self.trouble

    def _in_place(self) -> bool:
        """Whether the file at the path is the open one, as long as we left it, and locked by us."""
        if self._descriptor is None:
            return False
        try:
            ours = os.fstat(self._descriptor)
            at_path = self._path.stat()
        except OSError:
            return False
        return os.path.samestat(ours, at_path) and ours.st_size == self._size and self._lock.in_place()

    def _recover(self) -> None:
        """Make folder, lock and file right again, ready for the lines from `_on_disk` on."""
        if not _same_file(self._descriptor, self._path):
            self._on_disk = 0
        _make_folder(self._folder)
        if not self._lock.in_place():
            self._lock.release()
            self._lock = Lock(self._folder)
        descriptor = _open_file(self._path)
        try:
            ours = _same_file(self._descriptor, self._path)
            found = _read_all(descriptor)
            # After a failed sync the system may call pages clean that never reached the disk, so
            # of our own file only what was synced before counts.
            lines, size = _common(self._lines, found[: self._size] if ours else found)
            rest = found[size:]
            if rest:
                if not b"".join(self._lines[lines:]).startswith(rest):
                    if not ours and _has_whole_line(rest):
                        raise _ForeignJournalError
                    self._torn.append(_set_aside(self._folder, rest))
                os.ftruncate(descriptor, size)
            _sync(descriptor)
            _sync_folder(self._folder)
        except BaseException:
            os.close(descriptor)
            raise
        if self._descriptor is not None:
            with suppress(OSError):
                os.close(self._descriptor)
        self._descriptor, self._size, self._on_disk = descriptor, size, lines

    def copy_to(self, folder: Path) -> Path:
        """Write the whole journal, also what waits in memory, into another folder.

        For the end of a case whose own folder stays out of reach.

        Returns
        -------
        Path
            The new journal.

        Raises
        ------
        UserError
            If `folder` has a journal already or cannot be written to.
        """
        with self._turn:
            path = Path(folder) / JOURNAL
            try:
                _make_folder(path.parent)
                with path.open("xb") as file:
                    file.write(b"".join(self._lines))
                    file.flush()
                    _sync(file.fileno())
                _sync_folder(path.parent)
            except FileExistsError as error:
                raise UserError(f"There is a journal in {folder} already: name another folder.") from error
            except OSError as error:
                raise _cannot_open(path.parent, error) from error
            return path

    def close(self) -> str | None:
        """Try once more to write what waits, then let the case go.

        Returns
        -------
        str or None
            `trouble`: what stays in memory only, and is lost unless `copy_to` takes it.
        """
        with self._turn:
            if self._closed:
                return self.trouble
            if self.waiting:
                self.retry()
            self._closed = True
            if self._descriptor is not None:
                with suppress(OSError):
                    os.close(self._descriptor)
                self._descriptor = None
            self._lock.release()
            return self.trouble

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _ForeignJournalError(Exception):
    """At the journal's path stands a journal that this one did not write."""


def _common(lines: list[bytes], found: bytes) -> tuple[int, int]:
    """Return how many of `lines` the bytes `found` begin with, and how many bytes those are."""
    size = 0
    for number, line in enumerate(lines):
        if not found.startswith(line, size):
            return number, size
        size += len(line)
    return len(lines), size


class Lock:
    """The lock on a case folder; the operating system drops it when the process ends, however it ends.

    Raises
    ------
    UserError
        If another holds it.
    OSError
        If the folder cannot be written to.
    """

    def __init__(self, folder: Path) -> None:
        self._path = folder / LOCK
        self._holder = folder / HOLDER
        self._lock = FileLock(self._path, timeout=0, thread_local=False)
        try:
            self._lock.acquire()
        except Timeout as error:
            raise UserError(
                f"The case in {folder} is being written by {self._who()}: "
                "end that program or start a new case folder."
            ) from error
        self._stat = self._path.stat()
        # Only a courtesy to whoever is refused.
        with suppress(OSError):
            self._holder.write_text(f"{os.getpid()} {socket.gethostname()}\n", encoding="utf-8")

    def _who(self) -> str:
        try:
            pid, host = self._holder.read_text(encoding="utf-8").split()
        except (OSError, ValueError):
            return "another program"
        return f"process {pid} on {host}"

    def in_place(self) -> bool:
        """Whether the lock file that we hold is the one that others will find."""
        try:
            return self._lock.is_locked and os.path.samestat(self._path.stat(), self._stat)
        except OSError:
            return False

    def release(self) -> None:
        """Let go; nothing is raised if the disk is gone."""
        if self.in_place():
            with suppress(OSError):
                self._holder.unlink(missing_ok=True)
        with suppress(OSError):
            self._lock.release()


# --- the file system ----------------------------------------------------------------------------


def _open_file(path: Path) -> int:
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
    return os.open(path, flags, 0o644)


def _read_all(descriptor: int) -> bytes:
    os.lseek(descriptor, 0, os.SEEK_SET)
    return b"".join(iter(lambda: os.read(descriptor, 1 << 20), b""))


def _write(descriptor: int, data: bytes) -> None:
    """Write all of `data`: one call, and more only if the system took a part."""
    while data:
        data = data[os.write(descriptor, data) :]


def _sync(descriptor: int) -> None:
    if sys.platform == "darwin":
        # There, fsync leaves the data in the drive's own cache.
        import fcntl

        with suppress(OSError):
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)


def _sync_folder(folder: Path) -> None:
    """Sync the names in `folder`; Windows has no such call and needs none."""
    if sys.platform == "win32":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        # Some network and user-space file systems cannot sync a folder.
        if error.errno != errno.EINVAL:
            raise
    finally:
        os.close(descriptor)


def _make_folder(folder: Path) -> None:
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for path in reversed(missing):
        _sync_folder(path.parent)


def _same_file(descriptor: int | None, path: Path) -> bool:
    if descriptor is None:
        return False
    try:
        return os.path.samestat(os.fstat(descriptor), path.stat())
    except OSError:
        return False


def _set_aside(folder: Path, torn: bytes) -> Path:
    """Write `torn` to the first free `journal.torn-N` and return that."""
    for number in count(1):
        path = folder / f"journal.torn-{number}"
        try:
            descriptor = os.open(
                path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644
            )
        except FileExistsError:
            continue
        try:
            _write(descriptor, torn)
            _sync(descriptor)
        except OSError:
            with suppress(OSError):
                path.unlink()
            raise
        finally:
            os.close(descriptor)
        break
    _sync_folder(folder)
    return path


_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)}
_READ_ONLY = {errno.EROFS, errno.EACCES, errno.EPERM}
_NOT_A_FOLDER = {errno.ENOTDIR, errno.EEXIST, errno.EISDIR}


def _explain(error: OSError, folder: Path) -> tuple[str, str]:
    """Return why the disk refused, and what to do, as parts of one sentence."""
    if error.errno in _FULL:
        return f"the disk that holds {folder} is full", "free some space"
    if error.errno == errno.EFBIG:
        return f"files in {folder} may not become larger", "raise the limit on the size of files"
    if error.errno in _READ_ONLY:
        return f"{folder} may not be written to", "make it writable"
    if error.errno in _NOT_A_FOLDER:
        return f"something on the path {folder} is not a folder", "move that away"
    why = (error.strerror or str(error)).lower()
    return f"{folder} is out of reach ({why})", "connect its disk or make the folder again"


def _cannot_open(folder: Path, error: OSError) -> UserError:
    what, do = _explain(error, folder)
    return UserError(
        f"No journal can be written in {folder}, because {what}: {do}, or choose another case folder."
    )


def _refusal(folder: Path, found: Break, how: str) -> UserError:
    if found.kind == "schema":
        return UserError(f"The journal in {folder} is newer than this program, {found}: update the program.")
    do = "start a new case folder" if how == "for writing" else "ask for what can still be read"
    return UserError(f"The journal in {folder} cannot be used {how}, because {found}: {do}.")


# --- the published schema -----------------------------------------------------------------------

_Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class _Line(Entry):
    """One line of `journal.jsonl`: an entry and its place in the chain."""

    schema_version: int = Field(
        description="Version of this schema.", json_schema_extra={"const": SCHEMA_VERSION}
    )
    prev: _Hash = Field(description="The hash of the line before; 64 zeros in the first line.")
    hash: _Hash = Field(
        description='SHA-256 of the bytes of this line without its newline and without `,"hash":"..."`.'
    )


class _LineSchema(GenerateJsonSchema):
    """The schema of what stands in a file, where a decimal is a plain number and `kind` is never left out."""

    def decimal_schema(self, schema: core_schema.DecimalSchema) -> JsonSchemaValue:
        return {"type": "number"}

    def field_is_required(
        self,
        field: core_schema.ModelField | core_schema.DataclassField | core_schema.TypedDictField,
        total: bool,
    ) -> bool:
        inner = field["schema"]
        is_kind = (
            inner["type"] == "default"
            and inner["schema"]["type"] == "literal"
            and len(inner["schema"]["expected"]) == 1
        )
        return is_kind or super().field_is_required(field, total)


def journal_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of one line of a journal.

    Source: JSON Schema draft 2020-12; made from the types in `checkback.record.entry`.
    """
    schema = _Line.model_json_schema(schema_generator=_LineSchema)
    schema.pop("title")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A line of a Checkback journal",
        **schema,
    }
