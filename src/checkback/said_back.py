"""The words with which an entry is said back."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

from checkback.aloud import Verbosity
from checkback.call_outs import CallOut, Outcome, Proposal
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import DeviceEvent, Entry, Identity

REMEMBERED = 16
"""So many check-backs are known by their words: more than can wait to be said."""


class SaidBack:
    """Words for entries of a case.

    Parameters
    ----------
    case : Case
        As it grows.
    phrasing : Phrasing
    at : str
        Words for a time that is not now, with a place for it.
    verbosity : {"full", "brief", "tones"}
        How many words an accepted entry has.
    """

    def __init__(self, case: Case, phrasing: Phrasing, at: str, verbosity: Verbosity) -> None:
        self._case = case
        self._phrasing = phrasing
        self._at = at
        self._verbosity = verbosity

    def full(self, proposal: Proposal, call: CallOut) -> str:
        """Return the entry in words, with its time if that is not now."""
        body = proposal.body
        # a question needs every word
        spoken = self.back(body) if proposal.objection is None and call.fits else self._phrasing.spoken(body)
        if isinstance(body, DeviceEvent) and (life := self._case.ledger.meant(body)) is not None:
            like = [each for each in self._case.inside() if body.device in (None, each.body.device)]
            if body.device is None or len(like) > 1:
                # which one was taken to be meant has to be heard
                went_in = life.body.model_copy(update={"pressure_atm": None, "deployed": None})
                happening = self._phrasing.label("happening", body.happening)
                device = self._phrasing.spoken(went_in)
                spoken = self._phrasing.reply("happened", device=device, happening=happening)
        if proposal.amends is None and proposal.at != call.said:
            spoken += self._at.format(time=self._phrasing.clock_time(proposal.at.wall))
        return spoken

    def back(self, body: Any) -> str:
        """Return the words with which an accepted entry is said back."""
        return self._phrasing.spoken(body, brief=self._verbosity != "full")

    def of_device(self, entry: Entry, said: str) -> str:
        """Name the device that a label went to: a lot must not get to another one unheard."""
        if isinstance(entry.body, Identity):
            for life in self._case.devices():
                if any(told.n == entry.n for told in life.happenings):
                    went_in = life.body.model_copy(update={"pressure_atm": None, "deployed": None})
                    return self._phrasing.reply(
                        "of_device", device=self._phrasing.spoken(went_in), entry=said
                    )
        return said


class Recall:
    """Tells what is still to be said of a check-back that somebody spoke over.

    Parameters
    ----------
    case : Case
        As it grows.
    phrasing : Phrasing
    question : callable
        Returns the entry whose question is open, or None.
    """

    def __init__(self, case: Case, phrasing: Phrasing, question: Callable[[], Entry | None]) -> None:
        self._case = case
        self._phrasing = phrasing
        self._question = question
        self._said: deque[tuple[str, Outcome]] = deque(maxlen=REMEMBERED)

    def remember(self, text: str, outcome: Outcome) -> None:
        """Note what the voice says for an outcome."""
        # what is only said again is about the entries that were said before
        if text and outcome.entries:
            self._said.append((text, outcome))

    def words(self, text: str) -> str | None:
        """Return what to say of a check-back before the next one.

        The same words if it asks what is still open; None if it is about no entry, or about one that was
        withdrawn, corrected or settled since.  A line of a card is asked for again in its own way.
        """
        # the same words may have been said for several entries
        about = (each for said, each in reversed(self._said) if said == text)
        return next((words for each in about if (words := self._of(text, each)) is not None), None)

    def _of(self, text: str, outcome: Outcome) -> str | None:
        if outcome.result == "asked":
            return text if self._question() in outcome.entries else None
        holds = all(self._case.standing(entry)[0] == "stands" for entry in outcome.entries)
        if not holds or any(entry.body.kind == "card_step" for entry in outcome.entries):
            return None
        return self._phrasing.reply("before_that", entry=outcome.reply)
