"""What all parts of a timeline are drawn with: scale, looks, and words beside a mark."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from checkback.reporting.timeline_items import Group, Timeline
from checkback.reporting.timeline_sheet import FAINT, PAPER, Sheet, shortened, text_width


class Look(NamedTuple):
    """How a group of devices is drawn: colours of the palette of Okabe and Ito, some darker."""

    fill: str
    edge: str
    hatch: str | None
    words: str


LOOKS: dict[Group, Look] = {
    "catheter": Look("#d5d5d5", "#5a5a5a", None, "guide or catheter"),
    "wire": Look("#5a5a5a", "#5a5a5a", None, "wire"),
    "balloon": Look("#ffffff", "#0072b2", None, "balloon"),
    "plaque": Look("#f6d48a", "#7a4b00", "////", "burr, crown or laser"),
    "other": Look("#f1dbe8", "#7d3c61", "....", "other device"),
    "implant": Look("#004d3b", "#004d3b", None, "implant, from when it stays"),
}
UP = "#0072b2"
ALERT = "#b83c00"
BAND = "#cfe6f5"
BAND_EDGE = "#4f7f9f"

TEXT = 6.5
SMALL = 6.0
LEFT_LEAST, LEFT_MOST = 88.0, 124.0
RIGHT = 14.0
GAP = 4.0


@dataclass(frozen=True)
class Scale:
    """Minutes to points."""

    left: float
    right: float
    end_min: float

    def __call__(self, at_min: float) -> float:
        """Return where a time stands."""
        return self.left + (self.right - self.left) * at_min / self.end_min


@dataclass
class Plot:
    """What every part of the drawing uses.

    Attributes
    ----------
    sheet : Sheet
    line : Timeline
    x : Scale
    row, panel : float
        Heights of a row of text and of a curve, in points.
    overview : bool
        Whether many devices are drawn by kind and not one by one.
    """

    sheet: Sheet
    line: Timeline
    x: Scale
    row: float = 10.4
    panel: float = 50.0
    overview: bool = False

    def section(self, name: str, measure: str = "") -> None:
        """Begin a part: a rule across the sheet; what it is stands in the margin."""
        sheet = self.sheet
        sheet.y += 3
        sheet.line([0, sheet.width], [sheet.y, sheet.y], color="#b0b0b0", width=0.5, zorder=0.5)
        sheet.y += 2
        if not name:
            return
        box = sheet.text(0, sheet.y + self.row / 2, name, TEXT, weight="bold")
        if measure:
            sheet.text(box.right + 4, sheet.y + self.row / 2, measure, SMALL, color=FAINT)


class Item(NamedTuple):
    """A mark with its words beside it: `x` of the mark, `at` of the words, and how far both reach."""

    x: float
    at: float
    align: str
    text: str
    left: float
    right: float


def placed(
    plot: Plot, at_min: float, text: str, size: float, *, pad: float = 4.5, to: float | None = None
) -> Item:
    """Place words to the right of a mark, or to its left where they would leave the sheet.

    `to` is the end of a stretch that begins at the mark; words stand over it.
    """
    x = plot.x(at_min)
    end = x if to is None else to
    width = text_width(text, size)
    if x + pad + width <= plot.sheet.width - 1:
        return Item(x, x + pad, "left", text, x - 3, max(end, x + pad + width))
    text = shortened(text, size, x - plot.x.left - pad - 1)
    width = text_width(text, size)
    return Item(x, x - pad, "right", text, x - pad - width, max(end, x + 3))


def warning(sheet: Sheet, x: float, y: float) -> None:
    """Draw the sign of something that went wrong."""
    sheet.marker(x, y, "^", size=6.2, fill=ALERT, edge=ALERT)
    sheet.line([x, x], [y - 1.3, y + 0.7], color=PAPER, width=0.9, zorder=4.5)
    sheet.line([x, x], [y + 1.2, y + 1.9], color=PAPER, width=0.9, zorder=4.5)
