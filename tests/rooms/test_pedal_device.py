"""Pedals as devices of Linux: recorded records through a socket, and the kernel itself where it lets us.

The records are made with the numbers of the package `evdev` (linux/input-event-codes.h), in the layout
of `struct input_event` (linux/input.h).
"""

from __future__ import annotations

import contextlib
import errno
import os
import queue
import socket
import struct
import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import bindings_of
from checkback.hearing.pedals.devices import DeviceMissingError
from checkback.hearing.pedals.events import PedalEvent, PedalNotice

evdev = pytest.importorskip("evdev", reason="the extra 'pedal' is not installed, or this is no Linux")
from evdev import ecodes as e  # noqa: E402

from checkback.hearing.pedals.linux import DevicePedal, Node, nodes_of  # noqa: E402
from checkback.hearing.pedals.records import RECORD, name_of, unpack  # noqa: E402
from checkback.hearing.pedals.stream import events_of  # noqa: E402

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="evdev is for Linux")

KEYS = bindings_of({"b": "talk", "f7": {"tap": "affirm", "long": "clock"}, "btn_left": "mark"})
LIMIT_S = 60.0


def record(kind: int, code: int, value: int, at_s: float) -> bytes:
    # as C lays it out on a computer of 64 bits: two longs, two shorts, one int
    return struct.pack("@llHHi", int(at_s), round(at_s % 1 * 1e6), kind, code, value)


def key(code: int, value: int, at_s: float | None = None) -> bytes:
    """One change of a key as a keyboard sends it: scan code, key, report."""
    now_s = time.monotonic() if at_s is None else at_s
    return (
        record(e.EV_MSC, e.MSC_SCAN, 0x70005, now_s)
        + record(e.EV_KEY, code, value, now_s)
        + record(e.EV_SYN, e.SYN_REPORT, 0, now_s)
    )


def press(code: int, down_s: float, up_s: float) -> bytes:
    return key(code, 1, down_s) + key(code, 0, up_s)


