"""The case: a pure fold over the journal's entries.

The live room, a restart and every export use this one path from entries to what they mean.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import defaultdict
from collections.abc import Hashable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any, Generic, Literal, Protocol, Self, TypeVar

from checkback.record.devices import DeviceLife, Ledger, Placed, seconds_between
from checkback.record.entry import (
    Act,
    Advice,
    ClockStep,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Entry,
    Frozen,
    Identity,
    Inflation,
    LeftOpen,
    Lesion,
    Noted,
    Patient,
    Session,
    Withdrawal,
)
from checkback.record.lesions import Lesions, LesionWork
from checkback.record.patient import with_later

Item = TypeVar("Item", int, Placed)
Standing = Literal["stands", "questioned", "withdrawn", "amended"]

LONGEST_STEP_S = 100 * 366 * 86_400.0
"""A clock that was never set may be decades off; a longer step is a damaged figure."""

CHECKPOINT = 32
"""So many entries lie between two states that are kept."""

_REPLACES = ("stands", "amended")
"""A correction counts if it stands, or would but for a correction of its own."""

_ABOUT_THE_RECORD = (
    "session",
    "imported",
    "clock_step",
    "advice",
    "card_step",
    "left_open",
    "noted",
    "stand_by",
    "signature",
    "withdrawal",
)


class Foldable(Protocol):
    """A state that never changes and knows the one after the next entry."""

    def after(self, placed: Placed) -> Self:
        """Return the state after one more entry in force."""


State = TypeVar("State", bound=Foldable)


class _Fold(Generic[State]):
    """A fold of the entries in force that a change in the past sets back to a checkpoint."""

    def __init__(self, start: State) -> None:
        # after every CHECKPOINT entries in force, and after the first so many of them
        self._checkpoints = [start]
        self._steps, self._state = 0, start

    def forget(self, place: int) -> None:
        """Take back what was made of the entry at a place and of those behind it."""
        if place < self._steps:
            del self._checkpoints[place // CHECKPOINT + 1 :]
            self._steps, self._state = (len(self._checkpoints) - 1) * CHECKPOINT, self._checkpoints[-1]

    def after_all(self, in_force: list[Placed]) -> State:
        """Return the state after all that is in force, taking the steps that are due."""
        for placed in in_force[self._steps :]:
            self._state = self._state.after(placed)
            self._steps += 1
            if self._steps % CHECKPOINT == 0:
                self._checkpoints.append(self._state)
        return self._state


_WANTED = (
    "time_out",
    "access",
    "closure",
    "act",
    "flow",
    "contrast",
    "fluoroscopy",
    "air_kerma",
    "dose_area",
    "case_end",
)
"""Kinds of entries that a complete record has."""

KEY_TIMES = ("symptom_onset", "first_contact", "arrival")
"""Fields of the patient that an emergency is judged by."""


def is_emergency(patient: Patient) -> bool:
    """Return whether the key times of an emergency belong into the record.

    So it is if one of them is on record, or the indication is an infarction with ST elevation.
    """
    told = any(getattr(patient, name) is not None for name in KEY_TIMES)
    indication = (patient.indication or "").lower()
    return told or indication.startswith(("st elevation infarction", "st-elevation", "stemi"))


_OF_DEVICES = (Device, DeviceEvent, Inflation, Deflation, Deployment, Identity, Lesion)
"""What can change a device or a lesion."""


@dataclass(frozen=True)
class _State:
    """What adds up in the order of events: the case at one entry."""

    ledger: Ledger = field(default_factory=Ledger)
    lesions: Lesions = field(default_factory=Lesions)
    contrast_ml: Decimal | None = None
    patient: Patient = field(default_factory=Patient)

    def after(self, placed: Placed) -> _State:
        body = placed.entry.body
        if isinstance(body, Contrast):
            before = self.contrast_ml or Decimal(0) if body.counted == "given" else Decimal(0)
            return replace(self, contrast_ml=before + body.volume_ml)
        if isinstance(body, Patient):
            return replace(self, patient=with_later(self.patient, body))
        if not isinstance(body, _OF_DEVICES):
            return self
        life = self.ledger.meant(body)
        ledger = self.ledger.after(placed)
        if life is None and isinstance(body, Device):
            # it went in last
            life = max(ledger.inside[-1:] + ledger.implanted[-1:], key=lambda each: each.number)
        if life is None and not isinstance(body, Lesion):
            return self
        return _State(ledger, self.lesions.after(body, life), self.contrast_ml, self.patient)


class Case:
    """What the entries so far amount to.

    All that can be asked is a function of the set of entries.  A new one costs one step.  A change
    in the past costs the steps from the checkpoint before it to the end, taken when somebody asks.

    Parameters
    ----------
    entries : iterable of Entry
        In the order of the journal.
    """

    def __init__(self, entries: Iterable[Entry] = ()) -> None:
        self._fold(entries)

    def apply(self, entry: Entry) -> None:
        """Take the next entry."""
        if self._placed and entry.n <= next(reversed(self._placed)):
            self._fold([*self.entries, entry])
        else:
            self._take(entry)

    def _fold(self, entries: Iterable[Entry]) -> None:
        self._placed: dict[int, Placed] = {}
        self._standing: dict[int, tuple[Standing, int | None]] = {}
        self._amended_by: dict[int, list[int]] = {}
        self._withdrawn_by: dict[int, int] = {}
        self._clock_set_by_s = 0.0
        self._in_force: list[Placed] = []
        self._by_kind: defaultdict[str, list[Placed]] = defaultdict(list)
        self._alive: list[int] = []
        self._questions: list[int] = []
        self._by_item: dict[str, list[Placed]] = {}
        self._folds: dict[Hashable, _Fold[Any]] = {}
        self._clock_steps: list[tuple[int, float]] = []
        self._opened: dict[int, Entry] = {}
        self._advised: dict[tuple[str, str], Entry] = {}
        # a damaged journal may have lines moved or doubled
        by_number = {entry.n: entry for entry in entries}
        for n in sorted(by_number):
            self._take(by_number[n])

    def _take(self, entry: Entry) -> None:
        body, n = entry.body, entry.n
        if isinstance(body, ClockStep) and abs(body.step_s) <= LONGEST_STEP_S:
            self._clock_set_by_s += body.step_s
            self._clock_steps.append((n, self._clock_set_by_s))
        elif isinstance(body, Session) and body.number == entry.session:
            self._opened[body.number] = entry
        elif isinstance(body, Advice):
            self._advised[body.rule, body.step] = entry
        self._placed[n] = self._place(entry)
        # only an earlier entry can be replaced; anything else would be a damaged journal
        if entry.amends is not None and entry.amends < n:
            self._amended_by.setdefault(entry.amends, []).append(n)
        self._settle(n)
        if isinstance(body, Withdrawal) and body.target < n:
            self._withdrawn_by[body.target] = n
            self._settle(body.target)

    def _place(self, entry: Entry) -> Placed:
        old = self._placed.get(entry.amends) if entry.amends is not None else None
        if old is not None and old.entry.at == entry.at:
            # it keeps the old time, which was read from the clocks of then
            return Placed(old.time_s, entry.n, old.session, entry)
        return Placed(entry.at.wall.timestamp() - self._clock_set_by_s, entry.n, entry.session, entry)

    def _settle(self, target: int | None) -> None:
        """Find out what has become of an entry, and then of the one that it replaces."""
        while target in self._placed:
            placed = self._placed[target]
            before = self._standing.get(target, (None, None))
            now = self._what_became_of(placed.entry)
            self._standing[target] = now
            self._enlist(placed, before[0], now[0])
            if (before[0] in _REPLACES) == (now[0] in _REPLACES):
                return
            target = placed.entry.amends

    def _what_became_of(self, entry: Entry) -> tuple[Standing, int | None]:
        if entry.n in self._withdrawn_by:
            return "withdrawn", self._withdrawn_by[entry.n]
        replacing = self._amended_by.get(entry.n, [])
        while replacing and replacing[-1] in self._withdrawn_by:
            # for good: a withdrawal is not taken back
            replacing.pop()
        for n in reversed(replacing):
            if self._standing[n][0] in _REPLACES:
                return "amended", n
        return entry.standing, None

    def _enlist(self, placed: Placed, before: Standing | None, now: Standing) -> None:
        """Move an entry to where it belongs after a change of its standing."""
        kind = placed.entry.body.kind
        if kind != "withdrawal" and (before == "stands") != (now == "stands"):
            place = _moved(self._in_force, placed, now == "stands")
            _moved(self._by_kind[kind], placed, now == "stands")
            if (item := _item(placed.entry)) is not None:
                _moved(self._by_item.setdefault(item, []), placed, now == "stands")
            for fold in self._folds.values():
                fold.forget(place)
        if (before == "questioned") != (now == "questioned"):
            _moved(self._questions, placed.n, now == "questioned")
        alive = ("stands", "questioned")
        if (before in alive) != (now in alive) and not _about_the_record(placed.entry):
            _moved(self._alive, placed.n, now in alive)

    # --- what stands ----------------------------------------------------------------------------

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Every entry, in the order of the journal."""
        return tuple(placed.entry for placed in self._placed.values())

    @property
    def first(self) -> Entry | None:
        """The first entry of the journal."""
        return next((placed.entry for placed in self._placed.values()), None)

    def backwards(self) -> Iterator[Entry]:
        """Yield every entry, the last one first."""
        return (placed.entry for placed in reversed(self._placed.values()))

    def entry(self, n: int) -> Entry | None:
        """Return entry `n`, or None."""
        placed = self._placed.get(n)
        return None if placed is None else placed.entry

    def standing(self, entry: Entry) -> tuple[Standing, int | None]:
        """Return what has become of an entry, and the entry that replaced or withdrew it.

        A correction that is itself questioned or withdrawn leaves the entry that it replaces in
        force.
        """
        return self._standing[entry.n]

    def in_force(self) -> list[Entry]:
        """Return the entries that stand, by the time when they happened.

        A clock that was set in between does not change the order.
        """
        return [placed.entry for placed in self._in_force]

    def recent(self, count: int) -> list[Entry]:
        """Return the last `count` of the entries that stand."""
        return [placed.entry for placed in self._in_force[max(0, len(self._in_force) - count) :]]

    def questions(self) -> list[Entry]:
        """Return the entries that are still questioned."""
        return [self._placed[n].entry for n in self._questions]

    def last(self) -> Entry | None:
        """Return the entry that "correction" and "disregard" mean: the latest one still alive."""
        return self._placed[self._alive[-1]].entry if self._alive else None

    def seconds_between(self, earlier: Entry, later: Entry) -> float:
        """Return the seconds from one entry to another, never negative.

        Within a session by the clock that is never set, else by the wall clock.
        """
        return seconds_between(self._placed[earlier.n], self._placed[later.n])

    # --- devices --------------------------------------------------------------------------------

    @property
    def ledger(self) -> Ledger:
        """The devices so far."""
        return self._state().ledger

    def devices(self) -> list[DeviceLife]:
        """Return the life of every device that went in, in order."""
        return self.ledger.lives()

    def inside(self) -> list[DeviceLife]:
        """Return the devices that are in; a deployed stent is an implant and not among them."""
        return [life for life in self.ledger.inside if not life.deployed]

    def unaccounted(self) -> list[DeviceLife]:
        """Return what went in and is neither out, implanted nor declared left.

        A deployed stent among them stands for its delivery balloon.
        """
        return list(self.ledger.inside)

    def implants(self) -> list[DeviceLife]:
        """Return the stents and coils that stay; `fate` says whether crushed or left in place."""
        placed = (life for life in self.ledger.inside if life.deployed)
        return sorted([*self.ledger.implanted, *placed], key=lambda life: life.number)

    def objection(self, body: object) -> tuple[str, str] | None:
        """Return why `body` does not fit the case: a reply's key and the device it is about."""
        return self.ledger.objection(body)

    def lesions(self) -> tuple[LesionWork, ...]:
        """Return what was done in each lesion, in the order in which they were named."""
        return self._state().lesions.works

    def lesion_in_hand(self) -> LesionWork | None:
        """Return the lesion that is worked on, or None."""
        lesions = self._state().lesions
        return None if lesions.in_hand is None else lesions.works[lesions.in_hand]

    # --- what was asked and answered ------------------------------------------------------------

    def opened(self, session: int) -> Entry | None:
        """Return the entry with which a session began."""
        return self._opened.get(session)

    def advised(self, rule: str, step: str) -> Entry | None:
        """Return the last entry of advice for a step of a rule, whatever became of that entry."""
        return self._advised.get((rule, step))

    def noted(self, rule: str) -> Entry | None:
        """Return the last answer to a rule that stands."""
        return self._last_about(f"noted {rule}")

    def left_open(self, item: str) -> LeftOpen | None:
        """Return the last word that something lacking was skipped or is not known."""
        last = self._last_about(f"left_open {item}")
        return last.body if last is not None and isinstance(last.body, LeftOpen) else None

    def _last_about(self, item: str) -> Entry | None:
        found = self._by_item.get(item)
        return found[-1].entry if found else None

    def clock_set_since_s(self, n: int) -> float:
        """Return by how many seconds the wall clock was set after entry `n` was written."""
        place = bisect_left(self._clock_steps, (n + 1, 0.0), key=lambda step: (step[0], 0.0))
        before = self._clock_steps[place - 1][1] if place else 0.0
        return self._clock_set_by_s - before

    # --- totals ---------------------------------------------------------------------------------

    def patient(self) -> Patient:
        """Return what is known of the patient; of a value given twice the later one."""
        return self._state().patient

    def last_act(self) -> Entry | None:
        """Return the latest clotting time."""
        return self.latest(Act)

    def contrast_ml(self) -> Decimal | None:
        """Return the contrast so far: the last total called out plus what was given since, mL."""
        return self._state().contrast_ml

    def missing(self) -> list[str]:
        """Return the keys of what a complete record still lacks.

        What was said not to be known is left out, but never a device or an open question.
        """
        lacking = [
            kind for kind in _WANTED if not self._by_kind.get(kind) and not self._said_to_be_unknown(kind)
        ]
        patient = self.patient()
        if is_emergency(patient):
            lacking += [
                name
                for name in KEY_TIMES
                if getattr(patient, name) is None and not self._said_to_be_unknown(name)
            ]
        if self._questions:
            lacking.append("questions")
        if self.ledger.inside:
            lacking.append("devices")
        return lacking

    def unknown(self) -> list[str]:
        """Return the keys of what is lacking and was said not to be known."""
        patient = self.patient()
        return [
            item
            for item in (*_WANTED, *KEY_TIMES)
            if self._said_to_be_unknown(item)
            and not self._by_kind.get(item)
            and getattr(patient, item, None) is None
        ]

    def _said_to_be_unknown(self, item: str) -> bool:
        last = self.left_open(item)
        return last is not None and last.answer == "unknown"

    def latest(self, kind: type[Frozen]) -> Entry | None:
        """Return the latest entry in force with a body of this type, such as a running total."""
        of_kind = self._by_kind.get(kind.model_fields["kind"].default)
        return of_kind[-1].entry if of_kind else None

    def folded(self, key: Hashable, start: State) -> State:
        """Return a fold of the entries in force, kept from one call to the next.

        A new entry costs one step, a change in the past the steps from the checkpoint before it.

        Parameters
        ----------
        key : hashable
            The same key gets the same fold; the state of another one is never touched.
        start : Foldable
            The state before the first entry; taken when the key is new.
        """
        fold = self._folds.get(key)
        if fold is None:
            fold = self._folds[key] = _Fold(start)
        state: State = fold.after_all(self._in_force)
        return state

    def _state(self) -> _State:
        return self.folded("case", _STATE)


_STATE = _State()


def _item(entry: Entry) -> str | None:
    """Return what an answer is about, where the latest one for each such thing is asked for."""
    if isinstance(entry.body, Noted):
        return f"noted {entry.body.rule}"
    if isinstance(entry.body, LeftOpen):
        return f"left_open {entry.body.item}"
    return None


def _about_the_record(entry: Entry) -> bool:
    return entry.body.kind in _ABOUT_THE_RECORD or entry.source == "plan"


def _moved(ordered: list[Item], item: Item, into: bool) -> int:
    """Put an item into a sorted list or take it out, and return the place where it stands or stood."""
    if into:
        insort(ordered, item)
        # nearly always the last
        return len(ordered) - 1 if ordered[-1] is item else bisect_left(ordered, item)
    place = bisect_left(ordered, item)
    del ordered[place]
    return place
