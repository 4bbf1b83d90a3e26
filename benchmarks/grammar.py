"""What it costs to give PocketSphinx the phrasebook: as a word graph, as the program does, or as JSGF.

    python benchmarks/grammar.py

Both hold the same sentences.  Each is loaded in a process of its own; times are of the processor.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
from pathlib import Path

from checkback import app
from checkback.hearing.pocketsphinx import PocketSphinxDecoder, accepts_jsgf
from checkback.language.phrasebook import Phrasebook
from checkback.language.wordgraph import jsgf
from checkback.settings import Settings


def resident_mb() -> float:
    """Return the resident memory of this process in MB."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def as_graph(book: Phrasebook) -> str:
    """Compile and load the word graph."""
    began = time.process_time()
    grammar = app.grammar_of(book)
    compiled_s = time.process_time() - began
    before_mb = resident_mb()
    began = time.process_time()
    decoder = PocketSphinxDecoder(grammar)
    loaded_s = time.process_time() - began
    used_mb = resident_mb() - before_mb
    del decoder
    return (
        f"word graph: {len(grammar.arcs)} arcs, compiled in {compiled_s:.2f} s, taken in {loaded_s:.2f} s, "
        f"{used_mb:.0f} MB more"
    )


def as_jsgf(book: Phrasebook) -> str:
    """Write and load the JSGF."""
    began = time.process_time()
    text = jsgf(book.spoken, book.file.name, book.file.language)
    written_s = time.process_time() - began
    before_mb = resident_mb()
    began = time.process_time()
    accepted = accepts_jsgf(text, book.pronunciations)
    loaded_s = time.process_time() - began
    return (
        f"JSGF: {len(text) / 1e3:.0f} kB, written in {written_s:.2f} s, "
        f"{'taken' if accepted else 'refused'} in {loaded_s:.2f} s, {resident_mb() - before_mb:.0f} MB more "
        "(with the whole bundled dictionary)"
    )


def main() -> None:
    """Measure and print."""
    argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    ).parse_args()
    book = app.load_book(Settings())
    for way in (as_graph, as_jsgf):
        with multiprocessing.get_context("spawn").Pool(1) as pool:
            print(pool.apply(way, (book,)))


if __name__ == "__main__":
    main()
