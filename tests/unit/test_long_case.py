"""A long case keeps its entries and nothing else: no sound, no outcomes, no boards of before."""

from __future__ import annotations

import gc
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

import english
from checkback.board import Rules
from checkback.display import Keeper
from checkback.hearing.recogniser import Heard, Hypothesis, Utterance
from checkback.language.phrasing import Phrasing
from checkback.loop import Loop
from checkback.record.clock import HandClock
from checkback.record.journal import Journal
from checkback.showing.plain import Room, Snapshot
from checkback.speaking.voices import SilentVoice
from checkback.watching.limits import load as load_limits

START = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
CALL_OUTS = (
    "heart rate seventy two",
    "contrast given twenty",
    "wire across",
    "pressure one twenty over eighty",
)


def counted() -> Counter[str]:
    gc.collect()
    return Counter(type(each).__qualname__ for each in gc.get_objects())


def test_what_is_held_grows_by_the_entries_alone(tmp_path: Path) -> None:
    book = english.book()
    limits = load_limits(english.GRAMMARS)
    journal = Journal.open(tmp_path / "case")
    clock = HandClock(START)
    snapshots: list[Snapshot] = []
    keeper = Keeper(
        Rules(limits, book.catalogue, Phrasing(book)),
        tmp_path / "case",
        lambda snapshot: snapshots.__setitem__(slice(None), [snapshot]),
        lambda line: None,
    )
    loop = Loop(
        book, journal, clock, SilentVoice(), limits=limits, recogniser="none", program_version="1",
        on_entry=keeper.entry,
    )  # fmt: skip
    keeper._news.put(tuple(loop.case.entries))

    def go_on(entries: int) -> int:
        until = journal.next_n + entries
        n = journal.next_n
        while journal.next_n < until:
            now_s = 10.0 * journal.next_n
            clock.set(now_s)
            n += 1
            sound = np.zeros(16_000, dtype=np.int16)
            said = Heard(
                Utterance(sound, now_s - 1, now_s, held=True), "none", (Hypothesis(CALL_OUTS[n % 4], -1.0),)
            )
            keeper.told(loop.heard(said))
            keeper.told(loop.typed(f"contrast {20 + n % 70}"))
            loop.tick()
            keeper._take_news()
            keeper.make(clock.now(), 1, Room("listening"))
        return journal.next_n

    first = go_on(60)
    before = counted()
    more = go_on(120) - first
    grown = counted() - before
    for none in ("Utterance", "Heard", "ndarray", "Hypothesis"):
        assert grown[none] == 0, none
    # the last ones may be held somewhere
    for few in ("Outcome", "Told", "Board", "Snapshot", "Reading"):
        assert grown[few] <= 2, few
    for each in ("Entry", "Line", "Row"):
        assert grown[each] == more
    # an entry is itself, three moments, a body, its places in the case and its line: checked, not derived
    assert sum(grown.values()) / more < 30
    journal.close()
