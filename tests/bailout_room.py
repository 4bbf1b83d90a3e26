"""A room with bailout cards: the real loop on a real journal, a hand-set clock, and what its voice said."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from io import StringIO
from pathlib import Path

import numpy as np

import english
from card_room import deck
from checkback.aloud import Verbosity
from checkback.bailout import Bailout
from checkback.hearing.interruption import Interruption
from checkback.hearing.microphone import Microphone
from checkback.hearing.recogniser import Heard, Hypothesis, Recogniser, Utterance
from checkback.listening import Listening
from checkback.loop import Loop, Outcome
from checkback.record.clock import HandClock
from checkback.record.entry import Advice, CardStep, Entry
from checkback.record.journal import Journal
from checkback.speaking.polite import PoliteVoice
from checkback.speaking.voice import Voice
from checkback.speaking.voices import TextVoice
from checkback.watching.limits import load as load_limits

LIMITS = load_limits(english.GRAMMARS)
START = datetime(2026, 3, 2, 9, 0, 0, tzinfo=UTC)


class BailoutRoom:
    """Call-outs as they are typed or heard, ten seconds apart unless told otherwise."""

    def __init__(
        self,
        folder: Path,
        *,
        regime: str = "aha_2020",
        two_person: bool = False,
        verbosity: Verbosity = "full",
        voice: Voice | None = None,
    ) -> None:
        self.folder, self.regime, self.two_person, self.verbosity = folder, regime, two_person, verbosity
        self.clock = HandClock(START)
        self.said = StringIO()
        self.voice = voice or TextVoice(self.said, mark="")
        self.shown: list[str] = []
        self.open()

    def open(self) -> None:
        self.journal = Journal.open(self.folder)
        self.loop = Loop(
            english.book(),
            self.journal,
            self.clock,
            self.voice,
            limits=LIMITS,
            recogniser="test",
            program_version="0",
            show=self.shown.append,
            verbosity=self.verbosity,
            bailout=Bailout(deck(), self.regime, english.book(), two_person=self.two_person),
        )

    def listening(
        self,
        folder: Path,
        voice: PoliteVoice,
        *,
        recogniser: Recogniser | None = None,
        microphone: Microphone | None = None,
        interruption: Interruption | None = None,
        open_room: bool = True,
        show: Callable[[str], None] = lambda line: None,
    ) -> Listening:
        """Make the live room around the loop."""
        return Listening(
            self.loop,
            voice,
            folder,
            recogniser=recogniser,
            microphone=microphone,
            open_room=open_room,
            hold_off_s=0.25,
            interruption=interruption,
            report=lambda outcome, utterance: None,
            show=show,
        )

    def restart(self, *, after_s: float = 0.0) -> None:
        """End the program and start it again on another monotonic clock."""
        self.journal.close()
        wall = self.clock.now().wall.timestamp() + after_s
        self.clock = HandClock(datetime.fromtimestamp(wall, UTC))
        self.open()

    def close(self) -> None:
        self.journal.close()

    @property
    def now_s(self) -> float:
        return self.clock.now().monotonic_s

    def wait(self, seconds: float, *, step_s: float = 0.5) -> None:
        """Let time pass; the loop looks after its clocks as in the live room."""
        until = self.now_s + seconds
        while self.now_s < until:
            self.clock.set(min(until, self.now_s + step_s))
            self.loop.tick()

    def say(self, words: str, *, wait_s: float = 0.0) -> Outcome:
        """Type a line."""
        outcome = self.loop.typed(words)
        self.loop.tick()
        self.wait(wait_s)
        return outcome

    def hear(self, words: str, *, held: bool = False) -> Outcome:
        """Let the room hear `words`."""
        now = self.now_s
        self.clock.set(now + 1.0)
        utterance = Utterance(np.zeros(0, dtype=np.int16), now, now + 1.0, held)
        outcome = self.loop.heard(Heard(utterance, "test", (Hypothesis(words, -10.0, True),)))
        self.loop.tick()
        return outcome

    def play(self, script: str) -> None:
        """Say a script of `card_cases`; a line behind ">" is a word to the card."""
        for line in filter(None, map(str.strip, script.splitlines())):
            self.wait(10.0, step_s=5.0)
            if line.startswith("> open "):
                self.say(f"card {deck().cards[line.removeprefix('> open ')].card.say[0]}")
            elif line.startswith("> at "):
                self.to(line.removeprefix("> at "))
            else:
                self.say(f"card {line[2:]}" if line.startswith("> ") else line)

    def to(self, line: str) -> None:
        for _ in range(30):
            if self.line == line:
                return
            self.say("card next")
        raise AssertionError(line)

    @property
    def steps(self) -> list[tuple[str, str]]:
        return [(e.body.action, e.body.line) for e in self.entries if isinstance(e.body, CardStep)]

    @property
    def line(self) -> str:
        """The line that was read last."""
        return [line for action, line in self.steps if action == "read"][-1]

    @property
    def entries(self) -> list[Entry]:
        return list(self.journal.entries)

    def advice(self, prefix: str = "arrest_") -> list[tuple[float, str]]:
        """What the clock of an arrest said, with the second at which it was written."""
        return [
            (e.recorded.monotonic_s, e.body.rule)
            for e in self.entries
            if isinstance(e.body, Advice) and e.body.rule.startswith(prefix)
        ]

    @property
    def spoken(self) -> list[str]:
        return self.said.getvalue().splitlines()

    @property
    def last_said(self) -> str:
        return self.spoken[-1]
