"""Pedals as devices of Linux (evdev): works without a display, and types into no other program."""

from __future__ import annotations

import errno
import fcntl
import os
import selectors
import socket
import stat
import struct
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Protocol

from evdev import InputDevice, InputEvent

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import Bindings
from checkback.hearing.pedals.deck import Deck
from checkback.hearing.pedals.devices import NODES, Device, DeviceMissingError, devices, find
from checkback.hearing.pedals.events import OnNotice, OnPedal, PedalEvent, PedalNotice, no_notice
from checkback.hearing.pedals.gestures import Timing
from checkback.hearing.pedals.keyboard import stuck_notice
from checkback.hearing.pedals.records import RECORD, Keys, check_names, name_of, unpack

LOOK_S = 0.5
FIRST_RETRY_S = 0.25
LAST_RETRY_S = 2.0

# EVIOCSCLOCKID of linux/input.h, _IOW('E', 0xa0, int): stamps on the clock that is never set
_SET_CLOCK = 0x400445A0

LATE_S = 60.0
"""A stamp that is older than this, or ahead, is of another clock."""


class Node(Protocol):
    """One event node of a device: `evdev.InputDevice`, or a socket that sends the same records."""

    def fileno(self) -> int:
        """Return the file descriptor, for select."""
        ...

    def read(self) -> Iterable[InputEvent]:
        """Return what has come; OSError if the device is gone."""
        ...

    def active_keys(self) -> Iterable[int]:
        """Return the codes of the keys that are down."""
        ...

    def grab(self) -> None:
        """Take the device away from all other programs."""
        ...

    def ungrab(self) -> None:
        """Give it back."""
        ...

    def close(self) -> None:
        """Close it, and give it back."""
        ...


OpenNodes = Callable[[str], tuple[str, Sequence[Node]]]


