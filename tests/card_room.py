"""A room in which call-outs are typed and a card is gone through, step by step, into a case."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Any, cast

import english
from checkback.guiding import deck as decks
from checkback.guiding.cards import Named
from checkback.guiding.deck import Deck
from checkback.guiding.equipment import Equipment
from checkback.guiding.marks import View, view
from checkback.guiding.steps import CardWord, Offered, Turn, offers, opened, respond
from checkback.record.entry import Entry
from watched_case import Told


@cache
def deck() -> Deck:
    return decks.load(english.GRAMMARS)


def without(*items: str) -> Equipment:
    """Return the equipment of a laboratory that lacks some items."""
    here = deck().equipment
    assert set(items) <= set(here.available)
    return here.model_copy(update={"available": here.available | dict.fromkeys(items, False)})


@dataclass
class CardRoom:
    """Call-outs every fifteen seconds, and a card that is open."""

    equipment: Equipment = field(default_factory=lambda: deck().equipment)
    two_person: bool = False
    told: Told = field(default_factory=Told)
    minute: float = 0.0
    card: str = ""
    turns: list[Turn] = field(default_factory=list)
    views: list[View] = field(default_factory=list)

    def say(self, words: str) -> Entry:
        """Type a call-out that has one reading."""
        (reading,) = english.typed_reader().read(words)
        assert reading.role == "event", words
        return self.record(reading.body, words=words)

    def record(self, body: Any, **more: Any) -> Entry:
        self.minute += 0.25
        return self.told.say(self.minute, body, **more)

    def open(self, card: str) -> Turn:
        self.card = card
        return self._turn(opened(self.view()))

    def word(self, word: str) -> Turn:
        return self._turn(respond(self.view(), cast(CardWord, word), two_person=self.two_person))

    def view(self, card: str = "") -> View:
        found = view(
            self.named(card), self.told.case, self.told.moment(self.minute), self.told.session, self.equipment
        )
        self.views.append(found)
        return found

    def named(self, card: str = "") -> Named:
        return deck().cards[card or self.card]

    def offered(self) -> tuple[Offered, ...]:
        return offers(self.told.case, deck().cards, self.told.moment(self.minute), self.told.session)

    def mark(self, line: str) -> str:
        return self.view().marked(line).mark

    def play(self, script: str) -> None:
        """Play a case: a line is a call-out, or behind ">" a word to the card ("> open NAME" opens it)."""
        for line in filter(None, map(str.strip, script.splitlines())):
            if line.startswith("> open "):
                self.open(line.removeprefix("> open "))
            elif line.startswith("> at "):
                # go to a line by answering and passing on, as people do
                self.to(line.removeprefix("> at "))
            elif line.startswith("> "):
                turn = self.word(line.removeprefix("> "))
                assert turn.steps or turn.reply in ("why", "end"), (line, turn)
            else:
                self.say(line)
            if self.card:
                self.view()

    def to(self, line: str) -> None:
        """Say "next" until a line is read."""
        for _ in range(30):
            if self.view().progress.current == line:
                return
            turn = self.word("next")
            assert turn.reply == "line", (line, self.view().progress.current, turn)
        raise AssertionError(line)

    def _turn(self, turn: Turn) -> Turn:
        for step in turn.steps:
            self.record(step, words="")
        self.turns.append(turn)
        return turn
