"""The outbox keeps what is to be delivered on disk until it is delivered."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.sending.outbox import Item, Outbox, Outcome, Undelivered, wait_s

MONDAY = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.time = MONDAY

    def __call__(self) -> datetime:
        return self.time

    def move(self, seconds: float) -> None:
        self.time += timedelta(seconds=seconds)


def failing(*, refused: bool = False, after_s: float | None = None) -> Callable[[Item, bytes], str]:
    def deliver(_: Item, __: bytes) -> str:
        raise Undelivered("the line is dead", refused=refused, after_s=after_s)

    return deliver


def taking(_: Item, __: bytes) -> str:
    return "thank you"


def run(outbox: Outbox, deliver: Callable[[Item, bytes], str], **how: bool) -> list[Outcome]:
    return list(outbox.deliver({"fhir": deliver}, **how))


def add(outbox: Outbox, payload: bytes = b"{}", destination: str = "https://a.test") -> Item:
    return outbox.add("fhir", destination, payload, title="monday-1")


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def outbox(tmp_path: Path, clock: Clock) -> Outbox:
    return Outbox(tmp_path / "outbox", now=clock)


def test_what_is_delivered_leaves_the_queue_and_nothing_behind(outbox: Outbox) -> None:
    item = add(outbox, b"payload")
    assert outbox.payload(item) == b"payload"
    (outcome,) = run(outbox, taking)
    assert (outcome.delivered, outcome.said) == (True, "thank you")
    assert outbox.items() == []
    left = {path.name: path.stat().st_size for path in outbox.folder.iterdir()}
    assert left.pop(f"{item.id}.delivered") == 0
    assert set(left) <= {"sending.lock"}


def test_what_is_sent_again_counts_as_tried(outbox: Outbox) -> None:
    add(outbox)
    run(outbox, taking)
    assert add(outbox).attempts == 1
    assert add(outbox, b"other").attempts == 0


def test_the_folder_is_its_owners_alone(outbox: Outbox) -> None:
    item = add(outbox)
    assert outbox.folder.stat().st_mode & 0o077 == 0
    assert (outbox.folder / f"{item.id}.payload").stat().st_mode & 0o077 == 0


def test_the_same_payload_is_one_item_and_keeps_its_count(outbox: Outbox) -> None:
    first = add(outbox)
    run(outbox, failing(refused=True))
    again = add(outbox)
    assert again.id == first.id
    assert (again.attempts, again.refused, again.last_error) == (1, False, "the line is dead")
    assert len(outbox.items()) == 1
    add(outbox, destination="https://b.test")
    add(outbox, b"other")
    assert len(outbox.items()) == 3


def test_waits_double_up_to_a_cap_and_the_other_side_may_ask_for_more() -> None:
    assert [wait_s(n) for n in range(1, 12)] == [5, 10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600]
    assert wait_s(10_000) == 3600
    assert wait_s(1, 120) == 120
    assert wait_s(11, 120) == 3600
    assert wait_s(1, 10**9) == 86_400


def test_nothing_is_tried_before_its_time(outbox: Outbox, clock: Clock) -> None:
    add(outbox)
    (outcome,) = run(outbox, failing())
    assert outcome.item.next_at == MONDAY + timedelta(seconds=5)
    clock.move(4.9)
    assert run(outbox, taking) == []
    assert outbox.next_due_s() == pytest.approx(0.1)
    clock.move(0.1)
    assert outbox.next_due_s() == 0
    assert run(outbox, taking)[0].delivered


def test_what_the_other_side_asks_for_is_waited_for(outbox: Outbox, clock: Clock) -> None:
    add(outbox)
    run(outbox, failing(after_s=90))
    clock.move(89)
    assert run(outbox, taking) == []
    clock.move(1)
    assert run(outbox, taking)[0].delivered


def test_a_clock_that_was_set_back_does_not_stop_the_queue(outbox: Outbox, clock: Clock) -> None:
    add(outbox)
    run(outbox, failing())
    clock.move(-10 * 86_400)
    assert run(outbox, taking)[0].delivered


def test_what_was_refused_is_kept_and_tried_only_when_asked(outbox: Outbox, clock: Clock) -> None:
    add(outbox)
    run(outbox, failing(refused=True))
    clock.move(100_000)
    assert run(outbox, taking) == []
    assert outbox.next_due_s() is None
    assert run(outbox, taking, again=True)[0].delivered


def test_one_that_fails_does_not_hold_up_the_others(outbox: Outbox) -> None:
    for payload in (b"1", b"2", b"3"):
        add(outbox, payload)

    def second_fails(_: Item, payload: bytes) -> str:
        if payload == b"2":
            raise Undelivered("no")
        return "yes"

    assert [o.delivered for o in run(outbox, second_fails)].count(True) == 2
    assert [outbox.payload(item) for item in outbox.items()] == [b"2"]


def test_the_attempt_is_on_disk_before_it_is_made(outbox: Outbox) -> None:
    add(outbox)

    def deliver(item: Item, _: bytes) -> str:
        (on_disk,) = Outbox(outbox.folder).items()
        assert on_disk.attempts == item.attempts == 1
        return ""

    assert run(outbox, deliver)[0].delivered


def test_other_protocols_are_left_alone(outbox: Outbox) -> None:
    outbox.add("dicom", "ARCHIVE@192.0.2.7:104", b"log", title="monday-1")
    assert run(outbox, taking) == []
    assert len(outbox.items()) == 1


# --- bad luck ---------------------------------------------------------------------------------


def test_a_damaged_payload_is_never_sent(outbox: Outbox) -> None:
    item = add(outbox, b"payload")
    (outbox.folder / f"{item.id}.payload").write_bytes(b"paylobd")
    (outcome,) = run(outbox, taking)
    assert not outcome.delivered
    assert outcome.item.refused
    assert "is damaged" in outcome.said
    assert len(outbox.items()) == 1


def test_a_damaged_state_is_named_and_left(outbox: Outbox) -> None:
    item = add(outbox, b"1")
    add(outbox, b"2")
    state = outbox.folder / f"{item.id}.json"
    state.write_bytes(state.read_bytes()[:40])
    assert [o.delivered for o in run(outbox, taking)] == [True]
    assert outbox.damaged() == [state]
    assert (outbox.folder / f"{item.id}.payload").read_bytes() == b"1"


def test_a_second_sender_is_turned_away(outbox: Outbox) -> None:
    add(outbox)

    def deliver(_: Item, __: bytes) -> str:
        with pytest.raises(UserError, match="Another checkback is sending"):
            run(Outbox(outbox.folder), taking)
        return ""

    assert run(outbox, deliver)[0].delivered


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UserError, match=r"cannot be made .* --outbox"):
        Outbox(tmp_path / "file" / "outbox")


def test_a_full_disk_changes_nothing(outbox: Outbox, monkeypatch: pytest.MonkeyPatch) -> None:
    add(outbox, b"1")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="No space left"):
        add(outbox, b"2")
    with pytest.raises(UserError, match="No space left"):
        run(outbox, taking)  # an attempt that cannot be noted is not made
    monkeypatch.undo()
    assert [outbox.payload(item) for item in outbox.items()] == [b"1"]


def test_remains_of_a_killed_program_are_swept_after_a_while(outbox: Outbox, clock: Clock) -> None:
    item = add(outbox)
    orphan, part = outbox.folder / f"{'0' * 32}.payload", outbox.folder / ".x.json.part"
    for path in (orphan, part):
        path.write_bytes(b"")
        os.utime(path, (MONDAY.timestamp(), MONDAY.timestamp()))
    clock.move(60)
    run(outbox, failing())
    assert orphan.exists() and part.exists()
    clock.move(4000)
    run(outbox, failing())
    assert not orphan.exists() and not part.exists()
    assert outbox.payload(item) == b"{}"


ADDER = """
import sys, pathlib
from checkback.sending.outbox import Outbox
outbox = Outbox(pathlib.Path(sys.argv[1]))
for n in range(100_000):
    outbox.add("fhir", "https://a.test", b"%d" % n * 500, title=str(n))
    print(n, flush=True)
