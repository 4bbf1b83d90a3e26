"""A recorded stream of the kernel's records, for replays."""

from __future__ import annotations

from pathlib import Path

from checkback.errors import UserError
from checkback.hearing.pedals.bindings import Bindings
from checkback.hearing.pedals.deck import Deck
from checkback.hearing.pedals.events import PedalEvent
from checkback.hearing.pedals.gestures import Timing
from checkback.hearing.pedals.records import RECORD, Keys, check_names, unpack

WALL_CLOCK_S = 1e8
"""A stamp from here on is of the wall clock, in seconds since 1970; below, of the recording."""


def events_of(
    path: Path, bindings: Bindings, *, start_s: float | None, timing: Timing | None = None
) -> tuple[PedalEvent, ...]:
    """Return the events that a recorded stream leads to.

    Parameters
    ----------
    path : Path
        What `cat /dev/input/by-id/...-event-kbd` gives on a computer of 64 bits.
    bindings : Bindings
    start_s : float or None
        When the sound began, seconds since 1970; needed if the stream has the time of day.
    timing : Timing or None

    Raises
    ------
    UserError
        If it cannot be read, is no such stream, or its time cannot be placed.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UserError(
            f"The pedal stream {path} cannot be read ({error.strerror}): check its name."
        ) from error
    if len(data) % RECORD.size:
        raise UserError(
            f"The pedal stream {path} is cut off or is none: {len(data)} bytes are not a whole number of "
            f"records of {RECORD.size} bytes."
        )
    check_names(bindings)
    records = list(unpack(data))
    origin_s = 0.0
    if records and records[0].timestamp() >= WALL_CLOCK_S:
        if start_s is None:
            raise UserError(
                f"The pedal stream {path} has the time of day: say with --start when the sound began."
            )
        origin_s = start_s
    deck, keys = Deck(bindings, timing), Keys()
    events: list[PedalEvent] = []
    last_s = 0.0
    for change in keys.take(records, tuple):
        last_s = change.stamp_s - origin_s
        if last_s < 0:
            raise UserError(f"The pedal stream {path} has a press before the sound began: check --start.")
        if change.repeated:
            deck.hold_back([change.key])
        else:
            events += deck.change(change.key, change.down, last_s)
    events += deck.pass_time(last_s + 60.0)
    events += deck.let_go(last_s + 60.0)
    return tuple(sorted(events, key=lambda event: event.at_s))
