"""Widths of letters, so that text in a drawing fits its box on any computer.

From the metrics of Helvetica and Helvetica-Bold (Adobe Core 14 AFM files), which the fonts that
stand in for it share.  A letter outside ASCII counts as wide as a digit.
"""

from __future__ import annotations

FIRST = 32
DIGIT = 556

REGULAR = (
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778,
    722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278,
    278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556,
    556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
)  # fmt: skip
"""Widths of Helvetica from the space on, thousandths of the size."""

BOLD = (
    278, 333, 474, 556, 556, 889, 722, 238, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 333, 333, 584, 584, 584, 611, 975, 722, 722, 722, 722, 667, 611, 778,
    722, 278, 556, 722, 611, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 333,
    278, 333, 584, 556, 333, 556, 611, 556, 611, 556, 333, 611, 611, 278, 278, 556, 278, 889, 611, 611,
    611, 611, 389, 556, 333, 611, 556, 778, 556, 556, 500, 389, 280, 389, 584,
)  # fmt: skip
"""Widths of Helvetica-Bold from the space on, thousandths of the size."""


def width(text: str, size: float, *, bold: bool = False) -> float:
    """Return how wide a text is, in the unit of `size`."""
    widths = BOLD if bold else REGULAR
    units = sum(widths[ord(c) - FIRST] if 0 <= ord(c) - FIRST < len(widths) else DIGIT for c in text)
    return units * size / 1000


def wrapped(text: str, size: float, room: float, *, bold: bool = False) -> list[str]:
    """Break a text into lines of at most `room`; a word that is longer has a line of its own."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width(longer, size, bold=bold) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
