"""Sentences of any words: for what is to be learnt of how words sound, and not of what is said in a case."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from itertools import repeat
from os import cpu_count
from pathlib import Path

from checkback import app
from checkback.hearing.pronunciations import bundled_pronunciations
from checkback.language.phrasebook import Phrasebook
from checkback.listeners import grammar_of
from checkback.settings import Settings
from hearing_corpus.corpus import read_manifest
from hearing_corpus.sentences import side_of
from hearing_corpus.tuning_sound import PITCHES, Said, free_sentences, quick_voices, read_said, spoken
from hearing_corpus.voices import BEYOND, FOREIGN, MANY, MIXED, PICO, Voice, phonemes

QUICK, SLOW = 6_000, 900
"""Sentences by the engines that speak at once, and by the many speakers of Kokoro."""

FOREIGN_SHARE = 5
"""Every so manieth of the quick ones is said in the sounds of another language."""

OF_DICTIONARY, OF_CALL_OUTS = 0.4, 0.3
"""So many of the sentences are words of the dictionary, and call-outs with some of them; the others are words of the
phrasebook in any order."""

EXCHANGED = 0.35
"""So many words of a call-out are exchanged for others."""

KEPT_BACK = frozenset(
    "magnet harvest cucumber window sandwich galaxy biscuit lantern pumpkin zipper kitchen mushroom feather journey "
    "blanket whisper orchard gravity popcorn dolphin volcano chimney umbrella treasure".split()
)
"""Nobody says these, so that it can be tested what is made of words that were never heard."""

_WORD = re.compile(r"[a-z]{2,13}")

#: The phonemes of the voices as the dictionary writes them; a vowel is any vowel.
_SIGNS = dict.fromkeys("əʌæɛɪᵻᵊɔʊOAIWYɜɑiu", "any") | {
    "ʤ": "JH", "ʧ": "CH", "ʃ": "SH", "ʒ": "ZH", "θ": "TH", "ð": "DH", "ŋ": "NG", "ɹ": "R", "ɡ": "G", "ɾ": "T", "T": "T",
    "j": "Y", "h": "HH", **{sign: sign.upper() for sign in "bdfgklmnpstvwz"},
}  # fmt: skip


def said_as_written(word: str, phones: str) -> bool:
    """Return whether the voices say a word with the consonants that a dictionary has for it, and as many vowels."""
    sounds = [_SIGNS[sign] for sign in phonemes(word) if sign in _SIGNS]
    written: list[str] = []
    for phone in phones.split():
        written += ["any", "R"] if phone == "ER" else ["any"] if phone[0] in "AEIOU" else [phone]
    return [each.replace("D", "T") for each in sounds] == [each.replace("D", "T") for each in written]


class _Words:
    """Draws sentences of any words.

    Parameters
    ----------
    book : Phrasebook
    free : list of str
        Call-outs that may be used.
    rng : Random
    """

    def __init__(self, book: Phrasebook, free: list[str], rng: random.Random) -> None:
        self._free, self._rng = free, rng
        self._own = sorted(grammar_of(book).words)
        self._dictionary = [pair for pair in bundled_pronunciations() if _WORD.fullmatch(pair[0])]

    def _any(self) -> str:
        while True:
            word, phones = self._rng.choice(self._dictionary)
            if said_as_written(word, phones):
                return word

    def _draw(self) -> str:
        rng = self._rng
        which = rng.random()
        if which < OF_DICTIONARY:
            return " ".join(self._any() for _ in range(rng.randint(2, 5)))
        if which < OF_DICTIONARY + OF_CALL_OUTS:
            words = rng.choice(self._free).split()
            return " ".join(self._any() if rng.random() < EXCHANGED else word for word in words)
        return " ".join(rng.choices(self._own, k=rng.randint(3, 7)))

    def __iter__(self) -> Iterator[str]:
        """Yield words of a dictionary, call-outs with some of these, and words of the phrasebook in any order."""
        while True:
            words = self._draw()
            # most are no sentence of either side, but they might be
            if side_of(words) == "dev" and KEPT_BACK.isdisjoint(words.split()):
                yield words


def said_of_all_kinds(listed: Path, corpus: Path) -> list[Said]:
    """Return the sounds of a list of `tune_whisper.py`, and sentences of any words beside them.

    Parameters
    ----------
    listed : Path
    corpus : Path
        Manifest of the development side, whose sentences are left out.

    Raises
    ------
    UserError
        If one of the two is not there.
    """
    measured = {item.said for item in read_manifest(corpus)}
    return [*read_said(listed), *any_words(listed.parent, app.load_book(Settings()), measured)]


def any_words(folder: Path, book: Phrasebook, measured: set[str]) -> Iterator[Said]:
    """Make sentences of any words, by the voices with which the listeners are tuned.

    Parameters
    ----------
    folder : Path
        For the sounds; those that are there are taken.
    book : Phrasebook
    measured : set of str
        Sentences of the development corpus, which are left out.
    """
    rng = random.Random("any words")
    words = (each for each in _Words(book, free_sentences(book, measured), rng) if each not in measured)
    quick = [*quick_voices(), *PICO]
    voices: list[Voice] = [rng.choice(FOREIGN if n % FOREIGN_SHARE == 0 else quick) for n in range(QUICK)]
    voices += [rng.choice([*MANY, *MIXED, *BEYOND]) for _ in range(SLOW)]
    pitches = [round(rng.choice([1.0, rng.uniform(*PITCHES)]), 3) for _ in voices]
    sentences = [next(words) for _ in voices]
    with ProcessPoolExecutor(cpu_count()) as pool:
        yield from pool.map(spoken, repeat(folder), voices, pitches, sentences, chunksize=8)
