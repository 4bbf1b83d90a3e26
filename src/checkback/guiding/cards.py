"""Bailout cards as data: questions that lead on, options in tiers, conditions, equipment, sources.

A card is one TOML file that a laboratory edits and signs.  It is checked when it is read: every
mistake is one sentence with file, line and key.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, model_validator

from checkback.errors import UserError
from checkback.guiding.conditions import Condition
from checkback.guiding.data import NOTE, Count, Data, Fault, Source, source_faults
from checkback.guiding.equipment import Equipment
from checkback.language.catalogue import fault, read_toml

FOLDER = "cards"
END = "end"
"""What the last line of a card leads to."""

NAME = re.compile(r"[a-z][a-z0-9_]*")
NOT_SIGNED = "not signed by this laboratory"

LONGEST_LINE = 110
"""Characters of a line that is read aloud: some seven seconds."""


class Signed(Data):
    """Who of the laboratory answers for the card, and since when; both are empty until then."""

    name: str
    date: str

    @model_validator(mode="after")
    def _both_or_none(self) -> Signed:
        if bool(self.name.strip()) != bool(self.date.strip()):
            raise ValueError("a signature has both 'name' and 'date'; fill in both, or leave both empty")
        if self.date:
            try:
                date.fromisoformat(self.date)
            except ValueError:
                raise ValueError(f"'{self.date}' is no date like 2026-03-02") from None
        return self


class Event(Data):
    """The trouble that the card is for: which entries tell that it began, and that it is over.

    Where no entry tells of it, it is taken to begin when the card is opened.
    """

    begins: tuple[Condition, ...] = Field(min_length=1)
    ends: tuple[Condition, ...] = ()


class Offer(Data):
    """When the card offers itself.

    Attributes
    ----------
    when : Condition
    because : str
        Said with the offer.
    again : bool
        Whether new trouble of the kind offers it once more in the same case.
    """

    when: Condition
    because: str = Field(min_length=1, max_length=LONGEST_LINE)
    again: bool = False


class RuledOut(Data):
    """An answer after which a line does not suit."""

    line: str
    answer: Literal["yes", "no"]
    because: str = Field(min_length=1, max_length=LONGEST_LINE)


class Line(Data):
    """One line of a card: a question that is answered yes or no, or something that can be done.

    Attributes
    ----------
    ask, do : str or None
        One of both: the words that are read.
    yes, no : str or None
        Of a question: the line that each answer leads to, or "end".
    next : str or None
        Of all else: the line that follows, or "end".
    tier : int or None
        Of all else: 1 is tried first.
    caution : str or None
        Of all else: what to beware of.
    why : str or None
        Read on "why".
    tried_when : Condition or None
        Entries that show that it was tried; none if nothing on record can.
    needs : tuple of str
        Equipment that it needs.
    irreversible : bool
        Whether it cannot be taken back, so that a second person may be asked.
    unless : tuple of RuledOut
        Answers after which it does not suit, beyond what the questions lead to.
    sources : tuple of str
    """

    ask: str | None = Field(default=None, min_length=1, max_length=LONGEST_LINE)
    do: str | None = Field(default=None, min_length=1, max_length=LONGEST_LINE)
    yes: str | None = None
    no: str | None = None
    next: str | None = None
    tier: Count | None = None
    caution: str | None = Field(default=None, min_length=1, max_length=LONGEST_LINE)
    why: str | None = Field(default=None, min_length=1)
    tried_when: Condition | None = None
    needs: tuple[str, ...] = ()
    irreversible: bool = False
    unless: tuple[RuledOut, ...] = ()
    sources: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _one_of_both(self) -> Line:
        if (self.ask is None) == (self.do is None):
            raise ValueError("a line has either 'ask' or 'do'")
        if self.ask is not None:
            if self.tier or self.caution or self.tried_when or self.needs or self.irreversible or self.unless:
                raise ValueError(
                    "a question has no tier, caution, tried_when, needs, irreversible or unless; they belong to a 'do'"
                )
            if self.next is not None:
                raise ValueError("a question leads on by 'yes' and 'no', not by 'next'")
        elif self.yes is not None or self.no is not None:
            raise ValueError("only a question leads on by 'yes' and 'no'; give 'next'")
        return self

    @property
    def words(self) -> str:
        """What is read."""
        return self.ask or self.do or ""

    @property
    def is_question(self) -> bool:
        """Whether it is answered yes or no."""
        return self.ask is not None

    def leads(self) -> dict[str, str | None]:
        """Return the key of each way on with the line that it leads to."""
        return {"yes": self.yes, "no": self.no} if self.is_question else {"next": self.next}


class Card(Data):
    """One card.

    Attributes
    ----------
    title : str
    say : tuple of str
        How it is asked for.
    start : str
        The line that it begins with.
    """

    title: str = Field(min_length=1, max_length=60)
    say: tuple[str, ...] = Field(min_length=1)
    note: Literal["check against local protocol"]
    signed: Signed
    event: Event | None = None
    offer: Offer | None = None
    clock: bool = False
    start: str
    lines: dict[str, Line] = Field(min_length=1)
    sources: dict[str, Source] = Field(min_length=1)

    def following(self, line: str, answer: str | None = None) -> str:
        """Return the line that follows, or "end"; a question needs its answer."""
        return self.lines[line].leads()[answer or "next"] or END

    def cited(self, line: str) -> str:
        """Return the sources of a line in words, with the advice to check."""
        said = "; ".join(self.sources[name].cited for name in self.lines[line].sources)
        return f"{said}; {NOTE}"

    @property
    def signature(self) -> str:
        """Who signed it, or that nobody did."""
        return f"signed by {self.signed.name}, {self.signed.date}" if self.signed.name else NOT_SIGNED

    def reached(self, answers: dict[str, str] | None = None) -> frozenset[str]:
        """Return the lines that can still be come to, after the answers given so far."""
        answers = answers or {}
        found: set[str] = set()
        waiting = [self.start]
        while waiting:
            name = waiting.pop()
            if name in found or name not in self.lines:
                continue
            found.add(name)
            ways = self.lines[name].leads()
            given = answers.get(name)
            waiting += [to for way, to in ways.items() if to and (given is None or way == given)]
        return frozenset(found)

    def faults(self, *, equipment: Equipment | None, drugs: frozenset[str]) -> Iterator[Fault]:
        """Yield every mistake that only the card as a whole shows."""
        yield from self._ways()
        yield from self._conditions(drugs)
        for name, line in self.lines.items():
            where = f"lines.{name}"
            if not NAME.fullmatch(name) or name == END:
                yield Fault(where, "a line is named by small letters, digits and _, and not 'end'; rename it")
            if not line.sources:
                yield Fault(where, "it names no source; add 'sources' (or one that says that there is none)")
            if not line.is_question and (line.tier is None or line.caution is None):
                lacks = "tier" if line.tier is None else "caution"
                yield Fault(where, f"what is done has a tier and a caution; add '{lacks}'")
            for place, item in enumerate(line.needs):
                if equipment is not None and item not in equipment.available:
                    yield Fault(
                        f"{where}.needs.{place}",
                        f"'{item}' is not in equipment.toml; add it there, or mend it",
                    )
            for place, rule in enumerate(line.unless):
                yield from self._rule_faults(f"{where}.unless.{place}", name, rule)
        yield from source_faults(
            self.sources, {f"lines.{name}.sources": line.sources for name, line in self.lines.items()}
        )

    def _rule_faults(self, where: str, name: str, rule: RuledOut) -> Iterator[Fault]:
        asked = self.lines.get(rule.line)
        if asked is None or not asked.is_question:
            yield Fault(f"{where}.line", f"there is no question '{rule.line}' in this card; mend the name")
        elif name not in _below(self, rule.line):
            yield Fault(
                f"{where}.line",
                f"the question '{rule.line}' does not come before this line; mend it, or move it",
            )

    def _ways(self) -> Iterator[Fault]:
        if self.start not in self.lines:
            yield Fault("start", f"there is no line '{self.start}'; mend the name")
            return
        for name, line in self.lines.items():
            for way, to in line.leads().items():
                if to is None:
                    yield Fault(f"lines.{name}", f"a dead end: it has no '{way}'; name a line, or 'end'")
                elif to != END and to not in self.lines:
                    yield Fault(f"lines.{name}.{way}", f"a dead end: there is no line '{to}'; mend the name")
        loop = _loop(self)
        if loop:
            yield Fault(f"lines.{loop[0]}", f"a loop: {' -> '.join(loop)}; lead one of them elsewhere")
        reached = self.reached()
        for name in self.lines:
            if name not in reached:
                yield Fault(f"lines.{name}", "nothing leads to this line; lead to it, or remove it")

    def _conditions(self, drugs: frozenset[str]) -> Iterator[Fault]:
        for name, line in self.lines.items():
            if line.tried_when is not None:
                yield from line.tried_when.faults(f"lines.{name}.tried_when", drugs=drugs)
        if self.offer is not None:
            yield from self.offer.when.faults("offer.when", drugs=drugs)
        for which in ("begins", "ends"):
            for place, look in enumerate(getattr(self.event, which, ())):
                where = f"event.{which}.{place}"
                if look.kind is None or look.count > 1 or look.since_event or look.within_min or look.inside:
                    yield Fault(where, "a single entry begins or ends it; use 'kind' with fields only")
                yield from look.faults(where, drugs=drugs)


def _loop(card: Card) -> list[str]:
    """Return the lines of a loop, the first one again at the end; empty if there is none."""
    done: set[str] = set()
    path: list[str] = []

    def visit(name: str) -> list[str]:
        if name in path:
            return [*path[path.index(name) :], name]
        if name in done or name not in card.lines:
            return []
        path.append(name)
        for to in card.lines[name].leads().values():
            if to is not None and (found := visit(to)):
                return found
        path.pop()
        done.add(name)
        return []

    return next((found for name in card.lines if (found := visit(name))), [])


def _below(card: Card, line: str) -> set[str]:
    """Return all lines that a line can lead to."""
    found: set[str] = set()
    waiting = [to for to in card.lines[line].leads().values() if to]
    while waiting:
        name = waiting.pop()
        if name not in found and name in card.lines:
            found.add(name)
            waiting += [to for to in card.lines[name].leads().values() if to]
    return found


# --- files ----------------------------------------------------------------------------------------


class Named(Data):
    """A card with its file.

    Attributes
    ----------
    name : str
        Name of its file, without the ending.
    card : Card
    sha256 : str
        Of the file's bytes.
    """

    name: str
    card: Card
    sha256: str


def read(path: Path, *, equipment: Equipment | None, drugs: frozenset[str]) -> Named:
    """Read and check one card.

    Raises
    ------
    UserError
        Names file, line and key of the first mistake, and how many more there are.
    """
    card = read_toml(path, Card)
    if not NAME.fullmatch(path.stem):
        raise UserError(f"{path}: a card is named by small letters, digits and _; rename the file")
    found = list(card.faults(equipment=equipment, drugs=drugs))
    if found:
        more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
        raise fault(path, found[0].key, found[0].message + more)
    return Named(name=path.stem, card=card, sha256=hashlib.sha256(path.read_bytes()).hexdigest())


def load(folder: Path, *, equipment: Equipment, drugs: frozenset[str]) -> dict[str, Named]:
    """Read every card of the grammars folder, by name.

    Parameters
    ----------
    folder : Path
        The grammars folder; the cards lie in `cards` below it.
    equipment : Equipment
    drugs : frozenset of str
        Names of the drugs that can be on record, as in the formulary.

    Raises
    ------
    UserError
        If there is no card, a card is wrong, or two are asked for by the same words.
    """
    place = folder / FOLDER
    paths = sorted(place.glob("*.toml"))
    if not paths:
        raise UserError(
            f"{place}: there is no card; name a folder of grammars that has some, or install again"
        )
    cards = {path.stem: read(path, equipment=equipment, drugs=drugs) for path in paths}
    spoken: dict[str, str] = {}
    for name, named in cards.items():
        for words in named.card.say:
            if words in spoken:
                path = place / f"{name}.toml"
                raise fault(
                    path, "say", f"'{words}' also asks for the card {spoken[words]}; mend one of them"
                )
            spoken[words] = name
    return cards


def all_faults(path: Path, *, equipment: Equipment, drugs: frozenset[str]) -> list[str]:
    """Return every mistake of one card, each as one sentence; empty if it is sound."""
    try:
        card = read_toml(path, Card)
    except UserError as error:
        return [str(error)]
    return [str(fault(path, f.key, f.message)) for f in card.faults(equipment=equipment, drugs=drugs)]


def asked_for(cards: dict[str, Any], words: str) -> str | None:
    """Return the name of the card that words ask for: its name, title, or a way to say it."""
    wanted = " ".join(words.lower().replace("_", " ").split())
    for name, named in cards.items():
        ways = (name.replace("_", " "), named.card.title.lower(), *(way.lower() for way in named.card.say))
        if wanted in ways:
            return name
    return None
