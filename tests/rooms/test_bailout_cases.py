"""The invented cases of every card, typed through the real loop, with the program started anew half-way.

What the live room makes of a case is held against the same script played without it, see `CardRoom`.
"""

from __future__ import annotations

from collections import Counter
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

import english
from bailout_room import BailoutRoom
from card_cases import CASES
from card_room import CardRoom, deck
from checkback.guiding.marks import View, view
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import CardStep, Entry
from checkback.record.journal import Journal, verify
from checkback.reporting.narrative import narrative

Steps = list[tuple[str, str]]


class Played:
    """A case that was typed, and what its card showed after each line."""

    def __init__(self, name: str, folder: Path) -> None:
        self.script = [line.strip() for line in CASES[name].splitlines() if line.strip()]
        (self.card,) = {line.split()[-1] for line in self.script if line.startswith("> open ")}
        self.room = BailoutRoom(folder)
        self.views: list[View] = []
        for place, line in enumerate(self.script):
            if place == len(self.script) // 2:
                self.room.restart(after_s=20.0)
            self.type(line)
        self.entries = self.room.entries
        self.said = self.room.spoken
        self.room.close()
        self.sound = verify(folder).ok
        self.case = Case(Journal.read(folder))

    def type(self, line: str) -> None:
        self.room.play(line)
        if self.room.entries[-1].standing == "questioned":
            # what the case speaks against, such as a balloon that bursts and is not up
            self.room.say("affirm")
        loop = self.room.loop
        at = self.room.clock.now()
        session = self.room.entries[-1].session
        self.views.append(view(deck().cards[self.card], loop.case, at, session, deck().equipment))

    @property
    def marks(self) -> dict[str, str]:
        return {each.name: each.mark for each in self.views[-1].lines}


@cache
def played(name: str) -> Played:
    with TemporaryDirectory() as folder:
        return Played(name, Path(folder) / "case")


@cache
def without_the_loop(name: str) -> CardRoom:
    room = CardRoom()
    room.play(CASES[name])
    return room


def steps(entries: list[Entry] | tuple[Entry, ...]) -> Steps:
    """Return what people said to the card; what is read depends on it."""
    bodies = [entry.body for entry in entries if isinstance(entry.body, CardStep)]
    return [(b.action, b.line) for b in bodies if b.action not in ("offered", "read")]


@pytest.mark.parametrize("name", CASES)
def test_the_live_room_marks_the_lines_as_the_card_does_by_itself(name: str) -> None:
    live, alone = played(name), without_the_loop(name)
    assert steps(live.entries) == steps(alone.told.case.entries)
    assert live.marks == {each.name: each.mark for each in alone.view().lines}
    assert live.views[-1].progress.state == "closed"
    assert live.sound


@pytest.mark.parametrize("name", CASES)
def test_what_is_called_tried_has_its_entry_at_every_moment(name: str) -> None:
    lines = list(deck().cards[played(name).card].card.lines)
    for each in played(name).views:
        assert [marked.name for marked in each.lines] == lines
        for marked in each.lines:
            if marked.mark in ("tried", "yes", "no"):
                assert marked.shown_by, marked


def test_the_cases_walk_every_branch_through_the_loop() -> None:
    found: Counter[tuple[str, str, str]] = Counter()
    for name in CASES:
        for each in played(name).views:
            for marked in each.lines:
                by_word = all(isinstance(e.body, CardStep) for e in marked.shown_by)
                mark = "tried by entries" if marked.mark == "tried" and not by_word else marked.mark
                found[each.name, marked.name, mark] += 1
    wanted = []
    for name, named in deck().cards.items():
        for line, each_line in named.card.lines.items():
            ways = ["yes", "no"] if each_line.is_question else ["not tried"]
            ways += ["tried by entries"] if each_line.tried_when is not None else []
            wanted += [(name, line, way) for way in ways]
    missing = [branch for branch in wanted if not found[branch]]
    print(f"{len(CASES)} cases through the loop, {len(wanted)} branches, {len(wanted) - len(missing)} walked")
    assert not missing


@pytest.mark.parametrize("name", CASES)
def test_the_report_tells_it_in_order_with_times(name: str) -> None:
    case = played(name).case
    text = narrative(case, Phrasing(english.book()))
    told = text.partition("Bailout card ")[2].partition("\n\n")[2].partition("\n\n")[0]
    # a line of the list, however long, is one step with its time in front
    items = [" ".join(item.split()) for item in told.removeprefix("- ").split("\n- ")]
    people = [
        entry
        for entry in case.in_force()
        if isinstance(entry.body, CardStep) and entry.body.action not in ("read", "offered")
    ]
    places = []
    for entry in people:
        (place,) = [n for n, item in enumerate(items) if f"[{entry.n}]" in item]
        assert items[place].startswith(f"{entry.at.wall:%H:%M:%S} "), items[place]
        places.append(place)
    assert len(places) >= 3
    assert places == sorted(places)


def test_every_card_that_offers_itself_is_offered_by_a_case_and_once() -> None:
    offered = {name for name, named in deck().cards.items() if named.card.offer is not None}
    found = set()
    for name in CASES:
        bodies = [e.body for e in played(name).entries if isinstance(e.body, CardStep)]
        cards = [b.card for b in bodies if b.action == "offered"]
        assert len(cards) == len(set(cards)), (name, cards)
        found |= set(cards)
    assert found == offered
