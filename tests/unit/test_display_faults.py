"""A fault of the display is told and seen, does not pile up what it is handed, and passes."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import english
from bailout_room import BailoutRoom
from checkback.board import Rules
from checkback.display import ERRORS, LOOK_S, Keeper
from checkback.language.phrasing import Phrasing
from checkback.record.entry import Deflation, Inflation
from checkback.showing.plain import Room as RoomShown
from checkback.showing.plain import Snapshot
from checkback.speaking.polite import PoliteVoice
from checkback.speaking.voices import TextVoice
from watched_room import CATALOGUE, LIMITS, Room


class Watched:
    """A keeper with what it put out and told."""

    def __init__(self, folder: Path) -> None:
        self.snapshots: list[Snapshot] = []
        self.shown: list[str] = []
        self.spoken = 0
        rules = Rules(LIMITS, CATALOGUE, Phrasing(english.book()))
        self.keeper = Keeper(rules, folder, self.snapshots.append, self.show)
        self.keeper.on_fault = self.speak

    def show(self, text: str) -> None:
        self.shown.append(text)
        # as the program does: what is shown on the terminal is shown on the wall too
        self.keeper.notice(text)
        raise BrokenPipeError("the terminal is gone")

    def speak(self) -> None:
        self.spoken += 1

    @property
    def state(self) -> str:
        return self.newest["room"]["state"] if self.snapshots else ""

    @property
    def newest(self) -> Any:
        return json.loads(self.snapshots[-1].json)

    def until(self, true: Callable[[], bool]) -> None:
        deadline_s = time.monotonic() + 30.0
        while not true():
            assert time.monotonic() < deadline_s, (self.state, self.shown)
            time.sleep(0.01)


def test_an_entry_that_cannot_be_folded_is_told_once_and_the_queue_stays_empty(tmp_path: Path) -> None:
    case, watched = Room(), Watched(tmp_path)
    keeper = watched.keeper
    keeper.start(case.case.entries)
    watched.until(lambda: watched.state == "listening")
    good = case.say(Inflation(pressure_atm=12))
    keeper.entry(good.model_copy(update={"at": None}))
    watched.until(lambda: watched.state == "failed")
    for _ in range(200):
        keeper.entry(case.say(Deflation()))
    watched.until(keeper._news.empty)
    assert len(watched.shown) == watched.spoken == 1 and "recording goes on" in watched.shown[0]
    assert (tmp_path / ERRORS).read_text(encoding="utf-8").count("Traceback") == 2, "as it came, and all anew"
    # what could not be folded comes again as it should be: the whole case is shown, nothing is lost
    keeper.entry(good)
    watched.until(lambda: watched.state == "listening")
    assert [each.n for each in keeper._case.entries] == [each.n for each in case.case.entries]
    keeper.close()
    assert watched.state == "ended"
    assert len(watched.shown) == 1


def test_a_first_board_that_cannot_be_made_is_not_tried_all_the_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tried = []

    def fails(*args: Any, **named: Any) -> None:
        tried.append(time.monotonic())
        raise ArithmeticError("this case cannot be folded")

    monkeypatch.setattr("checkback.display.board", fails)
    watched = Watched(tmp_path)
    watched.keeper.start([])
    watched.until(lambda: bool(tried))
    time.sleep(10 * LOOK_S)
    # once more for the line that tells of it
    assert len(tried) <= 2
    watched.keeper.close()


def test_a_room_that_cannot_be_looked_at_is_a_fault_until_it_can(tmp_path: Path) -> None:
    case, watched = Room(), Watched(tmp_path)
    faulty = True

    def room() -> RoomShown:
        if faulty:
            raise MemoryError
        return RoomShown("hearing")

    watched.keeper.room = room
    watched.keeper.start(case.case.entries)
    watched.until(lambda: watched.state == "failed")
    watched.keeper.entry(case.say(Inflation(pressure_atm=12)))
    watched.until(lambda: watched.newest["lines"] != [])
    faulty = False
    watched.until(lambda: watched.state == "hearing")
    watched.keeper.close()
    assert len(watched.shown) == watched.spoken == 1


def test_a_fault_of_the_display_is_spoken_by_the_owner_of_the_voice(tmp_path: Path) -> None:
    case = BailoutRoom(tmp_path / "case")
    room = case.listening(tmp_path, PoliteVoice(TextVoice(case.said)))
    room.display_fault()
    room.stop()
    room.run()
    case.close()
    assert "the display has a fault" in case.said.getvalue()
