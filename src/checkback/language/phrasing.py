"""Entries become words: what the voice says back and what the tables show.

All wording is data of the phrasebook; a template's ``[part]`` is left out when one of its
``{field}`` is not there.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from functools import cached_property
from typing import Any

from checkback.language.phrasebook import SYMBOLS, ChoiceSlot, Phrasebook, StockSlot
from checkback.record.entry import Device, Entry

_PIECE = re.compile(r"\[|\]|\{(\w+)\}|[^\[\]{}]+")


def fill(template: str, value: Callable[[str], str | None]) -> str:
    """Fill a template.

    Parameters
    ----------
    template : str
        Text with ``{field}`` and nested ``[optional parts]``.
    value : callable
        Gives the words for a field, or None if it is not there.

    Returns
    -------
    str
        White space is folded; a missing field outside any optional part leaves nothing.
    """
    frames: list[tuple[list[str], bool]] = [([], True)]
    for piece in _PIECE.finditer(template):
        parts, complete = frames[-1]
        if piece[0] == "[":
            frames.append(([], True))
        elif piece[0] == "]":
            frames.pop()
            if complete:
                frames[-1][0].append("".join(parts))
        elif piece[1]:
            words = value(piece[1])
            if words is None:
                frames[-1] = (parts, False)
            else:
                parts.append(words)
        else:
            parts.append(piece[0])
    return re.sub(r"\s+", " ", "".join(frames[0][0])).strip()


def differing(sentences: Sequence[Sequence[str]]) -> list[tuple[str, ...]] | None:
    """Return of each sentence the words between those that all begin and end with.

    None if there is nothing left of one of them, or everything of all.
    """
    shortest = min(map(len, sentences))
    head = 0
    while head < shortest and len({s[head] for s in sentences}) == 1:
        head += 1
    tail = 0
    while tail < shortest - head and len({s[-1 - tail] for s in sentences}) == 1:
        tail += 1
    parts = [tuple(s[head : len(s) - tail]) for s in sentences]
    return parts if all(parts) and (head or tail) else None


class Phrasing:
    """Says and writes entries in the words of one phrasebook.

    Parameters
    ----------
    book : Phrasebook
    """

    def __init__(self, book: Phrasebook) -> None:
        self._file = book.file
        self._book = book

    def spoken(self, body: Any, *, brief: bool = False) -> str:
        """Return the words with which the voice says `body` back, few of them if it is to be brief."""
        values = dict(body)
        amount = values.get("dose", values.get("rate"))
        back = self._file.back[body.kind]
        return fill(
            back.brief if brief and back.brief is not None else back.spoken,
            lambda field: self._spoken_value(field, values.get(field), one=amount == 1),
        )

    def written(self, body: Any) -> str:
        """Return `body` as a short line for the eye."""
        values = dict(body)
        return fill(
            self._file.back[body.kind].written,
            lambda field: self._written_value(field, values.get(field)),
        )

    def summary(self, entry: Entry) -> str:
        """Return an entry as a short line for the eye; a question shows what it is between."""
        options = [self.written(a.body) for a in entry.alternatives if a.body is not None]
        if entry.body.kind == "unclear" and options:
            return " / ".join(options)
        return self.written(entry.body)

    def reply(self, key: str, **values: str) -> str:
        """Return one of the phrasebook's replies with its blanks filled."""
        return fill(self._file.replies[key], values.get)

    def advice(self, rule: str, values: Mapping[str, str | float], *, written: bool = False) -> str:
        """Return what the program says when a rule speaks up, with its numbers in words or in digits.

        Raises
        ------
        KeyError
            If the phrasebook has no words for the rule.
        """

        def said(name: str) -> str | None:
            value = values.get(name)
            if value is None:
                return None
            if name == "missing":
                return self.listed(self.label("missing", key) for key in str(value).split())
            if isinstance(value, str):
                return self.label(name, value)
            # to one place: nobody wants to hear more
            return f"{float(f'{value:.1f}'):g}" if written else self.number(Decimal(f"{value:.1f}"))

        return fill(self._file.advice[rule], said)

    def options(self, bodies: list[Any]) -> str:
        """Return the question between several bodies."""
        said = [
            self.reply("option", number=self.number(i), entry=self.spoken(body))
            for i, body in enumerate(bodies, 1)
        ]
        return self.reply("which", options=self.either(said))

    def narrow(self, bodies: list[Any]) -> str | None:
        """Return the question between bodies that are said alike but for one stretch: only that stretch.

        None if one of them has nothing there, so that the stretch alone would not tell.
        """
        parts = differing([self.spoken(body).split() for body in bodies])
        if parts is None:
            return None
        said = [" ".join(part).strip(",") for part in parts]
        return self.reply("heard_either", options=self.either(said), first=said[0])

    def fixed(self) -> tuple[str, ...]:
        """Return what is said again and again in the same words: replies and check-backs without blanks."""
        back = [text for each in self._file.back.values() for text in (each.spoken, each.brief) if text]
        happenings = [self.label("happening", name) for name in self._file.labels.get("happening", {})]
        plain = [fill(text, lambda _: None) for text in back if "{" not in re.sub(r"\[[^\]]*\]", "", text)]
        # what only stands between others is not said by itself
        replies = [t for t in self._file.replies.values() if "{" not in t and any(map(str.isalnum, t))]
        return tuple(dict.fromkeys(text for text in (*replies, *plain, *happenings) if text))

    def listed(self, items: Iterable[str]) -> str:
        """Return several things as one list."""
        return self._file.replies["list_join"].join(items)

    def sentences(self, parts: Iterable[str]) -> str:
        """Return several sentences as one text; empty ones are left out."""
        return self._file.replies["sentence_join"].join(part for part in parts if part)

    def either(self, options: Iterable[str]) -> str:
        """Return several things of which one is meant."""
        return self._file.replies["or"].join(options)

    def number(self, value: Decimal | int | float) -> str:
        """Return a number in words."""
        return self._file.numbers.say_back(Decimal(str(value)))

    def amounts(self, text: str) -> str:
        """Return a sentence with its numbers, and the units behind them, in words for the voice."""

        def said(found: re.Match[str]) -> str:
            number, unit = Decimal(found[1]), found[2]
            if unit is None:
                return self.number(number)
            units = self._file.spoken_units_one if number == 1 else self._file.spoken_units
            return f"{self.number(number)} {units.get(unit) or self._file.spoken_units[unit]}"

        return self._amount.sub(said, text)

    @cached_property
    def _amount(self) -> re.Pattern[str]:
        units = "|".join(re.escape(unit) for unit in sorted(self._file.spoken_units, key=len, reverse=True))
        # "3a" and "120-200" are no plain numbers
        return re.compile(rf"(?<![\w.,-])(\d+(?:\.\d+)?)(?![\w/-]|[.,]\d)(?:\s(?:({units})(?![\w/])))?")

    def minutes_ago(self, count: int) -> str:
        """Return how many minutes ago something was, in words."""
        key = {0: "just_now", 1: "one_minute_ago"}.get(count, "minutes_ago")
        return self.reply(key, number=self.number(count))

    def clock_time(self, wall: datetime) -> str:
        """Return the time of day: digit by digit ("one four two zero") it cannot be taken for a rate."""
        numbers = self._file.numbers
        return self.reply(
            "clock",
            digits=numbers.one_by_one(f"{wall:%H%M}"),
            hour=numbers.cardinal(wall.hour),
            minute=numbers.cardinal(wall.minute),
        )

    def page(self, group: str, key: str, value: str = "") -> str:
        """Return a word of the display's pages, with its blank filled in."""
        return re.sub(r"\{\w+\}", lambda _: value, self._file.pages[group][key])

    @property
    def takes_english(self) -> bool:
        """Whether what the program computes and words in English is shown as it is."""
        return self._file.stored_words

    def device(self, body: Device) -> str:
        """Return a device by type, name and size alone, for the eye."""
        keep = ("device", "type", "diameter_mm", "length_mm", "french", "curve")
        return self.written(Device(**{name: getattr(body, name) for name in keep}))

    def label(self, field: str, value: str) -> str:
        """Return how a value is said: its label, or its first spoken form in the phrasebook."""
        # what was left open is called as it was asked for
        field = "missing" if field == "item" and not self._file.stored_words else field
        return self._file.labels.get(field, {}).get(value) or self._first_forms.get((field, value), value)

    @cached_property
    def _first_forms(self) -> Mapping[tuple[str, str], str]:
        forms: dict[tuple[str, str], str] = {}
        for name, slot in self._file.slots.items():
            if isinstance(slot, ChoiceSlot):
                for value, said in slot.values.items():
                    forms.setdefault((slot.field or name, value), said[0])
            elif isinstance(slot, StockSlot):
                for value in slot.names:
                    if value != "any" and not slot.full_range and self._file.stored_words:
                        # the type's own words; the device's name follows in the template
                        forms.setdefault(("type", value), value.replace("-", " "))
        for drug in self._book.formulary.drug:
            forms.setdefault(("drug", drug.name), drug.say[0])
        return forms

    def _spoken_value(self, field: str, value: Any, *, one: bool) -> str | None:
        if value is None:
            return None
        if isinstance(value, bool):
            return self._file.labels.get(field, {}).get(str(value).lower())
        if isinstance(value, (Decimal, int, float)):
            return self.number(value)
        if isinstance(value, datetime):
            return self.clock_time(value)
        if field == "unit":
            units = self._file.spoken_units
            return (
                (self._file.spoken_units_one if one else units).get(value) or units.get(value) or str(value)
            )
        return self.label(field, str(value))

    def _written_value(self, field: str, value: Any) -> str | None:
        if value is None:
            return None
        if isinstance(value, bool):
            return self._file.labels.get(field, {}).get(str(value).lower())
        if isinstance(value, datetime):
            return f"{value:%H:%M}"
        if isinstance(value, Decimal):
            plain = format(value.normalize(), "f")
            # the trade writes "3.0 mm"
            return f"{value:.1f}" if field == "diameter_mm" and "." not in plain else plain
        if field == "unit":
            return str(value).replace("ug", "µg")
        if self._file.stored_words or field in SYMBOLS:
            return str(value)
        return self.label(field, str(value))
