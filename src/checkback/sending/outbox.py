"""The outbox: a queue on disk of what is still to be delivered.

Every item is two files in one folder: `<id>.payload`, the bytes to be delivered, and `<id>.json`,
the `Item`.  Both are written beside their place, synced and moved there in one step, the payload
first; so whatever moment the program dies at, an item that `Outbox.add` returned is there, whole.
An item leaves the folder only after its destination has accepted it, or when somebody drops it.

The number of attempts is written *before* each attempt.  A sender that was killed between an
attempt and its answer therefore finds `attempts > 0` and knows that the payload may have arrived.

The id of an item is a digest of protocol, destination and payload: the same thing added twice is
one item.  Of a delivered item an empty file `<id>.delivered` stays, so that one that is sent again
counts as having been tried.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from filelock import FileLock, Timeout
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from checkback.errors import UserError

FIRST_WAIT_S = 5.0
"""Wait after the first failed attempt; it doubles with each further one."""

LONGEST_WAIT_S = 3600.0
"""Cap of the wait between attempts."""

LONGEST_ASKED_WAIT_S = 86_400.0
"""Cap of the wait that the other side may ask for."""

Protocol = Literal["fhir", "dicom"]


class Item(BaseModel):
    """One thing to be delivered, as it stands on disk."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str = Field(pattern=r"^[0-9a-f]{32}$", description="Digest of protocol, destination and payload.")
    protocol: Protocol
    destination: str = Field(description="Where it goes, such as a server's address.")
    title: str = Field(description="What it is, for people.")
    options: dict[str, str] = Field(
        default={}, description="What the protocol needs besides; never a secret, only where one is kept."
    )
    added: AwareDatetime
    attempts: int = Field(default=0, ge=0, description="Attempts begun, the running one included.")
    last_error: str = ""
    next_at: AwareDatetime = Field(description="No attempt before this.")
    refused: bool = Field(
        default=False, description="The other side will not take it as it is; tried again only if asked to."
    )


class Undelivered(Exception):  # noqa: N818 - it is an outcome
    """An attempt that did not deliver.

    Parameters
    ----------
    reason : str
        What went wrong, for people; no secret and nothing about the patient.
    refused : bool
        Whether the same payload would be refused again.
    after_s : float or None
        Seconds that the other side asked to wait.
    """

    def __init__(self, reason: str, *, refused: bool = False, after_s: float | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.refused = refused
        self.after_s = after_s


Deliver = Callable[[Item, bytes], str]
"""Delivers a payload and returns what the other side said, or raises `Undelivered`.

`Item.attempts` counts the running attempt: above 1, an earlier one may have arrived."""


@dataclass(frozen=True)
class Outcome:
    """What came of one attempt.

    Parameters
    ----------
    item : Item
        As it stands now; if it was delivered, as it was.
    delivered : bool
    said : str
        What the other side said, or why it was not delivered.
    """

    item: Item
    delivered: bool
    said: str


def wait_s(attempts: int, asked_s: float | None = None) -> float:
    """Return the seconds to wait after `attempts` failed attempts.

    Doubles from `FIRST_WAIT_S` up to `LONGEST_WAIT_S`.  If the other side asked for longer it gets
    that, up to `LONGEST_ASKED_WAIT_S`.  The figures are common practice, no source.
    """
    own = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(max(attempts - 1, 0), 30))
    return max(own, min(asked_s or 0.0, LONGEST_ASKED_WAIT_S))


def _now() -> datetime:
    return datetime.now(UTC)


