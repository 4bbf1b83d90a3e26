"""Which sentences are spoken: call-outs of every family, more of what is said more often in a case."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

from checkback.language.phrasebook import Phrasebook
from hearing_corpus import Side, digest

#: How often each family is drawn; every other one counts once.  Common practice, no source.
WEIGHTS = {
    "balloon": 36, "stent": 34, "stent_deployed": 14, "device_in": 24, "guide": 12,
    "inflation": 38, "deflation": 5, "deployment": 14, "what_happened": 8, "not_across": 4,
    "drug": 44, "infusion_started": 10, "infusion_changed": 6, "infusion_stopped": 4,
    "act": 24, "contrast_given": 12, "contrast_total": 8, "access": 8, "closure": 4,
    "blood_pressure": 12, "heart_rate": 4, "saturation": 4, "rhythm": 6, "shock": 4,
    "stenosis": 6, "flow": 6, "reference": 4, "flow_reserve": 4, "resting_ratio": 4,
    "fluoroscopy": 4, "air_kerma": 3, "dose_area": 3,
    "disregard": 5, "affirm": 3, "negative": 3, "choose": 4, "say_again": 2, "noted": 2,
    "last_act": 2, "contrast_so_far": 2, "heparin_so_far": 2,
    "pressure_fragment": 4, "size_fragment": 4, "duration_fragment": 3, "clotting_fragment": 3,
}  # fmt: skip

#: Draws until a family is taken to have no further sentence for a side.
_PATIENCE = 60

#: What can be said at any time; an answer to a question of the program is no sentence by itself.
_ROLES = ("event", "fragment", "dialogue", "question")

#: Entries with higher numbers are not named: there are none.
_LAST_ENTRY = 10


@dataclass(frozen=True)
class Sentence:
    """One sentence.

    Attributes
    ----------
    id : str
        Family and number, such as "balloon-007"; the same in corpora of every size.
    role, family : str
        As in the phrasebook.
    words : str
        What is said.
    """

    id: str
    role: str
    family: str
    words: str


def side_of(words: str) -> Side:
    """Return the side that a sentence belongs to."""
    return "dev" if digest("side", words) % 2 else "test"


def _family(book: Phrasebook, side: Side, role: str, family: str) -> Iterator[Sentence]:
    """Yield sentences of one family; one that has few is repeated, for other voices."""
    rng = random.Random(digest("sentences", side, family))
    seen: dict[str, None] = {}
    number = misses = 0
    while True:
        sample = book.sample(rng, family)
        words = sample.words
        if int(sample.fields.get("target", 0)) > _LAST_ENTRY:
            continue
        if role == "fragment":
            words = f"correction {words}"
        # A family without a sentence of this side ("burr run" is all there is) lends one of the other.
        lent = not seen and misses >= _PATIENCE
        if (side_of(words) != side and not lent) or words in seen:
            misses += 1
            if misses < _PATIENCE or not seen:
                continue
            words = list(seen)[number % len(seen)]
        else:
            misses = 0
        seen.setdefault(words)
        yield Sentence(f"{family}-{number:03d}", role, family, words)
        number += 1


def draw(book: Phrasebook, side: Side, count: int) -> list[Sentence]:
    """Draw about `count` sentences of one side, at least one of every family.

    Parameters
    ----------
    book : Phrasebook
    side : {"dev", "test"}
    count : int
        How many in all; rounding by family makes it a few more or less.
    """
    families = [(role, name) for role, name, _ in book.families() if role in _ROLES]
    whole = sum(WEIGHTS.get(name, 1) for _, name in families)
    drawn = []
    for role, name in families:
        wanted = max(1, round(count * WEIGHTS.get(name, 1) / whole))
        drawn += [
            sentence for _, sentence in zip(range(wanted), _family(book, side, role, name), strict=False)
        ]
    return drawn


def on_both_sides(drawn: list[Sentence], side: Side) -> list[str]:
    """Return the families that have no sentence of their own side."""
    return sorted({sentence.family for sentence in drawn if side_of(sentence.words) != side})
