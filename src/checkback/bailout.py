"""The bailout cards in the room: opened and answered by a word, offered once, with the clock of an arrest.

What a card says is worked out by `checkback.guiding` from the case alone; here that becomes sentences
and entries to write.  Nothing is written and nothing spoken here: the loop does both, in that order.
A card stands in nobody's way, and what it needs to remember is in its entries.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import groupby
from typing import Literal, get_args

from checkback.errors import UserError
from checkback.guiding.arrest import ARREST_RHYTHMS, RULES, Arrest, Due, arrest
from checkback.guiding.conditions import Condition
from checkback.guiding.deck import Deck
from checkback.guiding.marks import View, view
from checkback.guiding.steps import CardWord, Turn, offers, opened, read_again, respond
from checkback.language.phrasebook import BAILOUT, Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.devices import Placed
from checkback.record.entry import Advice, CardStep, CaseEnd, Compressions, Entry, Moment, Noted, Rhythm

OPEN = "card_open"
"""The family with which a card is asked for; all others are said to one that is open."""

WORDS: dict[str, CardWord] = {f"card_{word.replace(' ', '_')}": word for word in get_args(CardWord)}
"""What each family says to an open card."""

OFFER_STANDS_S = 120.0
"""So long "affirm" opens the card that was offered."""

AGAIN_S = 60.0
"""What the clock of an arrest calls due and nobody does is said again after so long: a setting of this program."""

TOLD_LATER_S = 600.0
"""An arrest of which everything was told so long afterwards is put on record, not treated: a setting of this program."""

_OF_ARREST = frozenset({"rhythm", "compressions", "shock", "drug"})

OnRecord = Literal["said", "program"]

Asks = Literal["", "offer", "card"]
"""What "affirm" would answer: nothing, a card that is offered, or the line of an open one."""


@dataclass(frozen=True)
class Step:
    """A step to write, and whether somebody said it or the program did it."""

    body: CardStep
    by: OnRecord


@dataclass(frozen=True)
class Said:
    """What a word to a card leads to.

    Attributes
    ----------
    steps : tuple of Step
        To write first, in order.
    reply : str
        To say then.
    done : bool
        False if the word led to nothing, or asks for another.
    asks : {"", "offer", "card"}
        What the reply asks.
    """

    steps: tuple[Step, ...]
    reply: str
    done: bool
    asks: Asks = ""


@dataclass(frozen=True)
class _Open:
    """The cards that are open, the one that was spoken to last at the end; and whether there was an arrest.

    `pointing` is how many entries could make a card offer itself, and the number of the last one.
    """

    cards: tuple[str, ...] = ()
    arrest: bool = False
    pointing: tuple[int, int] = (0, 0)
    kinds: frozenset[str] = field(default=frozenset(), compare=False)

    def after(self, placed: Placed) -> _Open:
        """Return the state after one more entry in force."""
        body = placed.entry.body
        pointing = (self.pointing[0] + 1, placed.n) if body.kind in self.kinds else self.pointing
        if isinstance(body, CardStep) and body.action != "offered":
            rest = tuple(name for name in self.cards if name != body.card)
            begins_it = body.action in ("opened", "started over")
            stays = body.action != "closed" and (begins_it or body.card in self.cards)
            cards = (*rest, body.card) if stays else rest
            return _Open(cards, self.arrest, pointing, self.kinds)
        begins = (isinstance(body, Rhythm) and body.rhythm in ARREST_RHYTHMS) or (
            isinstance(body, Compressions) and body.action == "started"
        )
        if begins or pointing != self.pointing:
            return _Open(self.cards, self.arrest or begins, pointing, self.kinds)
        return self


class Bailout:
    """The cards of a laboratory beside a case.

    Parameters
    ----------
    deck : Deck
    regime : str
        Name of the regime of resuscitation.
    book : Phrasebook
        One with no ``[bailout]`` has no words for cards: then there are none.
    two_person : bool
        Whether what cannot be taken back is only proposed until it is seconded.

    Raises
    ------
    UserError
        If there is no such regime, or the phrasebook has no words for what the clock of an arrest says.
    """

    def __init__(self, deck: Deck, regime: str, book: Phrasebook, *, two_person: bool = False) -> None:
        self._deck = deck
        self._regime = deck.regime(regime)
        self._phrasing = Phrasing(book)
        self._two_person = two_person
        self.there = bool(book.file.bailout)
        if self.there and (lacking := set(RULES) - book.file.advice.keys()):
            raise UserError(f"{book.source}: key advice: no words for {', '.join(sorted(lacking))}; add them")
        self._start = _Open(kinds=frozenset(_pointing_kinds(deck)))
        self._offered: tuple[str, float, tuple[Entry, ...]] | None = None
        self._looked_at = (0, 0)
        self._quiet: tuple[int, int] | None = None
        self._quiet_until_s = 0.0

    # --- what is open ---------------------------------------------------------------------------

    def open_card(self, case: Case) -> str | None:
        """Return the name of the card that a word is said to now, or None."""
        cards = self._folded(case).cards
        # a card that was taken out of the folder since leads nowhere
        return next((name for name in reversed(cards) if name in self._deck.cards), None)

    def offer(self, case: Case, now_s: float) -> str | None:
        """Return the card whose offer still stands."""
        if self._offered is not None:
            name, until_s, because = self._offered
            if now_s <= until_s and all(case.standing(entry)[0] == "stands" for entry in because):
                return name
            self._offered = None
        return None

    def takes(self, family: str, case: Case) -> bool:
        """Return whether a sentence of that family means anything now."""
        return family not in BAILOUT or family == OPEN or self.open_card(case) is not None

    def asking(self, case: Case, now: Moment, session: int) -> Asks:
        """Return what waits for "affirm" or "negative": of an offer and an open card the later one."""
        offered, name = self.offer(case, now.monotonic_s), self.open_card(case)
        here = None if name is None else self._view(name, case, now, session)
        waits = here is not None and _waits(here)
        if offered is None:
            return "card" if waits else ""
        of_offer = self._view(offered, case, now, session).progress.last_n or 0
        return "card" if waits and here is not None and (here.progress.last_n or 0) > of_offer else "offer"

    # --- what is said to it ---------------------------------------------------------------------

    def open(self, name: str, case: Case, now: Moment, session: int) -> Said:
        """Open a card by its name, or take it up again."""
        self._offered = None
        here = self._view(name, case, now, session)
        turn = opened(here)
        reply = self._words(turn)
        if here.progress.state != "open":
            title = here.card.title
            reply = self._phrasing.reply("card_opened", title=title, line=reply)
        return Said(tuple(_steps(turn, opening=True)), reply, True, self._asks(name, turn))

    def answer(self, word: CardWord, case: Case, now: Moment, session: int) -> Said:
        """Say a word to the open card."""
        name = self.open_card(case)
        if name is None:
            return Said((), self._phrasing.reply("no_card"), False)
        turn = respond(self._view(name, case, now, session), word, two_person=self._two_person)
        done = bool(turn.steps) or turn.reply in ("why", "end")
        return Said(tuple(_steps(turn)), self._words(turn), done, self._asks(name, turn))

    def _asks(self, name: str, turn: Turn) -> Asks:
        """Return whether a reply is one that "affirm" answers."""
        line = self._deck.cards[name].card.lines.get(turn.line or "")
        asks = turn.reply == "second opinion?" or (line is not None and line.is_question)
        return "card" if asks else ""

    def again(self, which: Asks, case: Case, now: Moment, session: int) -> Said:
        """Ask again: something else was said since, and nobody may affirm what they do not remember."""
        name = self.offer(case, now.monotonic_s) if which == "offer" else self.open_card(case)
        if name is None:
            return Said((), self._phrasing.reply("no_card"), False)
        here = self._view(name, case, now, session)
        if which == "offer":
            because = here.card.offer.because if here.card.offer else ""
            return Said(
                (), self._phrasing.reply("card_offer", because=because, title=here.card.title), False, which
            )
        current = here.progress.current or here.card.start
        key = "second_opinion" if current in here.progress.proposed else "answer_yes_or_no"
        text = self._phrasing.amounts(here.card.lines[current].words)
        return Said((), self._phrasing.reply(f"card_{key}", text=text), False, which)

    def taken_back(self, step: CardStep, case: Case, now: Moment, session: int) -> Said:
        """Read the line again whose answer was just withdrawn."""
        if step.card not in self._deck.cards or step.line not in self._deck.cards[step.card].card.lines:
            return Said((), "", True)
        here = self._view(step.card, case, now, session)
        if here.progress.state != "open":
            return Said((), "", True)
        turn = read_again(here, step.line)
        return Said(tuple(_steps(turn, opening=True)), self._words(turn), True, self._asks(step.card, turn))

    def affirmed(self, yes: bool, which: Asks, case: Case, now: Moment, session: int) -> Said:
        """Answer what was asked: an offer, a question, or the wish for a second opinion."""
        if which == "offer":
            name = self.offer(case, now.monotonic_s)
            self._offered = None
            if name is None:
                return Said((), self._phrasing.reply("no_card"), False)
            if yes:
                return self.open(name, case, now, session)
            return Said((), self._phrasing.reply("card_declined"), True)
        name = self.open_card(case)
        if name is not None:
            progress = self._view(name, case, now, session).progress
            if progress.current in progress.proposed:
                return self.answer("second" if yes else "not tried", case, now, session)
        return self.answer("yes" if yes else "no", case, now, session)

    def pedal(self, last: Asks, case: Case, now: Moment, session: int) -> Said:
        """Go to the next line, or open the card that is offered; `last` is what was asked last."""
        name = self.offer(case, now.monotonic_s)
        if name is not None and (last == "offer" or self.open_card(case) is None):
            return self.open(name, case, now, session)
        return self.answer("next", case, now, session)

    def _words(self, turn: Turn) -> str:
        if turn.reply == "not open":
            return self._phrasing.reply("no_card")
        key = f"card_{turn.reply.replace(' ', '_').replace('?', '')}"
        # a source is full of years and pages, which are no amounts
        said = {"text": self._phrasing.amounts(turn.text), "caution": self._phrasing.amounts(turn.caution)}
        values = {name: value for name, value in (said | {"source": turn.source}).items() if value}
        return self._phrasing.reply(key, **values)

    # --- by itself ------------------------------------------------------------------------------

    def offers(self, case: Case, now: Moment, session: int) -> Iterator[tuple[Step, str]]:
        """Yield each card that offers itself now, with what is said; each once.

        Nothing is looked for unless an entry of a kind that can point to a card is new.
        """
        if not self.there:
            return
        pointing = self._folded(case).pointing
        if pointing == self._looked_at:
            return
        self._looked_at = pointing
        for each in offers(case, self._deck.cards, now, session):
            self._offered = each.name, now.monotonic_s + OFFER_STANDS_S, each.shown_by
            here = self._view(each.name, case, now, session)
            turn = opened(here, offered=True)
            reply = self._phrasing.reply("card_offer", because=each.because, title=here.card.title)
            yield Step(turn.steps[0], "program"), reply

    def arrest(self, case: Case, now: Moment, session: int) -> Arrest | None:
        """Return the last arrest of the case, or None; at once if there was none."""
        if not self.there or not self._folded(case).arrest:
            return None
        return arrest(case, self._regime, now, session)

    def due(self, case: Case, now: Moment, session: int) -> list[tuple[Advice, str]]:
        """Return what the clock of an arrest calls due and has not been said, with its words.

        Said once when it becomes due, and again every `AGAIN_S` while it stays so, unless "noted".
        The case is looked at only when an entry is new, or when the next thing becomes due.
        """
        last = next((entry.n for entry in case.backwards()), 0)
        if self._quiet == (last, session) and now.monotonic_s < self._quiet_until_s:
            return []
        found: list[tuple[Advice, str]] = []
        wait_s = math.inf
        running = self.arrest(case, now, session)
        if (
            running is not None
            and running.ended is None
            and not _case_ended(case, running.began)
            and not _told_later(case, running.began)
        ):
            wait_s = min((each.since_s - running.elapsed_s for each in running.ahead), default=math.inf)
            for rule, group in groupby(running.due, key=lambda each: each.rule):
                choices = tuple(group)
                since_s = running.elapsed_s - choices[0].since_s
                wait_s = min(wait_s, AGAIN_S - since_s % AGAIN_S)
                step = f"{running.began.n} {choices[0].since_s:.0f} {since_s // AGAIN_S:.0f}"
                if not _said(case, rule, running.began, step):
                    found.append(self._advice(choices, step))
        # what is said now becomes an entry, so the case is looked at once more
        self._quiet, self._quiet_until_s = (last, session), now.monotonic_s + wait_s
        return found

    def _advice(self, choices: tuple[Due, ...], step: str) -> tuple[Advice, str]:
        """Return one piece of advice; of several drugs that are due it is one or the other, never both."""
        due = choices[0]
        body = Advice(
            rule=due.rule,
            step=step,
            text=self._phrasing.advice(due.rule, self._values(choices), written=True),
            source=self._deck.regimes.cited(
                tuple(dict.fromkeys(s for each in choices for s in each.sources))
            ),
            critical=True,
        )
        return body, self._phrasing.amounts(self._phrasing.advice(due.rule, self._values(choices)))

    def _values(self, choices: tuple[Due, ...]) -> dict[str, str | float]:
        values = dict(choices[0].values)
        if "drug" in values:
            options = [
                self._phrasing.reply("drug_option", drug=self._phrasing.label("drug", drug), dose=dose)
                for drug, dose in ((str(each.values["drug"]), str(each.values["dose"])) for each in choices)
            ]
            values["options"] = self._phrasing.either(options)
        return values

    def _view(self, name: str, case: Case, now: Moment, session: int) -> View:
        return view(self._deck.cards[name], case, now, session, self._deck.equipment)

    def _folded(self, case: Case) -> _Open:
        return case.folded("bailout", self._start)


def _waits(here: View) -> bool:
    current = here.progress.current
    line = here.card.lines.get(current or "")
    return line is not None and (line.is_question or current in here.progress.proposed)


def _steps(turn: Turn, *, opening: bool = False) -> Iterator[Step]:
    """Yield the steps of a turn: the program reads, people say all else."""
    for body in turn.steps:
        yield Step(body, "program" if body.action == "read" and (opening or len(turn.steps) > 1) else "said")


def _case_ended(case: Case, began: Entry) -> bool:
    end = case.latest(CaseEnd)
    return end is not None and end.n > began.n


def _told_later(case: Case, began: Entry) -> bool:
    """Return whether all that is known of an arrest was told long after it: then nobody waits for the clock."""
    return all(
        (_first_told(case, entry).said.wall - entry.at.wall).total_seconds() > TOLD_LATER_S
        for entry in case.in_force()
        if entry.body.kind in _OF_ARREST and entry.at.wall >= began.at.wall
    )


def _first_told(case: Case, entry: Entry) -> Entry:
    """Return an entry as it was before it was corrected, words or time, which may have been much later."""
    while entry.amends and (old := case.entry(entry.amends)) is not None and old.n < entry.n:
        entry = old
    return entry


def _said(case: Case, rule: str, began: Entry, step: str) -> bool:
    """Return whether that was said, or the same thing was answered with "noted" while it was due."""
    first = step.rpartition(" ")[0]
    noted_since = False
    for entry in case.backwards():
        if entry.n < began.n:
            break
        body = entry.body
        if isinstance(body, Noted) and body.rule == rule:
            noted_since = True
        elif isinstance(body, Advice) and body.rule == rule:
            if body.step == step or (noted_since and body.step.rpartition(" ")[0] == first):
                return True
            if body.step.rpartition(" ")[0] != first:
                break
    return False


def _pointing_kinds(deck: Deck) -> Iterator[str]:
    """Yield every kind of entry that can make a card offer itself, or begin or end its trouble."""
    for named in deck.cards.values():
        if named.card.offer is not None:
            yield from _kinds(named.card.offer.when)
            if named.card.event is not None:
                for condition in (*named.card.event.begins, *named.card.event.ends):
                    yield from _kinds(condition)


def _kinds(condition: Condition) -> Iterator[str]:
    return (look.kind for look in condition.looks() if look.kind is not None)
