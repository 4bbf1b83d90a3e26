"""Draw the picture of the README: a stretch of the demo's replay, as the terminal shows it.

    python tools/draw_replay.py docs/replay.png

Needs the program `rsvg-convert` (Debian: librsvg2-bin, fonts-dejavu-core).
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from io import StringIO
from pathlib import Path

from rich.console import Console
from rich.text import Text

from checkback import cli

FIRST, LAST = 30, 56
ROOT = Path(__file__).resolve().parent.parent


def main(target: Path) -> None:
    """Replay the demo and draw lines FIRST to LAST of what it prints."""
    cli.out = Console(record=True, width=104, file=StringIO(), highlight=False)
    with tempfile.TemporaryDirectory() as folder:
        cli.cli(
            ["replay", str(ROOT / "demo" / "case.flac"), "--case", f"{folder}/case", "--silent",
             "--start", "2026-03-02T08:00:00+01:00"],
            standalone_mode=False,
        )  # fmt: skip
    lines = cli.out.export_text(styles=True).splitlines()[FIRST:LAST]
    picture = Console(record=True, width=104, file=StringIO())
    for line in lines:
        picture.print(Text.from_ansi(line))
    svg = picture.export_svg(title="checkback replay demo/case.flac --case demo-case")
    # the fonts are those of the computer, nothing is fetched
    svg = re.sub(r"@font-face \{.*?\}", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<circle.*?/>", "", svg, flags=re.DOTALL).replace("Fira Code", "DejaVu Sans Mono")
    svg = svg.replace("<text ", '<text xml:space="preserve" ')
    subprocess.run(
        ["rsvg-convert", "--width", "1400", "--output", str(target)], input=svg.encode(), check=True
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