class Box:
    """A pedal that sends its records through a socket, and can be unplugged."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.plug_in()

    def plug_in(self) -> None:
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._server.bind(str(self.path))
        self._server.listen(1)
        self._server.settimeout(LIMIT_S)

    def connected(self) -> None:
        self._line, _ = self._server.accept()

    def send(self, data: bytes) -> None:
        self._line.sendall(data)

    def unplug(self) -> None:
        self._line.close()
        self._server.close()
        self.path.unlink()


class Log:
    """What a pedal told, waited for."""

    def __init__(self) -> None:
        self.events: queue.Queue[PedalEvent] = queue.Queue()
        self.notices: queue.Queue[PedalNotice] = queue.Queue()

    def next(self) -> tuple[str, bool]:
        event = self.events.get(timeout=LIMIT_S)
        return event.action, event.pressed

    def state(self) -> str:
        return self.notices.get(timeout=LIMIT_S).state


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Box]:
    box = Box(tmp_path / "pedal")
    yield box
    with contextlib.suppress(OSError):
        box.unplug()


@contextlib.contextmanager
def watched(box: Box, log: Log) -> Iterator[DevicePedal]:
    pedal = DevicePedal(log.events.put, KEYS, str(box.path), on_notice=log.notices.put)
    try:
        box.connected()
        yield pedal
    finally:
        pedal.close()


@pytest.mark.outside
def test_records_are_laid_out_and_named_as_the_library_for_them_has_it() -> None:
    (event,) = unpack(record(e.EV_KEY, e.KEY_PAGEDOWN, 1, 12.25))
    assert (event.sec, event.usec, event.type, event.code, event.value) == (12, 250000, 1, 109, 1)
    assert RECORD.size == struct.calcsize("@llHHi")
    assert isinstance(evdev.categorize(event), evdev.KeyEvent)
    names = {
        "a": e.KEY_A,
        "f13": e.KEY_F13,
        "page_down": e.KEY_PAGEDOWN,
        "btn_left": e.BTN_LEFT,
        "1": e.KEY_1,
    }
    assert {name_of(code): code for code in names.values()} == names
    assert name_of(0x2FE) == "<766>"


def test_talk_and_a_tap_with_repeats_and_a_bounce(box: Box) -> None:
    log = Log()
    with watched(box, log) as pedal:
        assert pedal.watching
        before_s = time.monotonic()
        box.send(key(e.KEY_B, 1))
        down = log.events.get(timeout=LIMIT_S)
        assert (down.action, down.pressed) == ("talk", True)
        assert before_s - 0.001 <= down.at_s <= time.monotonic()
        box.send(key(e.KEY_B, 2) * 3)
        now_s = time.monotonic()
        # lifted, with a bounce of 10 ms; an arrival in two pieces; a key that is not bound
        data = (
            key(e.KEY_A, 1)
            + key(e.KEY_B, 0, now_s)
            + key(e.KEY_B, 1, now_s + 0.01)
            + key(e.KEY_B, 0, now_s + 0.02)
        )
        box.send(data[:100])
        time.sleep(0.05)
        box.send(data[100:])
        assert log.next() == ("talk", False)
        box.send(key(e.BTN_LEFT, 1))
        assert log.next() == ("mark", True)
        assert log.events.empty() and log.notices.empty()


def test_a_key_held_for_long_is_a_long_press_while_it_is_down(box: Box) -> None:
    log = Log()
    with watched(box, log):
        box.send(key(e.KEY_F7, 1))
        assert log.next() == ("clock", True)
        box.send(key(e.KEY_F7, 0))
        time.sleep(0.1)  # longer than a bounce
        box.send(key(e.KEY_F7, 1) + key(e.KEY_F7, 0))
        assert log.next() == ("affirm", True)


def test_unplugging_ends_talk_and_plugging_in_goes_on(box: Box) -> None:
    log = Log()
    with watched(box, log) as pedal:
        box.send(key(e.KEY_B, 1))
        assert log.next() == ("talk", True)
        box.unplug()
        assert log.next() == ("talk", False)
        assert log.state() == "lost"
        assert not pedal.watching
        box.plug_in()
        box.connected()
        assert log.state() == "back"
        box.send(key(e.KEY_B, 1))
        assert log.next() == ("talk", True)
    assert log.next() == ("talk", False)


def test_a_pedal_that_is_not_there_yet_is_waited_for(tmp_path: Path) -> None:
    log = Log()
    pedal = DevicePedal(log.events.put, KEYS, str(tmp_path / "pedal"), on_notice=log.notices.put)
    assert log.state() == "lost"
    box = Box(tmp_path / "pedal")
    box.connected()
    assert log.state() == "back"
    box.send(key(e.KEY_B, 1))
    assert log.next() == ("talk", True)
    pedal.close()
    box.unplug()


def test_a_key_that_repeats_before_it_went_down_was_held_at_the_start(box: Box) -> None:
    log = Log()
    with watched(box, log) as pedal:
        box.send(key(e.KEY_B, 2))
        assert log.state() == "stuck"
        assert pedal.stuck == ("b",)
        box.send(key(e.KEY_B, 2) + key(e.KEY_B, 0))
        assert log.state() == "free"
        box.send(key(e.KEY_B, 1))
        assert log.next() == ("talk", True)


def test_events_that_the_kernel_dropped_leave_no_key_held(box: Box) -> None:
    log = Log()
    with watched(box, log):
        box.send(key(e.KEY_B, 1))
        assert log.next() == ("talk", True)
        # what stands between the drop and the next report is not to be believed
        box.send(record(e.EV_SYN, e.SYN_DROPPED, 0, time.monotonic()) + key(e.BTN_LEFT, 1))
        assert log.next() == ("talk", False)
        box.send(key(e.BTN_LEFT, 1))
        assert log.next() == ("mark", True)


# --- taking it, with nodes that only remember ------------------------------------------------------


class Scripted:
    """A node whose answers are known in advance: the kernel's side, where there is none."""

    def __init__(self, log: list[str], down: Sequence[int] = (), *, busy: bool = False) -> None:
        self.down = list(down)
        self._log = log
        self._busy = busy
        self._ends, self._other = socket.socketpair()

    def fileno(self) -> int:
        return self._ends.fileno()

    def send(self, data: bytes) -> None:
        self._other.sendall(data)

    def read(self) -> Iterable[evdev.InputEvent]:
        return list(unpack(self._ends.recv(64 * RECORD.size)))

    def active_keys(self) -> list[int]:
        return list(self.down)

    def grab(self) -> None:
        if self._busy:
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        self._log.append("grab")

    def ungrab(self) -> None:
        self._log.append("ungrab")

    def close(self) -> None:
        self._ends.close()
        self._other.close()


def taken(nodes: Sequence[Node], log: Log, *, grab: bool = True) -> DevicePedal:
    return DevicePedal(
        log.events.put,
        KEYS,
        "box",
        grab=grab,
        on_notice=log.notices.put,
        open_nodes=lambda device: (device, nodes),
    )


def test_all_nodes_are_taken_and_read_as_one() -> None:
    did: list[str] = []
    log = Log()
    keyboard, mouse = Scripted(did), Scripted(did)
    pedal = taken([keyboard, mouse], log)
    assert did == ["grab", "grab"]
    keyboard.send(key(e.KEY_B, 1))
    assert log.next() == ("talk", True)
    mouse.send(key(e.BTN_LEFT, 1))
    assert log.next() == ("mark", True)
    pedal.close()
    assert log.next() == ("talk", False)


def test_a_device_with_a_key_down_is_taken_once_it_came_up() -> None:
    did: list[str] = []
    log = Log()
    node = Scripted(did, [e.KEY_B])
    pedal = taken([node], log)
    assert log.state() == "stuck"
    assert did == []
    node.down.clear()
    node.send(key(e.KEY_B, 0))
    assert log.state() == "free"
    assert did == ["grab"]
    pedal.close()
    assert log.events.empty()


