"""How long it takes to find every reading of a sentence.

    python benchmarks/parse.py [--seed 1]

Prints the median and the 99th percentile over sentences of every role drawn from the phrasebook,
and over strings of words of its vocabulary drawn at random, most of which are no sentence.  Times
are of the processor, so that other work on the computer does not count; the first sentences also
build the tables of the matcher.
"""

from __future__ import annotations

import argparse
import random
import statistics
import time
from collections.abc import Iterable
from pathlib import Path

from checkback.language.expression import Table, Word, walk
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader

GRAMMARS = Path(__file__).parent.parent / "grammars"


def vocabulary(book: Phrasebook) -> list[str]:
    """Return every word that can be said, sorted."""
    words: set[str] = set()
    for node in walk(book.spoken):
        if isinstance(node, Word):
            words.add(node.text)
        elif isinstance(node, Table):
            words.update(word for form in node.by_form for word in form)
    return sorted(words)


def measure(reader: Reader, sentences: Iterable[str]) -> tuple[list[float], int]:
    """Return the processor time of each sentence, in milliseconds, and how many had a reading."""
    taken_ms, read = [], 0
    for sentence in sentences:
        began = time.process_time()
        readings = reader.read(sentence)
        taken_ms.append(1e3 * (time.process_time() - began))
        read += bool(readings)
    return taken_ms, read


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seed", type=int, default=1)
    rng = random.Random(parser.parse_args().seed)

    book = Phrasebook.load(GRAMMARS)
    words = vocabulary(book)
    drawn = {
        "5000 sentences of the phrasebook": [book.sample(rng).words for _ in range(5000)],
        "2000 strings of its words": [
            " ".join(rng.choices(words, k=rng.randint(1, 12))) for _ in range(2000)
        ],
    }
    for mode in ("spoken", "typed"):
        reader = Reader(book, typed=mode == "typed")
        for name, sentences in drawn.items():
            taken_ms, read = measure(reader, sentences)
            print(
                f"{mode}, {name} ({read} read): median {statistics.median(taken_ms):.3f} ms, "
                f"99th percentile {statistics.quantiles(taken_ms, n=100)[98]:.3f} ms, "
                f"longest {max(taken_ms):.3f} ms"
            )


if __name__ == "__main__":
    main()
