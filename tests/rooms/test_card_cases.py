"""Invented cases, typed with the real phrasebook, that walk every branch of every card."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import cache

import pytest

import english
from card_cases import CASES
from card_room import CardRoom, deck
from checkback.guiding.marks import View
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import CardStep
from checkback.reporting.narrative import narrative


@cache
def played(name: str) -> CardRoom:
    room = CardRoom()
    room.play(CASES[name])
    return room


@cache
def all_views() -> tuple[View, ...]:
    return tuple(view for name in CASES for view in played(name).views)


def branches() -> Iterator[tuple[str, str, str]]:
    """Yield what can come of each line: both answers, and tried where entries can show it."""
    for name, named in deck().cards.items():
        for line, each in named.card.lines.items():
            if each.is_question:
                yield name, line, "yes"
                yield name, line, "no"
            else:
                yield name, line, "not tried"
                if each.tried_when is not None:
                    yield name, line, "tried by entries"
            for place, _ in enumerate(each.unless):
                yield name, line, f"ruled out {place + 1}"
        if named.card.offer is not None:
            yield name, "", "offered"


@cache
def covered() -> Counter[tuple[str, str, str]]:
    found: Counter[tuple[str, str, str]] = Counter()
    for view in all_views():
        for each in view.lines:
            mark = each.mark
            if mark == "tried" and not all(isinstance(e.body, CardStep) for e in each.shown_by):
                mark_of = "tried by entries"
            else:
                mark_of = mark
            found[view.name, each.name, mark_of] += 1
            for place, rule in enumerate(each.line.unless):
                if each.mark == "not suitable" and each.because.startswith(rule.because):
                    asked = view.progress.answers.get(rule.line)
                    if asked is not None and asked.word == rule.answer:
                        found[view.name, each.name, f"ruled out {place + 1}"] += 1
    for name in CASES:
        room = CardRoom()
        for line in filter(None, map(str.strip, CASES[name].splitlines())):
            if line.startswith(">"):
                break
            room.say(line)
            for offered in room.offered():
                found[offered.name, "", "offered"] += 1
    return found


@pytest.mark.parametrize("name", CASES)
def test_a_case_is_played_to_its_end(name: str) -> None:
    room = played(name)
    assert room.view().progress.state == "closed"
    assert len(room.views) > 5


def test_every_branch_of_every_card_is_walked() -> None:
    wanted = list(branches())
    missing = [branch for branch in wanted if not covered()[branch]]
    print(f"{len(CASES)} cases, {len(wanted)} branches, {len(wanted) - len(missing)} walked")
    for name in deck().cards:
        of_card = [branch for branch in wanted if branch[0] == name]
        print(f"  {name}: {sum(bool(covered()[b]) for b in of_card)} of {len(of_card)}")
        for _, line, what in (branch for branch in of_card if branch in missing):
            print(f"    not walked: {line} {what}")
    assert not missing
    assert len(CASES) >= 8


@pytest.mark.parametrize("name", CASES)
def test_after_a_restart_the_card_is_where_it_was(name: str) -> None:
    room = played(name)
    again = CardRoom(told=room.told, minute=room.minute, card=room.card)
    again.told.case, before = Case(room.told.case.entries), room.told.case
    try:
        assert again.view().progress == room.view().progress
        assert again.view().lines == room.view().lines
    finally:
        room.told.case = before


@pytest.mark.parametrize("name", CASES)
def test_the_report_tells_the_bailout_in_order(name: str) -> None:
    case = played(name).told.case
    text = narrative(case, Phrasing(english.book()))
    heading, told = text.partition("Bailout card ")[2].split("\n\n")[:2]
    steps = [e for e in case.in_force() if isinstance(e.body, CardStep) and e.body.action != "read"]
    assert played(name).named().card.title in heading
    places = [told.find(f"[{entry.n}]") for entry in steps]
    assert -1 not in places, (told, steps[places.index(-1)])
    assert places == sorted(places)
