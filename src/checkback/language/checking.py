"""What a phrasebook's author should know: sentences with two meanings, words that sound alike."""

from __future__ import annotations

import random
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from checkback.language.catalogue import fault
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.language.wordgraph import WordGraph

SAMPLES = 60
"""Random sentences tried of each family."""

LEAST_PHONES = 3
"""Shorter words (letters) differ by one phone all the time."""


@dataclass(frozen=True)
class Ambiguity:
    """A sentence with several readings.

    Attributes
    ----------
    sentence : str
        An example.
    families : tuple of str
        Families of its readings.
    """

    sentence: str
    families: tuple[str, ...]


def ambiguities(book: Phrasebook, seed: int = 0) -> list[Ambiguity]:
    """Return an example for each set of families that share a sentence, found by sampling.

    Raises
    ------
    UserError
        If no entry can be made of a sentence, or one of dialogue or a question also means
        something else: the loop could not tell them apart.
    """
    reader = Reader(book, every_size=True)
    rng = random.Random(seed)
    role = {name: role for role, name, _ in book.families()}
    section = {
        "event": "events",
        "fragment": "fragments",
        "dialogue": "dialogue",
        "question": "questions",
        "answer": "answers",
        "bailout": "bailout",
    }
    found: dict[tuple[str, ...], Ambiguity] = {}
    for kind, name, _ in book.families():
        key = f"{section[kind]}.{name}.say"
        for _ in range(SAMPLES):
            words = book.sample(rng, name).words
            # a fragment is said after the correction word, and is nothing by itself
            readings = [
                reading
                for reading in reader.read(f"correction {words}" if kind == "fragment" else words)
                # an answer is taken only while it is asked for, a word to a card while one is open
                if reading.role not in ("answer", "bailout") or reading.family == name
            ]
            families = tuple(sorted({reading.family for reading in readings}))
            if name not in families and kind != "fragment":
                raise fault(book.source, key, f"no entry can be made of '{words}'; check its fields")
            settled = {role[family] for family in families} & {"dialogue", "question", "bailout"}
            if settled and len(families) > 1:
                raise fault(
                    book.source,
                    key,
                    f"'{words}' means {' and '.join(families)}; change the words of one of them",
                )
            if len(readings) > 1:
                found.setdefault(families, Ambiguity(words, families))
    return list(found.values())


def near_sounding(graph: WordGraph, pronunciations: Mapping[str, Iterable[str]]) -> list[tuple[str, str]]:
    """Return pairs of words that can stand in the same place and differ by one phone at most."""
    phones = {word: [tuple(p.split()) for p in said] for word, said in pronunciations.items()}
    together: set[tuple[str, str]] = set()
    for words in {frozenset(arcs) for arcs in graph.arcs}:
        ordered = sorted(words)
        together.update((a, b) for i, a in enumerate(ordered) for b in ordered[i + 1 :])
    return sorted(
        (a, b)
        for a, b in together
        if any(
            min(len(p), len(q)) >= LEAST_PHONES and _one_apart(p, q)
            for p in phones.get(a, ())
            for q in phones.get(b, ())
        )
    )


_ALIKE = {
    **dict.fromkeys(range(0x1100, 0x1113)),
    **{
        ord(each): ord(group[0])
        for group in ("ᄀᄁᄏ", "ᄃᄄᄐ", "ᄇᄈᄑ", "ᄌᄍᄎ", "ᄉᄊ")
        for each in group
    },
    **{ord(each): ord(each) for each in "ᄂᄅᄆᄒ"},
}
"""First sounds of a syllable that differ in force of breath alone, as one; the silent one (ᄋ) goes.

Plain, tense and aspirated stops are what recognisers mistake most in Korean (common knowledge, no source)."""


def korean_phones(words: Iterable[str]) -> dict[str, list[str]]:
    """Return the sounds of words in Hangul, which is written by sound: one for each letter, in their order.

    What changes from one syllable to the next in speech is left out.
    """
    return {
        word: [" ".join(unicodedata.normalize("NFD", word).translate(_ALIKE))]
        for word in words
        if re.fullmatch("[가-힣]+", word)
    }


def _one_apart(a: tuple[str, ...], b: tuple[str, ...]) -> bool:
    """Return whether two strings of phones are equal but for one phone."""
    if abs(len(a) - len(b)) > 1:
        return False
    start = 0
    while start < min(len(a), len(b)) and a[start] == b[start]:
        start += 1
    return a[start + 1 :] == b[start + 1 :] or a[start + 1 :] == b[start:] or a[start:] == b[start + 1 :]


def not_said_digit_by_digit(book: Phrasebook, pairs: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return those pairs that are numbers and are not both said back digit by digit."""
    numbers = book.file.numbers
    value = {numbers.cardinal(n): n for n in range(100)}
    return [
        (a, b)
        for a, b in pairs
        if a in value
        and b in value
        and min(value[a], value[b]) >= 10
        and not {value[a], value[b]} <= set(numbers.confusable)
    ]
