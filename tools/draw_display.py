"""Draw both pages of the display for docs/display.md, from an invented case that is typed in.

PYTHONPATH=tests python tools/draw_display.py docs [--width 1920]
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from display_room import CASE_SO_FAR, browser, program

PATIENCE_MS = 120_000


def main() -> None:
    """Write wall.png while a balloon is up, and desk.png with an open question."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--width", type=int, default=1920)
    wanted = parser.parse_args()
    size = {"width": wanted.width, "height": wanted.width * 9 // 16}
    with (
        tempfile.TemporaryDirectory() as folder,
        program(Path(folder), case="case-7") as room,
        browser() as opened,
    ):
        page = opened.new_page(viewport=size)
        page.set_default_timeout(PATIENCE_MS)
        page.goto(room.address())
        room.type(*CASE_SO_FAR)
        page.locator(".seconds").filter(has_text="12").wait_for()
        page.screenshot(path=wanted.folder / "wall.png", timeout=PATIENCE_MS)
        page.goto(f"{room.address()}desk")
        room.type("balloon down", "balloon out", "correction entry 6 heparin 6000 units")
        room.type("contrast given 60", "balloon three by twenty eight")
        page.locator("#questions .choice").first.wait_for()
        page.locator("#log li[data-standing=questioned]").first.wait_for()
        page.screenshot(path=wanted.folder / "desk.png", timeout=PATIENCE_MS)


if __name__ == "__main__":
    main()
