"""Conditions over the entries of a case, in a small declarative form.

A condition is either a look for entries of one kind, or `all`, `any` or `not` of conditions::

    { kind = "inflation", device = { is = { device = "balloon" }, at_most = { diameter_mm = 1.5 } } }
    { any = [{ kind = "no_reflow" }, { kind = "flow", at_most = { timi = 1 } }] }

An entry shows a condition if every field that is named fits.  What a condition finds are entries,
so whatever is called true can be shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, Field, model_validator

from checkback.guiding.data import Count, Data, Fault, Number, Positive
from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import Body, Entry, Moment

KINDS: Mapping[str, type[BaseModel]] = {
    cls.model_fields["kind"].default: cls for cls in get_args(get_args(Body)[0])
}
"""The class of each kind of entry."""

OF_DEVICES = frozenset(("device", "device_event", "inflation", "deflation", "deployment", "identity"))
"""Kinds of entries that are about a device."""

ABOUT_THE_RECORD = frozenset(
    ("card_step", "advice", "noted", "stand_by", "left_open", "signature", "withdrawal", "session")
)
"""Kinds that a condition may not look for: they are about the record, not about the patient."""

Plain = bool | str | int | Decimal


class Fields(Data):
    """What fields of an entry must be."""

    equal: dict[str, Plain | tuple[Plain, ...]] = Field(default={}, alias="is")
    at_least: dict[str, Number] = Field(default={})
    at_most: dict[str, Number] = Field(default={})

    def fits(self, body: BaseModel) -> bool:
        """Return whether a body has these values; what was not said fits nothing."""
        values = dict(body)
        return (
            all(_is(values.get(name), wanted) for name, wanted in self.equal.items())
            and all(_number(values.get(name)) >= low for name, low in self.at_least.items())
            and all(_most(values.get(name)) <= high for name, high in self.at_most.items())
        )

    def field_faults(self, where: str, kind: str) -> Iterator[Fault]:
        """Yield what no entry of a kind can fulfil."""
        for name, wanted in self.equal.items():
            key = f"{where}.is.{name}"
            allowed = _allowed(kind, name)
            if allowed is None:
                yield _no_field(key, kind, name)
                continue
            for value in wanted if isinstance(wanted, tuple) else (wanted,):
                if not _can_be(value, allowed):
                    known = ", ".join(str(a) for a in allowed if not isinstance(a, type)) or "another type"
                    yield Fault(
                        key, f"'{value}' is nothing that {name} of {kind} can be ({known}); mend that value"
                    )
        for which in ("at_least", "at_most"):
            for name in getattr(self, which):
                allowed = _allowed(kind, name)
                if allowed is None:
                    yield _no_field(f"{where}.{which}.{name}", kind, name)
                elif Decimal not in allowed and int not in allowed:
                    yield Fault(
                        f"{where}.{which}.{name}",
                        f"{name} of {kind} is no number; use 'is', or another field",
                    )


class Condition(Fields):
    """A look for entries of one kind, or `all`, `any` or `not` of conditions.

    Attributes
    ----------
    kind : str or None
        Kind of entry, as in the journal.
    device : Fields or None
        What the device that the entry is about must be (fields of the entry with which it went in).
    inside : bool
        Whether that device must still be in.
    since_event : bool
        Whether only entries since the trouble began count; see `Card.event`.
    within_min : Decimal or None
        Only entries of the last so many minutes count.
    count : int
        How many entries there must be.
    """

    kind: str | None = None
    device: Fields | None = None
    inside: bool = False
    since_event: bool = False
    within_min: Positive | None = None
    count: Count = 1
    all_of: tuple[Condition, ...] = Field(default=(), alias="all")
    any_of: tuple[Condition, ...] = Field(default=(), alias="any")
    none_of: Condition | None = Field(default=None, alias="not")

    @model_validator(mode="after")
    def _one_form(self) -> Condition:
        forms = (self.kind is not None, bool(self.all_of), bool(self.any_of), self.none_of is not None)
        if sum(forms) != 1:
            raise ValueError("a condition has exactly one of 'kind', 'all', 'any' and 'not'")
        if self.kind is None and self.model_fields_set - {"all_of", "any_of", "none_of"}:
            raise ValueError("beside 'all', 'any' or 'not' nothing else may stand")
        return self

    @property
    def parts(self) -> tuple[Condition, ...]:
        """The conditions that it is made of; none for a look for entries."""
        return (*self.all_of, *self.any_of, *((self.none_of,) if self.none_of is not None else ()))

    def looks(self) -> Iterator[Condition]:
        """Yield every look for entries in it."""
        if self.kind is not None:
            yield self
        for part in self.parts:
            yield from part.looks()

    @property
    def showable(self) -> bool:
        """Whether there is always an entry that shows it when it holds."""
        if self.kind is not None:
            return True
        if self.all_of:
            return any(part.showable for part in self.all_of)
        return bool(self.any_of) and all(part.showable for part in self.any_of)

    def faults(self, where: str, *, drugs: frozenset[str], must_show: bool = True) -> Iterator[Fault]:
        """Yield what is wrong with it: kinds, fields, values and drugs that do not exist.

        Parameters
        ----------
        where : str
            Dotted key of the condition in its file.
        drugs : frozenset of str
            Names of the drugs that can be on record.
        must_show : bool
            Whether some entry must show it whenever it holds.
        """
        if must_show and not self.showable:
            yield Fault(where, "it can hold with no entry to show for it; put a kind beside every 'not'")
        if self.kind is not None:
            yield from self._kind_faults(where, drugs)
        for name, parts in (("all", self.all_of), ("any", self.any_of)):
            for place, part in enumerate(parts):
                yield from part.faults(f"{where}.{name}.{place}", drugs=drugs, must_show=False)
        if self.none_of is not None:
            yield from self.none_of.faults(f"{where}.not", drugs=drugs, must_show=False)

    def _kind_faults(self, where: str, drugs: frozenset[str]) -> Iterator[Fault]:
        assert self.kind is not None
        if self.kind not in KINDS or self.kind in ABOUT_THE_RECORD:
            yield Fault(
                f"{where}.kind", f"there is no condition over '{self.kind}'; name a kind of entry of the case"
            )
            return
        yield from self.field_faults(where, self.kind)
        if self.device is not None or self.inside:
            if self.kind not in OF_DEVICES:
                yield Fault(where, f"{self.kind} is about no device; leave 'device' and 'inside' out")
            elif self.device is not None:
                yield from self.device.field_faults(f"{where}.device", "device")
        named = self.equal.get("drug", ())
        for drug in named if isinstance(named, tuple) else (named,):
            if drug not in drugs:
                yield Fault(f"{where}.is.drug", f"'{drug}' is not in the formulary; add it there, or mend it")


@dataclass(frozen=True)
class Episode:
    """One stretch of trouble: from the entry that tells of it to the one that ends it."""

    begins: int
    """Place of the first entry of it among the entries in force."""
    entry: Entry | None
    """The entry that tells of it; None if only the card was opened."""
    ended: Entry | None = None


class Scene:
    """A case at one moment, as conditions look at it.

    Parameters
    ----------
    case : Case
    at : Moment
        The present moment.
    session : int
        The session whose clock `at` was read from.
    """

    def __init__(self, case: Case, at: Moment, session: int) -> None:
        self.case = case
        self._at, self._session = at, session
        self.entries = tuple(case.in_force())
        self._lives = {e.n: life for life in case.devices() for e in (life.entry, *life.happenings)}
        self._inside = {life.number for life in case.unaccounted()}

    def age_s(self, entry: Entry) -> float:
        """Return how long ago an entry was, s; by the clock that is never set where that ran on."""
        if entry.session == self._session:
            seconds = self._at.monotonic_s - entry.at.monotonic_s
        else:
            wall_s = (self._at.wall - entry.at.wall).total_seconds()
            seconds = wall_s - self.case.clock_set_since_s(entry.n)
        return max(0.0, round(seconds, 3))

    def later_than(self, mark: Entry | None, entries: Iterable[Entry]) -> tuple[Entry, ...]:
        """Return those of `entries` that stand behind `mark`; all, if there is no mark."""
        if mark is None:
            return tuple(entries)
        behind = {entry.n for entry in self.entries[self.entries.index(mark) + 1 :]}
        return tuple(entry for entry in entries if entry.n in behind)

    def life(self, entry: Entry) -> DeviceLife | None:
        """Return the device that an entry is about."""
        return self._lives.get(entry.n)

    def fits(self, entry: Entry, look: Condition) -> bool:
        """Return whether an entry is what a look is for, its time aside."""
        if entry.body.kind != look.kind or not look.fits(entry.body):
            return False
        life = self.life(entry)
        if look.device is not None and not look.device.fits(_device(entry, life)):
            return False
        return not look.inside or (life is not None and life.number in self._inside)

    def episode(self, begins: Iterable[Condition], ends: Iterable[Condition]) -> Episode | None:
        """Return the last stretch of trouble: where it began, and what ended it, if anything did.

        What is told again while it lasts does not begin it anew.
        """
        begins, ends = tuple(begins), tuple(ends)
        last: Episode | None = None
        for place, entry in enumerate(self.entries):
            if any(self.fits(entry, look) for look in begins):
                if last is None or last.ended is not None:
                    last = Episode(place, entry)
            elif last is not None and last.ended is None and any(self.fits(entry, e) for e in ends):
                last = Episode(last.begins, last.entry, entry)
        return last

    def shown(self, condition: Condition, episode: Episode | None) -> tuple[Entry, ...] | None:
        """Return the entries that show a condition, in order; None if it does not hold.

        Empty only for a condition that holds because something is *not* on record.
        """
        if condition.kind is not None:
            found = tuple(self._found(condition, episode))
            return found if len(found) >= condition.count else None
        if condition.none_of is not None:
            return () if self.shown(condition.none_of, episode) is None else None
        parts = [self.shown(part, episode) for part in condition.parts]
        held = [part for part in parts if part is not None]
        if not held or (condition.all_of and len(held) < len(parts)):
            return None
        together = {entry.n: entry for part in held for entry in part}
        return tuple(entry for entry in self.entries if entry.n in together)

    def _found(self, look: Condition, episode: Episode | None) -> Iterator[Entry]:
        if look.since_event and episode is None:
            return
        first = episode.begins if look.since_event and episode is not None else 0
        for entry in self.entries[first:]:
            recent = look.within_min is None or self.age_s(entry) <= 60 * look.within_min
            if recent and self.fits(entry, look):
                yield entry


def _device(entry: Entry, life: DeviceLife | None) -> BaseModel:
    """Return the device that an entry is about, as far as it is known."""
    if life is not None:
        return life.body
    body: BaseModel = entry.body
    return body


def _is(value: Any, wanted: Plain | tuple[Plain, ...]) -> bool:
    options = wanted if isinstance(wanted, tuple) else (wanted,)
    # True == 1, so the types are compared too
    return value is not None and any(
        value == option and isinstance(value, bool) == isinstance(option, bool) for option in options
    )


def _number(value: Any) -> Decimal:
    return Decimal("-Infinity") if value is None else Decimal(value)


def _most(value: Any) -> Decimal:
    return Decimal("Infinity") if value is None else Decimal(value)


def _no_field(key: str, kind: str, name: str) -> Fault:
    known = ", ".join(field for field in KINDS[kind].model_fields if field != "kind") or "none"
    return Fault(key, f"entries of kind {kind} have no field '{name}', only {known}; mend the name")


@cache
def _allowed(kind: str, name: str) -> tuple[Any, ...] | None:
    """Return the values and types that a field can have; None if there is no such field."""
    field = KINDS[kind].model_fields.get(name)
    if field is None or name == "kind":
        return None
    return tuple(_parts(field.annotation))


def _parts(annotation: Any) -> Iterator[Any]:
    origin = get_origin(annotation)
    if origin is Literal:
        yield from get_args(annotation)
    elif origin in (Union, UnionType):
        for part in get_args(annotation):
            yield from _parts(part)
    elif hasattr(annotation, "__metadata__"):
        yield from _parts(get_args(annotation)[0])
    elif annotation is not type(None):
        yield annotation


def _can_be(value: Plain, allowed: tuple[Any, ...]) -> bool:
    if isinstance(value, bool):
        return bool in allowed
    if isinstance(value, str):
        return value in allowed or str in allowed
    return Decimal in allowed or int in allowed
