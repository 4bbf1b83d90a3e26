"""How long from an entry on disk to its letters on the monitor, and what the display costs the loop.

    python benchmarks/display.py [--entries 60] [--seed 1]

A live room with typed call-outs runs in this process, and a real browser without a window looks at
the wall.  "Entry to pixel" is from the return of the append, which is after the sync to disk, to the
frame after the one in which the page took in the change (requestAnimationFrame twice, behind a
MutationObserver).  "Handing over" is the time of the loop's own thread in the display's hook, at two
stretches of the case.  Needs chromium, and the extras display and test.
"""

from __future__ import annotations

import argparse
import random
import shutil
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from checkback import app
from checkback.record.entry import Entry
from checkback.settings import Settings

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")

WATCH = """() => {
    window.seen = {};
    new MutationObserver(() => {
        const text = document.getElementById("back").textContent;
        requestAnimationFrame(() => requestAnimationFrame(() => { window.seen[text] ??= Date.now(); }));
    }).observe(document.getElementById("back"), {childList: true, subtree: true, characterData: true});
}"""


def told(name: str, values: list[float], unit: str, factor: float = 1.0) -> None:
    """Print median, 95th percentile and the longest."""
    ordered = sorted(values)
    at_95 = ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))]
    print(
        f"{name:34} median {statistics.median(ordered) * factor:8.1f}  95 % {at_95 * factor:8.1f}  "
        f"longest {ordered[-1] * factor:8.1f} {unit}  (n={len(ordered)})"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--entries", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    from playwright.sync_api import sync_playwright

    settings = Settings.model_validate({"display": {"use": True, "port": 0}, "speaking": {"voice": "silent"}})
    book = app.load_book(settings)
    on_disk: dict[int, float] = {}
    handing: list[float] = []
    address: list[str] = []

    def show(line: str) -> None:
        if "The display is at" in line:
            address.append(line.split()[4])

    with (
        tempfile.TemporaryDirectory() as folder,
        app.listening(
            Path(folder) / "case", settings, book, typed_only=True, report=lambda *_: None, show=show
        ) as room,
    ):
        loop: Any = room._loop
        hook: Callable[[Entry], None] = loop._recorder.on_entry

        def handed(entry: Entry) -> None:
            on_disk[entry.n] = time.time()
            begun_s = time.thread_time()
            hook(entry)
            handing.append(time.thread_time() - begun_s)

        loop._recorder.on_entry = handed
        worker = threading.Thread(target=room.run)
        worker.start()
        rng = random.Random(wanted.seed)
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
            page = browser.new_page(viewport={"width": 1920, "height": 1080})
            page.goto(address[0])
            page.locator("#state[data-state=typed]").wait_for()
            page.evaluate(WATCH)
            rates = rng.sample(range(40, 200), min(wanted.entries, 160))
            for rate in rates:
                room.type(f"heart rate {rate}")
                page.wait_for_timeout(rng.uniform(150, 450))
            page.wait_for_timeout(1500)
            seen: dict[str, float] = page.evaluate("window.seen")
            by_text = {
                app.Phrasing(book).summary(entry): entry.n for entry in loop.case.entries if entry.words
            }
            times = [
                seen[text] / 1000 - on_disk[n] for text, n in by_text.items() if text in seen and n in on_disk
            ]
            told("entry on disk to pixel", times, "ms", 1000)
            print(f"{'':34} {len(rates) - len(times)} of {len(rates)} were overtaken by the next")
            short = handing[: len(handing) // 2]
            told(f"handing over, first {len(short)} entries", short, "µs", 1e6)
            for n in range(600):
                room.type(f"heart rate {40 + n % 150}")
            while len(handing) < wanted.entries + 600:
                time.sleep(0.2)
            told("handing over, entries 500 to 600", handing[-100:], "µs", 1e6)
            browser.close()
        room.stop()
        worker.join()


if __name__ == "__main__":
    main()
