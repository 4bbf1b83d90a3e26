"""A signature holds for what it signed, and for nothing that came later."""

from __future__ import annotations

import json
from pathlib import Path

from checkback.record.case import Case
from checkback.record.entry import CaseEnd, CaseStart, HeartRate, Session, Signature
from checkback.record.journal import Journal
from checkback.record.signing import heads_of, signing
from checkback.reporting.document import DRAFT
from checkback.reporting.narrative import draft
from report_case import PHRASING, SESSION, Room, d

HEAD = "c" * 64


def signed_room() -> Room:
    room = Room()
    room.say(CaseStart())
    room.say(CaseEnd())
    room.say(Signature(name="A. B.", role="physician", entries=2, head=HEAD), source="typed")
    return room


def test_a_case_nobody_signed_is_a_draft() -> None:
    room = Room()
    room.say(CaseStart())
    assert not signing(room.case).signed
    assert draft(room.case, PHRASING).status == DRAFT


def test_a_signed_case_says_by_whom_when_and_up_to_where() -> None:
    document = draft(signed_room().case, PHRASING, signed=signing(signed_room().case, {2: HEAD}))
    assert document.signed
    assert document.status == "Signed by A. B., physician, on 2026-03-02 at 08:00"
    assert document.notices == (f"The signature covers 2 entries, up to the hash {HEAD[:12]}.",)


def test_any_later_entry_makes_it_a_draft_again_and_that_is_said() -> None:
    room = signed_room()
    room.say(Session(**dict(SESSION) | {"number": 2}))
    room.say(HeartRate(rate_per_min=d(70)))
    document = draft(room.case, PHRASING)
    assert (document.status, document.signed) == (DRAFT, False)
    assert document.notices == (
        "It was signed by A. B., physician, on 2026-03-02 at 08:00, up to entry 2; 2 entries came later, "
        "so this is a draft again.",
    )


def test_two_may_sign_one_after_the_other() -> None:
    room = signed_room()
    room.say(Signature(name="C. D.", role="second physician", entries=3, head=HEAD))
    status = draft(room.case, PHRASING).status
    assert status.startswith(
        "Signed by A. B., physician, on 2026-03-02 at 08:00 and C. D., second physician,"
    )


def test_it_may_be_signed_anew_after_a_later_entry() -> None:
    room = signed_room()
    room.say(HeartRate(rate_per_min=d(70)))
    room.say(Signature(name="A. B.", role="physician", entries=4, head=HEAD))
    found = signing(room.case)
    assert found.signed and len(found.outdated) == 1 and found.later == 0


def test_a_signature_of_other_lines_is_false_and_that_is_said() -> None:
    case = signed_room().case
    document = draft(case, PHRASING, signed=signing(case, {2: "d" * 64}))
    assert (document.status, document.signed) == (DRAFT, False)
    assert document.notices == (
        "The signature in entry 3 does not belong to the entries before it: the record was changed after it "
        "was signed, or put together anew.",
    )


def test_a_signature_that_counts_other_entries_is_false() -> None:
    room = Room()
    room.say(CaseStart())
    room.say(Signature(name="A. B.", role="physician", entries=7, head=HEAD))
    assert not signing(room.case).signed and signing(room.case).false


def test_a_signature_is_not_what_disregard_means() -> None:
    assert signed_room().case.last() == signed_room().entries[1]


def test_heads_are_those_of_the_journal_itself(tmp_path: Path) -> None:
    heads = []
    with Journal.open(tmp_path / "case") as journal:
        for entry in signed_room().entries:
            journal.append(entry)
            heads.append(journal.head)
    path = tmp_path / "case" / "journal.jsonl"
    path.write_bytes(path.read_bytes() + b'{"torn')
    assert heads_of(tmp_path / "case") == dict(enumerate(heads, start=1))
    assert json.loads(path.read_text().splitlines()[0])["hash"] == heads[0]


def test_a_journal_put_together_anew_does_not_keep_its_signature(tmp_path: Path) -> None:
    entries = signed_room().entries
    with Journal.open(tmp_path / "true") as journal:
        for entry in entries[:2]:
            journal.append(entry)
        head = journal.head
    signature = entries[2].model_copy(
        update={"body": Signature(name="A. B.", role="physician", entries=2, head=head)}
    )
    for name, first in (("true", entries[0]), ("forged", entries[0].model_copy(update={"words": "start"}))):
        with Journal.open(tmp_path / name) as journal:
            for entry in (first, entries[1], signature)[len(journal) :]:
                journal.append(entry)
    found = {
        name: signing(Case(Journal.read(tmp_path / name)), heads_of(tmp_path / name)).signed
        for name in ("true", "forged")
    }
    assert found == {"true": True, "forged": False}
