"""What the record lacks, asked item by item, each answered by a few words on the spot.

The questions never stand in the way: any other call-out is taken as always, and after `ASKS_FOR_S`
without an answer nothing is asked any more, so that a number said much later is not taken for one.
What the record lacks is told by the case alone; after a restart the entries tell whether it was being asked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reader, Reading
from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import Advice, DeviceEvent, Entry, LeftOpen, Moment, StandBy

ASKS_FOR_S = 60.0
"""So long a short answer is waited for."""

NOT_ASKED = frozenset({"case_end"})
"""What is named and not asked for: the case ends when somebody says so."""

RESUMES_WITHIN_S = 120.0
"""After a restart the questions go on if the last sign of them is no older."""

ASKING_RULES = frozenset({"guide_out_missing", "case_end_missing"})
"""Advice that is followed by questions."""

ANSWER = "answer_"
"""Families of answers are called so, and then by what was asked for."""


@dataclass(frozen=True)
class Item:
    """One thing that the record lacks.

    Attributes
    ----------
    key : str
        As in `Case.missing`.
    device : DeviceLife or None
        The device, where that is what is not accounted for.
    """

    key: str
    device: DeviceLife | None = None


class Checklist:
    """Asks for what is lacking.

    Parameters
    ----------
    phrasing : Phrasing
    """

    def __init__(self, phrasing: Phrasing) -> None:
        self._phrasing = phrasing
        self._asked: Item | None = None
        self._until_s = 0.0
        self._passed: set[tuple[str, str | None, str | None]] = set()

    def begin(self, case: Case, now_s: float) -> str:
        """Ask for the first thing that is lacking; return the question, or nothing."""
        self._passed.clear()
        self._asked = None
        return self._ask(case, now_s)

    def resume(self, case: Case, now: Moment) -> str:
        """Go on after a restart where the questions broke off; return the next one, or nothing."""
        since: Entry | None = None
        for entry in case.backwards():
            if (now.wall - entry.recorded.wall).total_seconds() > RESUMES_WITHIN_S:
                break
            if isinstance(entry.body, StandBy):
                # nothing was asked any more
                break
            if isinstance(entry.body, LeftOpen):
                since = entry
            elif isinstance(entry.body, Advice) and entry.body.rule in ASKING_RULES:
                since = entry
                break
        if since is None:
            return ""
        self._passed = {
            (entry.body.item, None, None)
            for entry in case.in_force()
            if isinstance(entry.body, LeftOpen) and entry.n >= since.n
        }
        return self._ask(case, now.monotonic_s)

    def end(self) -> None:
        """Ask for nothing any more."""
        self._asked = None

    def asked(self, now_s: float) -> Item | None:
        """Return what is asked for at this time of the monotonic clock."""
        if self._asked is not None and now_s > self._until_s:
            self._asked = None
        return self._asked

    def go_on(self, case: Case, now_s: float) -> str | None:
        """Return the next question if the last one is settled; an empty one after the last item.

        None: nothing was asked, or what was asked is still open.
        """
        item = self.asked(now_s)
        if item is None or any(_same(item, each) for each in _items(case) if not self._is_passed(each)):
            return None
        return self._ask(case, now_s)

    def leave(self, answer: Literal["skipped", "unknown"]) -> LeftOpen:
        """Return what to record when the item asked for is left open; it is not asked again in this round.

        Raises
        ------
        LookupError
            If nothing is asked.
        """
        if self._asked is None:
            raise LookupError("nothing is asked")
        self._passed.add(_name(self._asked))
        return LeftOpen(item=self._asked.key, answer=answer)

    def open_question(self, case: Case) -> int | None:
        """Return the entry whose question is the one asked now, if it is one of those."""
        asked = self._asked is not None and self._asked.key == "questions"
        return case.questions()[0].n if asked and case.questions() else None

    def fitting(self, readings: tuple[Reading, ...], now_s: float) -> tuple[Reading, ...]:
        """Leave out short answers to what is not asked; bring what is said of a device to the one asked for."""
        item = self.asked(now_s)
        found = []
        for reading in readings:
            if reading.role == "answer":
                about = reading.family.removeprefix(ANSWER)
                if item is None or about not in (item.key, "skip", "unknown"):
                    continue
            found.append(_about(reading, item))
        return tuple(found)

    def expects(self, readings: tuple[Reading, ...], now_s: float) -> bool:
        """Return whether one of these readings answers what is asked, however short it is."""
        item = self.asked(now_s)
        if item is None:
            return False
        kind = "device_event" if item.device is not None else item.key
        return any(
            reading.role == "answer" or (reading.body is not None and reading.body.kind == kind)
            for reading in readings
        )

    def _ask(self, case: Case, now_s: float) -> str:
        self._asked = next((item for item in _items(case) if not self._is_passed(item)), None)
        if self._asked is None:
            return ""
        self._until_s = now_s + ASKS_FOR_S
        if self._asked.key == "questions":
            entry = case.questions()[0]
            if any(each.body is not None for each in entry.alternatives) or entry.body.kind != "unclear":
                return entry.question or ""
            if not entry.words:
                return self._phrasing.reply("ask_unheard", time=self._phrasing.clock_time(entry.said.wall))
            return self._phrasing.reply("ask_words", words=entry.words)
        if self._asked.device is not None:
            return self._phrasing.reply("ask_device", device=self._named(self._asked.device))
        return self._phrasing.reply("ask_item", item=self._phrasing.label("missing", self._asked.key))

    def _is_passed(self, item: Item) -> bool:
        return _name(item) in self._passed

    def _named(self, life: DeviceLife) -> str:
        if life.loose_delivery:
            return self._phrasing.label("device", "delivery balloon")
        bare = {"pressure_atm": None, "deployed": None, "segment": None, "lesion": None}
        return self._phrasing.spoken(life.body.model_copy(update=bare))


class AskedReader(Reader):
    """A reader that takes short answers only to what is asked, and words to a card only while one is open.

    Parameters
    ----------
    book : Phrasebook
    checklist : Checklist
    now_s : callable
        Gives the time on the monotonic clock.
    to_card : callable
        Tells whether a sentence of a family, said to a bailout card, means anything now.
    typed, every_size : bool
        As in `Reader`.
    """

    def __init__(
        self,
        book: Phrasebook,
        checklist: Checklist,
        now_s: Callable[[], float],
        *,
        to_card: Callable[[str], bool],
        typed: bool = False,
        every_size: bool = False,
    ) -> None:
        super().__init__(book, typed=typed, every_size=every_size)
        self._checklist = checklist
        self._now_s = now_s
        self._to_card = to_card

    def read(self, sentence: str) -> tuple[Reading, ...]:
        """Return all readings of `sentence` that can be meant now."""
        readings = super().read(sentence)
        meant = tuple(r for r in readings if r.role != "bailout" or self._to_card(r.family))
        return self._checklist.fitting(meant, self._now_s())


def _items(case: Case) -> list[Item]:
    """Return what is lacking, the devices one by one and the one that went in last first."""
    items = [Item(key) for key in case.missing() if key not in NOT_ASKED and key != "devices"]
    return items + [Item("devices", life) for life in reversed(case.unaccounted())]


def _name(item: Item) -> tuple[str, str | None, str | None]:
    # of two like devices only the one that went in last can be spoken of
    body: Any = None if item.device is None else item.device.body
    return (item.key, None, None) if body is None else (item.key, body.device, body.type)


def _same(item: Item, other: Item) -> bool:
    if item.device is None or other.device is None:
        return item.key == other.key
    return item.device.number == other.device.number


def _about(reading: Reading, item: Item | None) -> Reading:
    """Return a reading such as "out" as one about the device that is asked for."""
    body = reading.body
    if item is None or item.device is None or not isinstance(body, DeviceEvent) or body.device is not None:
        return reading
    went_in = item.device.body
    loose = item.device.loose_delivery
    meant = {"device": "balloon" if loose else went_in.device, "type": None if loose else went_in.type}
    return reading.with_body(body.model_copy(update=meant))
