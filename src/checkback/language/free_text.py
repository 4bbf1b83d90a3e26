"""Between the way in which free recognisers write and the words of the phrasebook.

A free recogniser writes "Balloon 2.5 x 12, 14 atmospheres."; the phrasebook has "balloon two five
by twelve fourteen atmospheres".
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal

from checkback.language.numbers import NumberWords, Style
from checkback.language.reading import Reading, normalise

_EVERY_STYLE: tuple[Style, ...] = ("cardinal", "digits", "pairs", "hundreds", "run", "point", "fraction")

_CAPITALS = re.compile(r"\b(?:[A-Z]\.){2,}|\b[A-Z]{2,4}\b")
_NUMERAL = re.compile(r"\d+(?:\.\d+)?")

MOST_DIGITS = 6
"""A longer numeral is spelt digit by digit."""


def spoken_words(text: str, numbers: NumberWords, abbreviations: Mapping[str, str]) -> tuple[str, ...]:
    """Return the words that were probably said, for what a free recogniser wrote.

    Parameters
    ----------
    text : str
        "ACT 255." or "Nitroglycerin, 200 mcg".
    numbers : NumberWords
    abbreviations : mapping
        Words for what is written short; see `normalise`.

    Returns
    -------
    tuple of str
        Lower case, numerals in words, capitals spelt out: "a c t two hundred fifty five".
    """
    spelt = _CAPITALS.sub(lambda m: " ".join(m.group().replace(".", "")), text)
    # a hyphen, a quote or a colon joins what the phrasebook has as words of their own
    plain = re.sub(r"(?<=\d)%", " %", re.sub(r"[-\u2010-\u2015:\"()]", " ", spelt))
    words: list[str] = []
    for word in normalise(plain, abbreviations):
        if _NUMERAL.fullmatch(word):
            words += _said(word, numbers)
        else:
            words += re.findall(r"[^\W\d_]+(?:'[^\W\d_]+)?", word.replace("\u2019", "'"))
    return tuple(words)


def _said(numeral: str, numbers: NumberWords) -> list[str]:
    whole, _, fraction = numeral.partition(".")
    by_digit = [numbers.digits[int(d)] for d in whole]
    leading_zero = len(whole) > 1 and whole.startswith("0")
    head = by_digit if leading_zero or len(whole) > MOST_DIGITS else numbers.cardinal(int(whole)).split()
    return [*head, numbers.point, *(numbers.digits[int(d)] for d in fraction)] if fraction else head


def _amounts(reading: Reading) -> list[Decimal]:
    """Return every number that a reading holds."""
    found = [value for value in reading.fields.values() if isinstance(value, Decimal)]
    # a time of day is left in words: there is no telling how it is written
    others = [reading.target]
    if reading.ago_s is not None:
        others += [int(reading.ago_s), int(reading.ago_s // 60)]
    return [*found, *(Decimal(n) for n in others if n is not None)]


def as_written(sentence: str, readings: Iterable[Reading], numbers: NumberWords) -> str:
    """Return a sentence of the phrasebook as a free recogniser would write it.

    Parameters
    ----------
    sentence : str
        Words of the phrasebook.
    readings : iterable of Reading
        Its readings, whose amounts say which words are one number; the first one counts.
    numbers : NumberWords

    Returns
    -------
    str
        With numerals, letters joined and an end: "ACT 255."
    """
    words = sentence.split()
    reading = next(iter(readings), None)
    amounts = [] if reading is None else _amounts(reading)
    places: list[tuple[int, int, str]] = []
    for amount in amounts:
        try:
            forms = sorted(numbers.forms(amount, _EVERY_STYLE), key=len, reverse=True)
        except ValueError:
            continue
        numeral = format(amount.normalize(), "f")
        found = next(
            (
                (start, start + len(form), numeral)
                for form in forms
                for start in range(len(words) - len(form) + 1)
                if tuple(words[start : start + len(form)]) == form
                and not any(start < e and s < start + len(form) for s, e, _ in places)
            ),
            None,
        )
        if found is not None:
            places.append(found)
    for start, end, numeral in sorted(places, reverse=True):
        words[start:end] = [numeral]
    text = " ".join(words)
    text = re.sub(r"\b(?:[a-z] )+[a-z]\b", lambda m: m.group().replace(" ", "").upper(), text)
    text = re.sub(r"(\d) (?=\d)", r"\1, ", text)
    return text[:1].upper() + text[1:] + "."
