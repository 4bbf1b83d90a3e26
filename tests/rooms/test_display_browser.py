"""Both pages in a real browser, joined to the running program: clicked through, measured, attacked."""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from checkback.record.entry import Device, Dictation, Drug, Withdrawal
from display_room import CASE_SO_FAR, Program, browser, needs_chromium, program

pytest.importorskip("playwright", reason="playwright is not installed: pip install 'checkback[test]'")

pytestmark = [needs_chromium, pytest.mark.timeout(280)]

AXE = (
    Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
    / "checkback-tests/node_modules/axe-core/axe.min.js"
)
EVIL = "<img src=x onerror=alert(1)>..%2f..%2fetc"
"""A name of a case that tries to be markup and a path."""
LONG_S = 60_000
"""Milliseconds; on a busy computer everything may take long."""


class Seen:
    """Wall and desk of one running program, with what the browser complained of."""

    def __init__(self, room: Program, opened: Any) -> None:
        self.room = room
        self.browser = opened
        self.complaints: list[str] = []
        self.wall = self._open(opened, room.address())
        self.desk = self._open(opened, room.address() + "desk")

    def _open(self, opened: Any, address: str) -> Any:
        page = opened.new_context(viewport={"width": 1920, "height": 1080}).new_page()
        page.set_default_timeout(LONG_S)
        page.on("dialog", lambda dialog: (self.complaints.append("dialog"), dialog.dismiss()))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda line: line.type == "error" and self.complaints.append(line.text))
        page.goto(address)
        return page

    def until(self, page: Any, selector: str, text: str) -> None:
        page.locator(selector).filter(has_text=text).first.wait_for()

    def type(self, text: str) -> None:
        self.desk.fill("#line", text)
        self.desk.press("#line", "Enter")


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Seen]:
    with program(tmp_path_factory.mktemp("room"), case=EVIL) as room, browser() as opened:
        both = Seen(room, opened)
        room.type(*CASE_SO_FAR)
        both.until(both.wall, "#up-list", "atm")
        yield both


def wait(condition: Callable[[], bool]) -> None:
    until_s = time.monotonic() + LONG_S / 1000
    while not condition():
        assert time.monotonic() < until_s
        time.sleep(0.05)


def test_the_wall_shows_the_check_back_and_counts_by_itself(seen: Seen) -> None:
    assert seen.wall.locator("#back").inner_text() == "balloon up, 14 atm"
    assert "up to 14 atmospheres" in seen.wall.locator("#heard-words").inner_text()
    assert seen.wall.locator("#state-word").inner_text() == "No microphone"
    assert "guide JR4" in seen.wall.locator("#inside").inner_text()
    first = int(seen.wall.locator(".seconds").inner_text())
    wait(lambda: int(seen.wall.locator(".seconds").inner_text()) > first)
    assert "Check against local protocol" in seen.wall.locator("#sources").inner_text()
    assert "limit 278 mL" in seen.wall.locator("#totals").inner_text()


def test_letters_are_as_high_as_they_must_be(seen: Seen) -> None:
    """Measured in the page: the capital of the font in use, against 20 minutes of arc at 4 m on 24 inch."""
    least = 84.1  # px of 1080: 2 * 4000 mm * tan(10') = 23.27 mm, on a picture 298.9 mm high
    capital = """element => {
        const style = getComputedStyle(element);
        const pen = document.createElement("canvas").getContext("2d");
        pen.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
        return pen.measureText("H").actualBoundingBoxAscent;
    }"""
    for selector in ("#back", "#state-word", ".seconds", ".pressure"):
        assert seen.wall.locator(selector).first.evaluate(capital) >= least
    seen.wall.set_viewport_size({"width": 3840, "height": 2160})
    assert seen.wall.locator("#back").evaluate(capital) >= 2 * least
    seen.wall.set_viewport_size({"width": 1920, "height": 1080})


