"""How words are pronounced: the dictionary that comes with PocketSphinx, and pronunciations of one's own."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from pocketsphinx import get_model_path

from checkback.errors import UserError

_DICTIONARY = Path(get_model_path("en-us")) / "cmudict-en-us.dict"
_VARIANT = re.compile(r"\(\d+\)$")


def bundled_pronunciations() -> Iterator[tuple[str, str]]:
    """Yield (word, phones) of the bundled dictionary, variants under the word itself."""
    with _DICTIONARY.open(encoding="utf-8") as lines:
        for line in lines:
            word, phones = line.split(maxsplit=1)
            yield _VARIANT.sub("", word), phones.strip()


def every_pronunciation(own: Mapping[str, Iterable[str]]) -> dict[str, tuple[str, ...]]:
    """Return the pronunciations of every word that is known, the own ones first."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for word, ways in own.items():
        found[word].update(dict.fromkeys(ways))
    for word, phones in bundled_pronunciations():
        found[word].setdefault(phones)
    return {word: tuple(ways) for word, ways in found.items()}


def pronunciations_of(words: Iterable[str], own: Mapping[str, Iterable[str]]) -> dict[str, tuple[str, ...]]:
    """Collect every pronunciation of `words`, the bundled ones first.

    Parameters
    ----------
    words : iterable of str
        Words of a grammar, lower case.
    own : mapping of str to iterable of str
        Further pronunciations, each a string of ARPAbet phones without stress ("EY T").

    Raises
    ------
    UserError
        If words have no pronunciation, or an own one uses a phone that the model lacks.
    """
    wanted = frozenset(words)
    found: dict[str, list[str]] = defaultdict(list)
    phones_known: set[str] = set()
    for word, phones in bundled_pronunciations():
        phones_known.update(phones.split())
        if word in wanted:
            found[word].append(phones)
    for word in sorted(wanted & own.keys()):
        for given in own[word]:
            phones = " ".join(given.split())
            strange = sorted(set(phones.split()) - phones_known)
            if strange or not phones:
                raise UserError(
                    f"The pronunciation {given!r} of {word!r} is not usable"
                    + (f" ({', '.join(strange)} is no phone of the model)" if strange else "")
                    + ": write ARPAbet phones without stress digits, such as 'EY T'."
                )
            if phones not in found[word]:
                found[word].append(phones)
    missing = sorted(wanted - found.keys())
    if missing:
        raise UserError(
            f"No pronunciation is known for {', '.join(repr(word) for word in missing)}: "
            "add it to the pronunciations of the phrasebook, or take the word out."
        )
    return {word: tuple(found[word]) for word in sorted(wanted)}


def dictionary_text(pronunciations: Mapping[str, Iterable[str]]) -> str:
    """Write pronunciations in the dictionary format of PocketSphinx."""
    return "".join(
        f"{word if n == 1 else f'{word}({n})'} {phones}\n"
        for word, variants in pronunciations.items()
        for n, phones in enumerate(variants, 1)
    )
