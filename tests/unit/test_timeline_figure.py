"""The drawing: nothing overlaps, it is the same every time, and colour is never needed to read it."""

from __future__ import annotations

import itertools
import subprocess
import sys
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings

from checkback.errors import UserError
from checkback.record.case import Case
from checkback.reporting.timeline import timeline
from checkback.reporting.timeline_figure import READABLE, WIDE_PT, draw, draw_to_fit
from checkback.reporting.timeline_plot import ALERT, BAND, LOOKS, UP
from checkback.reporting.timeline_sheet import (
    PAPER,
    WIDTH_PT,
    Sheet,
    drawable,
    in_rows,
    shortened,
    spread,
    text_width,
)
from invented_case import CASE
from long_case import long_case
from papers import computed
from strategies import cases

SVG = "{http://www.w3.org/2000/svg}"


def text_boxes(sheet: Sheet):
    """Return all words of a sheet with the rectangles that matplotlib's own renderer gives them, in points."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(sheet.figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    points = 72 / sheet.figure.dpi
    for text in sheet.axes.texts:
        if text.get_text():
            box = text.get_window_extent(renderer)
            yield text.get_text(), np.array([box.x0, box.y0, box.x1, box.y1]) * points


def overlaps(sheet: Sheet) -> list[tuple[str, str]]:
    boxes = list(text_boxes(sheet))
    return [
        (one, other)
        for (one, a), (other, b) in itertools.combinations(boxes, 2)
        if min(a[2], b[2]) - max(a[0], b[0]) > 0.3 and min(a[3], b[3]) - max(a[1], b[1]) > 0.3
    ]


def outside_of(sheet: Sheet) -> list[str]:
    return [
        text
        for text, box in text_boxes(sheet)
        if box[0] < -0.6 or box[1] < -0.6 or box[2] > sheet.width + 0.6 or box[3] > sheet.y + 0.6
    ]


@pytest.mark.outside
@pytest.mark.parametrize("overview", [False, True], ids=["whole", "overview"])
@pytest.mark.parametrize("width_pt", [WIDTH_PT, WIDE_PT])
def test_no_words_overlap_in_four_hours_with_forty_devices(width_pt, overview):
    # the extents are those of matplotlib's renderer, not our own measure
    case = long_case()
    assert len(case.entries) > 300 and len(case.devices()) >= 39
    sheet = draw(timeline(case, computed(case)), width_pt=width_pt, overview=overview)
    assert len(list(text_boxes(sheet))) > 80
    assert overlaps(sheet) == []
    assert outside_of(sheet) == []


@pytest.mark.outside
def test_no_words_overlap_in_the_invented_case():
    sheet = draw(
        timeline(Case(CASE), computed(Case(CASE))), notices=["The journal is broken: line 7 was changed."] * 2
    )
    assert overlaps(sheet) == []
    assert outside_of(sheet) == []
    assert "The journal is broken: line 7 was changed." in [text for text, _ in text_boxes(sheet)]


@given(cases())
@settings(max_examples=5, suppress_health_check=list(HealthCheck))
def test_no_words_overlap_in_random_cases(entries):
    line = timeline(Case(entries))
    for overview in (False, True):
        sheet = draw(line, overview=overview)
        assert overlaps(sheet) == []
        assert outside_of(sheet) == []


def test_every_device_and_dose_of_the_long_case_is_named():
    case = long_case()
    line = timeline(case, computed(case))
    text = "\n".join(each for each, _ in text_boxes(draw(line)))
    assert "metoprolol" not in text and "999" not in text
    for bar in line.bars:
        assert bar.text in text
    for row in line.drugs:
        assert row.name in text
    assert "6 × 60" in text, "doses that stand too close are counted"
    assert "heparin two thousand [" in text


def test_an_overview_numbers_what_must_not_be_overlooked():
    case = long_case()
    line = timeline(case, computed(case))
    sheet = draw(line, overview=True)
    assert sheet.numbered
    assert not draw(line).numbered
    numbered = [text for text, _ in text_boxes(sheet) if text.replace("–", "").isdigit()]
    assert f"4–{11}" in numbered and str(len(line.grave_moments)) in numbered


def test_status_and_notices_stand_on_the_drawing():
    line = timeline(Case(CASE))
    assert "DRAFT, not signed" in [text for text, _ in text_boxes(draw(line))]
    signed = [text for text, _ in text_boxes(draw(line, status="Signed by A. B. on 2026-03-02"))]
    assert "Signed by A. B. on 2026-03-02" in signed and "DRAFT, not signed" not in signed


def test_nothing_on_record_is_drawn_as_such():
    sheet = draw(timeline(Case()))
    assert "Nothing that happened to the patient is on record yet." in [text for text, _ in text_boxes(sheet)]


def test_what_is_drawn_to_fit_fits_and_is_as_large_as_it_can_be():
    small, long = timeline(Case(CASE)), timeline(long_case(), computed(long_case()))
    for line, height_mm in ((small, 300.0), (small, 90.0), (long, 240.0), (long, 150.0)):
        sheet, width_mm = draw_to_fit(line, height_mm)
        assert width_mm * sheet.y / sheet.width <= height_mm + 0.05
        assert width_mm <= 174.0
    sheet, width_mm = draw_to_fit(small, 300.0)
    assert (sheet.width, width_mm) == (WIDTH_PT, 174.0)
    sheet, width_mm = draw_to_fit(long, 150.0)
    assert sheet.numbered and width_mm / 174 * WIDTH_PT / sheet.width > READABLE * 0.8


def test_the_same_case_gives_the_same_bytes_in_another_process():
    code = (
        "import hashlib; from invented_case import CASE; from checkback.record.case import Case;"
        "from checkback.reporting.timeline import timeline; from checkback.reporting.timeline_figure import draw;"
        "s = draw(timeline(Case(CASE))); print(hashlib.sha256(s.svg(title='t') + s.png()).hexdigest())"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True,
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": "tests", "TZ": zone, "HOME": "/nonexistent", "MPLCONFIGDIR": tmp},
        ).stdout
        for seed, zone, tmp in (("1", "UTC", "/tmp"), ("2", "Asia/Tokyo", "/tmp"))
    }  # fmt: skip
    assert len(found) == 1


@pytest.mark.outside
def test_the_svg_is_one_file_that_needs_nothing_else():
    # read by the XML parser of the standard library
    root = ET.fromstring(draw(timeline(Case(CASE))).svg(title="Course of the case"))
    assert root.tag == f"{SVG}svg"
    links = [value for each in root.iter() for key, value in each.attrib.items() if key.endswith("href")]
    assert links and all(link.startswith("#") for link in links)
    assert not list(root.iter(f"{SVG}script")) and not list(root.iter(f"{SVG}image"))


@pytest.mark.outside
def test_the_png_has_the_dots_of_print(tmp_path):
    from PIL import Image

    sheet = draw(timeline(Case(CASE)))
    path = tmp_path / "timeline.png"
    path.write_bytes(sheet.png())
    with Image.open(path) as image:
        assert image.size == (round(WIDTH_PT / 72 * 200 - 0.5), pytest.approx(sheet.y / 72 * 200, abs=1))


def test_a_missing_library_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(UserError, match=r'matplotlib.*pip install "checkback\[report\]"'):
        draw(timeline(Case(CASE)))


# --- colour ---------------------------------------------------------------------------------------


def rgb(color: str) -> np.ndarray:
    return np.array([int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)])


def luminance(color: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb(color)]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


SEEN = {
    "normal": None,
    **{
        kind: {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
        for kind in ("protanomaly", "deuteranomaly", "tritanomaly")
    },
}


@pytest.mark.outside
@pytest.mark.parametrize("eyes", SEEN)
def test_groups_of_devices_differ_for_every_eye(eyes):
    # colorspacious: colour-vision deficiency after Machado et al. 2009, distance in CAM02-UCS
    from colorspacious import cspace_convert, deltaE

    def seen(color: str) -> np.ndarray:
        space = SEEN[eyes]
        return rgb(color) if space is None else np.clip(cspace_convert(rgb(color), space, "sRGB1"), 0, 1)

    for (a, one), (b, other) in itertools.combinations(LOOKS.items(), 2):
        if a == "wire" or b == "wire":
            continue  # a line among bars
        apart = deltaE(seen(one.fill), seen(other.fill), input_space="sRGB1")
        assert apart > 8 or one.hatch != other.hatch, (eyes, a, b, apart)
    assert deltaE(seen(UP), seen(LOOKS["balloon"].fill), input_space="sRGB1") > 40
    assert deltaE(seen(ALERT), seen(LOOKS["implant"].fill), input_space="sRGB1") > 15
    assert deltaE(seen(BAND), seen(PAPER), input_space="sRGB1") > 4


def test_groups_of_devices_differ_in_grey():
    bars = {group: look for group, look in LOOKS.items() if group != "wire"}
    for (a, one), (b, other) in itertools.combinations(bars.items(), 2):
        assert one.hatch != other.hatch or contrast(one.fill, other.fill) > 1.3, (a, b)


def test_words_and_outlines_have_contrast_to_the_paper():
    # 4.5 for words and 3 for shapes: WCAG 2.2, criteria 1.4.3 and 1.4.11
    assert contrast(ALERT, PAPER) > 4.5
    assert contrast(UP, PAPER) > 4.5, "pressures are white on it"
    assert all(contrast(look.edge, PAPER) > 3 for look in LOOKS.values())


# --- placing --------------------------------------------------------------------------------------


def test_rows_are_filled_from_the_top():
    assert in_rows([[(0, 10)], [(5, 15)], [(14, 20)], [(16, 30)]], gap=1) == [0, 1, 0, 1]
    assert in_rows([[(0, 10)], [(0, 5), (0, 30)], [(20, 25)]], gap=1) == [0, 1, 0]


def test_places_are_spread_in_their_order():
    placed = spread([10, 11, 30], 8, 0, 40)
    assert placed == sorted(placed)
    assert min(b - a for a, b in itertools.pairwise(placed)) >= 8
    assert spread([5, 25], 8, 0, 40) == [5, 25]


def test_letters_that_the_font_lacks_are_marked():
    assert drawable("tab\there \x85 字 Ä µ") == "tab\ufffdhere \ufffd \ufffd Ä µ"


def test_words_are_cut_with_an_ellipsis():
    text = "drug-eluting stent 3.0 × 18"
    short = shortened(text, 6.5, 60)
    assert short.endswith("…") and text_width(short, 6.5) <= 60
    assert shortened(text, 6.5, 600) == text
