"""Digits spoken by people, joined into sizes and pressures.

The other words of a sentence ("balloon", "by") are spoken by a synthetic voice, at the same
telephone bandwidth.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.roughening import active_level
from checkback.language.phrasebook import Phrasebook
from hearing_corpus import digest, generator
from hearing_corpus.corpus import DIGITS_FAMILY, Corpus, Item, read
from hearing_corpus.sentences import Sentence
from hearing_corpus.voices import SPEECH_LEVEL, VOICES

Sound = NDArray[np.float64]

DIGITS = {
    "zero": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9,
}  # fmt: skip
_FAMILIES = ("balloon", "stent", "inflation", "act", "blood_pressure")
_SPEAKERS, _TAKES = ("jackson", "nicolas", "theo"), 8
_GAP_S = (0.06, 0.12)
_OTHER_NUMBERS = frozenset(
    "oh point half quarter ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen twenty "
    "thirty forty fifty sixty seventy eighty ninety hundred thousand and".split()
)
_TELEPHONE = butter(6, 3_600, fs=SAMPLE_RATE_HZ, output="sos")


def sentences(book: Phrasebook, count: int) -> list[str]:
    """Return sentences in which every number is said digit by digit, most of them numbers."""
    rng = random.Random(digest("digits"))
    found: dict[str, None] = {}
    for family in itertools.cycle(_FAMILIES):
        words = book.sample(rng, family).words.split()
        spoken = sum(word in DIGITS for word in words)
        if not _OTHER_NUMBERS & set(words) and spoken >= 2 and len(words) - spoken <= 3:
            found.setdefault(" ".join(words))
        if len(found) == count:
            return list(found)
    raise AssertionError


def joined(corpus: Corpus, folder: Path, words: str, speaker: str, take: int) -> Sound:
    """Return the sound of one sentence."""
    rng = generator("join", words, speaker)
    voice = VOICES[corpus.side][0]
    pieces: list[Sound] = []
    for is_digit, run in itertools.groupby(words.split(), DIGITS.__contains__):
        for part in run if is_digit else [" ".join(run)]:
            if is_digit:
                sound = read(folder / f"{DIGITS[part]}_{speaker}_{(take + len(pieces)) % _TAKES}.wav")
            else:
                sound = np.asarray(sosfiltfilt(_TELEPHONE, corpus.clean(voice, part)))
            gap = np.zeros(int(rng.uniform(*_GAP_S) * SAMPLE_RATE_HZ))
            pieces += [sound / active_level(sound) * SPEECH_LEVEL, gap]
    return np.clip(np.concatenate(pieces[:-1]), -1, 1)


def items(corpus: Corpus, folder: Path, book: Phrasebook, count: int, condition: str) -> Iterator[Item]:
    """Make the sound of `count` sentences, the speakers taking turns."""
    for n, words in enumerate(sentences(book, count)):
        speaker = _SPEAKERS[n % len(_SPEAKERS)]
        sentence = Sentence(f"digits-{n:03d}", "event", DIGITS_FAMILY, words)
        yield corpus.in_condition(
            sentence,
            speaker,
            condition,
            lambda words=words, speaker=speaker, n=n: joined(corpus, folder, words, speaker, n),
            words,
        )
