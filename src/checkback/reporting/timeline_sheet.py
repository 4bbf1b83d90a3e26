"""A sheet to draw on in points, with text that is measured before it is placed.

The sheet is as wide as a page of A4 between its margins; its height is what the drawing needs.
matplotlib comes with the extra "report" and is imported when a sheet is made.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

from checkback.errors import UserError

WIDTH_PT = 493.0
"""174 mm: a page of A4 between margins of 18 mm."""

PNG_DPI = 200

INK = "#1a1a1a"
FAINT = "#767676"
GRID = "#dcdcdc"
PAPER = "#ffffff"

_FONT = "DejaVu Sans"  # comes with matplotlib, so that a drawing is the same on every computer
_MEASURE_DPI = 720


class Box(NamedTuple):
    """A rectangle in points; y runs down."""

    left: float
    top: float
    right: float
    bottom: float

    def meets(self, other: Box, gap: float = 0.0) -> bool:
        """Return whether two rectangles overlap, or come nearer than `gap`."""
        return (
            self.left < other.right + gap
            and other.left < self.right + gap
            and self.top < other.bottom + gap
            and other.top < self.bottom + gap
        )


def require_matplotlib() -> None:
    """Import what draws.

    Raises
    ------
    UserError
        If it is not installed.
    """
    try:
        import matplotlib.figure  # noqa: F401
    except ImportError:
        raise UserError(
            'the timeline needs the package matplotlib, which is not installed: pip install "checkback[report]"'
        ) from None


@lru_cache(maxsize=1)
def _renderer() -> Any:
    from matplotlib.backends import backend_agg

    untyped: Any = backend_agg
    return untyped.RendererAgg(8, 8, _MEASURE_DPI)


@lru_cache(maxsize=1)
def _letters() -> frozenset[int]:
    """Return the letters that the font has."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    return frozenset(get_font(findfont(FontProperties(family=_FONT))).get_charmap())


@lru_cache(maxsize=4096)
def drawable(text: str) -> str:
    """Return text in letters that can be drawn; what was typed may hold anything."""
    known = _letters()
    return "".join(c if c.isprintable() and ord(c) in known else "\N{REPLACEMENT CHARACTER}" for c in text)


@lru_cache(maxsize=4096)
def text_width(text: str, size: float, weight: str = "normal") -> float:
    """Return the width of a line of text in points."""
    from matplotlib.font_manager import FontProperties

    properties = FontProperties(family=_FONT, size=size, weight=weight)
    width, _, _ = _renderer().get_text_width_height_descent(drawable(text), properties, False)
    return float(width) * 72 / _MEASURE_DPI


def shortened(text: str, size: float, width: float) -> str:
    """Return text cut so that it fits a width in points; an ellipsis says that it was cut."""
    if text_width(text, size) <= width:
        return text
    while text and text_width(f"{text}…", size) > width:
        text = text[:-1].rstrip(" ,;:")
    return f"{text}…"


def wrapped(text: str, size: float, width: float) -> list[str]:
    """Return text in lines that fit a width in points."""
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}".strip()
        if line and text_width(longer, size) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    return [shortened(each, size, width) for each in (*lines, line) if each]


def in_rows(extents: Iterable[Sequence[tuple[float, float]]], gap: float) -> list[int]:
    """Return for each item the first row from the top in which it meets nothing.

    Parameters
    ----------
    extents : iterable of sequence of (float, float)
        Of each item left and right; an item of two rows has two of them.
    gap : float
        Least distance between two items.
    """
    rows: list[list[tuple[float, float]]] = []

    def free(row: int, left: float, right: float) -> bool:
        return row >= len(rows) or all(right + gap <= begin or end + gap <= left for begin, end in rows[row])

    places = []
    for item in extents:
        row = 0
        while not all(free(row + i, *extent) for i, extent in enumerate(item)):
            row += 1
        while len(rows) < row + len(item):
            rows.append([])
        for i, extent in enumerate(item):
            rows[row + i].append(extent)
        places.append(row)
    return places


