"""Labels scanned during a case: each gets to its implant, and to the report and the status."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from io import StringIO
from pathlib import Path

import pytest

import english
from checkback.language.phrasing import Phrasing
from checkback.loop import Loop, Outcome
from checkback.record.clock import HandClock
from checkback.record.entry import Identity, Unclear
from checkback.record.journal import Journal
from checkback.reporting.narrative import narrative
from checkback.speaking.voices import TextVoice
from checkback.watching.limits import load as load_limits
from checkback.watching.status import moment_of, rows, status

LIMITS = load_limits(english.GRAMMARS)
START = datetime(2026, 3, 2, 14, 22, 0, tzinfo=timezone(timedelta(hours=1)))

FIRST = "(01)09506000134352(17)280131(10)ABC123(21)SN0001"
SECOND = "]d2010950600013435217280131" + "10XYZ789\x1d21SN0002"
WITHOUT_SERIAL = "(01)09506000134352(17)280131(10)ABC123"
EXPIRED = "(01)09506000134352(17)260301(10)OLD1"


class Room:
    """A room in which everything is typed, or scanned, ten seconds apart."""

    def __init__(self, folder: Path) -> None:
        self.clock = HandClock(START)
        self.shown: list[str] = []
        self.folder = folder
        self.journal = Journal.open(folder)
        voice = TextVoice(StringIO(), mark="")
        self.loop = Loop(
            english.book(), self.journal, self.clock, voice, limits=LIMITS, recogniser="test",
            program_version="0", show=self.shown.append,
        )  # fmt: skip
        self.case = self.loop.case

    def type(self, *lines: str) -> Outcome:
        for line in lines:
            self.clock.set(self.clock.now().monotonic_s + 10.0)
            outcome = self.loop.typed(f"{line}\n")
        return outcome

    @property
    def lots(self) -> list[str | None]:
        """The lot of every implant."""
        return [life.identity.lot if life.identity else None for life in self.case.implants()]

    @property
    def narrative(self) -> str:
        return " ".join(narrative(self.case, Phrasing(english.book())).split())

    def status(self, figure: str) -> list[str]:
        now = moment_of(self.case, self.clock.now().wall)
        state = status(self.case, LIMITS, english.book().catalogue, *now)
        return [row.value for row in rows(state) if row.figure == figure]


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Room]:
    room = Room(tmp_path / "case")
    room.type("guide 6 french j r 4", "workhorse wire", "stent 3.0 x 18", "deployed 14 atm")
    assert len(room.case.implants()) == 1
    yield room
    room.journal.close()


def test_a_scan_gives_the_implant_its_lot(room: Room) -> None:
    outcome = room.type(FIRST)
    assert (outcome.result, outcome.reply) == (
        "accepted",
        "stent three by one eight, eighteen, identified, lot ABC123, serial SN0001",
    )
    (entry,) = outcome.entries
    assert Journal.read(room.folder)[-1] == entry
    assert (entry.source, entry.words) == ("typed", FIRST)
    (implant,) = room.case.implants()
    assert implant.identity == entry.body
    device, deployed = implant.entry.n, entry.n - 1
    assert (
        "A 3.0 × 18 mm stent was implanted, lot ABC123, serial number SN0001, device identifier "
        f"09506000134352, expiry date 2028-01-31 [{device}, {deployed}, {entry.n}]." in room.narrative
    )
    (line,) = room.status("implant")
    assert ", lot ABC123, serial number SN0001, " in line


def test_each_scan_gets_to_an_implant_without_identity(room: Room) -> None:
    room.type(FIRST, "stent 2.5 x 12", "deployed 12 atm", SECOND)
    assert room.lots == ["ABC123", "XYZ789"]


def test_two_stents_may_be_scanned_at_the_end(room: Room) -> None:
    room.type("stent 2.5 x 12", "deployed 12 atm", SECOND, FIRST)
    assert room.lots == ["ABC123", "XYZ789"]


def test_a_stent_may_be_scanned_before_it_is_deployed(room: Room) -> None:
    room.type(FIRST, "stent 2.5 x 12", SECOND, "deployed 12 atm")
    assert room.lots == ["ABC123", "XYZ789"]


def test_a_label_in_two_barcodes_belongs_to_one_implant(room: Room) -> None:
    room.type("stent 2.5 x 12", "deployed 12 atm", "(01)09506000134352", "(17)280131(10)ABC123")
    first, second = room.case.implants()
    assert first.identity is None
    assert second.identity == Identity(
        udi="(01)09506000134352 (17)280131(10)ABC123",
        device_identifier="09506000134352",
        lot="ABC123",
        expires="2028-01-31",
    )


def test_a_lot_may_be_typed(room: Room) -> None:
    assert room.type("lot AB123").reply.endswith("eighteen, identified, lot AB123")
    assert room.lots == ["AB123"]
    assert "stent was implanted, lot AB123 [" in room.narrative


def test_disregard_takes_the_scan_back(room: Room) -> None:
    room.type(FIRST, "disregard")
    assert room.lots == [None]
    assert "A 3.0 × 18 mm stent was implanted [" in room.narrative
    room.type(FIRST)
    assert room.lots == ["ABC123"]


def test_a_correction_changes_the_lot_or_everything(room: Room) -> None:
    number = room.type(FIRST).entries[0].n
    assert (
        room.type("correction lot ABC124").reply
        == "correction, stent three by one eight, eighteen, identified, lot ABC124, serial SN0001"
    )
    room.type("stent 2.5 x 12", "deployed 12 atm", "lot AB1")
    assert room.lots == ["ABC124", "AB1"]
    room.type(f"correction entry {number + 1} {SECOND}")
    assert room.lots == ["XYZ789", "AB1"]


def test_a_label_that_replaces_another_keeps_nothing_of_it(room: Room) -> None:
    room.type(FIRST, "correction (01)09506000134352(10)XYZ789")
    (implant,) = room.case.implants()
    assert implant.identity is not None
    assert (implant.identity.lot, implant.identity.serial, implant.identity.expires) == ("XYZ789", None, None)


def test_a_correction_of_something_else_does_not_become_a_lot(room: Room) -> None:
    outcome = room.type("heparin 5000 units", "correction lot AB124")
    assert (outcome.result, outcome.entries) == ("asked", ())
    assert room.lots == [None]


def test_a_label_scanned_twice_is_no_second_implant(room: Room) -> None:
    room.type("stent 2.5 x 12", "deployed 12 atm", SECOND)
    outcome = room.type(SECOND)
    assert outcome.result == "asked"
    assert outcome.reply.startswith("this stent was scanned before. identified, lot XYZ789")
    assert room.lots == [None, "XYZ789"]


def test_with_no_implant_left_it_is_asked_and_kept(room: Room) -> None:
    room.type("balloon 2.5 x 12", "balloon out", "lot A1")
    outcome = room.type(WITHOUT_SERIAL)
    assert outcome.reply == "no device is without its lot. identified, lot ABC123, affirm?"
    assert room.lots == ["A1"]
    entry = room.type("affirm").entries[0]
    assert room.lots == ["A1"]
    assert f"A label was recorded for which no device is known, lot ABC123, device identifier 09506000134352, expiry date 2028-01-31 [{entry.n}] (clarified)." in room.narrative  # fmt: skip


def test_an_expired_device_is_asked_about(room: Room) -> None:
    outcome = room.type(EXPIRED)
    assert outcome.reply == "expired 2026-03-01. identified, lot OLD1, affirm?"
    assert room.lots == [None]
    # the same label again is no answer
    assert room.type(EXPIRED).result == "asked"
    assert room.lots == [None]
    assert room.type("affirm").result == "accepted"
    assert room.lots == ["OLD1"]


def test_the_last_day_of_use_is_not_expired(room: Room) -> None:
    assert room.type("(01)09506000134352(17)260302(10)TODAY").result == "accepted"


def test_a_scan_that_cannot_be_right_is_kept_as_it_is(room: Room) -> None:
    wrong = "(01)09506000134353(17)280131(10)ABC123"
    outcome = room.type(wrong)
    assert (outcome.result, outcome.reply) == ("asked", "scan again")
    (entry,) = outcome.entries
    assert (entry.words, entry.standing) == (wrong, "questioned")
    assert isinstance(entry.body, Unclear)
    assert room.shown == [outcome.reason] and "its check digit is wrong" in outcome.reason
    assert room.lots == [None]
    assert room.type(FIRST).result == "accepted"


def test_a_scanner_without_separators_leads_to_a_question(room: Room) -> None:
    outcome = room.type("010950600013435217280131" + "10ABC12321SN0001")
    assert outcome.reply == (
        "option one, identified, lot ABC12321SN0001, or option two, identified, lot ABC123, serial SN0001?"
    )
    assert room.type("option two").reply.startswith(
        "stent three by one eight, eighteen, identified, lot ABC123"
    )
    assert room.lots == ["ABC123"]


def test_a_balloon_is_identified_if_no_stent_lacks_its_label(room: Room) -> None:
    room.type(FIRST, "balloon 2.5 x 12", "lot BAL1")
    assert room.lots == ["ABC123"]
    (balloon,) = (life for life in room.case.inside() if life.body.device == "balloon")
    assert balloon.identity == Identity(lot="BAL1")
    assert "The label of the balloon was recorded, lot BAL1 [" in room.narrative
