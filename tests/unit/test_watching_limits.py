"""The file of limits: what ships, what a laboratory can get wrong, and the page made from it."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

import english
from checkback.errors import UserError
from checkback.watching import limits
from checkback.watching.limits import NOTE

SHIPPED = limits.load(english.GRAMMARS)
PAGE = Path(__file__).parents[2] / "docs" / "limits.md"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(english.GRAMMARS / limits.FILE_NAME, tmp_path)
    return tmp_path


def refusal(folder: Path) -> str:
    with pytest.raises(UserError) as caught:
        limits.load(folder)
    message = str(caught.value)
    assert "\n" not in message and limits.FILE_NAME in message
    return message


def rewrite(folder: Path, key: str, pattern: str, replacement: str) -> None:
    """Change one line of the rule with this key."""
    path = folder / limits.FILE_NAME
    head, mark, tail = path.read_text(encoding="utf-8").partition(f"[{key}]\n")
    assert mark, key
    rule, gap, rest = tail.partition("\n\n")
    changed, count = re.subn(pattern, replacement, rule, count=1, flags=re.M)
    assert count == 1, (pattern, rule)
    path.write_text(head + mark + changed + gap + rest, encoding="utf-8")


def test_every_rule_cites_a_source_and_says_check() -> None:
    found = list(limits.rules(SHIPPED))
    text = (english.GRAMMARS / limits.FILE_NAME).read_text(encoding="utf-8")
    assert len(found) == text.count("\nsource = ")
    for key, rule in found:
        assert rule.source and rule.note == NOTE == "check against local protocol", key
        assert rule.shown(), key
        assert (rule.known == "from memory") == ("from memory" in rule.cited), key
        if rule.source.startswith("none"):
            assert rule.known in ("common practice, no source", "setting of this program"), key


def test_what_has_no_source_says_so() -> None:
    assert SHIPPED.act.interval.cited == ("none: no guideline number found (common practice, no source)")
    assert SHIPPED.contrast.ratio_steps[2].cited == "Laskey, JACC 2007;50:584 (from memory)"


def test_the_page_is_the_one_made_from_the_file() -> None:
    assert PAGE.read_text(encoding="utf-8") == limits.page(SHIPPED)


def test_the_page_shows_every_rule_once() -> None:
    rows = re.findall(r"^\| `([^`]+)` \|", limits.page(SHIPPED), flags=re.M)
    assert rows == [key for key, _ in limits.rules(SHIPPED)]
    assert len(set(rows)) == len(rows)


def test_a_laboratory_can_change_a_figure(folder: Path) -> None:
    rewrite(folder, "contrast.cap", r"^value = 300$", "value = 250.5")
    assert limits.load(folder).contrast.cap.value == 250.5


@pytest.mark.parametrize(
    ("key", "pattern", "replacement", "named"),
    [
        pytest.param("contrast.cap", '"mL"', '"L"', ["contrast.cap", "'L'", "'mL'"], id="another unit"),
        pytest.param(
            "plausible.creatinine_umol_l", '"umol/L"', '"mg/dL"', ["plausible.creatinine_umol_l", "'umol/L'"],
            id="the other unit of creatinine",
        ),
        pytest.param(
            "radiation.air_kerma", '"Gy"', '"mGy"', ["radiation.air_kerma", "'mGy'", "'Gy'"], id="milligray",
        ),
        pytest.param("contrast.cap", r"^source = .*\n", "", ["contrast.cap.source"], id="no source"),
        pytest.param("contrast.cap", r"^source = .*$", 'source = ""', ["contrast.cap.source"], id="empty source"),
        pytest.param("contrast.cap", r"^note = .*\n?", "", ["contrast.cap.note"], id="no note"),
        pytest.param("contrast.cap", r"^dated = .*$", 'dated = "lately"', ["contrast.cap.dated"], id="no date"),
        pytest.param("contrast.cap", r"^value = .*\n", "", ["contrast.cap.value"], id="no value"),
        pytest.param("contrast.cap", r"^value = .*$", "value = -300", ["contrast.cap.value"], id="negative"),
        pytest.param("contrast.cap", r"^value = .*$", "value = 0", ["contrast.cap.value"], id="nothing"),
        pytest.param("contrast.cap", r"^value = .*$", "value = inf", ["contrast.cap.value"], id="endless"),
        pytest.param("contrast.cap", r"^value = .*$", "value = nan", ["contrast.cap.value"], id="not a number"),
        pytest.param(
            "contrast.cap", r"^value = .*$", 'value = "300"', ["contrast.cap.value", "'300' is not a number"],
            id="a quoted number",
        ),
        pytest.param(
            "contrast.cap", r"^value = .*$", "value = true", ["contrast.cap.value", "not a number"], id="a yes",
        ),
        pytest.param("contrast.cap", r"^value", "valeu", ["contrast.cap"], id="a typing mistake in a name"),
        pytest.param("contrast.cap", r"\Avalue", "[contrast.kap]\nvalue", ["contrast"], id="a rule unknown"),
        pytest.param(
            "heparin.bolus", r"^low = 70$", "low = 170", ["heparin.bolus", "'high' (100) is below 'low' (170)"],
            id="a reversed range",
        ),
        pytest.param("heparin.bolus", r"^low = 70$", "low = -70", ["heparin.bolus.low"], id="a negative range"),
        pytest.param(
            "contrast.warn_remaining", r"^values = .*$", "values = [20, 50]", ["contrast.warn_remaining", "fall"],
            id="warnings in the wrong order",
        ),
        pytest.param(
            "[contrast.ratio_steps]", r"^value = 2$", "value = 3", ["contrast", "ratio_steps", "rise"],
            id="steps that do not rise",
        ),
        pytest.param(
            "[mehran.egfr]", r"^below = 60$", "below = 30", ["mehran", "'egfr' must fall"], id="kidney rows reversed",
        ),
        pytest.param(
            "[mehran.bands]", r"^from = 0$", "from = 1", ["mehran", "begin at 0"], id="bands that leave out zero",
        ),
        pytest.param(
            "[heparin.half_life]", r"^dose_u_per_kg = 25$", "dose_u_per_kg = 125", ["heparin", "half_life", "rise"],
            id="half-lives out of order",
        ),
        pytest.param(
            "[protamine.rows]", r"^until_min = 30$", "until_min = 90", ["protamine", "until_min", "rise"],
            id="protamine rows out of order",
        ),
        pytest.param(
            "[protamine.rows]", r"^low = 1$", "low = 0.1", ["protamine", "must not rise with time"],
            id="protamine that rises with time",
        ),
        pytest.param("act.analyser", '"low"', '"middle"', ["act.analyser.choice"], id="an analyser class unknown"),
        pytest.param("act.confidence", "90", "100", ["act", "below 100"], id="a certainty"),
        pytest.param(
            "[radiation.follow_up]", r"^from = 5$", "from = 15", ["radiation", "follow_up", "rise"],
            id="follow-up out of order",
        ),
    ],
)  # fmt: skip
def test_a_mistake_is_named(folder: Path, key: str, pattern: str, replacement: str, named: list[str]) -> None:
    rewrite(folder, key, pattern, replacement)
    message = refusal(folder)
    for part in named:
        assert part in message


def test_a_missing_file_and_a_file_that_is_not_toml(folder: Path) -> None:
    (folder / limits.FILE_NAME).write_text("contrast = [", encoding="utf-8")
    assert "not valid TOML" in refusal(folder)
    (folder / limits.FILE_NAME).unlink()
    assert "cannot be read" in refusal(folder)


def test_a_whole_group_missing_is_named(folder: Path) -> None:
    path = folder / limits.FILE_NAME
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"\[times\..*", "", text, flags=re.S), encoding="utf-8")
    assert "key times" in refusal(folder)


def test_every_rule_refuses_another_unit(folder: Path) -> None:
    original = (folder / limits.FILE_NAME).read_text(encoding="utf-8")
    places = list(re.finditer(r'^unit = ".*"$', original, flags=re.M))
    assert len(places) == len(list(limits.rules(SHIPPED)))
    for place in places:
        text = original[: place.start()] + 'unit = "furlong"' + original[place.end() :]
        (folder / limits.FILE_NAME).write_text(text, encoding="utf-8")
        assert "'furlong'" in refusal(folder)
