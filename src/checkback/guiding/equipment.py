"""What a laboratory has, so that a card can say which of its lines are of no use there."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field, StrictBool

from checkback.guiding.data import Data
from checkback.language.catalogue import read_toml

FILE_NAME = "equipment.toml"


class Equipment(Data):
    """Whether each item is available; a laboratory edits this list.

    Attributes
    ----------
    note : str
    available : dict of str to bool
        Item to whether it can be had here.
    """

    note: str = Field(min_length=1)
    available: dict[str, StrictBool] = Field(min_length=1)

    def lacking(self, needs: tuple[str, ...]) -> tuple[str, ...]:
        """Return what of `needs` is not available here."""
        return tuple(item for item in needs if not self.available.get(item, False))


def load(folder: Path) -> Equipment:
    """Read the equipment of the laboratory.

    Raises
    ------
    UserError
        If the file is missing or a key is wrong.
    """
    return read_toml(folder / FILE_NAME, Equipment)
