"""A card drawn as a flow chart (SVG), for the wall and for review.

Text is measured (`lettering`) and held to its width, so that it fits with any font.  Everything is
told by words and shapes, not by colour, so that a print in grey tells the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape, quoteattr

from checkback.guiding.cards import END, Card
from checkback.guiding.data import NOTE
from checkback.guiding.layout import Way, lay_out
from checkback.guiding.lettering import width, wrapped
from checkback.guiding.marks import Marked, View

WIDTHS = (270.0, 320.0, 370.0, 420.0, 470.0)
"""Widths of a box; of these the one that fills an upright sheet best is taken."""

SHEET = (277.0, 400.0)
"""What of an A3 sheet can be printed on, mm."""

PAD = 10.0
GAP = 26.0
BETWEEN = 40.0
MARGIN = 24.0
SIZE = 13.0
SMALL = 10.5
LEADING = 1.28
FONT = "Helvetica, Arial, 'Liberation Sans', 'Nimbus Sans', sans-serif"

PORT = 62.0
_BOTTOM = END


@dataclass(frozen=True)
class _Text:
    text: str
    size: float = SIZE
    bold: bool = False
    italic: bool = False
    grey: bool = False


@dataclass(frozen=True)
class _Box:
    lines: tuple[_Text, ...]
    question: bool = False
    irreversible: bool = False
    tier: int | None = None
    off: bool = False  # not suitable, or not available here
    done: bool = False

    @property
    def height(self) -> float:
        return 2 * PAD + sum(line.size * LEADING for line in self.lines)


@dataclass(frozen=True)
class _Place:
    """Where everything stands on the sheet."""

    boxes: dict[str, _Box]
    x: dict[str, float]
    layer: dict[str, int]
    tops: list[float]
    heights: list[float]
    ports: dict[Way, float]

    def bottom(self, layer: int) -> float:
        """Return where a layer ends."""
        return self.tops[layer] + self.heights[layer]


def flow_chart(card: Card, view: View | None = None) -> str:
    """Return a card as an SVG drawing.

    Parameters
    ----------
    card : Card
    view : View or None
        With it each line bears the mark that the case gives it.
    """
    sheets = [_sheet(card, view, box) for box in WIDTHS]
    return max(sheets, key=lambda sheet: sheet.scale).svg(card)


def print_scale(wide: float, high: float) -> float:
    """Return how many mm a unit of the drawing becomes if it fills an A3 sheet."""
    return min(SHEET[0] / wide, SHEET[1] / high)


@dataclass(frozen=True)
class _Sheet:
    parts: list[str]
    wide: float
    high: float

    @property
    def scale(self) -> float:
        return print_scale(self.wide, self.high)

    def svg(self, card: Card) -> str:
        said = f"{card.title}: {len(card.lines)} lines. {card.signature}. {NOTE}."
        size = f'width="{self.wide:.0f}" height="{self.high:.0f}"'
        lines = [
            f'<svg xmlns="http://www.w3.org/2000/svg" {size} viewBox="0 0 {self.wide:.0f} {self.high:.0f}" '
            f'role="img" font-family={quoteattr(FONT)}>',
            f"<title>{escape(card.title)}</title>",
            f"<desc>{escape(said)}</desc>",
            '<defs><marker id="tip" viewBox="0 0 8 8" refX="7.5" refY="4" markerWidth="7" markerHeight="7" '
            'orient="auto"><path d="M0,0.5 L8,4 L0,7.5 z" fill="#333"/></marker></defs>',
            f'<rect {size} fill="#fff"/>',
            *self.parts,
            "</svg>",
        ]
        return "\n".join(lines) + "\n"


def _sheet(card: Card, view: View | None, wide: float) -> _Sheet:
    numbers = {name: i for i, name in enumerate(card.sources, 1)}
    marked = {} if view is None else {each.name: each for each in view.lines}
    boxes = {name: _box(card, name, numbers, marked.get(name), wide) for name in card.lines}
    boxes[_BOTTOM] = _Box((_Text("end of the card", SMALL),))
    pairs: dict[Way, list[str]] = {}
    for name, line in card.lines.items():
        for key, to in line.leads().items():
            pairs.setdefault((name, to or END), []).append(key if line.is_question else "")
    ways = list(pairs)
    widths = {name: wide if name != _BOTTOM else 120.0 for name in boxes}
    layout = lay_out(ways, card.start, widths, GAP)
    heights = [0.0] * (max(layout.layer.values()) + 1)
    for name, at in layout.layer.items():
        heights[at] = max(heights[at], boxes[name].height)
    whole = max(layout.width, 540.0) + 2 * MARGIN
    inset = (whole - layout.width) / 2
    head, top = _head(card)
    tops = []
    for height in heights:
        tops.append(top)
        top += height + BETWEEN
    x = {name: at + inset for name, at in layout.x.items()}
    passing = {way: [at + inset for at in layout.passing[way]] for way in ways}
    ports = _ports(ways, {way: (*passing[way], x[way[1]])[0] for way in ways})
    place = _Place(boxes, x, dict(layout.layer), tops, heights, ports)
    parts = [*head]
    for way, keys in pairs.items():
        parts += _way(place, way, keys, passing[way])
    for name, box in boxes.items():
        parts += _drawn(name, box, x[name], tops[layout.layer[name]], widths[name])
    foot, bottom = _foot(card, numbers, top - BETWEEN + MARGIN, whole)
    return _Sheet([*parts, *foot], whole, bottom)


def _box(card: Card, name: str, numbers: dict[str, int], mark: Marked | None, wide: float) -> _Box:
    line = card.lines[name]
    room = wide - 2 * PAD - (0 if line.is_question else 22)
    cited = " ".join(f"[{numbers[each]}]" for each in line.sources)

    def small(text: str, *, bold: bool = False, italic: bool = False) -> list[_Text]:
        return [_Text(each, SMALL, bold, italic) for each in wrapped(text, SMALL, room, bold=bold)]

    texts = [
        _Text(each, bold=line.is_question) for each in wrapped(line.words, SIZE, room, bold=line.is_question)
    ]
    if line.caution:
        texts += small(f"{line.caution} {cited}", italic=True)
    else:
        texts.append(_Text(cited, SMALL, grey=True))
    if line.irreversible:
        texts += small("cannot be taken back")
    if line.needs:
        texts += small(f"needs: {', '.join(line.needs)}")
    for rule in line.unless:
        texts += small(f"not if: {card.lines[rule.line].words} {rule.answer}")
    if mark is not None:
        texts += small(_told(mark), bold=True)
    off = mark is not None and mark.mark in ("not suitable", "not available here")
    done = mark is not None and mark.mark in ("tried", "yes", "no")
    return _Box(tuple(texts), line.is_question, line.irreversible, line.tier, off, done)


def _told(mark: Marked) -> str:
    shown = ", ".join(f"{e.at.wall:%H:%M:%S} (entry {e.n})" for e in mark.shown_by)
    chosen = "" if mark.chosen is None else f"; chosen {mark.chosen.at.wall:%H:%M:%S}"
    because = f": {mark.because}" if mark.because else ""
    return f"→ {mark.mark} {shown}".rstrip() + because + chosen


def _text(x: float, y: float, text: _Text, *, anchor: str = "start") -> str:
    long = width(text.text, text.size, bold=text.bold)
    weight = ' font-weight="bold"' if text.bold else ""
    style = ' font-style="italic"' if text.italic else ""
    place = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{text.size:g}" fill="{"#555" if text.grey else "#000"}"'
        f'{weight}{style}{place} textLength="{long:.1f}" lengthAdjust="spacingAndGlyphs">{escape(text.text)}</text>'
    )


def _drawn(name: str, box: _Box, x: float, y: float, wide: float) -> list[str]:
    left, height = x - wide / 2, box.height
    round_ = height / 2 if name == _BOTTOM else 14.0 if box.question else 2.0
    fill = "#e8e8e8" if box.question else "#fff"
    dash = ' stroke-dasharray="5 4"' if box.off else ""
    strong = 2.4 if box.done else 1.2
    parts = [
        f'<rect x="{left:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{height:.1f}" rx="{round_:.1f}" '
        f'fill="{fill}" stroke="#222" stroke-width="{strong:g}"{dash}/>'
    ]
    if box.irreversible:
        parts.append(
            f'<rect x="{left + 3.5:.1f}" y="{y + 3.5:.1f}" width="{wide - 7:.1f}" height="{height - 7:.1f}" '
            f'fill="none" stroke="#222" stroke-width="0.8"{dash}/>'
        )
    if box.tier is not None:
        tier = _Text(str(box.tier), SIZE, bold=True)
        parts.append(_text(left + PAD + 2, y + PAD + SIZE * LEADING - SIZE * 0.32, tier))
    at = y + PAD
    plain = box.question or name == _BOTTOM
    for line in box.lines:
        at += line.size * LEADING
        baseline = at - line.size * 0.32
        if plain:
            parts.append(_text(x, baseline, line, anchor="middle"))
        else:
            parts.append(_text(left + PAD + 22, baseline, line))
    return parts


def _way(place: _Place, way: Way, keys: list[str], passing: list[float]) -> list[str]:
    source, target = way
    box, at = place.boxes[source], place.layer[source]
    ends = [*passing, place.x[target]]
    begin_x = place.x[source] + place.ports[way]
    begin_y = place.tops[at] + box.height
    path = [f"M{begin_x:.1f},{begin_y:.1f}", f"L{begin_x:.1f},{place.bottom(at):.1f}"]
    x, y = begin_x, place.bottom(at)
    for offset, to_x in enumerate(ends, 1):
        to_y = place.tops[at + offset]
        half = (to_y - y) / 2
        path.append(f"C{x:.1f},{y + half:.1f} {to_x:.1f},{to_y - half:.1f} {to_x:.1f},{to_y:.1f}")
        x, y = to_x, to_y
        if offset < len(ends):
            y = place.bottom(at + offset)
            path.append(f"L{x:.1f},{y:.1f}")
    parts = [
        f'<path d="{" ".join(path)}" fill="none" stroke="#333" stroke-width="1.3" marker-end="url(#tip)"/>'
    ]
    label = " or ".join(key for key in keys if key)
    if label:
        # on the side from which the way turns off
        right = ends[0] < begin_x - 1 or (abs(ends[0] - begin_x) <= 1 and place.ports[way] > 0)
        text = _Text(label, SIZE, bold=True)
        anchor = "start" if right else "end"
        parts.append(_text(begin_x + (6 if right else -6), begin_y + 15, text, anchor=anchor))
    return parts


def _ports(ways: list[Way], first_x: dict[Way, float]) -> dict[Way, float]:
    """Return where each way leaves its box, from the middle: the left one on the left."""
    found: dict[Way, float] = {}
    for way in ways:
        both = sorted((each for each in ways if each[0] == way[0]), key=first_x.__getitem__)
        found[way] = 0.0 if len(both) == 1 else (-PORT, PORT)[both.index(way)]
    return found


def _head(card: Card) -> tuple[list[str], float]:
    lines = [
        _Text(card.title, 20, bold=True),
        _Text(f"{card.signature} · {NOTE} · advice for licensed staff, never an order", SMALL),
        _Text(
            "Grey: a question. The number in a box is its tier: 1 is tried first. "
            "Double border: it cannot be taken back.",
            SMALL,
            grey=True,
        ),
    ]
    return _column(lines, MARGIN)


def _foot(card: Card, numbers: dict[str, int], top: float, wide: float) -> tuple[list[str], float]:
    lines = [
        _Text(text, SMALL)
        for name, number in numbers.items()
        for text in wrapped(f"[{number}] {card.sources[name].cited}", SMALL, wide - 2 * MARGIN)
    ]
    return _column([_Text("Sources", SMALL, bold=True), *lines], top)


def _column(lines: list[_Text], top: float) -> tuple[list[str], float]:
    parts: list[str] = []
    for line in lines:
        top += line.size * LEADING
        parts.append(_text(MARGIN, top, line))
    return parts, top + MARGIN