class Outbox:
    """The queue in a folder; several processes may add to it at once, one at a time delivers.

    Parameters
    ----------
    folder : Path
        Made if it is not there, readable by its owner only: payloads are about patients.
    now : callable
        Tells the time, with its zone.

    Raises
    ------
    UserError
        If the folder cannot be made.
    """

    def __init__(self, folder: Path, *, now: Callable[[], datetime] = _now) -> None:
        self.folder = Path(folder)
        self._now = now
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise self._trouble("cannot be made", error) from error

    # --- what is in it --------------------------------------------------------------------------

    def add(
        self,
        protocol: Protocol,
        destination: str,
        payload: bytes,
        *,
        title: str,
        options: Mapping[str, str] | None = None,
    ) -> Item:
        """Put a payload into the queue; when this returns, it is on disk.

        The same payload for the same destination is one item: adding it again takes the new title
        and options, lifts a refusal and makes it due, and keeps the count of attempts.

        Raises
        ------
        UserError
            If it cannot be written; the queue is then as it was.
        """
        name = _digest(protocol, destination, payload)
        known = self._read(self._state_of(name))
        now = self._now()
        item = Item(
            id=name,
            protocol=protocol,
            destination=destination,
            title=title,
            options=dict(options or {}),
            added=known.added if known else now,
            attempts=known.attempts if known else int(self._mark_of(name).exists()),
            last_error=known.last_error if known else "",
            next_at=now,
        )
        try:
            _put(self._payload_of(name), payload)
            self._write(item)
        except OSError as error:
            raise self._trouble("cannot be written to", error) from error
        return item

    def items(self) -> list[Item]:
        """Return what is in the queue, oldest first; damaged items are left out, see `damaged`."""
        read = [self._read(path) for path in self._states()]
        return sorted((item for item in read if item is not None), key=lambda item: (item.added, item.id))

    def damaged(self) -> list[Path]:
        """Return the files of items that cannot be understood; they are left where they are."""
        return [path for path in self._states() if self._read(path) is None]

    def due(self, *, again: bool = False) -> list[Item]:
        """Return the items whose time has come; with `again` also those refused or still waiting."""
        return [item for item in self.items() if again or self._is_due(item)]

    def payload(self, item: Item) -> bytes:
        """Return the bytes of an item.

        Raises
        ------
        UserError
            If they cannot be read, or are no longer those that were added.
        """
        path = self._payload_of(item.id)
        try:
            payload = path.read_bytes()
        except OSError as error:
            raise self._trouble(f"has no readable {path.name}", error) from error
        if _digest(item.protocol, item.destination, payload) != item.id:
            raise UserError(f"{path} is damaged: drop it with --drop {item.id[:8]}, and send the case again.")
        return payload

    def drop(self, item: Item) -> None:
        """Take an item out of the queue.

        Raises
        ------
        UserError
            If it cannot be removed.
        """
        try:
            # the payload last: without its state an item is no more, without its payload it is damaged
            for path in (self._state_of(item.id), self._payload_of(item.id)):
                path.unlink(missing_ok=True)
                _sync_folder(self.folder)
        except OSError as error:
            raise self._trouble("cannot be changed", error) from error

    # --- delivery -------------------------------------------------------------------------------

    def deliver(
        self, by: Mapping[Protocol, Deliver], *, only: Sequence[str] | None = None, again: bool = False
    ) -> Iterator[Outcome]:
        """Make one attempt for every item that is due, and yield what came of each.

        Parameters
        ----------
        by : mapping
            What delivers for each protocol; items of others are left alone.
        only : sequence of str or None
            Ids; none: all.
        again : bool
            Also try what was refused or whose time has not come.

        Raises
        ------
        UserError
            If another process delivers from this folder, or the folder cannot be written to.
        """
        with self._alone():
            for item in self.due(again=again):
                if item.protocol in by and (only is None or item.id in only):
                    yield self._attempt(item, by[item.protocol])

    def next_due_s(self, *, only: Sequence[str] | None = None) -> float | None:
        """Return the seconds until an item is due, 0 if one is, None if nothing waits for its time."""
        waiting = [i for i in self.items() if not i.refused and (only is None or i.id in only)]
        if any(self._is_due(item) for item in waiting):
            return 0.0
        return min(((item.next_at - self._now()).total_seconds() for item in waiting), default=None)

    def _attempt(self, item: Item, deliver: Deliver) -> Outcome:
        try:
            payload = self.payload(item)
        except UserError as error:
            return self._failed(item, Undelivered(str(error), refused=True))
        item = item.model_copy(update={"attempts": item.attempts + 1})
        self._save(item)
        try:
            said = deliver(item, payload)
        except Undelivered as outcome:
            return self._failed(item, outcome)
        # a mark that cannot be made must not keep in the queue what was delivered
        with suppress(OSError):
            _put(self._mark_of(item.id), b"")
        self.drop(item)
        return Outcome(item, True, said)

    def _failed(self, item: Item, outcome: Undelivered) -> Outcome:
        pause = timedelta(seconds=wait_s(item.attempts, outcome.after_s))
        changed = {
            "last_error": outcome.reason,
            "refused": outcome.refused,
            "next_at": self._now() + pause,
        }
        item = item.model_copy(update=changed)
        self._save(item)
        return Outcome(item, False, outcome.reason)

    def _is_due(self, item: Item) -> bool:
        ahead_s = (item.next_at - self._now()).total_seconds()
        # further ahead than any wait can be: the clock was set back meanwhile
        return not item.refused and (ahead_s <= 0 or ahead_s > LONGEST_ASKED_WAIT_S)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        lock = FileLock(self.folder / "sending.lock")
        try:
            lock.acquire(timeout=0)
        except Timeout:
            raise UserError(
                f"Another checkback is sending from {self.folder}: wait until it is done, then try again."
            ) from None
        except OSError as error:
            raise self._trouble("cannot be locked", error) from error
        try:
            self._sweep()
            yield
        finally:
            lock.release()

    def _sweep(self) -> None:
        """Remove what a killed `add` or `drop` left: payloads with no state, and unfinished files."""
        oldest = self._now().timestamp() - 3600.0  # younger ones may be in the making
        for path in self.folder.iterdir():
            left = path.name.startswith(".") or (
                path.suffix == ".payload" and not self._state_of(path.stem).exists()
            )
            with suppress(OSError):
                if left and path.stat().st_mtime < oldest:
                    path.unlink()

    # --- files ----------------------------------------------------------------------------------

    def _state_of(self, name: str) -> Path:
        return self.folder / f"{name}.json"

    def _payload_of(self, name: str) -> Path:
        return self.folder / f"{name}.payload"

    def _mark_of(self, name: str) -> Path:
        return self.folder / f"{name}.delivered"

    def _states(self) -> list[Path]:
        try:
            return sorted(path for path in self.folder.glob("*.json") if not path.name.startswith("."))
        except OSError as error:
            raise self._trouble("cannot be read", error) from error

    def _read(self, path: Path) -> Item | None:
        try:
            item = Item.model_validate_json(path.read_bytes())
        except (OSError, ValidationError):
            return None
        return item if item.id == path.stem else None

    def _save(self, item: Item) -> None:
        try:
            self._write(item)
        except OSError as error:
            raise self._trouble("cannot be written to", error) from error

    def _write(self, item: Item) -> None:
        content: dict[str, Any] = item.model_dump(mode="json")
        _put(self._state_of(item.id), (json.dumps(content, indent=2) + "\n").encode())

    def _trouble(self, what: str, error: OSError) -> UserError:
        return UserError(
            f"The outbox {self.folder} {what} ({error.strerror or error}): make room and leave to write there, "
            "or name another folder with --outbox."
        )


def _digest(protocol: str, destination: str, payload: bytes) -> str:
    head = json.dumps([protocol, destination]).encode()
    return hashlib.sha256(head + b"\n" + payload).hexdigest()[:32]


def _put(path: Path, data: bytes) -> None:
    """Write `data` beside `path`, sync it, and move it there in one step."""
    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
        _sync_folder(path.parent)
    except BaseException:
        with suppress(OSError):
            Path(name).unlink()
        raise


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":  # elsewhere a folder cannot be opened, and a rename is durable by itself
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