"""


def test_all_that_was_taken_survives_kill_9(tmp_path: Path) -> None:
    adder = subprocess.Popen([sys.executable, "-c", ADDER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert adder.stdout is not None
    with adder.stdout as said:
        taken = [int(said.readline()) for _ in range(20)]
        os.kill(adder.pid, signal.SIGKILL)
        taken += [int(line) for line in said if line.endswith("\n")]
    assert adder.wait() == -signal.SIGKILL
    outbox = Outbox(tmp_path)
    assert outbox.damaged() == []
    kept = {int(item.title): outbox.payload(item) for item in outbox.items()}
    assert set(taken) <= set(kept)
    assert all(payload == b"%d" % n * 500 for n, payload in kept.items())


def _hold(folder: Path) -> None:
    def deliver(_: Item, __: bytes) -> str:
        (folder / "attempting").write_text("")
        time.sleep(60)
        return ""

    list(Outbox(folder).deliver({"fhir": deliver}))


def test_a_sender_killed_in_an_attempt_holds_no_lock_and_loses_nothing(outbox: Outbox) -> None:
    add(outbox)
    process = multiprocessing.get_context("spawn").Process(target=_hold, args=(outbox.folder,))
    process.start()
    while not (outbox.folder / "attempting").exists():
        assert process.is_alive()
        time.sleep(0.01)
    process.kill()
    process.join()
    process.close()
    seen: list[int] = []

    def deliver(item: Item, _: bytes) -> str:
        seen.append(item.attempts)
        return ""

    assert run(outbox, deliver)[0].delivered
    assert seen == [2]  # the killed one counts: it may have arrived
