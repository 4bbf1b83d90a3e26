"""Each line of a card with its mark, and the line to read next: pure functions of the case."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from checkback.guiding.cards import END, Card, Line, Named
from checkback.guiding.conditions import Episode, Scene
from checkback.guiding.equipment import Equipment
from checkback.guiding.progress import Progress, Word, progress
from checkback.record.case import Case
from checkback.record.entry import Entry, Moment

Mark = Literal["tried", "not tried", "not available here", "not suitable", "yes", "no", "not answered"]


@dataclass(frozen=True)
class Marked:
    """A line with its mark.

    Attributes
    ----------
    name : str
        Id of the line.
    line : Line
    mark : str
        Of a question "yes", "no" or "not answered"; of all else "tried", "not tried" or "not
        available here"; of both "not suitable".
    shown_by : tuple of Entry
        The entries that show a "tried", a "yes" or a "no", in order; never empty for these.
    because : str
        Why it is not suitable or not available; may also stand beside "tried".
    chosen : Entry or None
        The step with which it was chosen.
    """

    name: str
    line: Line
    mark: Mark
    shown_by: tuple[Entry, ...] = ()
    because: str = ""
    chosen: Entry | None = None


@dataclass(frozen=True)
class View:
    """A card as a case stands: every line with its mark.

    Attributes
    ----------
    name : str
    card : Card
    sha256 : str
        Of the card's file.
    progress : Progress
    episode : Episode or None
        The trouble that it is for, where the record tells of one.
    lines : tuple of Marked
        Every line of the card, in the order of the file.
    next : str or None
        The line to read next; None behind the last one.
    passed : tuple of str
        Lines between the present one and the next that are passed over, because they were tried,
        cannot be had, do not suit, or are answered.
    """

    name: str
    card: Card
    sha256: str
    progress: Progress
    episode: Episode | None
    lines: tuple[Marked, ...]
    next: str | None
    passed: tuple[str, ...]
    scene: Scene
    equipment: Equipment

    def marked(self, name: str) -> Marked:
        """Return one line."""
        return next(each for each in self.lines if each.name == name)

    def supposing(self, progress: Progress) -> View:
        """Return the view as it would be with another progress."""
        return _view(
            Named(name=self.name, card=self.card, sha256=self.sha256),
            self.scene,
            self.episode,
            self.equipment,
            progress,
        )

    def first_from(self, line: str) -> tuple[str | None, tuple[str, ...]]:
        """Return the first line from `line` on that is to be read, and those passed over before it."""
        return _first_open(self.card, self.lines, line)


def view(named: Named, case: Case, at: Moment, session: int, equipment: Equipment) -> View:
    """Return a card with the marks that the case gives it.

    Parameters
    ----------
    named : Named
        The card.
    case : Case
    at : Moment
        The present moment.
    session : int
        The session whose clock `at` was read from.
    equipment : Equipment
        What the laboratory has.
    """
    scene = Scene(case, at, session)
    episode = episode_of(named.card, scene)
    done = progress(named.card, named.name, scene, episode)
    if episode is None and done.opened is not None:
        # nothing on record tells of the trouble: it is taken to begin when the card was opened
        episode = Episode(scene.entries.index(done.opened), None)
    return _view(named, scene, episode, equipment, done)


def episode_of(card: Card, scene: Scene) -> Episode | None:
    """Return the last stretch of the trouble that a card is for."""
    return None if card.event is None else scene.episode(card.event.begins, card.event.ends)


def _view(named: Named, scene: Scene, episode: Episode | None, equipment: Equipment, done: Progress) -> View:
    card = named.card
    answers = {line: word.word for line, word in done.answers.items()}
    reached = card.reached(answers)
    lines = tuple(
        replace(
            _mark(card, name, scene, episode, equipment, done, answers, reached), chosen=done.chosen.get(name)
        )
        for name in card.lines
    )
    current = done.current or card.start
    following, passed = _first_open(card, lines, current)
    return View(named.name, card, named.sha256, done, episode, lines, following, passed, scene, equipment)


def _mark(
    card: Card,
    name: str,
    scene: Scene,
    episode: Episode | None,
    equipment: Equipment,
    done: Progress,
    answers: Mapping[str, str],
    reached: frozenset[str],
) -> Marked:
    line = card.lines[name]
    because = _ruled_out(card, name, answers, reached)
    if line.is_question:
        if because:
            return Marked(name, line, "not suitable", because=because)
        answer = done.answers.get(name)
        if answer is None:
            return Marked(name, line, "not answered")
        return Marked(name, line, "yes" if answer.word == "yes" else "no", _entries(answer))
    said = done.said.get(name)
    lacking = equipment.lacking(line.needs)
    missing = f"needs {' and '.join(lacking)}" if lacking else ""
    if said is not None and said.word == "tried":
        return Marked(name, line, "tried", _entries(said), because or missing)
    shown = () if line.tried_when is None else scene.shown(line.tried_when, episode) or ()
    if said is not None and said.word == "not tried":
        # somebody who knows better took the mark away: only what came after that counts
        shown = scene.later_than(said.entry, shown)
    if shown:
        return Marked(name, line, "tried", shown, because or missing)
    if because:
        return Marked(name, line, "not suitable", because=because)
    if said is not None and said.word == "not here":
        return Marked(name, line, "not available here", _entries(said), "said in this case")
    if missing:
        return Marked(name, line, "not available here", because=missing)
    return Marked(name, line, "not tried")


def _entries(word: Word) -> tuple[Entry, ...]:
    return () if word.entry is None else (word.entry,)


def _ruled_out(card: Card, name: str, answers: Mapping[str, str], reached: frozenset[str]) -> str:
    """Return which answer rules a line out, in words; empty if none does."""
    for rule in card.lines[name].unless:
        if rule.line in reached and answers.get(rule.line) == rule.answer:
            return f"{rule.because} ({_answered(card, rule.line, rule.answer)})"
    if name in reached:
        return ""
    for asked, answer in answers.items():
        if asked in reached:
            other = {k: v for k, v in answers.items() if k != asked}
            if name in card.reached({**other, asked: "no" if answer == "yes" else "yes"}):
                return _answered(card, asked, answer)
    # more than one answer leads away from it
    given = [(asked, answer) for asked, answer in answers.items() if asked in reached]
    return " and ".join(_answered(card, asked, answer) for asked, answer in given)


def _answered(card: Card, asked: str, answer: str) -> str:
    return f"{card.lines[asked].words} {answer}"


def _first_open(card: Card, lines: tuple[Marked, ...], start: str) -> tuple[str | None, tuple[str, ...]]:
    marks = {each.name: each for each in lines}
    passed: list[str] = []
    name = start
    while name != END and name in marks:
        each = marks[name]
        if each.mark in ("not answered", "not tried") and each.chosen is None:
            return name, tuple(passed)
        passed.append(name)
        name = card.following(name, each.mark if each.mark in ("yes", "no") else _any_way(each))
    return None, tuple(passed)


def _any_way(each: Marked) -> str | None:
    # a question that does not suit is off the path, so either way is as good
    return "no" if each.line.is_question else None
