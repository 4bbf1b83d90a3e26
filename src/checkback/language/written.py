"""The phrasebook as free recognisers write it: a graph of words in which every number is a numeral.

"Balloon two and a quarter by twelve" and "balloon two two five by twelve" are one way through it,
"balloon 2.25 by 12"; which of the forms was spoken is left open.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

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
from checkback.language.wordgraph import word_graph

_TIMES_OF_DAY = frozenset({"hour", "minute", "early_minute"})
"""Numbers that stay in words: there is no telling how a time of day is written."""

Arc = tuple[int, int, int]


@dataclass(frozen=True)
class WrittenGraph:
    """Every legal sentence as it is written.

    Attributes
    ----------
    words : tuple of str
        What is written: "balloon", "2.25", "ACT".
    forms : tuple of tuple of Form
        Of each of `words`, the words that it may stand for, the plainest first.
    arcs : tuple of (int, int, int)
        From state, to state, number of the word.
    start : int
    finals : frozenset of int
    """

    words: tuple[str, ...]
    forms: tuple[tuple[Form, ...], ...]
    arcs: tuple[Arc, ...]
    start: int
    finals: frozenset[int]


def written_graph(root: Node) -> WrittenGraph:
    """Return the graph of a syntax tree as it is written.

    Parameters
    ----------
    root : Node
        The spoken tree of a phrasebook.
    """
    numerals: dict[tuple[str, tuple[Form, ...]], str] = {}
    graph = word_graph(_with_numerals(root, numerals, {}))
    named = {name: key for key, name in numerals.items()}
    found: dict[tuple[str, tuple[Form, ...]], int] = {}

    def number(written: str, forms: tuple[Form, ...]) -> int:
        return found.setdefault((written, forms), len(found))

    arcs: set[Arc] = set()
    for state, out in enumerate(graph.arcs):
        for word, target in out.items():
            if word in named:
                arcs.add((state, target, number(*named[word])))
            elif not _letter(word):
                arcs.add((state, target, number(word, ((word,),))))
                continue
            if _letter(word):
                for letters, end in _runs(graph.arcs, graph.finals, word, target):
                    written = "".join(letters).upper() if len(letters) > 1 else letters[0]
                    arcs.add((state, end, number(written, (letters,))))
    return WrittenGraph(
        tuple(written for written, _ in found),
        tuple(forms for _, forms in found),
        tuple(sorted(arcs)),
        graph.start,
        graph.finals,
    )


def _letter(word: str) -> bool:
    return len(word) == 1 and word.isalpha()


def _runs(
    arcs: tuple[dict[str, int], ...], finals: frozenset[int], first: str, state: int
) -> list[tuple[Form, int]]:
    """Return the runs of single letters that begin with `first`, each as far as it may end."""
    found: list[tuple[Form, int]] = []
    waiting: list[tuple[Form, int]] = [((first,), state)]
    while waiting:
        letters, at = waiting.pop()
        more = [(word, target) for word, target in arcs[at].items() if _letter(word)]
        if at in finals or len(more) < len(arcs[at]):
            found.append((letters, at))
        waiting += [((*letters, word), target) for word, target in more]
    return found


def _with_numerals(
    node: Node, numerals: dict[tuple[str, tuple[Form, ...]], str], done: dict[int, Node]
) -> Node:
    """Return a tree in which numbers are single words that stand for all their forms."""
    if id(node) in done:
        return done[id(node)]
    match node:
        case Word():
            new: Node = node
        case Sequence(parts):
            new = Sequence(tuple(_with_numerals(part, numerals, done) for part in parts))
        case Choice(options):
            new = Choice(tuple(_with_numerals(option, numerals, done) for option in options))
        case Optional(part):
            new = Optional(_with_numerals(part, numerals, done))
        case Tagged(_, part) | Named(_, part):
            new = _with_numerals(part, numerals, done)
        case Table(name, meanings):
            new = Table(
                name, tuple((fields, _forms(name, fields, forms, numerals)) for fields, forms in meanings)
            )
        case _:
            raise TypeError(type(node).__name__)
    done[id(node)] = new
    return new


def _forms(
    name: str,
    fields: tuple[tuple[str, object], ...],
    forms: tuple[Form, ...],
    numerals: dict[tuple[str, tuple[Form, ...]], str],
) -> tuple[Form, ...]:
    values = [value for _, value in fields if isinstance(value, Decimal)]
    if name in _TIMES_OF_DAY or len(values) != 1 or len(fields) != 1:
        return forms
    (value,) = values
    plain = format(value.normalize(), "f")
    ways = {plain: forms}
    if value == value.to_integral_value() and value.as_tuple().exponent == -1:
        # a whole number of a slot with tenths: "three" is written 3, and "three point oh" is written 3.0
        ways = {
            plain: tuple(form for form in forms if len(form) == 1),
            f"{plain}.0": tuple(form for form in forms if len(form) > 1),
        }
    return tuple(
        (numerals.setdefault((numeral, said), f"{numeral}#{len(numerals)}"),)
        for numeral, said in ways.items()
        if said
    )
