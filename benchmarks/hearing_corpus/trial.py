"""What becomes of one call-out: cut out of the room, heard, and given to the loop of the program."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from checkback.attention import without_attention
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES, Segmenter
from checkback.hearing.recogniser import Heard, Hypothesis, Utterance
from checkback.language.phrasebook import Phrasebook
from checkback.listening import FOLLOWED_BLOCKS
from checkback.loop import Loop, Outcome
from checkback.record.clock import HandClock
from checkback.record.journal import Journal
from checkback.settings import Settings, grammars_folder
from checkback.speaking.voices import SilentVoice
from checkback.watching.limits import load as load_limits
from hearing_corpus import generator
from hearing_corpus.corpus import Item

Sound = NDArray[np.float64]

Way = Literal["pedal", "open room"]
WAYS: tuple[Way, ...] = ("pedal", "open room")

Verdict = Literal["right", "asked", "wrong", "ignored"]
VERDICTS: tuple[Verdict, ...] = ("right", "asked", "wrong", "ignored")

_PRESS_S = (0.15, 0.5)
"""How long before the first sound the talk pedal is pressed, and after the last one it is released."""

_NOW_S = 600.0
_TIME_PASSES = ""

_BEGUN = "start the case"

CONTEXTS: dict[str, tuple[str, ...]] = {
    "start of the case": (_BEGUN,),
    "balloon in": (_BEGUN, "balloon 2.5 x 15"),
    "balloon up": (_BEGUN, "balloon 2.5 x 15", "balloon inflated 12"),
    "stent in": (_BEGUN, "stent 3 x 18"),
    "microcatheter in": (_BEGUN, "microcatheter in"),
    "dual lumen microcatheter in": (_BEGUN, "dual lumen microcatheter in"),
    "angled microcatheter in": (_BEGUN, "angled microcatheter in"),
    "burr in": (_BEGUN, "burr 1.5 in"),
    "crown in": (_BEGUN, "1.25 crown in"),
    "access got": (_BEGUN, "left radial access 6 french"),
    "stenosis seen": (_BEGUN, "mid lad 70 percent stenosis"),
    "reference measured": (_BEGUN, "reference 2.5 by 12"),
    "dissection seen": (_BEGUN, "type b dissection"),
    "clotting time known": (_BEGUN, "act 250"),
    "something asked": (_BEGUN, "burr run"),
    "one of two asked": (_BEGUN, "contrast 77"),
    "reminded": (_BEGUN, "balloon 2.5 x 15", "balloon inflated 12", _TIME_PASSES),
    "many entries": (_BEGUN, *(f"act {250 + n}" for n in range(12))),
}
"""What was called out before, typed; the first is taken in which the call-out needs no question."""


@dataclass(frozen=True)
class Goal:
    """What becomes of a call-out that is heard without fault.

    Attributes
    ----------
    context : str
        Key of `CONTEXTS`.
    outcome : Outcome
        Not accepted if the words alone are ambiguous, or wrong for the case.
    """

    context: str
    outcome: Outcome

    @property
    def clear(self) -> bool:
        """Whether there is nothing to ask."""
        return self.outcome.result == "accepted"


@dataclass(frozen=True)
class Cut:
    """An utterance, and when the program had it.

    Attributes
    ----------
    utterance : Utterance
    at_s : float
        Time in the file at which the end-pointer or the pedal gave it away.
    begun : tuple of (float, str, Utterance)
        What the program begins on before, and when: it follows (`follow`) what is being said, and in each pause
        it takes what was said for the whole (`prepare`).
    """

    utterance: Utterance
    at_s: float
    begun: tuple[tuple[float, Literal["follow", "prepare"], Utterance], ...] = ()


def cut(item: Item, sound: Sound, way: Way) -> list[Cut]:
    """Cut utterances out of a sound file as the program does.

    With the pedal, it is held around the speech; if it is unknown when that is, all the time.
    """
    blocks = len(sound) // BLOCK_SAMPLES
    pcm = np.round(sound[: blocks * BLOCK_SAMPLES] * 32_767).astype(np.int16)
    press_s, release_s = 0.0, blocks * BLOCK_S
    if item.end_s > 0:
        rng = generator("pedal", item.side, item.id)
        press_s = item.start_s - rng.uniform(*_PRESS_S)
        release_s = min(item.end_s + rng.uniform(*_PRESS_S), release_s)
    segmenter = Segmenter()
    found: list[Cut] = []
    begun: list[tuple[float, Literal["follow", "prepare"], Utterance]] = []

    def ended(utterances: Sequence[Utterance], at_s: float) -> None:
        found.extend(Cut(utterance, at_s, tuple(begun)) for utterance in utterances)
        if utterances:
            begun.clear()

    pressed = False
    for n in range(blocks):
        start_s = n * BLOCK_S
        if way == "pedal" and not pressed and press_s <= start_s:
            segmenter.press()
            pressed = True
        if way == "pedal" and pressed and release_s <= start_s:
            ended(segmenter.release(), start_s)
            return found
        ended(segmenter.feed(pcm[n * BLOCK_SAMPLES : (n + 1) * BLOCK_SAMPLES], start_s), start_s + BLOCK_S)
        if way == "pedal" and not pressed:
            continue
        pending = segmenter.pending
        if pending is not None and not (begun and begun[-1][2] is pending):
            begun.append((start_s + BLOCK_S, "prepare", pending))
        elif pending is None and n % FOLLOWED_BLOCKS == 0 and (so_far := segmenter.so_far) is not None:
            begun.append((start_s + BLOCK_S, "follow", so_far))
    ended(segmenter.flush(), blocks * BLOCK_S)
    return found


class Room:
    """Opens cases for call-outs.

    Parameters
    ----------
    book : Phrasebook
    attention : sequence of str
        The attention words; with them, of a call-out counts what follows them.
    """

    def __init__(self, book: Phrasebook, attention: Sequence[str] = ()) -> None:
        self._book = book
        self._attention = attention
        self._limits = load_limits(grammars_folder(Settings()))
        self._goals: dict[str, Goal] = {}

    @contextmanager
    def case(self, context: str) -> Iterator[Loop]:
        """Open a case in which something was called out before."""
        # In memory where there is such a folder: each case is written to the disk and thrown away.
        memory = Path("/dev/shm")
        with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
            journal = Journal.open(Path(folder) / "case")
            try:
                clock = HandClock(datetime(2026, 3, 2, 8, tzinfo=UTC))
                loop = Loop(
                    self._book,
                    journal,
                    clock,
                    SilentVoice(),
                    limits=self._limits,
                    recogniser="benchmark",
                    program_version="benchmark",
                    attention=self._attention,
                )
                for n, words in enumerate(CONTEXTS[context], 1):
                    clock.set(30.0 * n)
                    if words == _TIME_PASSES:
                        clock.set(_NOW_S)
                        loop.tick()
                    else:
                        loop.typed(words)
                clock.set(_NOW_S)
                yield loop
            finally:
                journal.close()

    def goal(self, words: str) -> Goal:
        """Return what becomes of words that are heard without fault, with the pedal held."""
        words = without_attention(words, self._attention) or words
        if words not in self._goals:
            found = None
            for context in CONTEXTS:
                goal = self._goal(context, words)
                found = goal if found is None or goal.clear else found
                if found.clear:
                    break
            assert found is not None
            self._goals[words] = found
        return self._goals[words]

    def _goal(self, context: str, words: str) -> Goal:
        nothing = Utterance(np.zeros(0, np.int16), _NOW_S, _NOW_S + 1, held=True)
        with self.case(context) as loop:
            return Goal(context, loop.heard(Heard(nothing, "", (Hypothesis(words),))))

    def decided(self, context: str, heard: Sequence[Heard]) -> list[tuple[Outcome, float]]:
        """Return what the loop makes of the pieces of one call-out, and in how many seconds."""
        found = []
        with self.case(context) as loop:
            for each in heard:
                now = replace(each.utterance, started_s=_NOW_S, ended_s=_NOW_S + 1)
                began_s = time.perf_counter()
                outcome = loop.heard(replace(each, utterance=now))
                found.append((outcome, time.perf_counter() - began_s))
        return found

    def outcomes(self, context: str, heard: Sequence[Heard]) -> list[Outcome]:
        """Return what the loop makes of the pieces of one call-out, one after the other."""
        return [outcome for outcome, _ in self.decided(context, heard)]


def effect(outcome: Outcome) -> tuple[object, ...]:
    """Return what an accepted call-out did: what was written, or what was answered."""
    written = [entry.body for entry in outcome.entries]
    return (written, [entry.at for entry in outcome.entries]) if written else (outcome.reply,)


def verdict(goal: Goal, outcomes: Sequence[Outcome]) -> Verdict:
    """Tell what became of one call-out that may have been cut into several pieces.

    right    what the same words do when they are heard without fault
    wrong    something stands, or was done, that is something else
    asked    the program asks instead, or says the question again
    ignored  it was taken for talk
    """
    done = [outcome for outcome in outcomes if outcome.result == "accepted"]
    if any(effect(outcome) != effect(goal.outcome) for outcome in done):
        return "wrong"
    if done:
        return "right" if goal.clear else "wrong"
    return "asked" if any(outcome.result == "asked" for outcome in outcomes) else "ignored"