class SocketNode:
    """A pedal on another computer, or a recorded one: a Unix socket that sends the kernel's records.

    What is down when it is connected is not known, and nothing is typed by it.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._rest = b""
        try:
            self._socket.connect(str(path))
        except OSError:
            self._socket.close()
            raise
        self._socket.setblocking(False)

    def fileno(self) -> int:
        """Return the file descriptor, for select."""
        return self._socket.fileno()

    def read(self) -> Iterable[InputEvent]:
        """Return what has come; OSError if the other side is gone."""
        data = self._socket.recv(64 * RECORD.size)
        if not data:
            raise OSError(errno.ENODEV, os.strerror(errno.ENODEV))
        data = self._rest + data
        whole = len(data) - len(data) % RECORD.size
        self._rest = data[whole:]
        return list(unpack(data[:whole]))

    def active_keys(self) -> Iterable[int]:
        """Return nothing: it is not told."""
        return ()

    def grab(self) -> None:
        """Do nothing: no other program is told."""

    def ungrab(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


class DevicePedal:
    """A pedal that is read from its device.

    All of its nodes that have keys are read as one.  A device that goes away is waited for.

    Parameters
    ----------
    on_event, on_notice : callable
        Are called in the pedal's own thread (the notices of the start: in the caller's); must not raise.
    bindings : Bindings
    device : str
        See `devices.find`; or the path of a socket, or of a link under /dev/input/by-id.
    grab : bool
        Whether it is taken away from all other programs.  A device with a key down is taken once all are
        up: the others would take a key for held for ever whose release they never see.
    timing : Timing or None
    open_nodes : callable
        Given `device`, returns what it is and its open nodes.

    Raises
    ------
    UserError
        If a key is not known, the device is not said clearly, or may not be read.  A device that is not
        plugged in is no error; that is told like one that was lost.
    """

    def __init__(
        self,
        on_event: OnPedal,
        bindings: Bindings,
        device: str,
        *,
        grab: bool = True,
        timing: Timing | None = None,
        on_notice: OnNotice = no_notice,
        open_nodes: OpenNodes | None = None,
    ) -> None:
        check_names(bindings)
        self._on_event = on_event
        self._on_notice = on_notice
        self._device = device
        self._grab = grab
        self._open_nodes = open_nodes or nodes_of
        self._deck = Deck(bindings, timing)
        self._nodes: Sequence[Node] = ()
        self._grabbed = False
        self._closed = False
        self._selector = selectors.DefaultSelector()
        self._woken, self._wake = os.pipe()
        self._selector.register(self._woken, selectors.EVENT_READ)
        self.description = device
        try:
            self._open()
        except DeviceMissingError as error:
            self._on_notice(PedalNotice("lost", str(error)))
        except BaseException:
            self._free()
            raise
        self._worker = threading.Thread(target=self._work, name="pedal", daemon=True)
        self._worker.start()

    @property
    def watching(self) -> bool:
        """False while the device is away."""
        return bool(self._nodes) and not self._closed

    @property
    def stuck(self) -> tuple[str, ...]:
        """Keys that count for nothing until they have come up."""
        return self._deck.stuck

    def close(self) -> None:
        """Let go of the device; "talk" that is held ends."""
        self._closed = True
        os.write(self._wake, b"x")
        self._worker.join()

    # --- the device ------------------------------------------------------------------------------

    def _open(self) -> None:
        """Open all nodes, and take the device unless a key is down."""
        self.description, nodes = self._open_nodes(self._device)
        try:
            for node in nodes:
                with suppress(OSError):
                    fcntl.ioctl(node.fileno(), _SET_CLOCK, struct.pack("i", time.CLOCK_MONOTONIC))
            down = {name_of(code) for node in nodes for code in node.active_keys()}
            self._grabbed = False
            if self._grab and not down:
                self._grabbed = _grabbed(nodes, self.description)
        except BaseException as error:
            for node in nodes:
                node.close()
            if isinstance(error, OSError):
                raise DeviceMissingError(
                    f"the pedal {self.description} went away while it was opened"
                ) from error
            raise
        self._nodes = nodes
        for node in nodes:
            self._selector.register(node, selectors.EVENT_READ, (node, Keys()))
        self._deck.hold_back(down)
        if self._deck.stuck:
            self._on_notice(stuck_notice(self._deck.stuck))

    def _lose(self) -> None:
        self._close_nodes()
        self._pass_on(self._deck.let_go(time.monotonic()))
        self._on_notice(PedalNotice("lost", f"the pedal {self.description} is gone: plug it in again"))

    def _close_nodes(self) -> None:
        nodes, self._nodes = self._nodes, ()
        for node in nodes:
            self._selector.unregister(node)
            with suppress(OSError):
                node.close()

    def _free(self) -> None:
        self._close_nodes()
        self._selector.close()
        os.close(self._woken)
        os.close(self._wake)

    # --- the thread ------------------------------------------------------------------------------

    def _work(self) -> None:
        retry_s, trouble = FIRST_RETRY_S, ""
        while not self._closed:
            if self._nodes:
                self._watch()
                retry_s, trouble = FIRST_RETRY_S, ""
                continue
            self._selector.select(retry_s)
            retry_s = min(2 * retry_s, LAST_RETRY_S)
            if self._closed:
                break
            try:
                self._open()
            except DeviceMissingError:
                continue
            except UserError as error:
                if str(error) != trouble:
                    trouble = str(error)
                    self._on_notice(PedalNotice("lost", trouble))
            else:
                self._on_notice(PedalNotice("back", f"the pedal {self.description} is back"))
        self._pass_on(self._deck.let_go(time.monotonic()))
        self._free()

    def _watch(self) -> None:
        """Wait for keys, or for time, once."""
        stuck = self._deck.stuck
        wait_s = min(LOOK_S, self._deck.due_s - time.monotonic())
        try:
            for found, _ in self._selector.select(max(0.0, wait_s)):
                if found.data is not None:
                    self._read(*found.data)
            if self._grab and not self._grabbed and not any(self._down()):
                self._grabbed = _grabbed(self._nodes, self.description)
        except (OSError, UserError):
            # whatever is wrong with it will be told when it cannot be opened again
            self._lose()
            return
        self._pass_on(self._deck.pass_time(time.monotonic()))
        if stuck and not self._deck.stuck:
            self._on_notice(PedalNotice("free", f"the pedal's key {', '.join(stuck)} came up, and counts"))

    def _read(self, node: Node, keys: Keys) -> None:
        try:
            events = list(node.read())
        except BlockingIOError:
            return
        now_s = time.monotonic()
        for change in keys.take(events, node.active_keys):
            at_s = change.stamp_s if 0 <= now_s - change.stamp_s < LATE_S else now_s
            if change.repeated:
                self._deck.hold_back([change.key])
                if change.key in self._deck.stuck:
                    self._on_notice(stuck_notice([change.key]))
            else:
                self._pass_on(self._deck.change(change.key, change.down, at_s))

    def _down(self) -> list[int]:
        return [code for node in self._nodes for code in node.active_keys()]

    def _pass_on(self, events: list[PedalEvent]) -> None:
        for event in events:
            self._on_event(event)


def nodes_of(device: str) -> tuple[str, Sequence[Node]]:
    """Open every node of a device; see `DevicePedal`.

    Raises
    ------
    DeviceMissingError
        If it is not there.
    UserError
        If it may not be read, or it is not said clearly which one it is.
    """
    if not device.startswith("/"):
        found = find(device, devices())
        return str(found), [_opened(NODES / node, str(found)) for node in found.nodes]
    path = Path(device)
    if path.parent == NODES:
        raise UserError(
            f"pedals.device {device} changes its number with each plugging: see checkback pedal --list for names"
        )
    try:
        if stat.S_ISSOCK(path.stat().st_mode):
            return device, [SocketNode(path)]
    except OSError as error:
        raise DeviceMissingError(
            f"no pedal {device} is there ({error.strerror}): plug it in, or start it"
        ) from None
    return device, [_opened(path, device)]


def every_node(among: Iterable[Device]) -> list[tuple[Device, Node]]:
    """Open the nodes of every device that may be read; none is taken away from other programs.

    Raises
    ------
    UserError
        If there are devices, and none may be read.
    """
    opened: list[tuple[Device, Node]] = []
    refused: UserError | None = None
    for device in among:
        for name in device.nodes:
            try:
                opened.append((device, _opened(NODES / name, str(device))))
            except DeviceMissingError:
                continue
            except UserError as error:
                refused = error
    if not opened and refused is not None:
        raise refused
    return opened


def _opened(path: Path, what: str) -> Node:
    try:
        return InputDevice(str(path))
    except PermissionError:
        raise UserError(
            f"The pedal {what} may not be read: make this user a member of the group input (sudo usermod -aG "
            "input USER, then log in again), or give rights by a udev rule, see docs/pedals.md"
        ) from None
    except OSError as error:
        raise DeviceMissingError(
            f"the pedal {what} cannot be opened ({error.strerror}): plug it in again"
        ) from None


def _grabbed(nodes: Sequence[Node], what: str) -> bool:
    """Take a device away from all other programs; False if a key went down meanwhile.

    Raises
    ------
    UserError
        If another program has it.
    """
    taken: list[Node] = []
    try:
        for node in nodes:
            node.grab()
            taken.append(node)
        free = not any(True for node in nodes for _ in node.active_keys())
    except OSError as error:
        for node in taken:
            with suppress(OSError):
                node.ungrab()
        if error.errno == errno.EBUSY:
            raise UserError(f"The pedal {what} is taken by another program: end that one") from None
        raise
    if not free:
        for node in taken:
            node.ungrab()
    return free
