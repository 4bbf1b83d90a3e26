"""Puts entries on disk and into the case: nothing comes before this."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from checkback.call_outs import CallOut
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.clock import Clock
from checkback.record.entry import Alternative, ClockStep, Entry, Moment, Session
from checkback.record.journal import Journal

CLOCK_STEP_S = 2.0
"""A jump of the wall clock against the monotonic clock that is worth an entry."""


class Recorder:
    """Writes the entries of one session.

    Parameters
    ----------
    journal : Journal
        Open for writing; the entries in it are the case so far.
    clock : Clock
    phrasing : Phrasing
        Words for alternatives.
    on_entry : callable
        Is given each entry once it is on disk; returns at once and never fails.

    Attributes
    ----------
    case : Case
        As it stands after the last entry.
    session : int
        Number of this session.
    """

    def __init__(
        self, journal: Journal, clock: Clock, phrasing: Phrasing, on_entry: Callable[[Entry], None]
    ) -> None:
        self._journal = journal
        self._clock = clock
        self._phrasing = phrasing
        self.on_entry = on_entry
        self.case = Case(journal.entries)
        sessions = [e.body.number for e in journal.entries if isinstance(e.body, Session)]
        self.session = max(sessions, default=0) + 1
        self._wall_minus_monotonic = _offset(clock.now())

    @property
    def trouble(self) -> str | None:
        """As `Journal.trouble`."""
        return self._journal.trouble

    def retry(self) -> None:
        """Try to write what waits in memory."""
        self._journal.retry()

    def write(
        self,
        body: Any,
        call: CallOut,
        *,
        at: Moment | None = None,
        question: str | None = None,
        alternatives: list[Any] | None = None,
        amends: int | None = None,
    ) -> Entry:
        """Write one entry; with a question it stands only once that is answered.

        Parameters
        ----------
        body : pydantic model
        call : CallOut
            What was said.
        at : Moment or None
            When it happened; None: when it was said.
        question : str or None
            What is asked about it.
        alternatives : list of pydantic models
            Bodies between which the question is.
        amends : int or None
            Number of the entry that it replaces.
        """
        now = self._clock.now()
        if not isinstance(body, ClockStep):
            step = _offset(now) - self._wall_minus_monotonic
            if abs(step) > CLOCK_STEP_S:
                self._wall_minus_monotonic = _offset(now)
                self.write(ClockStep(step_s=round(step, 3)), CallOut("", now, "program"))
        others = tuple(Alternative(words=self._phrasing.written(b), body=b) for b in alternatives or ())
        others += tuple(Alternative(words=words) for words in call.alternatives)
        entry = Entry(
            n=self._journal.next_n,
            session=self.session,
            at=at or call.said,
            said=call.said,
            recorded=now,
            source=call.source,
            words=call.words,
            alternatives=others,
            recogniser=call.recogniser,
            score=call.score,
            certainty=call.certainty,
            standing="stands" if question is None else "questioned",
            question=question,
            amends=amends,
            body=body,
        )
        written = self._journal.append(entry).entry
        self.case.apply(written)
        self.on_entry(written)
        return written


def _offset(moment: Moment) -> float:
    return moment.wall.timestamp() - moment.monotonic_s
