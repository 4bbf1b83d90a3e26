"""The entries in force as a text track (WebVTT) that lines up with a recording of the case.

Source: WebVTT: The Web Video Text Tracks Format, W3C.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

from checkback.record.case import Case
from checkback.record.entry import Entry
from checkback.reporting.tables import put_file

TRACK = "entries.vtt"

LONGEST_CUE_S = 6.0
SHORTEST_CUE_S = 1.0
"""A cue stays until the next one, within these bounds; a chosen reading time, no source."""

_SILENT = ("session", "imported", "clock_step", "withdrawal")


def seconds_into(case: Case, entry: Entry, recording_start: datetime | None = None) -> float:
    """Return when an entry happened on the recording's time line, s; negative if before it began.

    Parameters
    ----------
    case : Case
    entry : Entry
    recording_start : datetime or None
        Wall time of the recording's first sample; None if the first entry was written then, as in
        a replay.
    """
    origin = case.entries[0]
    behind = case.seconds_between(origin, entry) or -case.seconds_between(entry, origin)
    if recording_start is not None:
        behind += (origin.at.wall - recording_start).total_seconds()
    return round(behind, 3)


def webvtt(
    case: Case,
    summary: Callable[[Entry], str],
    *,
    recording_start: datetime | None = None,
    notes: Sequence[str] = (),
) -> str:
    """Return the track: a cue for each entry that stands or is questioned, with its number as name.

    Parameters
    ----------
    case : Case
    summary : callable
        Says an entry in one line.
    recording_start : datetime or None
        As for `seconds_into`.
    notes : sequence of str
        Are written at the top, where players do not show them.
    """
    shown = [e for e in (*case.in_force(), *case.questions()) if e.body.kind not in _SILENT]
    placed = sorted((seconds_into(case, entry, recording_start), entry.n, entry) for entry in shown)
    before = [entry for at_s, _, entry in placed if at_s < 0]
    after = [(at_s, entry) for at_s, _, entry in placed if at_s >= 0]
    blocks = ["WEBVTT", *(f"NOTE {_line(note)}" for note in notes)]
    blocks += [
        f"NOTE before the recording: {_line(f'{e.at.wall:%H:%M:%S} {summary(e)} [{e.n}]')}" for e in before
    ]
    return "\n\n".join([*blocks, *_cues(case, after, summary)]) + "\n"


def _cues(case: Case, placed: list[tuple[float, Entry]], summary: Callable[[Entry], str]) -> Iterator[str]:
    nexts = [at_s for at_s, _ in placed[1:]] + [float("inf")]
    # with no entry there is no next one either
    for (at_s, entry), next_s in zip(placed, nexts, strict=False):
        end_s = at_s + min(max(next_s - at_s, SHORTEST_CUE_S), LONGEST_CUE_S)
        asked = " (questioned)" if case.standing(entry)[0] == "questioned" else ""
        text = _line(f"{entry.at.wall:%H:%M:%S} {summary(entry)}{asked} [{entry.n}]")
        yield f"{entry.n}\n{_clock(at_s)} --> {_clock(end_s)}\n{text}"


def _clock(seconds: float) -> str:
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02}:{minutes:02}:{rest // 1000:02}.{rest % 1000:03}"


def _line(text: str) -> str:
    """Return a text as one line of a cue: no line end, and nothing that a player takes for mark-up."""
    flat = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return re.sub(r"[&<>]", lambda sign: {"&": "&amp;", "<": "&lt;", ">": "&gt;"}[sign[0]], flat)


def write_webvtt(
    case: Case,
    summary: Callable[[Entry], str],
    folder: Path,
    *,
    recording_start: datetime | None = None,
    notes: Sequence[str] = (),
) -> list[Path]:
    """Write `entries.vtt` into an existing folder; parameters as for `webvtt`.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    path = folder / TRACK
    put_file(path, webvtt(case, summary, recording_start=recording_start, notes=notes).encode())
    return [path]
