"""The flow charts: everything on the sheet, nothing over another, text inside its box."""

from __future__ import annotations

import re
from itertools import combinations
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from card_room import CardRoom, deck, without
from checkback.guiding import lettering
from checkback.guiding.chart import SIZE, SMALL, flow_chart, print_scale
from checkback.guiding.layout import crossings, lay_out, layers, spread

SVG = "{http://www.w3.org/2000/svg}"
CARDS = sorted(deck().cards)


def drawn(name: str) -> ElementTree.Element:
    return ElementTree.fromstring(flow_chart(deck().cards[name].card))


def boxes(svg: ElementTree.Element) -> list[tuple[float, float, float, float]]:
    """Return left, top, right and bottom of each box that has a way out of or into it."""
    found = []
    for rect in svg.findall(f"{SVG}rect"):
        if rect.get("rx") is not None:
            x, y, w, h = (float(rect.get(key) or 0) for key in ("x", "y", "width", "height"))
            found.append((x, y, x + w, y + h))
    return found


def texts(svg: ElementTree.Element) -> list[tuple[str, float, float, float]]:
    """Return each text with its left end, its base line and its right end."""
    found = []
    for text in svg.findall(f"{SVG}text"):
        x, y, long = (float(text.get(key) or 0) for key in ("x", "y", "textLength"))
        left = {"middle": x - long / 2, "end": x - long}.get(text.get("text-anchor", ""), x)
        found.append((text.text or "", left, y, left + long))
    return found


@pytest.mark.parametrize("name", CARDS)
def test_every_line_stands_in_a_box_of_its_own(name: str) -> None:
    svg, card = drawn(name), deck().cards[name].card
    found = boxes(svg)
    assert len(found) == len(card.lines) + 1
    for a, b in combinations(found, 2):
        assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a, b)
    for line in card.lines.values():
        wanted = "".join(line.words.split())
        inside = [
            "".join(t for t, left, y, right in texts(svg) if l <= left and right <= r and top < y < bottom)
            for l, top, r, bottom in found  # noqa: E741
        ]
        assert any(wanted in "".join(each.split()) for each in inside), line.words


@pytest.mark.parametrize("name", CARDS)
def test_nothing_leaves_the_sheet(name: str) -> None:
    svg = drawn(name)
    wide, high = float(svg.get("width") or 0), float(svg.get("height") or 0)
    for text, left, y, right in texts(svg):
        assert left >= 0 and right <= wide and 0 < y < high, text
    for path in svg.findall(f"{SVG}path"):
        for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", path.get("d") or ""):
            assert 0 <= float(x) <= wide and 0 <= float(y) <= high


@pytest.mark.parametrize("name", CARDS)
def test_no_way_runs_through_a_box(name: str) -> None:
    svg = drawn(name)
    for path in svg.findall(f"{SVG}path"):
        # straight stretches beside boxes: "L" goes from the point before it
        points = [(float(x), float(y)) for x, y in re.findall(r"(-?[\d.]+),(-?[\d.]+)", path.get("d") or "")]
        commands = re.findall(r"[MLC]", path.get("d") or "")
        at, here = 0, points[0]
        for command in commands:
            end = points[at + 2] if command == "C" else points[at]
            if command == "L":
                x, low, high = here[0], min(here[1], end[1]) + 1, max(here[1], end[1]) - 1
                for left, top, right, bottom in boxes(svg):
                    assert not (left < x < right and low < bottom and high > top), (name, here, end)
            here = end
            at += 3 if command == "C" else 1


@pytest.mark.parametrize("name", CARDS)
def test_on_an_a3_sheet_it_can_be_read(name: str) -> None:
    svg = drawn(name)
    scale = print_scale(float(svg.get("width") or 0), float(svg.get("height") or 0))
    points = SIZE * scale / 25.4 * 72
    assert points >= 8.0
    assert SMALL * scale / 25.4 * 72 >= 6.4


def test_the_sheet_tells_sources_note_and_signature() -> None:
    said = " ".join(text for text, *_ in texts(drawn("perforation")))
    assert "not signed by this laboratory · check against local protocol" in said
    assert "[1] J Invasive Cardiol 2016;28:122" in said
    assert "cannot be taken back" in said and "needs: covered stent" in said
    assert "not if: Is all equipment out of the coronary artery? no" in said


