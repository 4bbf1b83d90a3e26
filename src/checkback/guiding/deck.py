"""Everything that this room reads from files, read and checked together."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from checkback.errors import UserError
from checkback.guiding import cards, equipment, regimes
from checkback.guiding.cards import Named
from checkback.guiding.equipment import Equipment
from checkback.guiding.regimes import Regime, Regimes
from checkback.language.catalogue import Formulary, read_toml


@dataclass(frozen=True)
class Deck:
    """The cards of a laboratory, its equipment and its regimes of resuscitation.

    Attributes
    ----------
    cards : dict of str to Named
    equipment : Equipment
    regimes : Regimes
    """

    cards: dict[str, Named]
    equipment: Equipment
    regimes: Regimes

    def asked_for(self, words: str) -> Named:
        """Return the card of a name, a title, or a way to ask for it.

        Raises
        ------
        UserError
            If there is none; names those that there are.
        """
        name = cards.asked_for(self.cards, words)
        if name is None:
            known = ", ".join(self.cards)
            raise UserError(f"there is no card '{words}': name one of {known}")
        return self.cards[name]

    def regime(self, name: str) -> Regime:
        """Return a regime by its name.

        Raises
        ------
        UserError
            If there is none; names those that there are.
        """
        if name not in self.regimes.regimes:
            known = ", ".join(self.regimes.regimes)
            raise UserError(
                f"guiding.regime is '{name}', which resuscitation.toml has not: set one of {known}"
            )
        return self.regimes.regimes[name]


def drugs(folder: Path) -> frozenset[str]:
    """Return the names of the drugs that can be on record."""
    return frozenset(drug.name for drug in read_toml(folder / "formulary.toml", Formulary).drug)


def load(folder: Path) -> Deck:
    """Read cards, equipment and regimes from the grammars folder.

    Raises
    ------
    UserError
        If a file is missing or a key is wrong; names file, line and key.
    """
    here = equipment.load(folder)
    return Deck(
        cards=cards.load(folder, equipment=here, drugs=drugs(folder)),
        equipment=here,
        regimes=regimes.load(folder),
    )


def faults(folder: Path) -> list[str]:
    """Return every mistake of every file, each as one sentence; empty if all are sound."""
    found: list[str] = []
    try:
        here, known = equipment.load(folder), drugs(folder)
    except UserError as error:
        return [str(error)]
    for path in sorted((folder / cards.FOLDER).glob("*.toml")):
        found += cards.all_faults(path, equipment=here, drugs=known)
    if not found:
        try:
            load(folder)
        except UserError as error:
            found.append(str(error))
    return found
