"""What a word said to an open card leads to: entries to write, and what to say then.

Nothing is written or spoken here.  The caller writes the steps (on disk first), then says what the
turn asks for.  A card never blocks recording: any other call-out is none of this module's business.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from checkback.guiding.cards import END, Named
from checkback.guiding.conditions import Scene
from checkback.guiding.marks import View, episode_of
from checkback.guiding.progress import Word, progress, taken_up
from checkback.record.case import Case
from checkback.record.entry import CardStep, Entry, Moment

CardWord = Literal[
    "yes", "no", "next", "back", "why", "tried", "not tried", "not here", "chosen", "second", "start over", "close"
]  # fmt: skip

Reply = Literal[
    "line", "end", "why", "closed", "second opinion?",
    "answer yes or no", "not a question", "nothing to mark", "nothing before this", "nothing proposed", "not open",
]  # fmt: skip


@dataclass(frozen=True)
class Turn:
    """What follows from a word.

    Attributes
    ----------
    steps : tuple of CardStep
        Bodies to write, in order.
    reply : str
        "line": read `line`; "end": the card has no more lines; "why": say `text`; "second
        opinion?": ask for a word of another voice; all else is an answer by itself.
    line : str or None
        The line to read.
    text : str
        The words to say: those of the line, or the reason for "why", which may have none.
    caution : str
        What to beware of with the line.
    source : str
        With "why": where the line comes from, with the advice to check.
    """

    steps: tuple[CardStep, ...]
    reply: Reply
    line: str | None = None
    text: str = ""
    caution: str = ""
    source: str = ""


def opened(view: View, *, offered: bool = False) -> Turn:
    """Open a card, or take it up again, and read the line that is due.

    Parameters
    ----------
    view : View
    offered : bool
        Only note that it offered itself, without opening it.
    """
    if offered:
        because = view.card.offer.because if view.card.offer else view.card.title
        return Turn((_step(view, "offered"),), "line", None, because)
    if view.progress.state == "open":
        return _read(view, (), view.next)
    begun = taken_up(view.progress, view.scene, view.episode)
    return _read(view, (_step(view, "opened"),), view.supposing(begun).next)


def respond(view: View, word: CardWord, *, two_person: bool = False) -> Turn:
    """Return what a word said to an open card leads to.

    Parameters
    ----------
    view : View
        As the case stands.
    word : str
    two_person : bool
        Whether a line that cannot be taken back is only proposed until "second" is said.  Who says
        it is not recognised; the laboratory sees to it that it is another person.
    """
    if view.progress.state != "open":
        return Turn((), "not open")
    if word == "close":
        return Turn((_step(view, "closed"),), "closed")
    if word == "start over":
        first = view.supposing(
            replace(view.progress, current=None, answers={}, said={}, chosen={}, proposed={})
        )
        return _read(view, (_step(view, "started over"),), first.next)
    if word == "back":
        return _back(view)
    here = view.progress.current
    if here == END or here not in view.card.lines:
        return Turn((), "end")
    line = view.card.lines[here]
    if word == "why":
        return Turn((), "why", here, line.why or "", source=view.card.cited(here))
    if word == "next":
        if line.is_question and here not in view.progress.answers:
            return Turn((), "answer yes or no", here, line.words)
        answered = view.progress.answers.get(here)
        to, _ = view.first_from(view.card.following(here, answered.word if answered else None))
        return _read(view, (), to)
    if word in ("yes", "no"):
        if not line.is_question:
            return Turn((), "not a question", here)
        return _answer(view, here, word)
    if line.is_question:
        return Turn((), "nothing to mark", here)
    return _mark(view, here, word, two_person=two_person)


def read_again(view: View, line: str) -> Turn:
    """Read a line once more, and go on from there."""
    return _line(view, (_step(view, "read", line),), line)


def _answer(view: View, here: str, word: Literal["yes", "no"]) -> Turn:
    to = view.card.following(here, word)
    answers = {**view.progress.answers, here: Word(word)}
    then = view.supposing(replace(view.progress, answers=answers, current=to))
    return _read(view, (_step(view, word, here),), then.next)


def _mark(view: View, here: str, word: CardWord, *, two_person: bool) -> Turn:
    if word == "chosen" and two_person and view.card.lines[here].irreversible:
        return Turn((_step(view, "proposed", here),), "second opinion?", here, view.card.lines[here].words)
    steps: tuple[CardStep, ...]
    if word == "second":
        if here not in view.progress.proposed:
            return Turn((), "nothing proposed", here)
        steps = (_step(view, "seconded", here), _step(view, "chosen", here))
    elif word == "chosen":
        steps = (_step(view, "chosen", here),)
    elif word == "tried" or word == "not here":
        steps = (_step(view, word, here),)
    else:
        return _line(view, (_step(view, "not tried", here),), here)
    to, _ = view.first_from(view.card.following(here))
    return _read(view, steps, to)


def _back(view: View) -> Turn:
    trail = [line for line in view.progress.trail if line in view.card.lines]
    at_end = view.progress.current == END
    if not trail or (len(trail) == 1 and not at_end):
        return Turn((), "nothing before this")
    line = trail[-1] if at_end else trail[-2]
    return _line(view, (_step(view, "read", line),), line)


def _read(view: View, before: tuple[CardStep, ...], line: str | None) -> Turn:
    if line is None:
        return Turn(before, "end")
    return _line(view, (*before, _step(view, "read", line)), line)


def _line(view: View, steps: tuple[CardStep, ...], name: str) -> Turn:
    line = view.card.lines[name]
    return Turn(steps, "line", name, line.words, line.caution or "")


def _step(view: View, action: str, line: str = "") -> CardStep:
    words = view.card.lines[line].words if line else view.card.title
    whole = {"card_sha256": view.sha256} if not line else {}
    return CardStep.model_validate(
        {"card": view.name, "action": action, "line": line, "text": words, **whole}
    )


# --- offers ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Offered:
    """A card that offers itself.

    Attributes
    ----------
    name : str
    because : str
    shown_by : tuple of Entry
        The entries that point there.
    """

    name: str
    because: str
    shown_by: tuple[Entry, ...]


def offers(case: Case, cards: dict[str, Named], at: Moment, session: int) -> tuple[Offered, ...]:
    """Return the cards that offer themselves as the case stands, each once.

    A card is offered if entries point there, the trouble is not over, and it was neither offered
    nor opened before; with `again` in the card, not since this trouble began.
    """
    scene = Scene(case, at, session)
    found: list[Offered] = []
    for name, named in cards.items():
        offer = named.card.offer
        if offer is None:
            continue
        episode = episode_of(named.card, scene)
        if episode is not None and episode.ended is not None:
            continue
        shown = scene.shown(offer.when, episode)
        done = progress(named.card, name, scene, episode)
        if not shown or done.state == "open":
            continue
        before = done.last is not None
        if before and offer.again and episode is not None:
            before = scene.entries.index(done.last) >= episode.begins if done.last else False
        if not before:
            found.append(Offered(name, offer.because, shown))
    return tuple(found)