def spread(wanted: Sequence[float], distance: float, low: float, high: float) -> list[float]:
    """Return places near the wanted ones, in their order, no two nearer than `distance`.

    The order is that of the wanted places; ends are kept where there is room.
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    placed = [0.0] * len(wanted)
    before = low - distance
    for i in order:
        placed[i] = before = max(wanted[i], before + distance)
    after = high + distance
    for i in reversed(order):
        placed[i] = after = min(placed[i], after - distance)
    return placed


@dataclass
class Sheet:
    """Something to draw on, from the top down.

    Attributes
    ----------
    width : float
        In points.
    taken : list of Box
        Where text stands already.
    y : float
        How far down the sheet is used.
    numbered : bool
        Whether grave moments stand on it as numbers, which have to be explained beside it.
    """

    width: float = WIDTH_PT
    y: float = 0.0
    numbered: bool = False
    taken: list[Box] = field(default_factory=list)

    def __post_init__(self) -> None:
        require_matplotlib()
        from matplotlib.figure import Figure

        self.figure = Figure(figsize=(self.width / 72, 1), dpi=PNG_DPI, facecolor=PAPER)
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_axis_off()
        self.axes.set_xlim(0, self.width)

    # --- text -----------------------------------------------------------------------------------

    def box_of(self, x: float, y: float, text: str, size: float, align: str, weight: str = "normal") -> Box:
        """Return the rectangle that a line of text would take; `y` is its middle."""
        width = text_width(text, size, weight)
        left = {"left": x, "right": x - width, "center": x - width / 2}[align]
        # ascent and descent of the font together are about 1.16 of its size
        return Box(left, y - 0.6 * size, left + width, y + 0.6 * size)

    def free(self, box: Box, gap: float = 1.0) -> bool:
        """Return whether no text stands in a rectangle, and it lies on the sheet."""
        inside = box.left >= 0 and box.right <= self.width
        return inside and not any(box.meets(other, gap) for other in self.taken)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 6.5,
        *,
        align: str = "left",
        weight: str = "normal",
        color: str = INK,
        halo: bool = False,
        slant: str = "normal",
    ) -> Box:
        """Write a line; `y` is its middle.  A halo keeps lines behind it away."""
        text = drawable(text)
        box = self.box_of(x, y, text, size, align, weight)
        self.taken.append(box)
        if halo:
            self.rectangle(
                Box(box.left - 0.8, box.top + 0.3, box.right + 0.8, box.bottom - 0.3), fill=PAPER, zorder=3.5
            )
        self.axes.text(
            x, y, text, fontsize=size, ha=align, va="center_baseline", color=color, fontfamily=_FONT,
            fontweight=weight, fontstyle=slant, zorder=5, parse_math=False,
        )  # fmt: skip
        return box

    # --- shapes ---------------------------------------------------------------------------------

    def line(
        self,
        xs: Sequence[float],
        ys: Sequence[float],
        *,
        color: str = INK,
        width: float = 0.8,
        dashes: str | tuple[float, tuple[float, ...]] = "-",
        zorder: float = 2.0,
    ) -> None:
        """Draw a line through points."""
        self.axes.plot(
            xs, ys, color=color, linewidth=width, linestyle=dashes, zorder=zorder,
            solid_capstyle="butt", solid_joinstyle="miter", clip_on=False,
        )  # fmt: skip

    def rectangle(
        self,
        box: Box,
        *,
        fill: str = "none",
        edge: str = "none",
        width: float = 0.6,
        hatch: str | None = None,
        dashes: str = "-",
        zorder: float = 2.5,
    ) -> None:
        """Draw a rectangle; the hatch has the colour of the edge."""
        from matplotlib.patches import Rectangle

        patch = Rectangle(
            (box.left, box.top),
            box.right - box.left,
            box.bottom - box.top,
            facecolor=fill,
            edgecolor=edge,
            linewidth=width if edge != "none" else 0,
            hatch=hatch,
            linestyle=dashes,
            zorder=zorder,
            clip_on=False,
        )
        self.axes.add_patch(patch)

    def marker(
        self,
        x: float,
        y: float,
        shape: str,
        *,
        size: float = 4.5,
        fill: str = INK,
        edge: str = INK,
        zorder: float = 4.0,
    ) -> None:
        """Draw one of matplotlib's marker shapes."""
        self.axes.plot(
            [x], [y], marker=shape, markersize=size, markerfacecolor=fill, markeredgecolor=edge,
            markeredgewidth=0.8 if shape not in ("x", "+") else 1.6, linestyle="none", zorder=zorder, clip_on=False,
        )  # fmt: skip

    # --- out ------------------------------------------------------------------------------------

    def finish(self) -> None:
        """Make the sheet as high as it is used."""
        self.figure.set_size_inches(self.width / 72, self.y / 72)
        self.axes.set_ylim(self.y, 0)

    def svg(self, *, title: str) -> bytes:
        """Return the sheet as SVG; the same sheet gives the same bytes."""
        import matplotlib

        # glyphs as outlines: no reader has the fonts of this computer
        with matplotlib.rc_context(
            {"svg.fonttype": "path", "svg.hashsalt": "checkback", "hatch.linewidth": 0.5}
        ):
            out = io.BytesIO()
            self.figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Title": title})
        return out.getvalue()

    def png(self) -> bytes:
        """Return the sheet as PNG with `PNG_DPI` dots an inch."""
        import matplotlib

        with matplotlib.rc_context({"hatch.linewidth": 0.5}):
            out = io.BytesIO()
            self.figure.savefig(out, format="png", dpi=PNG_DPI, metadata={"Software": None})
        return out.getvalue()