def cut_off(seen: Seen) -> Any:
    """What is large on the wall and leaves its area."""
    return seen.wall.evaluate("""() => [...document.querySelectorAll("#back, #state-word, .seconds, .pressure, #clock, #totals .total > *, #ahead li, #inside li")]
        .filter(each => !each.hidden && each.offsetParent)
        .filter(each => { const box = each.getBoundingClientRect(), area = each.closest("section, header").getBoundingClientRect();
                          return box.right > area.right + 1 || box.bottom > area.bottom + 1 || each.scrollWidth > each.clientWidth + 2 && each.clientWidth; })
        .map(each => each.outerHTML)""")


def test_nothing_that_is_large_is_cut_off(seen: Seen) -> None:
    assert cut_off(seen) == []


def test_a_notice_is_read_whole_and_pushes_nothing_out(seen: Seen) -> None:
    notice = (
        "not heard: 12 s of speech at 14:22:10: this computer is too busy, end other programs; "
        "the sound is kept in the folder of the case"
    )
    seen.wall.evaluate("text => { document.querySelector('#notice').textContent = text; }", notice)
    fits = """() => {
        const page = document.documentElement.getBoundingClientRect(), foot = document.querySelector(".foot").getBoundingClientRect();
        return [...document.querySelectorAll(".foot > *")].filter(each => {
            const box = each.getBoundingClientRect();
            return box.top < foot.top - 1 || box.bottom > page.bottom + 1 || box.right > page.right + 1
                || each.scrollWidth > each.clientWidth + 1 && each.clientWidth;
        }).map(each => each.outerHTML);
    }"""
    try:
        for width in (3840, 1920):
            seen.wall.set_viewport_size({"width": width, "height": width * 9 // 16})
            assert seen.wall.evaluate(fits) == []
            assert cut_off(seen) == []
    finally:
        seen.wall.evaluate("() => { document.querySelector('#notice').textContent = ''; }")


def test_with_two_balloons_up_nothing_overlaps_at_either_size(seen: Seen) -> None:
    seen.room.type("non compliant balloon 3 by 20 to mid L A D", "up to 25 atmospheres")
    seen.wall.locator("#up-list[data-count='2'] [data-above=true]").wait_for()
    over = """() => {
        const area = document.querySelector("#ups").getBoundingClientRect();
        const seen = [...document.querySelectorAll("#up-list p, #up-all")].filter(each => each.textContent);
        const boxes = seen.map(each => [each.textContent, each.getBoundingClientRect()]);
        return boxes.flatMap(([a, box], i) => [
            ...(box.bottom > area.bottom + 1 || box.right > area.right + 1 ? [`${a} leaves its area`] : []),
            ...boxes.slice(i + 1).filter(([, other]) => box.bottom > other.top + 1 && other.bottom > box.top + 1
                && box.right > other.left + 1 && other.right > box.left + 1).map(([b]) => `${a} over ${b}`),
        ]);
    }"""
    for width in (3840, 1920):
        seen.wall.set_viewport_size({"width": width, "height": width * 9 // 16})
        assert seen.wall.evaluate(over) == []
    seen.room.type("balloon down", "balloon out")
    seen.wall.locator("#up-list[data-count='1'], #up-list .none").first.wait_for()


def test_a_question_is_answered_at_the_desk(seen: Seen) -> None:
    seen.type("balloon three by twenty eight")
    seen.until(seen.wall, "#heard[data-result=asked]", "3.0 × 28 mm")
    seen.desk.locator("#questions .choice").nth(1).click()
    seen.until(seen.wall, "#heard[data-result=recorded]", "balloon 3.0 × 20 mm, 8 atm")
    wait(lambda: any(isinstance(e.body, Device) and e.body.length_mm == 20 for e in seen.room.typed()))


def test_an_entry_is_amended_and_another_disregarded_at_the_desk(seen: Seen) -> None:
    heparin = next(e for e in seen.room.typed() if isinstance(e.body, Drug))
    row = seen.desk.locator(f"#log li[data-n='{heparin.n}']")
    row.get_by_role("button", name=re.compile("Correct")).click()
    assert seen.desk.locator("#line").input_value() == f"correction entry {heparin.n} "
    seen.desk.keyboard.type("heparin 6000 units")
    seen.desk.keyboard.press("Enter")
    seen.until(seen.desk, f"#log li[data-n='{heparin.n}'][data-standing=amended]", "replaced by")
    seen.until(seen.wall, "#totals", "6000 U")
    access = next(e for e in seen.room.typed() if e.body.kind == "access")
    away = seen.desk.locator(f"#log li[data-n='{access.n}'] .does button").nth(1)
    away.click()
    assert not [e for e in seen.room.entries() if isinstance(e.body, Withdrawal)]
    away.click()
    seen.until(seen.desk, f"#log li[data-n='{access.n}'][data-standing=withdrawn]", "withdrawn by")
    (gone,) = [e for e in seen.room.entries() if isinstance(e.body, Withdrawal)]
    assert isinstance(gone.body, Withdrawal) and gone.body.target == access.n


def test_a_missing_value_is_typed_from_its_button(seen: Seen) -> None:
    seen.desk.locator("#lacking button", has_text="fluoroscopy").click()
    seen.desk.keyboard.type("11.4")
    seen.desk.keyboard.press("Enter")
    seen.until(seen.wall, "#back", "11.4 min")
    seen.desk.wait_for_function(
        "![...document.querySelectorAll('#lacking button')].some(b => b.textContent.includes('fluoroscopy'))"
    )


def test_the_phrase_card_is_there_and_can_be_searched(seen: Seen) -> None:
    seen.desk.locator("#phrases summary").click()
    seen.until(seen.desk, "#phrase-list h4", "inflation")
    seen.desk.fill("#find", "fluoroscopy")
    seen.desk.wait_for_function("document.querySelectorAll('#phrase-list h4').length < 20")
    assert "fluoroscopy" in seen.desk.locator("#phrase-list").inner_text()
    seen.desk.locator("#phrases summary").click()


INJECTED = [
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    '"><svg onload=alert(1)>',
    "</script><script>document.title='taken'</script>",
    "{{7*7}} {% raw %} javascript:alert(1)",
]


def test_a_note_with_markup_stays_text_on_both_pages(seen: Seen) -> None:
    inside = "document.querySelectorAll('main script, main img, main svg[onload], main iframe').length"
    for n, each in enumerate(INJECTED):
        seen.room.type(f"note {each} number {n}")
        seen.until(seen.wall, "#back", f"number {n}")
        seen.until(seen.desk, "#log", f"number {n}")
        assert each in seen.wall.locator("#back").inner_text()
        assert each in seen.desk.locator("#log li").first.inner_text()
    for page in (seen.wall, seen.desk):
        assert page.evaluate(inside) == 0
        assert "taken" not in page.title()
        assert page.locator("#case").text_content() == EVIL
    notes = [e.body.text for e in seen.room.typed() if isinstance(e.body, Dictation) and e.body.text]
    assert all(any(each in note for note in notes) for each in INJECTED)
    assert seen.complaints == []


def test_a_page_of_somebody_else_cannot_post_or_read(seen: Seen) -> None:
    """A page of another origin in the same browser; of loopback too another port is another origin."""
    before = len(seen.room.entries())
    page = seen.wall.context.new_page()
    page.goto("data:text/html,<p>elsewhere</p>")
    tried = page.evaluate(
        """async address => {
            const told = [];
            for (const [path, how] of [
                ["say", {method: "POST", body: JSON.stringify({text: "act 999"})}],
                ["say", {method: "POST", mode: "no-cors", body: JSON.stringify({text: "act 999"})}],
                ["say", {method: "POST", headers: {"content-type": "application/json"}, body: JSON.stringify({text: "act 999"})}],
                ["log?since=0", {}],
                ["log?since=0", {mode: "no-cors"}],
            ]) {
                try { const answer = await fetch(address + path, how); told.push(answer.type + " " + await answer.text()); }
                catch (error) { told.push("refused"); }
            }
            return told;
        }""",
        seen.room.address(),
    )
    page.close()
    assert all(each == "refused" or (each.startswith("opaque ") and each == "opaque ") for each in tried)
    seen.type("act 290")
    seen.until(seen.wall, "#back", "ACT 290 s")
    written = seen.room.entries()[before:]
    assert not [e for e in written if "999" in e.words]


def test_the_desk_is_worked_by_keys_alone(seen: Seen) -> None:
    seen.desk.locator("#line").focus()
    seen.desk.keyboard.press("ArrowUp")
    assert seen.desk.locator("#line").input_value() == "act 290"
    seen.desk.fill("#line", "")
    reached = set()
    for _ in range(12):
        seen.desk.keyboard.press("Tab")
        reached.add(
            seen.desk.evaluate(
                "document.activeElement.tagName + ' ' + getComputedStyle(document.activeElement).outlineStyle"
            )
        )
    assert "BUTTON solid" in reached
    assert all(each.endswith("solid") or each.startswith("BODY") for each in reached)


@pytest.mark.outside
@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not there: sh tools/fetch_axe.sh (needs npm)")
@pytest.mark.parametrize("name", ["wall", "desk"])
def test_axe_finds_nothing_serious(seen: Seen, name: str) -> None:
    """With axe-core, and its rule of 7:1 for contrast."""
    page = getattr(seen, name)
    # a page takes no script but its own, so the tool comes in by way of the browser's own console
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate(
        """async () => (await axe.run(document, {rules: {"color-contrast-enhanced": {enabled: true}}})).violations
            .map(each => [each.impact, each.id, each.nodes.map(node => node.html).slice(0, 3)])"""
    )
    assert [each for each in found if each[0] in ("serious", "critical")] == []


KOREAN_CASE = (
    *(
        "시술 시작",
        "타임아웃 완료",
        "우측 요골 천자 6 프렌치",
        "헤파린 7000 유닛",
        "act 281",
        "조영제 90 투여",
    ),
    *("커마 900", "벌룬 2.5x12", "조영제 40", "정정 기록 6 번 act 290", "취소 기록 8 번", "팽창 14 기압"),
)
NOT_WORDS = frozenset("Checkback case none ACT TIMI atm mm mL U mg kg Fr s min h x Gy mGy cm".split())
"""The program, the case's name, the name of its recogniser, and symbols that are written alike everywhere."""


def test_korean_pages_have_no_word_of_another_language(seen: Seen, tmp_path: Path) -> None:
    """Sources of limits are citations, what was typed stands as typed, and the notice is about the computer."""
    every = """() => {
        const seen = [document.title];
        const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
        for (let each; (each = walk.nextNode()); )
            if (!each.parentElement.closest(".source, #notice, [hidden], #phrase-list")) seen.push(each.textContent);
        for (const each of document.querySelectorAll("[aria-label], [placeholder]"))
            seen.push(each.getAttribute("aria-label") ?? "", each.getAttribute("placeholder") ?? "");
        return seen;
    }"""
    with program(tmp_path / "room", language="korean", plan=False) as room:
        both = Seen(room, seen.browser)
        room.type(*KOREAN_CASE)
        both.until(both.wall, "#back", "팽창, 14 atm")
        both.until(both.desk, "#log li[data-standing=withdrawn]", "취소됨")
        for page in (both.wall, both.desk):
            assert page.locator("html").get_attribute("lang") == "ko"
            texts = [re.sub("“.*”", "", each) for each in page.evaluate(every)]
            foreign = {w for each in texts for w in re.findall("[A-Za-z]+", each)} - NOT_WORDS
            assert not foreign, [each for each in texts if set(re.findall("[A-Za-z]+", each)) & foreign]
        room.type("조영제 40")
        both.desk.locator("#questions .choice").nth(1).click()
        both.until(both.wall, "#totals", "40 mL")
        assert both.complaints == []


def test_without_the_program_the_page_says_so_by_itself(seen: Seen) -> None:
    """The last test: it ends the program."""
    number = "document.querySelector('.seconds').textContent"
    seen.room.process.kill()
    for page in (seen.wall, seen.desk):
        page.locator("#state[data-state=lost]").wait_for()
        assert page.locator("#state-word").inner_text() == "NO CONNECTION"
    # what was up does not go on counting as if it were known
    first = seen.wall.evaluate(number)
    time.sleep(1.5)
    assert seen.wall.evaluate(number) == first and first.startswith("was ")
