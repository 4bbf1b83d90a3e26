"""What the pages show, as plain data that never changes.

Times are ages: seconds since something happened at the moment when the board was made.  The page
counts on from there by itself.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Literal

RoomState = Literal[
    "listening", "hearing", "pedal", "speaking", "deaf", "typed", "silent", "failed", "ended", "files"
]  # fmt: skip
"""How the room is.

listening
    Call-outs are heard.
hearing
    Somebody is speaking to it, or the talk pedal is held.
pedal
    It hears only while the talk pedal is held, and it is not.
speaking
    The voice speaks; unless the pedal is held it does not hear.
deaf
    The microphone gives no sound.
typed
    There is no microphone; call-outs are typed.
silent
    The thread that keeps the record has not moved for a while.
failed
    The board cannot be made; what stands there is old.
ended
    The program was ended.
files
    The case is read from its files; this program does not listen.
"""


LEVEL_STEPS = 12
"""Steps of the level meter, of 5 dB each; the last is full scale."""


def level_step(level_dbfs: float) -> int:
    """Return how many steps of the meter are lit at a level in dB of full scale: from -60 dB, 5 dB each."""
    return min(LEVEL_STEPS, max(0, int((level_dbfs + 60.0) // 5.0)))


@dataclass(frozen=True)
class Room:
    """How the room is now.

    Attributes
    ----------
    state : str
        See `RoomState`.
    held : bool
        Whether the talk pedal is held.
    trouble : {"", "clipping", "behind", "disk"}
        What is wrong beside that: the microphone is too loud, what was said waits too long to be decoded,
        or the disk takes nothing.
    """

    state: RoomState = "listening"
    held: bool = False
    trouble: Literal["", "clipping", "behind", "disk"] = ""


@dataclass(frozen=True)
class Heard:
    """The last call-out that was meant for the program, and what it made of it.

    Attributes
    ----------
    words : str
        As heard or typed; empty for a pedal.
    back : str
        The check-back for the eye: the entry with its numbers in digits, or what was answered or asked.
    result : {"recorded", "asked", "answered", "withdrawn"}
    options : tuple of str
        What it asks between, if that is more than one thing.
    n : int or None
        Number of the entry.
    age_s : float
    """

    words: str
    back: str
    result: Literal["recorded", "asked", "answered", "withdrawn"]
    options: tuple[str, ...]
    n: int | None
    age_s: float


@dataclass(frozen=True)
class Up:
    """A balloon that is up.

    Attributes
    ----------
    number : int
        Of the device in this case.
    device, pressure : str
        Pressure with its unit; empty if it was not called out.
    rated : str
        Rated burst pressure, where the catalogue has one.
    source : str
        Of the rated burst pressure.
    above_rated : bool
    age_s : float
        Since it went up.
    """

    number: int
    device: str
    pressure: str
    rated: str
    source: str
    above_rated: bool
    age_s: float


@dataclass(frozen=True)
class Clock:
    """A time that runs, or one that was taken.

    Attributes
    ----------
    key : str
        Which one; its name is among the words.
    age_s : float or None
        Seconds so far, if it runs.
    text : str
        As it is shown if it does not run.
    source : str
        Of the target that it is held against.
    """

    key: str
    age_s: float | None
    text: str = ""
    source: str = ""


@dataclass(frozen=True)
class Ahead:
    """What comes due, or is due and not answered.

    Attributes
    ----------
    rule : str
    text : str
        The words for it.
    in_s : float or None
        Seconds until it is due, negative: due since; None: it holds, whatever the time.
    source : str
    """

    rule: str
    text: str
    in_s: float | None
    source: str


@dataclass(frozen=True)
class Total:
    """A total against its limit.

    Attributes
    ----------
    key : str
        Which one; its name is among the words.
    text : str
        What was given or measured; empty if nothing is on record.
    against : str
        The limit or target, or why there is none.
    share : float or None
        Of the limit that is used up, 1 is all of it.
    step : {"", "near", "reached"}
        Whether something is to be said of it.
    source : str
        Of the limit.
    """

    key: str
    text: str
    against: str
    share: float | None = None
    step: Literal["", "near", "reached"] = ""
    source: str = ""


@dataclass(frozen=True)
class Inside:
    """A device in the body."""

    device: str
    notes: tuple[str, ...]
    age_s: float


@dataclass(frozen=True)
class Question:
    """An entry that is still questioned.

    Attributes
    ----------
    n : int
    asked, words : str
    options : tuple of str
        What it is between; one: yes or no.
    open : bool
        Whether a short answer goes to this one.
    """

    n: int
    asked: str
    words: str
    options: tuple[str, ...]
    open: bool


@dataclass(frozen=True)
class Lacking:
    """Something that a complete record lacks."""

    key: str
    name: str


@dataclass(frozen=True)
class Card:
    """The bailout card that is open.

    Attributes
    ----------
    title, line, caution, source : str
        Of the line that is due.
    question : bool
        Whether the line asks for yes or no.
    signature : str
        Who signed the card, or that nobody did.
    """

    title: str
    line: str
    caution: str
    source: str
    question: bool
    signature: str


@dataclass(frozen=True)
class Line:
    """One entry of the record.

    Attributes
    ----------
    n : int
    time : str
        Wall time of what happened.
    text, words : str
        The entry for the eye, and what was heard.
    standing : {"stands", "questioned", "withdrawn", "amended"}
    by : int or None
        The entry that replaced or withdrew it.
    amends, takes_back : int or None
        The entry that this one replaces, or withdraws.
    asked : str
        What was asked about it.
    source : str
        Speech, typed, pedal, program, plan, import.
    mine : bool
        Whether it may be corrected or disregarded by a call-out.
    """

    n: int
    time: str
    text: str
    words: str
    standing: str
    by: int | None
    amends: int | None
    takes_back: int | None
    asked: str
    source: str
    mine: bool


@dataclass(frozen=True)
class Board:
    """All that stands on the pages, but for the whole log.

    Attributes
    ----------
    case : str
        Name of the case folder.
    wall : str
        Wall time at which it was made, ISO 8601 with its offset.
    room : Room
    typing : bool
        Whether lines can be typed.
    revision : int
        Of the log; a page that knows another one asks for the rest.
    """

    case: str
    wall: str
    ended: bool
    room: Room
    typing: bool
    heard: Heard | None
    up: tuple[Up, ...]
    clocks: tuple[Clock, ...]
    ahead: tuple[Ahead, ...]
    totals: tuple[Total, ...]
    inside: tuple[Inside, ...]
    implants: tuple[str, ...]
    lines: tuple[Line, ...]
    questions: tuple[Question, ...]
    lacking: tuple[Lacking, ...]
    card: Card | None
    notice: str
    revision: int


@dataclass(frozen=True)
class Row:
    """A line of the log as JSON, with the revision of the log in which it last changed."""

    revision: int
    json: bytes


@dataclass(frozen=True)
class Snapshot:
    """A board as it goes to the pages.

    Attributes
    ----------
    json : bytes
        The board.
    made_s : float
        When it was made, on the monotonic clock.
    rows : tuple of Row
        The whole log, in the order of the journal.
    revision : int
        Of the log.
    """

    json: bytes
    made_s: float
    rows: tuple[Row, ...]
    revision: int


def as_json(item: Board | Line) -> bytes:
    """Return an item as one line of JSON that is plain ASCII."""
    return json.dumps(asdict(item), separators=(",", ":")).encode("ascii")
