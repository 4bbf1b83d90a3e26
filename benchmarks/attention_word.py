"""How well an attention word is found before call-outs, and how often in talk, by the search alone.

    python benchmarks/hearing.py corpus --side dev --talk --conditions quiet,mix10
    python benchmarks/hearing.py corpus --side dev --attention "check back" --count 60 --conditions quiet,mix15,mix10
    python benchmarks/attention_word.py "check back"

Each sound file is cut as an open room is.  **The voices are synthetic, stand-ins for people.**
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from pathlib import Path

import numpy as np
from hearing import default_cache
from hearing_corpus import SIDES, told_plainly
from hearing_corpus.corpus import read, read_manifest
from hearing_corpus.trial import cut

from checkback.hearing.calling import LEAST_SCORE, SURE_SCORE, Spotter


def scores(
    spotter: Spotter, manifest: Path, *, best: bool
) -> tuple[dict[str, list[float]], dict[str, float]]:
    """Return the scores by condition, of each file the best or of each utterance one; and the hours of sound."""
    found: dict[str, list[float]] = defaultdict(list)
    hours: dict[str, float] = defaultdict(float)
    for item in read_manifest(manifest):
        sound = read(manifest.parent / item.path)
        pieces = [spotter.score(each.utterance.pcm) for each in cut(item, sound, "open room")]
        found[item.condition] += [max(pieces, default=0.0)] if best else pieces
        hours[item.condition] += len(sound) / 16_000 / 3600
    return found, hours


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("words", nargs="+", help="attention words to be compared, each in quotes")
    parser.add_argument("--cache", type=Path, default=default_cache(), help="folder of the corpora")
    parser.add_argument("--side", choices=SIDES, default="dev")
    options = parser.parse_args()
    for words in options.words:
        spotter = Spotter(words.split(), {})
        name = f"{options.side}-called-{words.replace(' ', '-')}.csv"
        for condition, found in scores(spotter, options.cache / name, best=True)[0].items():
            low = np.quantile(found, (0.02, 0.1, 0.5))
            print(
                f"{words}, {condition}, {len(found)} call-outs behind it: under {LEAST_SCORE} {np.mean(np.array(found) < LEAST_SCORE):.1%}, "
                f"{SURE_SCORE} and more {np.mean(np.array(found) >= SURE_SCORE):.1%}; 2 %, 10 %, half under {low.round(3)}"
            )
        talk, hours = scores(spotter, options.cache / f"{options.side}-talk.csv", best=False)
        for condition, found in talk.items():
            print(
                f"{words}, talk, {condition}, {hours[condition] * 60:.0f} min, {len(found)} utterances: "
                f"{LEAST_SCORE} and more {sum(s >= LEAST_SCORE for s in found)}, {SURE_SCORE} and more "
                f"{sum(s >= SURE_SCORE for s in found)}; highest {np.sort(found)[::-1][:3].round(3)}",
                flush=True,
            )


if __name__ == "__main__":
    told_plainly(main)
