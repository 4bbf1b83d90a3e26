"""Which way the pedal is watched."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Literal

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import Bindings
from checkback.hearing.pedals.events import OnNotice, OnPedal, Pedal, PedalEvent, no_notice
from checkback.hearing.pedals.gestures import Timing
from checkback.hearing.pedals.keyboard import KeyboardPedal

How = Literal["auto", "evdev", "display"]


def open_pedal(
    on_event: OnPedal,
    bindings: Bindings,
    *,
    how: How = "auto",
    device: str | None = None,
    grab: bool = True,
    timing: Timing | None = None,
    on_notice: OnNotice = no_notice,
) -> Pedal:
    """Begin to watch the pedal.

    Parameters
    ----------
    on_event, on_notice : callable
        Are called in the pedal's own thread; must not raise.
    bindings : Bindings
    how : {"auto", "evdev", "display"}
        "evdev": the pedal's own device (Linux); "display": keys, through the display; "auto": the device
        if one is named on Linux, else the display.
    device : str or None
        The device, see `devices.find`.
    grab : bool
        Whether the device is taken away from all other programs.
    timing : Timing or None

    Raises
    ------
    UserError
        If the pedal cannot be watched.
    """
    if how == "display" or (how == "auto" and (device is None or sys.platform != "linux")):
        return KeyboardPedal(on_event, bindings, timing=timing, on_notice=on_notice)
    if sys.platform != "linux":
        raise UserError("The pedal's device can be read on Linux only: set pedals.watch to display.")
    if device is None:
        raise UserError(
            "It is not said which device the pedal is: run checkback pedal, or set pedals.device."
        )
    with pedal_extra():
        from checkback.hearing.pedals.linux import DevicePedal
    return DevicePedal(on_event, bindings, device, grab=grab, timing=timing, on_notice=on_notice)


def is_stream(path: Path) -> bool:
    """Whether a file is a stream of the kernel's records, and no script: text has no zero byte.

    A file that cannot be read is none; whoever reads it will tell.
    """
    try:
        with path.open("rb") as file:
            return b"\0" in file.read(64)
    except OSError:
        return False


def stream_events(
    path: Path, bindings: Bindings, *, start_s: float | None, timing: Timing | None = None
) -> tuple[PedalEvent, ...]:
    """Return the events that a recorded stream leads to; see `stream.events_of`."""
    with pedal_extra():
        from checkback.hearing.pedals.stream import events_of
    return events_of(path, bindings, start_s=start_s, timing=timing)


@contextmanager
def pedal_extra() -> Iterator[None]:
    """Say which package is missing, where one of the extra is imported."""
    try:
        yield
    except ModuleNotFoundError as error:
        raise UserError(
            f'The pedal needs the package {error.name}: install it with "pip install checkback[pedal]".'
        ) from error
