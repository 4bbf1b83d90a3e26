"""All readings of a word string: none, one, or several between which only a person may choose."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from typing import Any, Literal

from pydantic import ValidationError

from checkback.language.expression import (
    Choice,
    Fields,
    Form,
    Named,
    Node,
    Optional,
    Sequence,
    Table,
    Tagged,
    Word,
)
from checkback.language.phrasebook import Phrasebook, times_told
from checkback.record.entry import BODY

Role = Literal["event", "fragment", "dialogue", "question", "answer", "bailout"]

_WITH_LEADING_ZERO = re.compile(r"(?<!\d)(0\d):(\d\d)(?!\d)")
"""A typed time that nobody writes so on a clock of twelve hours."""

MAX_READINGS = 12
"""More readings than this are cut: no question can offer them anyway."""


@dataclass(frozen=True)
class Reading:
    """One meaning of a sentence.

    Attributes
    ----------
    role : {"event", "fragment", "dialogue", "question", "answer", "bailout"}
    family : str
        Name of the phrasebook family.
    fields : mapping
        What the slots say, by field name; `Decimal` for numbers.
    body : pydantic model or None
        The entry's body, for events and for answers that become one.
    correction : bool
        True after the correction word: replaces an earlier entry.
    target : int or None
        Number of the entry meant by "correction entry five", if said.
    ago_s : float or None
        "two minutes ago", in seconds.
    clock : (int, int) or None
        "at fourteen twenty".
    clock_of_24 : bool
        The time was typed with a leading zero, "03:10", which is never in the afternoon.
    clock_field : str or None
        The field of the entry that the clock time belongs to ("symptom onset oh seven thirty"); None:
        it is the time of the entry itself.
    """

    role: Role
    family: str
    fields: Mapping[str, Any] = field(default_factory=dict)
    body: Any = None
    correction: bool = False
    target: int | None = None
    ago_s: float | None = None
    clock: tuple[int, int] | None = None
    clock_of_24: bool = False
    clock_field: str | None = None

    def with_told_time(self, told: datetime) -> Reading:
        """Return the same reading with the clock time in the field that it belongs to."""
        body = self.body.model_copy(update={self.clock_field: told})
        return replace(self, body=body, clock=None, clock_field=None)

    def with_body(self, body: Any) -> Reading:
        """Return the same reading with another entry."""
        return replace(self, body=body)

    def plain(self) -> dict[str, Any]:
        """Return the reading as JSON-ready values."""
        body = None if self.body is None else self.body.model_dump(mode="json", exclude_none=True)
        result: dict[str, Any] = {"role": self.role, "family": self.family}
        if body is not None:
            result["entry"] = body
        elif self.fields:
            result["fields"] = {k: _json(v) for k, v in self.fields.items()}
        for key in ("target", "ago_s"):
            if getattr(self, key) is not None:
                result[key] = getattr(self, key)
        if self.correction:
            result["correction"] = True
        if self.clock:
            result["clock"] = f"{self.clock[0]:02}:{self.clock[1]:02}"
        if self.clock_field:
            result["clock_field"] = self.clock_field
        return result


def _json(value: Any) -> Any:
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    return value


class Reader:
    """Finds every reading of a sentence.

    Parameters
    ----------
    book : Phrasebook
    typed : bool
        Accept what a person may type: numerals, abbreviations, sizes that are not stocked.
    every_size : bool
        Accept sizes that are not stocked.  A recogniser listens for stocked sizes only, but what
        it heard may still be meant otherwise: "balloon three by twenty eight" is 20 mm at 8 atm if
        28 mm is not stocked, unless somebody wants the 28 mm that lies outside.
    """

    def __init__(self, book: Phrasebook, *, typed: bool = False, every_size: bool = False) -> None:
        self._root = book.typed if typed or every_size else book.spoken
        self._abbreviations = book.file.typed if typed else None

    def read(self, sentence: str) -> tuple[Reading, ...]:
        """Return all readings of `sentence`, in phrasebook order; empty if there is none."""
        if self._abbreviations is None:
            words = tuple(composed(sentence).lower().split())
        else:
            words = normalise(sentence, self._abbreviations)
        meanings = match(self._root, words)
        found = _WITH_LEADING_ZERO.findall(sentence) if self._abbreviations is not None else []
        # what else in the line begins with a zero says nothing of its time
        of_24 = {(int(hour), int(minute)) for hour, minute in found}
        readings: dict[str, Reading] = {}
        for fields in meanings:
            reading = _reading(fields)
            if reading is not None:
                if reading.clock in of_24:
                    reading = replace(reading, clock_of_24=True)
                readings.setdefault(repr(reading), reading)
        return tuple(readings.values())[:MAX_READINGS]


def composed(text: str) -> str:
    """Return a text with composed letters (Unicode NFC): some keyboards write their parts."""
    return unicodedata.normalize("NFC", text)


def normalise(sentence: str, abbreviations: Mapping[str, str]) -> Form:
    """Return the words of a typed sentence: lower case, "2.5x12" and "14atm" taken apart.

    Parameters
    ----------
    sentence : str
    abbreviations : mapping
        Words for what is typed short, such as "atm" or "/ 10"; an empty word leaves it out.  A letter
        beside another one is spelt out ("s v t") and not short for anything.
    """
    text = composed(sentence).lower().replace("×", "x")
    text = re.sub(r"(?<=\d),(?=\d{3}\b)", "", text)
    text = re.sub(r"[,;!?]|\.(?!\d)", " ", text)
    text = re.sub(r"(?<=\d)\s*([x/])\s*(?=\d)", r" \1 ", text)
    # a time of day, such as 07:05
    text = re.sub(r"\b0?(\d\d?):(?=\d\d\b)", r"\1 ", text)
    for short in abbreviations:
        if " " in short:
            text = re.sub(rf"(?<!\S){re.escape(short)}(?!\S)", abbreviations[short], text)
    text = re.sub(r"(?<=\d)(?=[^\W\d_]|%)", " ", text)
    # other scripts mix no numerals into a word, as "jr4" does
    text = re.sub(r"(?<=[^\x00-\u024f\u03bc\W\d_])(?=\d)", " ", text)
    # two characters look the same: the micro sign and the Greek letter
    words = text.replace("\u00b5", "u").replace("\u03bc", "u").split()
    # one sign of another script may be a word: "점"
    letter = [False, *(len(word) == 1 and word.isascii() and word.isalpha() for word in words), False]
    spelt = [
        here and (before or after)
        for before, here, after in zip(letter, letter[1:], letter[2:], strict=False)
    ]
    full = (
        word if is_spelt else abbreviations.get(word, word)
        for word, is_spelt in zip(words, spelt, strict=True)
    )
    return tuple(" ".join(full).split())


def match(root: Node, words: Form) -> tuple[Fields, ...]:
    """Return the meaning of every way in which `root` covers all of `words`.

    Results are remembered by node and position, so that shared parts are matched once.
    """
    memo: dict[tuple[int, int], tuple[tuple[int, Fields], ...]] = {}
    end = len(words)
    said = frozenset(words)

    def at(node: Node, start: int) -> tuple[tuple[int, Fields], ...]:
        if not node.nullable:
            if start >= end or words[start] not in node.first:
                return ()
            # without this, every amount of every drug is tried at every number
            for needed in node.needed:
                if needed.isdisjoint(said):
                    return ()
        key = (id(node), start)
        known = memo.get(key)
        if known is None:
            known = memo[key] = tuple(dict.fromkeys(step(node, start)))
        return known

    def step(node: Node, start: int) -> list[tuple[int, Fields]]:
        match node:
            case Word():
                return [(start + 1, ())]
            case Table():
                return [
                    (start + n, fields)
                    for n in node.lengths
                    if start + n <= end
                    for fields in node.by_form.get(words[start : start + n], ())
                ]
            case Choice():
                options = node.by_first.get(words[start], ()) if start < end else ()
                found = [hit for option in options for hit in at(option, start)]
                for option in node.empty_options:
                    if option not in options:
                        found += at(option, start)
                return found
            case Sequence(parts):
                reached: list[tuple[int, Fields]] = [(start, ())]
                for part in parts:
                    reached = [
                        (after, before + fields)
                        for position, before in reached
                        for after, fields in at(part, position)
                    ]
                    if not reached:
                        break
                return reached
            case Optional(part):
                return [(start, ()), *at(part, start)]
            case Tagged(tags, part):
                return [(after, tags + fields) for after, fields in at(part, start)]
            case Named(_, part):
                return list(at(part, start))
        raise TypeError(type(node).__name__)

    found = tuple(fields for after, fields in at(root, 0) if after == end)
    # the functions above refer to each other, and would keep all of it until the collector comes by
    memo.clear()
    return found


def _reading(fields: Fields) -> Reading | None:
    """Return the reading behind matched fields, or None if no entry can be made of them."""
    if times_told(fields) > 1:
        return None
    values = dict(fields)
    role: Role = values.pop("@role")
    family: str = values.pop("@family")
    correction = bool(values.pop("@correction", False))
    target = values.pop("target", None) if correction else None
    ago_s = None
    for unit, seconds in (("ago_min", 60), ("ago_s", 1)):
        if unit in values:
            ago_s = float(values.pop(unit)) * seconds
    clock = None
    if "hour" in values:
        clock = (int(values.pop("hour")), int(values.pop("minute")))
    clock_field = values.pop("clock_field", None)
    body = None
    if role == "event" or (role == "answer" and "kind" in values):
        try:
            body = BODY.validate_python(values)
        except ValidationError:
            return None
    return Reading(
        role=role,
        family=family,
        fields=values,
        body=body,
        correction=correction,
        target=None if target is None else int(target),
        ago_s=ago_s,
        clock=clock,
        clock_field=clock_field,
    )
