"""Call-outs, the entries that they may become, and what became of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from checkback.bailout import OPEN
from checkback.certainty import RISKS, Risk
from checkback.language.reading import Reading
from checkback.record.entry import Entry, Moment

LOW_STAKES = frozenset({OPEN, "card_next", "card_back", "card_why", "card_close"})
"""Words to a card that record nothing about the patient."""

Result = Literal["accepted", "asked", "ignored"]
Source = Literal["speech", "typed", "pedal", "program", "plan"]

OPEN_ROOM_LEAST_WORDS = 2
"""With no pedal held, an event needs this many words: single words turn up in any talk."""

SAID_IN_ONE_WORD = frozenset({"rhythm", "perforation", "dissection"})
"""Kinds that are called out in one long word, and that nobody may lose: they need only the one."""


@dataclass(frozen=True)
class Outcome:
    """What became of one call-out.

    Attributes
    ----------
    result : {"accepted", "asked", "ignored"}
        Accepted: recorded, or done (an answer to a question).  Asked: the program wants an answer.
        Ignored: taken for talk that was not meant for it.
    words : str
        The words heard or typed.
    entries : tuple of Entry
        What was written to the journal.
    reply : str
        What is said back; empty for silence.
    score : float or None
        The recogniser's own score.
    reason : str
        Why it was asked or ignored; empty if it was accepted.
    """

    result: Result
    words: str
    entries: tuple[Entry, ...] = ()
    reply: str = ""
    score: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class CallOut:
    """Words with where they came from."""

    words: str
    said: Moment
    source: Source
    alternatives: tuple[str, ...] = ()
    recogniser: str | None = None
    score: float | None = None
    fits: bool = True
    meant_for_us: bool = True
    certainty: float | None = None


@dataclass(frozen=True)
class Proposal:
    """An entry that a reading leads to."""

    body: Any
    at: Moment
    amends: Entry | None = None
    objection: str | None = field(default=None, compare=False)
    device: str = field(default="", compare=False)


def same_thing(body: Any, old: Any) -> bool:
    """Return whether a correction is about the same thing: the same kind, and drug or device."""
    return body.kind == old.kind and all(
        getattr(body, name, None) == getattr(old, name, None) for name in ("drug", "device", "index")
    )


DOSES = frozenset({"drug", "infusion"})
"""Kinds in which a number taken for its twin, fifteen for fifty, is a wrong dose."""


def risk_of(readings: tuple[Reading, ...], *, twin: bool = False) -> Risk:
    """Return what is at stake if a sentence of these readings is taken wrongly.

    Parameters
    ----------
    readings : tuple of Reading
    twin : bool
        Whether there is a number in it that is easily taken for another one.
    """
    if twin and any(reading.role == "event" and reading.body.kind in DOSES for reading in readings):
        return "twin"
    risks: list[Risk] = []
    for reading in readings:
        if reading.role == "event" and not reading.correction:
            risks.append(RISKS.get(reading.body.kind, "usual"))
        elif reading.family in LOW_STAKES:
            risks.append("low")
        elif reading.role == "question":
            # an event that is taken for a question is lost, and nothing stands that could be corrected
            risks.append("question")
        else:
            # a correction, an answer, a withdrawal: it changes what stands
            risks.append("usual")
    return max(risks, key=("low", "usual", "high", "question").index, default="usual")


def too_short(words: str, readings: tuple[Reading, ...]) -> bool:
    """Return whether so few words with no pedal held are taken for talk."""
    return len(words.split()) < OPEN_ROOM_LEAST_WORDS and all(
        r.role == "bailout" or (r.role == "event" and r.body.kind not in SAID_IN_ONE_WORD) for r in readings
    )


def candidates(question: Entry) -> list[Any]:
    """Return the bodies between which a question is."""
    bodies = [a.body for a in question.alternatives if a.body is not None]
    if not bodies and question.body.kind != "unclear":
        bodies = [question.body]
    return bodies
