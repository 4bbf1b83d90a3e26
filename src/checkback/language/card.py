"""The phrase card: everything that can be said, to print and hang up."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime
from decimal import Decimal

from checkback.language.catalogue import Amount, NumberRange, Stock
from checkback.language.expression import (
    Choice,
    Form,
    Named,
    Node,
    Optional,
    Sequence,
    Table,
    Tagged,
    Word,
)
from checkback.language.phrasebook import (
    ChoiceSlot,
    Family,
    FormularySlot,
    NumberSlot,
    Phrasebook,
    StockSlot,
)
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reader

LONGEST_INLINE = 60
"""Choices with more characters than this stand in a list of their own, at the end."""


def phrase_card(book: Phrasebook) -> str:
    """Return the card as Markdown, in the order of the phrasebook.

    Every family stands with its expansions, one example and the check-back to it; then come the
    lists that are too long for a line, the devices on the shelf and the drugs.

    Parameters
    ----------
    book : Phrasebook
        Its ``[card]`` has the headings.
    """
    words = book.file.card
    lines = [f"# {words['title']}", "", words["notation"], ""]
    role = ""
    for part, name, family in book.families():
        if part != role:
            role = part
            # a phrasebook without answers needs no heading for them
            lines += [f"## {words.get(role, role)}", ""]
            if role == "event":
                lines += _family(book, words["front"], book.file.correction)
                lines += _family(book, words["front"], book.file.shift)
                if book.file.shift_after is not None:
                    lines += _family(book, words.get("behind", words["front"]), book.file.shift_after)
        lines += _family(book, name.replace("_", " "), family)
        lines += _example(book, name, role)
    lines += [f"## {words['lists']}", "", *_lists(book)]
    lines += [f"## {words['devices']}", "", book.catalogue.note, "", *_devices(book)]
    lines += [f"## {words['drugs']}", "", book.formulary.note, "", *_drugs(book)]
    return re.sub(r"\n{3,}", "\n\n", "\n".join(lines)).rstrip() + "\n"


def example(node: Node) -> Form:
    """Return one sentence of a tree, always the same and with nothing left out.

    Of several options it takes the first, of numbers the middle one.
    """
    match node:
        case Word(text):
            return (text,)
        case Sequence(parts):
            return tuple(word for part in parts for word in example(part))
        case Choice(options):
            return example(options[0])
        case Optional(part) | Tagged(_, part) | Named(_, part):
            return example(part)
        case Table(_, meanings):
            numbers = any(isinstance(value, Decimal) for _, value in meanings[0][0])
            return meanings[len(meanings) // 2 if numbers else 0][1][0]
    raise TypeError(type(node).__name__)


def _family(book: Phrasebook, title: str, family: Family) -> list[str]:
    return [f"**{title}**", "", *(f"- `{_shown(book, text)}`" for text in family.say), ""]


def _example(book: Phrasebook, name: str, role: str) -> list[str]:
    said = " ".join(example(book.family_node(name)))
    if role == "fragment":
        said = f"{' '.join(example(book.correction_node))} {said}"
    for reading in Reader(book).read(said):
        if reading.clock is not None and reading.clock_field is not None:
            # any day will do
            hour, minute = reading.clock
            reading = reading.with_told_time(datetime(2000, 1, 1, hour, minute, tzinfo=UTC))
        if reading.family == name and reading.body is not None:
            return [f"“{said}” → “{Phrasing(book).spoken(reading.body)}”", ""]
    return [f"“{said}”", ""]


def _shown(book: Phrasebook, text: str) -> str:
    """Return an expansion with its rules written out and its slots with what they can be."""

    def shown(match: re.Match[str]) -> str:
        name = match[1]
        if name in book.file.rules:
            return _shown(book, book.file.rules[name])
        slot = book.file.slots[name]
        if isinstance(slot, NumberSlot):
            return f"<{name.replace('_', ' ')}: {_range(book, slot)}{_unit(slot.unit)}>"
        if isinstance(slot, ChoiceSlot) and len(options := _options(slot)) <= LONGEST_INLINE:
            return f"({options})"
        return f"<{name.replace('_', ' ')}>"

    # a choice that stands alone in the brackets needs none of its own
    return re.sub(r"\[\(([^()\[\]]*)\)\]", r"[\1]", re.sub(r"<(\w+)>", shown, text))


def _options(slot: ChoiceSlot) -> str:
    return " | ".join(form for said in slot.values.values() for form in said)


def _unit(unit: str) -> str:
    return "" if unit == "1" else f" {unit}"


def _range(book: Phrasebook, numbers: NumberRange) -> str:
    """Return the numbers as a list, or as first, last and step."""
    if numbers.values is not None:
        return ", ".join(map(_plain, numbers.numbers()))
    known = numbers.numbers()
    words = book.file.card
    text = f"{_plain(known[0])} {words['to']} {_plain(known[-1])}"
    if numbers.step is not None and numbers.step != 1:
        text += f" {words['in_steps_of']} {_plain(numbers.step)}"
    return text


def _lists(book: Phrasebook) -> Iterable[str]:
    for name, slot in book.file.slots.items():
        if isinstance(slot, ChoiceSlot) and len(_options(slot)) > LONGEST_INLINE:
            yield from (f"**{name.replace('_', ' ')}**", "")
            for value, said in slot.values.items():
                forms = ", ".join(f"“{form}”" for form in said)
                yield f"- {forms}" if value in said else f"- {forms}: {value}"
            yield ""


def _devices(book: Phrasebook) -> Iterable[str]:
    for name, slot in book.file.slots.items():
        if not isinstance(slot, StockSlot):
            continue
        yield from (f"**{name.replace('_', ' ')}**: " + ", ".join(f"`{text}`" for text in slot.say), "")
        for kind, said in slot.names.items():
            forms = ", ".join(f"“{form}”" for form in said)
            if slot.full_range:
                sizes = (
                    f"{_range(book, book.file.full_range.diameters_mm)} × "
                    f"{_range(book, book.file.full_range.lengths_mm)} mm"
                )
            elif kind == "any" and len(slot.names) > 1:
                # the sizes stand with the types
                sizes = ""
            else:
                items = book.catalogue.of(slot.device, None if kind == "any" else kind)
                sizes = "; ".join(filter(None, (_sizes(book, item) for item in items)))
            yield f"- {forms}: {sizes}" if sizes else f"- {forms}"
        yield ""


def _sizes(book: Phrasebook, item: Stock) -> str:
    """Return what is on the shelf of one item."""
    parts = []
    if item.diameters_mm:
        text = ", ".join(map(_plain, item.diameters_mm))
        if item.lengths_mm:
            text += " × " + ", ".join(map(_plain, item.lengths_mm))
        text += " mm"
        if item.missing:
            pairs = ", ".join(f"{_plain(d)} × {_plain(n)}" for d, n in item.missing)
            text += f" ({book.file.card['except']} {pairs})"
        parts.append(text)
    if item.french:
        parts.append(", ".join(map(_plain, item.french)) + " Fr")
    if item.curves:
        parts.append(", ".join(item.curves))
    return "; ".join(parts)


def _drugs(book: Phrasebook) -> Iterable[str]:
    words = book.file.card
    for name, slot in book.file.slots.items():
        if isinstance(slot, FormularySlot):
            yield from (f"**{name.replace('_', ' ')}**: " + ", ".join(f"`{text}`" for text in slot.say), "")
            for said in slot.routes.values():
                yield "- " + ", ".join(f"“{form}”" for form in said)
            yield ""
    yield f"| {words['drug']} | {words['dose']} | {words['rate']} | {words['route']} |"
    yield "|---|---|---|---|"
    for drug in book.formulary.drug:
        also = [form for form in drug.say if form != drug.name]
        cells = (
            drug.name + (f" ({', '.join(also)})" if also else ""),
            "; ".join(_amount(book, amount) for amount in drug.dose),
            "; ".join(_amount(book, amount) for amount in drug.rate),
            ", ".join(drug.routes),
        )
        yield f"| {' | '.join(cells)} |"


def _amount(book: Phrasebook, amount: Amount) -> str:
    unit = amount.unit.replace("ug", "µg")
    return f"{_range(book, amount)} {f'[{unit}]' if amount.unit_optional else unit}"


def _plain(value: Decimal) -> str:
    return format(value.normalize(), "f")
