"""A room in which a case is kept: entries as the loop writes them, and what is due is said at once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import english
from checkback.language.catalogue import Catalogue, read_toml
from checkback.record.case import Case
from checkback.record.clock import HandClock
from checkback.record.entry import Advice, ClockStep, Entry, Frozen, Moment, Session
from checkback.record.journal import Journal, Written
from checkback.watching import limits
from checkback.watching.limits import Limits
from checkback.watching.reminders import Due, due

LIMITS = limits.load(english.GRAMMARS)
CATALOGUE = read_toml(english.GRAMMARS / "catalogue.toml", Catalogue)
EVENING = datetime(2026, 3, 2, 22, 10, tzinfo=timezone(timedelta(hours=1)))


class Room:
    """A case that is watched.

    `at_s` is the true time since the room was opened, whatever the clocks show.  Without a folder the
    entries are kept in memory only.
    """

    def __init__(
        self, folder: Path | None = None, *, wall: datetime = EVENING, rules: Limits = LIMITS
    ) -> None:
        self._folder = folder
        self._rules = rules
        self.at_s = 0.0
        self.session = 0
        self.said: list[tuple[float, Due]] = []
        self._kept: list[Entry] = []
        self._open(HandClock(wall))

    def _open(self, clock: HandClock) -> None:
        self.clock = clock
        self._opened_s = self.at_s
        self._journal = None if self._folder is None else Journal.open(self._folder)
        self.case = Case(self._kept if self._journal is None else self._journal.entries)
        self._offset_s = self._offset(clock.now())
        self.session += 1
        self.say(
            Session(
                number=self.session,
                program_version="0",
                recogniser="typed",
                phrasebook_sha256="",
                catalogue_sha256="",
            )
        )

    def restart(self, down_s: float) -> None:
        """Stop and start again: the monotonic clock begins anew, only the journal is left."""
        self.close()
        self.at_s += down_s
        self._open(HandClock(self.clock.now().wall + timedelta(seconds=down_s)))

    def close(self) -> None:
        """Close the journal."""
        if self._journal is not None:
            assert self._journal.close() is None

    def say(self, body: Frozen, *, ago_s: float = 0.0, **more: Any) -> Entry:
        """Record a call-out, after a jump of the wall clock if there was one."""
        now = self.clock.now()
        step_s = round(self._offset(now) - self._offset_s, 3)
        if abs(step_s) > 2:
            self._offset_s = self._offset(now)
            self.say(ClockStep(step_s=step_s))
        entry = Entry(
            n=len(self.case.entries) + 1,
            session=self.session,
            recorded=now,
            body=body,
            **{"at": now.earlier(ago_s), "said": now, "source": "typed", "standing": "stands"} | more,
        )
        if self._journal is not None:
            written = self._journal.append(entry)
            assert isinstance(written, Written)
        self._kept.append(entry)
        self.case.apply(entry)
        return entry

    def due(self) -> tuple[Due, ...]:
        """Return what is due, without saying it."""
        return due(self.case, self._rules, CATALOGUE, self.clock.now(), self.session)

    def tick(self) -> list[str]:
        """Say and record what is due; return the rules."""
        said = self.due()
        for each in said:
            self.said.append((self.at_s, each))
            self.say(
                Advice(
                    rule=each.rule,
                    step=each.step,
                    text=f"{each.rule} {dict(each.values)}",
                    source=each.source,
                    critical=each.critical,
                ),
                source="program",
            )
        return [each.rule for each in said]

    def wait(self, minutes: float = 0.0, seconds: float = 0.0) -> list[str]:
        """Let time pass, looking every second, and return the rules that spoke."""
        spoke = self.tick()
        for _ in range(round(minutes * 60 + seconds)):
            self.pass_second()
            spoke += self.tick()
        return spoke

    def pass_second(self) -> None:
        """Move both clocks by a second."""
        self.at_s += 1
        self.clock.set(self.at_s - self._opened_s)

    def heard(self, rule: str) -> list[float]:
        """Return the minutes at which a rule spoke."""
        return [at_s / 60 for at_s, each in self.said if each.rule == rule]

    def last(self, rule: str) -> Due:
        """Return what a rule said last."""
        return next(each for _, each in reversed(self.said) if each.rule == rule)

    def __iter__(self) -> Iterator[tuple[float, Due]]:
        return iter(self.said)

    @staticmethod
    def _offset(moment: Moment) -> float:
        return moment.wall.timestamp() - moment.monotonic_s
