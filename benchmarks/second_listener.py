"""The second listener by itself: how often its likeliest sentence is right, and the processor time that it takes.

    python benchmarks/hearing.py corpus --side dev --count 450
    python benchmarks/second_listener.py --whisper FOLDER --corpus CACHE/dev.csv --voices awb,gongitsune
    python benchmarks/second_listener.py --whisper FOLDER --corpus CACHE/dev.csv --voices awb,gongitsune --untuned

**Synthetic voices are stand-ins for people.**  Processor time is that of one thread.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable, Hashable
from pathlib import Path
from typing import TypeVar

import numpy as np
from hearing import chosen
from hearing_corpus import told_plainly
from hearing_corpus.corpus import read, read_manifest
from hearing_corpus.trial import cut

from checkback import app
from checkback.hearing import whisper_engine
from checkback.hearing.ctc import PhoneAligner
from checkback.hearing.pronunciations import every_pronunciation
from checkback.hearing.recogniser import ANYWAY
from checkback.hearing.whisper import Judged, Spelling, Take, Taken, Transcribe
from checkback.listeners import language_of, spelling_of
from checkback.settings import Settings

PHONES_SHARE = 0.1
"""What the phones count for here, beside the probability of the text: in the program it is a weight like others."""

Result = TypeVar("Result")


def timed(work: Callable[[], Result]) -> tuple[Result, float]:
    """Return a result, and the processor time that it took."""
    began_s = time.process_time()
    result = work()
    return result, time.process_time() - began_s


def main() -> None:
    """Hear the call-outs and print what came of it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--whisper", type=Path, required=True, help="folder of a Whisper model")
    parser.add_argument("--corpus", type=Path, required=True, help="manifest")
    parser.add_argument("--voices", help="with commas; none: all")
    parser.add_argument("--conditions", default="mix10,mix5")
    parser.add_argument("--limit", type=int, default=60, help="call-outs of each condition")
    parser.add_argument("--untuned", action="store_true", help="the model as it came")
    parser.add_argument("--tuning", type=Path, help="another change than the one that comes along")
    options = parser.parse_args()
    if options.tuning is not None:
        whisper_engine.TUNING = options.tuning
    book = app.load_book(Settings())
    spelling = spelling_of(book)
    language = language_of(book, (), spelling)
    answer = whisper_engine.make_engine(
        options.whisper,
        "en",
        1,
        Spelling(spelling.words, spelling.arcs, spelling.start, spelling.finals),
        not options.untuned,
    )

    aligner = PhoneAligner(every_pronunciation(book.pronunciations))

    def meanings(found: Judged) -> list[Hashable | None]:
        plain = (" ".join(word for forms in language.spoken(way) for word in forms[0]) for way in found.ways)
        return [language.meaning(words) for words in plain]

    def with_phones(taken: Taken) -> list[Hashable | None]:
        """Return what the likeliest sentence means, if the phones that are heard count too."""
        if taken.phones is None or not taken.found:
            return []
        best = []
        for each in taken.found:
            laid = aligner.logprobs(taken.phones, [language.spoken(way) for way in each.ways])
            fit = max((value for value in laid if value is not None), default=-math.inf)
            likely = sum(each.logprobs) - ANYWAY * sum(each.blank_logprobs)
            best.append((likely + PHONES_SHARE * fit, each))
        return meanings(max(best, key=lambda pair: pair[0])[1])

    items = chosen(
        read_manifest(options.corpus), options.conditions, options.voices, options.limit, talk=False
    )
    for condition in options.conditions.split(","):
        rows = []
        for item in (each for each in items if each.condition == condition):
            pcm = cut(item, read(options.corpus.parent / item.path), "pedal")[0].utterance.pcm
            writing = Transcribe(pcm, book.file.writes_like, 1, 0)
            taken, search_s = timed(lambda writing=writing: answer(Take(writing)))
            _, write_s = timed(lambda writing=writing: answer(writing))
            listed = [meanings(each) for each in taken.found]
            goal = language.meaning(item.said)
            likeliest = bool(listed) and goal in listed[0]
            on_list = any(goal in each for each in listed)
            rows.append((likeliest, goal in with_phones(taken), on_list, search_s, write_s))
        right, right_by_phones, on_list, search_s, write_s = np.array(rows, dtype=float).T
        print(
            f"{condition}: {len(rows)} call-outs, likeliest right {right.mean():.0%}, with the phones that are heard "
            f"{right_by_phones.mean():.0%}, on the list {on_list.mean():.0%}; "
            f"encoding and search {np.median(search_s):.2f} s, {np.percentile(search_s, 95):.2f} s; "
            f"writing {np.median(write_s):.2f} s, {np.percentile(write_s, 95):.2f} s (median, 95th percentile)",
            flush=True,
        )


if __name__ == "__main__":
    told_plainly(main)
