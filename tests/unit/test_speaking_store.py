"""What the voice keeps of what it has said: bounded, however long the case."""

from __future__ import annotations

import gc

import numpy as np

from checkback.speaking.sound import Sound
from checkback.speaking.store import SoundStore

RATE_HZ = 16_000


def of(seconds: float) -> Sound:
    """Return a sentence of that length, cut out of a longer sound as the engines give it."""
    whole = np.zeros(round((seconds + 1.0) * RATE_HZ), dtype=np.int16)
    return Sound(whole[: round(seconds * RATE_HZ)], RATE_HZ)


def sounds() -> list[Sound]:
    gc.collect()
    return [each for each in gc.get_objects() if isinstance(each, Sound)]


def test_a_thousand_check_backs_leave_no_more_than_a_minute_of_sound() -> None:
    store = SoundStore(kept_s=60.0)
    before = len(sounds())
    store.put("say again", of(1.0), for_good=True)
    for n in range(1000):
        store.put(f"heart rate {n}", of(2.0 + n % 3))
    kept = sounds()[before:]
    assert len(kept) == len(store) < 1 + 60 / 2.0 + 1
    assert store.duration_s <= 60.0
    assert sum(each.pcm.nbytes for each in kept) <= 61.0 * RATE_HZ * 2
    # nothing longer lives on behind what was cut out of it
    assert all(each.pcm.base is None for each in kept)


def test_what_was_prepared_stays_and_of_the_rest_what_was_used_last() -> None:
    store = SoundStore(kept_s=6.0)
    store.put("say again", of(1.0), for_good=True)
    for text in ("one", "two", "three"):
        store.put(text, of(2.0))
    assert store.get("one") is not None
    store.put("four", of(2.0))
    assert store.get("two") is None
    assert [store.get(text) is not None for text in ("say again", "one", "three", "four")] == [True] * 4


def test_what_is_prepared_after_it_was_said_is_kept_for_good_and_once() -> None:
    store = SoundStore(kept_s=2.0)
    store.put("say again", of(2.0))
    store.put("say again", of(2.0), for_good=True)
    store.put("other", of(2.0))
    assert (len(store), store.duration_s) == (2, 2.0)
    assert store.get("say again") is not None


def test_a_sentence_longer_than_all_that_is_kept_is_not_kept() -> None:
    store = SoundStore(kept_s=2.0)
    store.put("long", of(3.0))
    assert (len(store), store.duration_s) == (0, 0.0)
