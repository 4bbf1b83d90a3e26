"""Write what the cards say into a Markdown file, between its two marks.

Example: python tools/write_cards_page.py docs/cards.md
"""

from __future__ import annotations

import sys
from pathlib import Path

from checkback.guiding import deck
from checkback.guiding.page import BEGIN, FINISH, page
from checkback.settings import Settings, grammars_folder

if __name__ == "__main__":
    path = Path(sys.argv[1])
    before, _, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    after = rest.partition(FINISH.strip("\n"))[2]
    made = page(deck.load(grammars_folder(Settings())))
    path.write_text(before + BEGIN + made + FINISH + after, encoding="utf-8")