def test_yes_and_no_stand_at_every_question() -> None:
    for name in CARDS:
        labels = [
            text.text
            for text in drawn(name).findall(f"{SVG}text")
            if text.text in ("yes", "no", "yes or no") and text.get("font-size") == f"{SIZE:g}"
        ]
        questions = sum(line.is_question for line in deck().cards[name].card.lines.values())
        assert len(labels) == 2 * questions


def test_the_marks_of_a_case_are_drawn() -> None:
    room = CardRoom(equipment=without("coils"))
    room.play("perforation\nballoon 3.0 by 15\nup 4\n> open perforation\n> at tamponade\n> no\n> yes")
    svg = flow_chart(room.named().card, room.view())
    said = " ".join(text for text, *_ in texts(ElementTree.fromstring(svg)))
    assert "→ tried 09:00:45 (entry 3)" in said
    assert "→ not suitable: Is the hole in a main vessel" in said
    assert svg.count("stroke-dasharray") > 2 and "stroke-dasharray" not in flow_chart(room.named().card)


def test_words_of_a_card_cannot_break_the_drawing() -> None:
    card = deck().cards["air"].card
    line = card.lines["stop"].model_copy(update={"do": '<script>&"x" ü →'})
    odd = card.model_copy(update={"lines": card.lines | {"stop": line}, "title": "a < b & c"})
    svg = ElementTree.fromstring(flow_chart(odd))
    assert any(text.startswith('<script>&"x"') for text, *_ in texts(svg))


class TestLayout:
    def test_layers_are_longest_paths(self) -> None:
        assert layers([("a", "b"), ("a", "c"), ("b", "c")], "a") == {"a": 0, "b": 1, "c": 2}
        with pytest.raises(ValueError, match="circle"):
            layers([("a", "b"), ("b", "a")], "a")

    def test_a_crossing_that_need_not_be_is_taken_out(self) -> None:
        ways = [("top", "a"), ("top", "b"), ("a", "d"), ("b", "c"), ("c", "end"), ("d", "end")]
        layout = lay_out(ways, "top", dict.fromkeys("abcd", 50.0) | {"top": 50.0, "end": 50.0}, 10.0)
        assert (layout.x["a"] < layout.x["b"]) == (layout.x["d"] < layout.x["c"])
        assert crossings([["a", "b"], ["c", "d"]], {"a": ["d"], "b": ["c"]}) == 1

    @pytest.mark.outside
    @given(
        st.lists(st.floats(-500, 500), min_size=1, max_size=7),
        st.data(),
    )
    @settings(max_examples=40, deadline=None)
    def test_places_are_the_least_squares_of_scipy(self, wanted: list[float], data: st.DataObject) -> None:
        from scipy.optimize import isotonic_regression

        n = len(wanted)
        weights = data.draw(st.lists(st.floats(0.5, 9), min_size=n, max_size=n))
        apart = data.draw(st.lists(st.floats(0, 90), min_size=n - 1, max_size=n - 1))
        shift = [sum(apart[:i]) for i in range(n)]
        fitted = isotonic_regression([w - s for w, s in zip(wanted, shift, strict=True)], weights=weights)
        assert spread(wanted, weights, apart) == pytest.approx(
            [float(x) + s for x, s in zip(fitted.x, shift, strict=True)], abs=1e-6
        )


@pytest.mark.outside
def test_widths_of_letters_are_those_of_the_font_files() -> None:
    """Compared with the Core 14 metrics that matplotlib carries and reads itself."""
    from pathlib import Path

    import matplotlib
    from matplotlib._afm import AFM

    folder = Path(matplotlib.get_data_path()) / "fonts" / "pdfcorefonts"
    for file, bold in (("Helvetica.afm", False), ("Helvetica-Bold.afm", True)):
        with (folder / file).open("rb") as read:
            font = AFM(read)
        for code in range(32, 127):
            if chr(code) in "'`":  # typographic quotes in the encoding of the file
                continue
            assert lettering.width(chr(code), 1000, bold=bold) == font.get_width_char(code), chr(code)
