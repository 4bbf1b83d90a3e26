"""The network that tells phones, on words that nobody said when it was learnt, by a voice that it has not heard."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hearing_corpus.any_words import KEPT_BACK
from hearing_corpus.voices import HELD_BACK

from checkback.hearing.ctc import likeliest_phones
from checkback.hearing.phone_network import PhoneNetwork
from checkback.hearing.phonetic import PHONES
from checkback.hearing.pronunciations import bundled_pronunciations
from checkback.hearing.recogniser import Pcm
from checkback.hearing.whisper_file import Array
from speakers import needs_flite, utterance

VOICE = "awb"


def apart(heard: list[str], said: list[str]) -> int:
    """Return how many phones have to be changed, put in or taken out."""
    row = list(range(len(said) + 1))
    for n, phone in enumerate(heard, 1):
        before, row[0] = row[:], n
        for at, wanted in enumerate(said, 1):
            row[at] = min(before[at] + 1, row[at - 1] + 1, before[at - 1] + (phone != wanted))
    return row[-1]


def share_wrong(network: Callable[[Pcm], Array]) -> float:
    """Return how many of the phones are wrong, of those that a dictionary has for the words."""
    known = dict(reversed(list(bundled_pronunciations())))
    wrong = all_of_them = 0
    assert VOICE in HELD_BACK
    words = sorted(KEPT_BACK)
    for sentence in (" ".join(words[n : n + 3]) for n in range(0, len(words), 3)):
        heard = [PHONES[phone] for phone in likeliest_phones(network(utterance(sentence, VOICE).pcm))]
        said = [phone for word in sentence.split() for phone in known[word].split()]
        wrong, all_of_them = wrong + apart(heard, said), all_of_them + len(said)
    print(f"{wrong} of {all_of_them} phones")
    return wrong / all_of_them


@pytest.mark.outside
@needs_flite
def test_about_half_of_the_phones_of_any_words_are_heard() -> None:
    """Outside: the dictionary that comes with PocketSphinx has their phones."""
    # a network that was learnt with call-outs alone had 65 % wrong, and took words for others
    assert share_wrong(PhoneNetwork()) < 0.55


def test_of_noise_it_makes_few() -> None:
    network, rng = PhoneNetwork(), np.random.default_rng(8)
    for loud in (30, 3_000):
        noise = np.round(rng.standard_normal(48_000) * loud).astype(np.int16)
        assert len(likeliest_phones(network(noise))) <= 3
