"""What was computed from the entries, as plain data.

Reports read the record and never the room that watches it; whoever joins the rooms fills this in.
A figure that could not be computed is absent, and its reason stands in its place.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Figured:
    """One figure, ready to be printed.

    Attributes
    ----------
    section : str
        Where it belongs: "patient", "contrast", "clotting", "radiation", "times" and so on.
    name : str
        What it is, such as "door to device".
    text : str
        Value with unit; empty if it could not be computed.
    source : str
        Formula or rule that it comes from.
    missing : str
        Why it could not be computed; empty if it was.
    cites : tuple of int
        Entries that it was computed from, where these are known.
    value : float or None
        The number itself, in `unit`.
    unit : str
        In UCUM notation.
    low, high : float or None
        Ends of a window, such as the target of the clotting time, in `unit`.
    """

    section: str
    name: str
    text: str
    source: str = ""
    missing: str = ""
    cites: tuple[int, ...] = ()
    value: float | None = None
    unit: str = ""
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Computed:
    """All figures that a report may tell beside the entries.

    Attributes
    ----------
    figures : tuple of Figured
        In the order in which they are to be read.
    note : str
        What must stand beside them, such as that limits are to be checked against local protocol.
    """

    figures: tuple[Figured, ...] = ()
    note: str = ""

    def of(self, section: str) -> tuple[Figured, ...]:
        """Return the figures of a section that could be computed."""
        return tuple(each for each in self.figures if each.section == section and each.text)

    def find(self, section: str, name: str) -> Figured | None:
        """Return one figure that could be computed, or None."""
        return next((each for each in self.of(section) if each.name == name), None)


NOTHING = Computed()
"""For a report without figures of its own."""
