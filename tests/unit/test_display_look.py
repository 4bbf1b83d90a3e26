"""Letters, contrast and colours of the pages, computed from the style sheet; no browser is needed."""

from __future__ import annotations

import math
import re
from itertools import combinations

import numpy as np
import pytest
from colorspacious import cspace_convert, deltaE

import english
from checkback.language.phrasebook import Phrasebook
from checkback.showing.feed import Feed
from checkback.showing.pages import Pages, Words, _asset

STYLE = _asset("look.css")
VARIABLES = dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6});", STYLE))
INK_ON_CALL = "#14100a"

# ISO 9241-303:2011 recommends 20 to 22 minutes of arc for the height of a capital letter and at least 16;
# cited from memory. The heights of monitors follow from 16:9.
WANTED_ARCMIN = 20.0
LEAST_ARCMIN = 16.0
CAPITAL = 0.70
"""Height of a capital over the size of the letters: of the fonts asked for the least (Segoe UI)."""


def arcmin(units: float, inches: float, metres: float) -> float:
    """Return under which angle a capital is seen whose letters have so many units."""
    height_mm = inches * 25.4 * 9 / math.hypot(16, 9)
    capital_mm = units / 100 * height_mm * CAPITAL
    return math.degrees(2 * math.atan(capital_mm / (2 * metres * 1000))) * 60


def units_of(selector: str) -> float:
    """Return the size of the letters of a rule, in units."""
    rule = re.search(
        rf"^{re.escape(selector)} {{[^}}]*font-size: calc\(([^)*]+|var\(--far\)) \* var", STYLE, re.M
    )
    assert rule is not None, selector
    return float(re.search(r"--far: ([0-9.]+);", STYLE)[1]) if "far" in rule[1] else float(rule[1])  # type: ignore[index]


@pytest.mark.parametrize("inches", [24, 32, 43, 55])
def test_check_back_state_seconds_and_pressure_are_read_from_four_metres(inches: float) -> None:
    for selector in (".wall .back", ".wall .state b", ".wall .seconds", ".wall .pressure"):
        assert arcmin(units_of(selector), inches, 4.0) >= WANTED_ARCMIN
    # a check-back that is longer than three lines
    assert arcmin(units_of(".wall .back.small"), inches, 4.0) >= LEAST_ARCMIN - 0.2


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_measured_as_the_guideline_does() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    # from the W3C's technique G18: #767676 on white has just over 4.5
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("text", ["text", "quiet", "call", "voice"])
@pytest.mark.parametrize("ground", ["ground", "area"])
def test_all_text_has_seven_to_one(text: str, ground: str) -> None:
    assert contrast(VARIABLES[text], VARIABLES[ground]) >= 7


def test_text_on_the_turned_out_strip_and_on_hatching_has_seven_to_one() -> None:
    assert contrast(INK_ON_CALL, VARIABLES["call"]) >= 7
    hatching = re.search(
        r"main section { background: repeating-linear-gradient\(135deg, (#\w{6}).*?(#\w{6})", STYLE
    )
    assert hatching is not None
    assert all(contrast(VARIABLES["quiet"], each) >= 7 for each in hatching.groups())


def test_colours_in_use_are_those_that_are_checked() -> None:
    used = set(re.findall(r"#[0-9a-f]{6}", STYLE)) - set(VARIABLES.values())
    # ink and hatching are checked above; the rest draws bars and lines and is no text
    assert used == {INK_ON_CALL, "#101214", "#241f19", "#8a6a45", "#3a3f45"}


@pytest.mark.outside
@pytest.mark.parametrize("kind", ["normal", "protanomaly", "deuteranomaly", "tritanomaly"])
def test_call_voice_and_text_are_told_apart_without_full_colour_sight(kind: str) -> None:
    """With the simulation of Machado et al. 2009 in colorspacious, at full severity.

    A distance of 10 in CAM02-UCS is several just noticeable differences (about 1 each).
    """
    rgb = {
        name: np.array([int(VARIABLES[name][i : i + 2], 16) for i in (1, 3, 5)])
        for name in ("text", "call", "voice")
    }
    if kind != "normal":
        space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
        rgb = {
            name: np.clip(cspace_convert(each / 255, space, "sRGB1"), 0, 1) * 255
            for name, each in rgb.items()
        }
    for a, b in combinations(rgb, 2):
        assert deltaE(rgb[a], rgb[b], input_space="sRGB255") > 10, (a, b)


@pytest.mark.parametrize("name", ["english", "korean"])
def test_no_state_or_result_is_told_by_colour_alone(name: str) -> None:
    told = Phrasebook.load(english.GRAMMARS, name).file.pages
    assert len(set(told["state"].values())) == len(told["state"])
    assert len(set(told["result"].values())) == len(told["result"])
    page = _asset("frame.html")
    signs = set(re.findall(r'class="of ([a-z ]+)"', page))
    signed = {name for each in signs for name in each.split()}
    assert signed == set(told["state"])


def test_pages_have_no_script_style_or_handler_of_their_own() -> None:
    for page in Pages(Feed(), Words("en", english.book().file.pages, []), None)._pages.values():
        html = page.decode()
        assert re.findall(r"<script[^>]*>", html) and all(
            'src="/' in tag for tag in re.findall(r"<script[^>]*>", html)
        )
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|javascript:|https?://", html)
    for name in ("common.js", "wall.js", "desk.js", "enter.js"):
        script = _asset(name)
        assert not re.search(
            r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|new Function|https?://(?!www\.w3\.org/2000/svg)",
            script,
        )
