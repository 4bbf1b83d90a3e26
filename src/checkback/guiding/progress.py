"""How far a card was gone through: a pure fold of its steps, so that a restart loses nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

from checkback.guiding.cards import END, Card
from checkback.guiding.conditions import Episode, Scene
from checkback.record.entry import CardStep, Entry

State = Literal["never opened", "offered", "open", "closed"]

SAID = ("tried", "not tried", "not here")
"""What can be said of a line; the later word holds."""


@dataclass(frozen=True)
class Word:
    """What was said of a line, and the entry that says so.

    Attributes
    ----------
    word : str
    entry : Entry or None
        None while it is only asked what a word would change.
    """

    word: str
    entry: Entry | None = None


@dataclass(frozen=True)
class Progress:
    """How far a card was gone through.

    Attributes
    ----------
    state : {"never opened", "offered", "open", "closed"}
    current : str or None
        The line that was read or come to last; "end" behind the last one.
    answers : mapping of str to Word
        Question to its latest answer, "yes" or "no".
    said : mapping of str to Word
        Line to the latest of "tried", "not tried" and "not here".
    chosen, proposed : mapping of str to Entry
        Line to the entry with which it was chosen, or waits for a second voice.
    trail : tuple of str
        Lines in the order in which they were read, without what was gone back over.
    opened : Entry or None
        The step that opened it.
    last : Entry or None
        Its last step.
    """

    state: State = "never opened"
    current: str | None = None
    answers: Mapping[str, Word] = field(default_factory=dict)
    said: Mapping[str, Word] = field(default_factory=dict)
    chosen: Mapping[str, Entry] = field(default_factory=dict)
    proposed: Mapping[str, Entry] = field(default_factory=dict)
    trail: tuple[str, ...] = ()
    opened: Entry | None = None
    last: Entry | None = None

    @property
    def last_n(self) -> int | None:
        """The number of its last step, or None."""
        return None if self.last is None else self.last.n


def progress(card: Card, name: str, scene: Scene, episode: Episode | None) -> Progress:
    """Return how far the card `name` was gone through.

    A card that was closed goes on where it was within the same trouble; for new trouble, or where no
    entry tells of it, it is opened afresh.
    """
    found = Progress()
    for entry in scene.entries:
        body = entry.body
        if not isinstance(body, CardStep) or body.card != name:
            continue
        if body.action == "opened":
            found = taken_up(found, scene, episode)
        found = replace(_after(found, body, entry, card), last=entry)
    return found


def taken_up(found: Progress, scene: Scene, episode: Episode | None) -> Progress:
    """Return the progress with which a card is opened: that of before, or none."""
    if found.state != "closed" or found.last is None:
        return found
    told = episode is not None and episode.entry is not None
    same = told and episode is not None and scene.entries.index(found.last) >= episode.begins
    return found if same else Progress()


def _after(before: Progress, step: CardStep, entry: Entry, card: Card) -> Progress:
    line = step.line
    if step.action == "offered":
        return replace(
            before, state="offered" if before.state in ("never opened", "closed") else before.state
        )
    if step.action == "started over":
        return Progress("open", card.start, trail=(card.start,), opened=entry)
    if step.action == "opened":
        current = before.current if before.current in card.lines else card.start
        trail = before.trail or (card.start,)
        first = before.opened if before.state == "open" else entry
        return replace(before, state="open", current=current, trail=trail, opened=first)
    if step.action == "closed":
        return replace(before, state="closed")
    # the card may have been edited since; what it does not have any more leads nowhere
    if line not in card.lines:
        return before
    if step.action == "read":
        return replace(before, current=line, trail=_trail(before.trail, line))
    if step.action in ("yes", "no"):
        if not card.lines[line].is_question:
            return before
        to = card.following(line, step.action)
        trail = before.trail if to == END else _trail(before.trail, to)
        answers = {**before.answers, line: Word(step.action, entry)}
        return replace(before, answers=answers, current=to, trail=trail)
    if step.action in SAID:
        # what was proposed, and is then said not to be done, waits for nobody
        waiting = {key: value for key, value in before.proposed.items() if key != line}
        return replace(before, said={**before.said, line: Word(step.action, entry)}, proposed=waiting)
    if step.action == "proposed":
        return replace(before, proposed={**before.proposed, line: entry})
    if step.action == "chosen":
        waiting = {key: value for key, value in before.proposed.items() if key != line}
        return replace(before, chosen={**before.chosen, line: entry}, proposed=waiting)
    return before


def _trail(trail: tuple[str, ...], line: str) -> tuple[str, ...]:
    return (*trail[: trail.index(line)], line) if line in trail else (*trail, line)