def test_a_device_is_left_to_the_others_if_that_is_wanted() -> None:
    did: list[str] = []
    pedal = taken([Scripted(did)], Log(), grab=False)
    pedal.close()
    assert did == []


def test_a_device_that_another_program_has_taken_is_one_clear_sentence() -> None:
    did: list[str] = []
    with pytest.raises(UserError, match="box is taken by another program: end that one"):
        taken([Scripted(did), Scripted(did, busy=True)], Log())
    # what was taken already is given back
    assert did == ["grab", "ungrab"]


def test_after_dropped_events_what_is_down_is_asked_for() -> None:
    log = Log()
    node = Scripted([])
    pedal = taken([node], log)
    node.down[:] = [e.KEY_B]
    node.send(record(e.EV_SYN, e.SYN_DROPPED, 0, 0.0) + record(e.EV_SYN, e.SYN_REPORT, 0, 0.0))
    assert log.next() == ("talk", True)
    pedal.close()


# --- what is wrong ---------------------------------------------------------------------------------


def test_a_node_by_its_number_a_key_and_rights_are_complained_about(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="event3 changes its number with each plugging"):
        DevicePedal(print, KEYS, "/dev/input/event3")
    with pytest.raises(UserError, match='key "nokey" is not known'):
        DevicePedal(print, {"nokey": {"tap": "mark"}}, "box")
    file = tmp_path / "by-id"
    file.touch(mode=0o000)
    if os.geteuid():
        with pytest.raises(UserError, match=r"may not be read: make this user a member of the group input"):
            DevicePedal(print, KEYS, str(file))


# --- recorded streams ------------------------------------------------------------------------------


def test_a_recorded_stream_gives_the_same_events(tmp_path: Path) -> None:
    file = tmp_path / "pedal.evdev"
    file.write_bytes(press(e.KEY_B, 1.0, 2.5) + press(e.KEY_F7, 3.0, 4.0) + press(e.KEY_F7, 5.0, 5.1))
    expected = (
        PedalEvent("talk", True, 1.0),
        PedalEvent("talk", False, 2.5),
        PedalEvent("clock", True, 3.0),
        PedalEvent("affirm", True, 5.0),
    )
    assert events_of(file, KEYS, start_s=None) == expected
    start_s = 1772440000.0
    file.write_bytes(press(e.KEY_B, start_s + 1.0, start_s + 2.5))
    assert events_of(file, KEYS, start_s=start_s) == expected[:2]
    with pytest.raises(UserError, match="has the time of day: say with --start"):
        events_of(file, KEYS, start_s=None)
    with pytest.raises(UserError, match="a press before the sound began"):
        events_of(file, KEYS, start_s=start_s + 60)
    file.write_bytes(b"\0" * 25)
    with pytest.raises(UserError, match="25 bytes are not a whole number of records"):
        events_of(file, KEYS, start_s=None)
    with pytest.raises(UserError, match="cannot be read"):
        events_of(tmp_path / "none", KEYS, start_s=None)


# --- the kernel itself -----------------------------------------------------------------------------


def refused() -> str:
    try:
        with evdev.UInput({e.EV_KEY: [e.KEY_B]}, name="checkback probe"):
            return ""
    except Exception as error:
        return f"this kernel makes no input devices (uinput): {error}"


@pytest.mark.outside
def test_a_device_of_the_kernel_is_taken_unplugged_and_found_again() -> None:
    if why := refused():
        pytest.skip(why)
    log = Log()
    name = f"checkback test pedal {os.getpid()}"

    def plugged() -> evdev.UInput:
        return evdev.UInput({e.EV_KEY: [e.KEY_B, e.KEY_F7]}, name=name)

    def send(device: evdev.UInput, code: int, value: int) -> None:
        device.write(e.EV_KEY, code, value)
        device.syn()

    with plugged() as device:
        time.sleep(0.5)  # until the node has its rights
        other = evdev.InputDevice(device.device.path)
        pedal = DevicePedal(log.events.put, KEYS, name, on_notice=log.notices.put)
        send(device, e.KEY_B, 1)
        assert log.next() == ("talk", True)
        time.sleep(0.2)
        # nobody else sees it
        with pytest.raises(BlockingIOError):
            list(other.read())
        other.close()
    assert log.next() == ("talk", False)
    assert log.state() == "lost"
    with plugged() as device:
        assert log.state() == "back"
        send(device, e.KEY_B, 1)
        assert log.next() == ("talk", True)
        pedal.close()


def test_a_device_that_is_missing_is_told_by_its_name() -> None:
    with pytest.raises(DeviceMissingError, match='no pedal "1a2b:00ff" is plugged in'):
        nodes_of("1a2b:00ff")
