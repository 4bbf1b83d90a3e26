"""The syntax tree of a phrasebook and the notation that it is written in.

The notation is the expansion part of the JSpeech Grammar Format (W3C Note, 5 June 2000,
https://www.w3.org/TR/jsgf/): words, ``[optional]``, ``(a | b)`` and ``<name>``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

Fields = tuple[tuple[str, Any], ...]
"""What a stretch of words means: (field, value) pairs in the order spoken."""

Form = tuple[str, ...]
"""One way to say something: its words."""


class ExpressionError(ValueError):
    """The notation is not well formed; the message says where."""


@dataclass(frozen=True, eq=False)
class Node:
    """A piece of the syntax tree.

    Nodes are compared by identity, so that one node can be shared and a match remembered.
    """

    @cached_property
    def nullable(self) -> bool:
        """True if the node also stands for no word at all."""
        raise TypeError(type(self).__name__)

    @cached_property
    def first(self) -> frozenset[str]:
        """Every word that the node can begin with."""
        raise TypeError(type(self).__name__)

    @cached_property
    def needed(self) -> tuple[frozenset[str], ...]:
        """Sets of words of which one each must be among those that the node covers."""
        return () if self.nullable else (self.first,)


@dataclass(frozen=True, eq=False)
class Word(Node):
    """One word."""

    text: str

    @cached_property
    def nullable(self) -> bool:
        """A word is never empty."""
        return False

    @cached_property
    def first(self) -> frozenset[str]:
        """Return the word itself."""
        return frozenset([self.text])


@dataclass(frozen=True, eq=False)
class Sequence(Node):
    """Parts one after the other."""

    parts: tuple[Node, ...]

    @cached_property
    def nullable(self) -> bool:
        """True if every part is."""
        return all(part.nullable for part in self.parts)

    @cached_property
    def first(self) -> frozenset[str]:
        """Return the first words of the leading parts, up to one that cannot be empty."""
        words: set[str] = set()
        for part in self.parts:
            words |= part.first
            if not part.nullable:
                break
        return frozenset(words)

    @cached_property
    def needed(self) -> tuple[frozenset[str], ...]:
        """Return those of all parts, the rarest first."""
        return tuple(sorted({words for part in self.parts for words in part.needed}, key=len))


@dataclass(frozen=True, eq=False)
class Choice(Node):
    """One of several."""

    options: tuple[Node, ...]

    @cached_property
    def nullable(self) -> bool:
        """True if any option is."""
        return any(option.nullable for option in self.options)

    @cached_property
    def first(self) -> frozenset[str]:
        """Return the first words of all options."""
        return frozenset().union(*(option.first for option in self.options))

    @cached_property
    def by_first(self) -> Mapping[str, tuple[Node, ...]]:
        """Options by the word that they can begin with."""
        table: dict[str, list[Node]] = {}
        for option in self.options:
            for word in option.first:
                table.setdefault(word, []).append(option)
        return {word: tuple(options) for word, options in table.items()}

    @cached_property
    def empty_options(self) -> tuple[Node, ...]:
        """Options that can be empty."""
        return tuple(option for option in self.options if option.nullable)


@dataclass(frozen=True, eq=False)
class Optional(Node):
    """Something that may be left out."""

    part: Node

    @cached_property
    def nullable(self) -> bool:
        """Always."""
        return True

    @cached_property
    def first(self) -> frozenset[str]:
        """Return the first words of the part."""
        return self.part.first


class _Around(Node):
    """A node around one other, with the same words."""

    part: Node

    @cached_property
    def nullable(self) -> bool:
        """As the part."""
        return self.part.nullable

    @cached_property
    def first(self) -> frozenset[str]:
        """Return the first words of the part."""
        return self.part.first


@dataclass(frozen=True, eq=False)
class Tagged(_Around):
    """A part that means `fields` besides what its own words mean."""

    fields: Fields
    part: Node


@dataclass(frozen=True, eq=False)
class Table(Node):
    """Spoken forms and what each means; two meanings for one form are both kept.

    Attributes
    ----------
    name : str
        Slot name, for messages, rules and the phrase card.
    meanings : tuple of (Fields, tuple of Form)
        Each meaning with its forms, the plainest form first.
    hint : str
        What to show for the slot on a phrase card.
    """

    name: str
    meanings: tuple[tuple[Fields, tuple[Form, ...]], ...]
    hint: str = ""

    @cached_property
    def by_form(self) -> Mapping[Form, tuple[Fields, ...]]:
        """Meanings by form."""
        table: dict[Form, list[Fields]] = {}
        for fields, forms in self.meanings:
            for form in forms:
                table.setdefault(form, []).append(fields)
        return {form: tuple(dict.fromkeys(meanings)) for form, meanings in table.items()}

    @cached_property
    def lengths(self) -> tuple[int, ...]:
        """Numbers of words that a form can have."""
        return tuple(sorted({len(form) for form in self.by_form}))

    @cached_property
    def nullable(self) -> bool:
        """A form has at least one word."""
        return False

    @cached_property
    def first(self) -> frozenset[str]:
        """Return the first words of all forms."""
        return frozenset(form[0] for form in self.by_form)


@dataclass(frozen=True, eq=False)
class Named(_Around):
    """A part with a name of its own: a rule of the produced JSGF, a slot on the card."""

    name: str
    part: Node
    hint: str = field(default="")


_TOKEN = re.compile(
    r"\s*(?:<(?P<name>[a-z][a-z0-9_]*)>|(?P<sign>[\[\]()|])|(?P<word>[^\s\[\]()|<>]+)|(?P<bad>\S))"
)


def parse(text: str, resolve: Callable[[str], Node]) -> Node:
    """Read one expansion.

    Parameters
    ----------
    text : str
        For instance ``"(inflate | up to) [at] <pressure> [atmospheres]"``.
    resolve : callable
        Gives the node behind a ``<name>``; raises `KeyError` if there is none.

    Returns
    -------
    Node

    Raises
    ------
    ExpressionError
        If a bracket does not match, an alternative is empty or a name is unknown.
    """
    tokens: list[tuple[str, str, int]] = []
    position = 0
    while position < len(text.rstrip()):
        match = _TOKEN.match(text, position)
        assert match is not None and match.lastgroup is not None
        where = match.start(match.lastgroup)
        if match.lastgroup == "bad":
            raise ExpressionError(f"'{match['bad']}' at column {where + 1} has no place here in: {text}")
        tokens.append((match.lastgroup, match[match.lastgroup], where))
        position = match.end()
    tokens.append(("end", "", len(text)))
    at = 0

    def fail(what: str) -> ExpressionError:
        return ExpressionError(f"{what} at column {tokens[at][2] + 1} in: {text}")

    def alternatives(closing: str) -> Node:
        nonlocal at
        options = [sequence()]
        while tokens[at][:2] == ("sign", "|"):
            at += 1
            options.append(sequence())
        if closing:
            if tokens[at][:2] != ("sign", closing):
                raise fail(f"'{closing}' is missing")
            at += 1
        elif tokens[at][0] != "end":
            raise fail(f"'{tokens[at][1]}' has no partner")
        return options[0] if len(options) == 1 else Choice(tuple(options))

    def sequence() -> Node:
        nonlocal at
        parts: list[Node] = []
        while True:
            kind, value, _ = tokens[at]
            if kind == "word":
                at += 1
                parts.append(Word(value))
            elif kind == "name":
                try:
                    parts.append(resolve(value))
                except KeyError:
                    raise fail(f"<{value}> is not defined") from None
                at += 1
            elif kind == "sign" and value == "[":
                at += 1
                parts.append(Optional(alternatives("]")))
            elif kind == "sign" and value == "(":
                at += 1
                parts.append(alternatives(")"))
            else:
                break
        if not parts:
            raise fail("a word or <name> is missing")
        return parts[0] if len(parts) == 1 else Sequence(tuple(parts))

    return alternatives("")


def children(node: Node) -> tuple[Node, ...]:
    """Return the nodes directly below `node`."""
    match node:
        case Sequence(parts):
            return parts
        case Choice(options):
            return options
        case Optional(part) | Tagged(_, part) | Named(_, part):
            return (part,)
    return ()


def walk(node: Node) -> Iterable[Node]:
    """Yield `node` and every distinct node below it."""
    seen: set[int] = set()
    waiting = [node]
    while waiting:
        current = waiting.pop()
        if id(current) in seen:
            continue
        seen.add(id(current))
        yield current
        waiting.extend(children(current))
