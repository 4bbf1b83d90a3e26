"""Spoken numbers: every way in which people say one, and the way in which we say it back.

The words and the way they are put together are data of a phrasebook (`NumberWords`), so that
another language is another table.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from decimal import Decimal
from itertools import product
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from checkback.language.expression import Form

_Add = Callable[[str], None]

Style = Literal["cardinal", "digits", "pairs", "hundreds", "point", "run", "fraction"]

STYLES: dict[str, tuple[Style, ...]] = {
    # "fifteen", "one five", "two eighty", "two hundred eighty", "five thousand", "twelve hundred"
    "integer": ("cardinal", "digits", "pairs", "hundreds"),
    # "two point five", "two and a half": no bare "two five", which could be twenty-five
    "decimal": ("cardinal", "point", "fraction"),
    # "two five", "two two five", "three oh", "two seventy five"
    "size": ("cardinal", "point", "fraction", "run"),
}


class NumberWords(BaseModel):
    """The number words of one language.

    Attributes
    ----------
    digits : list of str
        Zero to nine.
    zeros : list of str
        Everything that a nought is called among single digits.
    teens : list of str
        Ten to nineteen.
    tens : list of str
        Twenty to ninety.
    irregular : dict
        Whole numbers below a hundred that are not composed.
    tens_units, hundreds, thousands, hundreds_rest, thousands_rest : str
        How the parts go together; ``[and]`` may be left out.
    one_hundred, one_thousand, one_myriad : str
        Names of 100, 1000 and 10,000, where no "one" stands before them.
    myriads, myriads_rest : str
        For languages that count in ten thousands; empty: they count in thousands.
    point : str
        The word between whole and decimal digits.
    fractions : dict
        Spoken fraction after a whole number, by its decimal digits ("5": "and a half").
    bare_fractions : dict
        Spoken fraction that stands alone ("5": "half").
    styles : dict
        Ways to say a number by the kind of its slot, where they differ from `STYLES`.
    confusable : list of int
        Said back digit by digit first.
    back_digits : list of str
        Digits for that, where clearer ones than the usual ones are in use.
    twice : str
        How the digits and the number itself are put together then.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    digits: tuple[str, ...] = Field(min_length=10, max_length=10)
    zeros: tuple[str, ...] = Field(min_length=1)
    teens: tuple[str, ...] = Field(min_length=10, max_length=10)
    tens: tuple[str, ...] = Field(min_length=8, max_length=8)
    irregular: dict[int, str] = {}
    tens_units: str = "{tens} {units}"
    hundreds: str = "{digit} hundred"
    hundreds_rest: str = "{hundreds} [and] {rest}"
    thousands: str = "{count} thousand"
    thousands_rest: str = "{thousands} [and] {rest}"
    point: str = "point"
    fractions: dict[str, str] = {}
    bare_fractions: dict[str, str] = {}
    one_hundred: str = ""
    one_thousand: str = ""
    one_myriad: str = ""
    myriads: str = ""
    myriads_rest: str = "{myriads} {rest}"
    styles: dict[Literal["integer", "decimal", "size"], tuple[Style, ...]] = {}
    confusable: tuple[int, ...] = ()
    back_digits: tuple[str, ...] = Field(default=(), max_length=10)
    twice: str = "{digits}, {plain}"

    @model_validator(mode="after")
    def _templates_have_their_parts(self) -> NumberWords:
        for name, parts in {
            "tens_units": ("tens", "units"),
            "hundreds": ("digit",),
            "hundreds_rest": ("hundreds", "rest"),
            "thousands": ("count",),
            "thousands_rest": ("thousands", "rest"),
            "myriads": ("count",),
            "myriads_rest": ("myriads", "rest"),
            "twice": ("digits", "plain"),
        }.items():
            if name == "myriads" and not self.myriads:
                continue
            found = re.findall(r"\{(\w*)\}", getattr(self, name))
            if sorted(found) != sorted(parts):
                raise ValueError(f"{name} needs exactly {' and '.join('{' + p + '}' for p in parts)}")
        if len(self.back_digits) not in (0, 10):
            raise ValueError("back_digits needs ten words, zero to nine")
        return self

    def styles_of(self, kind: str) -> tuple[Style, ...]:
        """Return the ways to say numbers of a kind of slot."""
        own = {str(of): ways for of, ways in self.styles.items()}
        return own.get(kind, STYLES[kind])

    def cardinal(self, n: int) -> str:
        """Return the plainest name of `n`, with optional words left out (0 to 999,999)."""
        return re.sub(r"\s*\[[^\]]*\]", "", self._cardinal(n))

    def _cardinal(self, n: int) -> str:
        if not 0 <= n <= 999_999:
            raise ValueError(f"no spoken form for {n}: from 0 to 999999")
        if n in self.irregular:
            return self.irregular[n]
        if n < 10:
            return self.digits[n]
        if n < 20:
            return self.teens[n - 10]
        if n < 100:
            tens, units = divmod(n, 10)
            word = self.tens[tens - 2]
            return word if not units else self.tens_units.format(tens=word, units=self.digits[units])
        if n < 1000:
            count, rest = divmod(n, 100)
            hundreds = self._hundred(count)
            if not rest:
                return hundreds
            return self.hundreds_rest.format(hundreds=hundreds, rest=self._cardinal(rest))
        if self.myriads and n >= 10_000:
            count, rest = divmod(n, 10_000)
            one = self.one_myriad if count == 1 else ""
            myriads = one or self.myriads.format(count=self._cardinal(count))
            return self.myriads_rest.format(myriads=myriads, rest=self._cardinal(rest)) if rest else myriads
        count, rest = divmod(n, 1000)
        one = self.one_thousand if count == 1 else ""
        thousands = one or self.thousands.format(count=self._cardinal(count))
        if not rest:
            return thousands
        return self.thousands_rest.format(thousands=thousands, rest=self._cardinal(rest))

    def _hundred(self, count: int) -> str:
        one = self.one_hundred if count == 1 else ""
        return one or self.hundreds.format(digit=self._cardinal(count))

    def forms(self, value: Decimal, styles: Iterable[Style]) -> tuple[Form, ...]:
        """Return every way to say `value` in the given styles, the plainest first.

        Parameters
        ----------
        value : Decimal
            Not negative, below a million, at most three decimals.
        styles : iterable of Style

        Returns
        -------
        tuple of Form
            Distinct, at least one.

        Raises
        ------
        ValueError
            If no style can say the value.
        """
        found: dict[Form, None] = {}

        def add(text: str) -> None:
            for expanded in _expand_optional(text):
                found.setdefault(tuple(expanded.split()))

        wanted = tuple(styles)
        whole = int(value)
        fraction = format(value.normalize(), "f").partition(".")[2]
        if not fraction:
            self._whole(whole, wanted, add)
        else:
            self._decimal(whole, fraction, wanted, add)
        if not found:
            raise ValueError(f"no spoken form for {value} in the styles {', '.join(wanted)}")
        return tuple(found)

    def _whole(self, n: int, styles: tuple[Style, ...], add: _Add) -> None:
        if "cardinal" in styles:
            add(self._cardinal(n))
        if "digits" in styles and 10 <= n < 1000:
            self._digit_by_digit(str(n), add)
        if "pairs" in styles and 100 <= n < 10_000:
            head, rest = divmod(n, 100)
            # "twelve fifty" only from 1100 on: "ten fifty" and "twenty fifty" are times of day
            if rest and (head < 10 or (head % 10 and n < 10_000)):
                for tail in self._two_digits(rest):
                    add(f"{self._cardinal(head)} {tail}")
        if "hundreds" in styles and 1000 < n < 10_000 and n % 100 == 0 and n % 1000:
            # built on the words for one hundred, so that it follows the language's own template
            add(self.hundreds.format(digit=self._cardinal(n // 100)))
        if "run" in styles and n < 10:
            for zero in self.zeros:
                add(f"{self.digits[n]} {zero}")
        if "point" in styles and n < 10:
            for zero in self.zeros:
                add(f"{self.digits[n]} {self.point} {zero}")

    def _decimal(self, whole: int, fraction: str, styles: tuple[Style, ...], add: _Add) -> None:
        if "point" in styles:
            digits = list(self._spelt(fraction))
            for spelt in digits:
                add(f"{self._cardinal(whole)} {self.point} {spelt}")
                if whole == 0:
                    add(f"{self.point} {spelt}")
        if "fraction" in styles:
            if whole and fraction in self.fractions:
                add(f"{self._cardinal(whole)} {self.fractions[fraction]}")
            if not whole and fraction in self.bare_fractions:
                add(self.bare_fractions[fraction])
        if "run" in styles and 0 < whole < 10:
            for spelt in self._spelt(fraction):
                add(f"{self.digits[whole]} {spelt}")
            # "two seventy five", "three fifty"
            if len(fraction) <= 2 and int(fraction.ljust(2, "0")) >= 10:
                add(f"{self.digits[whole]} {self._cardinal(int(fraction.ljust(2, '0')))}")

    def _digit_by_digit(self, digits: str, add: _Add) -> None:
        for spelt in self._spelt(digits):
            add(spelt)

    def _spelt(self, digits: str) -> Iterable[str]:
        choices = [self.zeros if d == "0" else (self.digits[int(d)],) for d in digits]
        return (" ".join(words) for words in product(*choices))

    def _two_digits(self, n: int) -> Iterable[str]:
        if n >= 10:
            yield self._cardinal(n)
        else:
            yield from (f"{zero} {self.digits[n]}" for zero in self.zeros)

    def say_back(self, value: Decimal) -> str:
        """Return the one way in which the program says `value`, unmistakable by ear.

        A whole number that is easily taken for another one (`confusable`) is said digit by
        digit first: "one five, fifteen". Beyond 999,999 there are the digits alone.
        """
        whole, _, fraction = format(value.normalize(), "f").partition(".")
        digits = self.one_by_one(whole)
        plain = self.cardinal(int(whole)) if len(whole) <= 6 else digits
        if fraction:
            return f"{plain} {self.point} {' '.join(self.digits[int(digit)] for digit in fraction)}"
        return self.twice.format(digits=digits, plain=plain) if int(whole) in self.confusable else plain

    @property
    def confusable_words(self) -> frozenset[str]:
        """Words of the numbers that are easily taken for another one."""
        return frozenset(self.cardinal(number) for number in self.confusable)

    def one_by_one(self, digits: str) -> str:
        """Return the digits of a number or of a time of day, one after the other."""
        words = self.back_digits or self.digits
        return " ".join(words[int(digit)] for digit in digits)


def _expand_optional(text: str) -> Iterable[str]:
    """Return `text` with each ``[part]`` left out and kept."""
    if "[" not in text:
        return (text,)
    pieces = re.split(r"\[([^\]]*)\]", text)
    choices = [(piece,) if i % 2 == 0 else ("", piece) for i, piece in enumerate(pieces)]
    return (" ".join(words) for words in product(*choices))
