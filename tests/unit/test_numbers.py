"""Numbers: every way to say one is understood, and one way to say it back."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.language.expression import Table, walk
from checkback.language.numbers import STYLES, NumberWords
from checkback.language.phrasebook import NumberSlot
from checkback.language.reading import match

NUMBERS = english.book().file.numbers


def said(value: str, kind: str) -> set[str]:
    return {" ".join(form) for form in NUMBERS.forms(Decimal(value), STYLES[kind])}


@pytest.mark.parametrize(
    ("value", "kind", "forms"),
    [
        ("7", "integer", {"seven"}),
        ("15", "integer", {"fifteen", "one five"}),
        ("20", "integer", {"twenty", "two oh", "two zero"}),
        (
            "105",
            "integer",
            {
                "one hundred five",
                "one hundred and five",
                "one oh five",
                "one zero five",
            },
        ),
        (
            "280",
            "integer",
            {
                "two hundred eighty",
                "two hundred and eighty",
                "two eight oh",
                "two eight zero",
                "two eighty",
            },
        ),
        ("1200", "integer", {"one thousand two hundred", "twelve hundred"}),
        ("5000", "integer", {"five thousand"}),
        ("12500", "integer", {"twelve thousand five hundred"}),
        ("0.5", "decimal", {"zero point five", "point five", "half"}),
        ("12.5", "decimal", {"twelve point five", "twelve and a half"}),
        (
            "2.25",
            "size",
            {
                "two point two five",
                "two and a quarter",
                "two two five",
                "two twenty five",
            },
        ),
        ("2.5", "size", {"two point five", "two and a half", "two five", "two fifty"}),
        (
            "3",
            "size",
            {"three", "three oh", "three zero", "three point oh", "three point zero"},
        ),
        ("0.85", "size", {"zero point eight five", "point eight five"}),
        ("4.05", "size", {"four point oh five", "four point zero five", "four oh five", "four zero five"}),
    ],
)
def test_ways_to_say(value: str, kind: str, forms: set[str]) -> None:
    assert said(value, kind) == forms


def test_a_decimal_dose_is_never_said_like_a_whole_one() -> None:
    # "two five" is a size, but as a dose it could be 25
    assert "two five" in said("2.5", "size")
    assert "two five" not in said("2.5", "decimal")
    assert "two five" in said("25", "integer")


WHOLE = st.integers(0, 999_999).map(Decimal)
BROKEN = st.decimals(min_value=0, max_value=999, places=3)
KINDS = {"integer": WHOLE, "decimal": WHOLE | BROKEN, "size": WHOLE | BROKEN}


@given(st.sampled_from(sorted(KINDS)).flatmap(lambda kind: st.tuples(st.just(kind), KINDS[kind])))
def test_every_form_is_distinct_and_the_plain_one_is_said_back(kind_and_value: tuple[str, Decimal]) -> None:
    kind, value = kind_and_value
    forms = NUMBERS.forms(value, STYLES[kind])
    assert len(set(forms)) == len(forms) > 0
    assert all(word.isalpha() for form in forms for word in form)
    if value == value.to_integral_value():
        plain = NUMBERS.cardinal(int(value))
        assert " ".join(forms[0]) == plain
        assert NUMBERS.say_back(value).endswith(plain)
    else:
        assert tuple(NUMBERS.say_back(value).split()) in forms


@given(
    st.sampled_from(sorted(KINDS)).flatmap(
        lambda kind: st.tuples(st.just(kind), st.lists(KINDS[kind], min_size=1, max_size=8, unique=True))
    )
)
def test_every_form_leads_back_to_its_number(kind_and_values: tuple[str, list[Decimal]]) -> None:
    kind, values = kind_and_values
    table = Table("number", tuple(((("value", v),), NUMBERS.forms(v, STYLES[kind])) for v in values))
    for value in values:
        for form in NUMBERS.forms(value, STYLES[kind]):
            assert (("value", value),) in match(table, form)


def test_no_two_numbers_of_one_slot_sound_the_same() -> None:
    """Within one range and its styles, a form must mean one number."""
    for node in walk(english.book().spoken):
        if isinstance(node, Table):
            for form, meanings in node.by_form.items():
                assert len(meanings) == 1, (node.name, form, meanings)


def test_every_number_slot_is_understood_in_all_its_forms() -> None:
    for name, slot in english.book().file.slots.items():
        if not isinstance(slot, NumberSlot):
            continue
        styles = slot.styles or STYLES[slot.kind]
        table = Table(
            name,
            tuple(((("value", v),), NUMBERS.forms(v, styles)) for v in slot.numbers()),
        )
        for value in slot.numbers():
            for form in NUMBERS.forms(value, styles):
                assert match(table, form) == ((("value", value),),), (name, value, form)


@given(st.integers(0, 999_999), st.integers(0, 999_999))
def test_cardinals_are_unmistakable(one: int, other: int) -> None:
    assert (NUMBERS.cardinal(one) == NUMBERS.cardinal(other)) == (one == other)


@pytest.mark.parametrize("value", ["13", "15", "30", "50", "90"])
def test_numbers_that_sound_alike_are_said_digit_by_digit_first(value: str) -> None:
    digits, _, plain = NUMBERS.say_back(Decimal(value)).partition(", ")
    assert digits.split() == [NUMBERS.digits[int(d)] for d in value]
    assert plain == NUMBERS.cardinal(int(value))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("12", "twelve"),
        ("2.25", "two point two five"),
        ("3.0", "three"),
        ("3.50", "three point five"),
        ("5000", "five thousand"),
        ("0.05", "zero point zero five"),
        ("140", "one hundred forty"),
        ("999999", "nine hundred ninety nine thousand nine hundred ninety nine"),
        ("1000000", "one zero zero zero zero zero zero"),
        ("1234567.5", "one two three four five six seven point five"),
    ],
)
def test_said_back(value: str, words: str) -> None:
    assert NUMBERS.say_back(Decimal(value)) == words


def test_a_number_beyond_the_words_is_refused() -> None:
    with pytest.raises(ValueError, match="no spoken form for 1000000"):
        NUMBERS.cardinal(1_000_000)
    with pytest.raises(ValueError, match=r"no spoken form for 2\.5 in the styles digits"):
        NUMBERS.forms(Decimal("2.5"), ("digits",))


def test_another_language_is_another_table() -> None:
    german = NumberWords(
        digits=tuple("null eins zwei drei vier fünf sechs sieben acht neun".split()),
        zeros=("null",),
        teens=tuple("zehn elf zwölf dreizehn vierzehn fünfzehn sechzehn siebzehn achtzehn neunzehn".split()),
        tens=tuple("zwanzig dreißig vierzig fünfzig sechzig siebzig achtzig neunzig".split()),
        tens_units="{units} und {tens}",
        point="komma",
        hundreds="{digit} hundert",
        hundreds_rest="{hundreds} {rest}",
    )
    assert german.cardinal(328) == "drei hundert acht und zwanzig"
    assert german.say_back(Decimal("2.25")) == "zwei komma zwei fünf"
    with pytest.raises(ValueError, match=r"tens_units needs exactly \{tens\} and \{units\}"):
        NumberWords(**{**german.model_dump(), "tens_units": "{tens}"})
