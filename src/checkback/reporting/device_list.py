"""The device list: implants first, with what their labels say, then everything else and its fate."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from checkback.record.case import Case
from checkback.record.devices import IMPLANTS, DeviceLife
from checkback.record.entry import DeviceEvent, Entry, Identity
from checkback.reporting.cited import NOT_RECORDED, numbers, place_of
from checkback.reporting.document import (
    DRAFT,
    Block,
    BulletList,
    DataTable,
    Document,
    Heading,
    Paragraph,
    Run,
    Runs,
    cell,
    run,
)
from checkback.reporting.short_words import capital, clock, device, pressures, span, trouble
from checkback.reporting.timeline import deployment

_ENDS = ("out", "retrieved", "crushed", "left in place")


def device_list(
    case: Case, *, status: str = DRAFT, signed: bool = False, notices: Sequence[str] = ()
) -> Document:
    """Return the list of all devices of a case.

    Parameters
    ----------
    case : Case
        Finished or not; it may be empty.
    status : str
        Whether it is a draft, or who signed.
    signed : bool
        Whether `status` is that of a signed document.
    notices : sequence of str
        What must stand on every page, such as a broken chain of entries.
    """
    lives = case.devices()
    stay = [life for life in lives if stays(life)]
    others = [life for life in lives if not stays(life)]
    first = first_day(case)
    blocks: list[Block] = [Paragraph(tuple(_counted(lives, stay)))]
    loose = [life for life in case.unaccounted() if not life.accounted]
    if loose:
        blocks += [Heading(1, "Not accounted for"), BulletList(tuple(map(unaccounted, loose)), "warning")]
    blocks.append(Heading(1, "Implants and what stays"))
    if stay:
        blocks.append(implant_table(case, stay, first))
        labels = tuple(item for life in stay for item in _labels(life))
        if labels:
            blocks += [Heading(2, "Labels as scanned"), BulletList(labels)]
    else:
        blocks.append(Paragraph(cell("None is on record.")))
    blocks.append(Heading(1, "Other devices"))
    blocks.append(_others(others, first) if others else Paragraph(cell("None is on record.")))
    others_labels = tuple(item for life in others for item in _labels(life))
    if others_labels:
        blocks += [Heading(2, "Labels of other devices"), BulletList(others_labels)]
    note = "Devices are numbered in the order of going in. Numbers in brackets are the entries. "
    blocks.append(Paragraph(cell(f"{note}Check implants against their labels before signing."), "note"))
    return Document("Device list", status, tuple(blocks), signed=signed, notices=tuple(notices))


def first_day(case: Case) -> date | None:
    """Return the day of the first entry in force; other days are named."""
    standing = case.in_force()
    return standing[0].at.wall.date() if standing else None


def stays(life: DeviceLife) -> bool:
    """Return whether a device stays in the patient: implanted, crushed or left in place."""
    return life.fate in ("implanted", "crushed", "left in place")


def unaccounted(life: DeviceLife) -> Runs:
    """Return what is not accounted for: the device, or the balloon that carried a stent."""
    what = f"delivery balloon of the {device(life.body)}" if life.deployed else device(life.body)
    return cell(f"{capital(what)}: its removal is not on record.", life.entry.n, strong=True)


def implant_table(
    case: Case, lives: Sequence[DeviceLife], first: date | None, *, caption: str = "", brief: bool = False
) -> DataTable:
    """Return a table of implants; a brief one leaves out what only tracing needs."""
    headers = ("No.", "Device", "Where", "Placed", "Lot or serial", "Identifier", "Use by")
    widths = (0.8, 5.0, 3.2, 3.4, 3.2, 3.8, 3.0)
    columns = (0, 1, 2, 3, 4) if brief else range(len(headers))
    rows = [_implant(case, life, first) for life in lives]
    return DataTable(
        tuple(headers[i] for i in columns),
        tuple(tuple(row[i] for i in columns) for row in rows),
        caption=caption,
        widths=tuple(widths[i] for i in columns),
    )


def _implant(case: Case, life: DeviceLife, first: date | None) -> tuple[Runs, ...]:
    placed = deployment(life)
    ups = [up for up in life.inflations if up.deploys]
    pressure = f", {pressures(ups)}" if pressures(ups) else ""
    special = [capital(life.fate)] if life.fate != "implanted" else []
    when = f"{clock(placed.at, first)}{pressure}"
    if special:
        ended = _end(life)
        when = f"{special[0]} {clock((ended or life.entry).at, first)}"
        placed = ended or life.entry
    where, place_cites = place_of(case, life)
    identity = life.identity
    labels = [e.n for e in life.happenings if isinstance(e.body, Identity)]
    lot = None if identity is None else identity.lot or identity.serial
    return (
        cell(str(life.number)),
        cell(", ".join((capital(device(life.body)), *trouble(life))), life.entry.n),
        cell(where or NOT_RECORDED, *place_cites),
        cell(when, placed.n),
        _known(lot, labels),
        _known(None if identity is None else identity.device_identifier, labels),
        _known(None if identity is None else identity.expires, labels),
    )


def _known(text: str | None, cites: Sequence[int]) -> Runs:
    # an implant that cannot be traced is the one thing that must not be overlooked here
    return cell(text, *cites) if text else cell(NOT_RECORDED, strong=True)


def _labels(life: DeviceLife) -> Iterator[Runs]:
    identity = life.identity
    if identity is None:
        return
    cites = [e.n for e in life.happenings if isinstance(e.body, Identity)]
    parts = [
        f"{name} {value}"
        for name, value in (
            ("UDI", identity.udi),
            ("identifier", identity.device_identifier),
            ("lot", identity.lot),
            ("serial number", identity.serial),
            ("use by", identity.expires),
        )
        if value
    ]
    yield cell(f"No. {life.number}, {device(life.body)}: {', '.join(parts)}.", *cites)


# --- others ---------------------------------------------------------------------------------------


def _counted(lives: Sequence[DeviceLife], stay: Sequence[DeviceLife]) -> Iterator[Run]:
    if not lives:
        yield run("No device is on record.")
        return
    implants = [life for life in stay if life.fate == "implanted" and life.body.device in IMPLANTS]
    cites = numbers([life.entry for life in lives])
    went = "1 device went in" if len(lives) == 1 else f"{len(lives)} devices went in"
    yield run(f"{went}, {len(implants)} of them stayed as implants.", *cites)


def _others(lives: Sequence[DeviceLife], first: date | None) -> DataTable:
    return DataTable(
        ("No.", "Device", "In", "Out", "What became of it"),
        tuple(_other(life, first) for life in lives),
        widths=(0.8, 5, 2.2, 2.2, 6),
    )


def _other(life: DeviceLife, first: date | None) -> tuple[Runs, ...]:
    ended = _end(life)
    said = [*_use(life), *trouble(life)]
    if life.fate == "in":
        said.append("removal not on record")
    elif life.fate != "out":
        said.append(life.fate)
    out = cell(NOT_RECORDED, strong=True) if ended is None else cell(clock(ended.at, first), ended.n)
    cites = numbers([e for e in life.happenings if e is not ended and not isinstance(e.body, Identity)])
    return (
        cell(str(life.number)),
        cell(capital(device(life.body)), life.entry.n),
        cell(clock(life.entry.at, first), life.entry.n),
        out,
        cell(capital(", ".join(said)) or "Out", *(cites if said else ())),
    )


def _use(life: DeviceLife) -> list[str]:
    """Return what a device was used for: attempts, pressures with time up, runs."""
    said = []
    if life.attempts > 1:
        said.append(f"{life.attempts} attempts to cross")
    elif life.across:
        said.append("crossed")
    ups = life.inflations
    if ups:
        seconds = [up.seconds for up in ups if up.seconds is not None]
        times = "inflated" if len(ups) == 1 else f"inflated {len(ups)} times"
        up = f", up {span(sum(seconds))}" if len(seconds) == len(ups) else ""
        said.append(f"{times}{f' to {pressures(ups)}' if pressures(ups) else ''}{up}")
    if life.runs:
        said.append("run once" if life.runs == 1 else f"run {life.runs} times")
    return said


def _end(life: DeviceLife) -> Entry | None:
    ends = [e for e in life.happenings if isinstance(e.body, DeviceEvent) and e.body.happening in _ENDS]
    return ends[-1] if ends and life.fate != "in" else None
