"""Drug names against a list of drugs from public sources that others keep."""

from __future__ import annotations

from typing import Any

import pytest

import english

pytestmark = pytest.mark.outside

NOT_LISTED = {"adenosine", "acetylcholine", "glucose", "oxygen"}
"""Generic names that the list leaves out, because they are ordinary words of chemistry too."""

EVERYDAY = {
    "nitro",
    "g t n",
    "adrenaline",
    "magnesium",
    "bicarb",
    "potassium",
    "dextrose",
    "saline",
    "ringer's",
}
"""What people say for short; no list of drugs has them."""

NAMES = sorted({name for drug in english.book().formulary.drug for name in (drug.name, *drug.say)})


def whole_matches(name: str) -> list[dict[str, Any]]:
    """Return the drugs that the whole name stands for."""
    # it reads its list when it is imported, which takes seconds
    from drug_named_entity_recognition import find_drugs

    words = name.split()
    return [drug for drug, first, end in find_drugs(words, is_ignore_case=True) if end - first == len(words)]


def test_every_drug_name_is_spelt_as_the_list_spells_it() -> None:
    unknown = {name for name in NAMES if not whole_matches(name)}
    assert unknown == NOT_LISTED | EVERYDAY


def test_no_name_is_a_trade_name() -> None:
    assert [name for name in NAMES if any(drug.get("is_brand") for drug in whole_matches(name))] == []


def test_the_list_notices_a_misspelt_name() -> None:
    def exchanged(name: str) -> str:
        return f"{name[:2]}{name[3]}{name[2]}{name[4:]}"

    misspelt = [exchanged(name) for name in NAMES if name not in EVERYDAY and name[2] != name[3]]
    assert len(misspelt) > 50
    assert [name for name in misspelt if whole_matches(name)] == []
