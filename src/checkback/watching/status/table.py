"""The state as lines of a table."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from checkback.watching.status.figures import count, span
from checkback.watching.status.state import ENTRIES, DeviceSection, Dose, Figure, LesionNow, Section, Status


class Row(NamedTuple):
    """One line of the table: what, its value, where that comes from."""

    section: str
    figure: str
    value: str
    source: str
    known: bool


def rows(state: Status) -> Iterator[Row]:
    """Yield the state as lines of a table, section by section."""
    yield from _rows("patient", state.patient)
    yield from _device_rows(state.devices, ended=state.ended)
    yield from _rows("contrast", state.contrast)
    yield from _rows("contrast", state.contrast.mehran)
    yield from _rows("clotting", state.clotting)
    yield from _dose_rows(state.clotting.doses)
    yield from _rows("radiation", state.radiation)
    for level in state.radiation.levels:
        what = "substantial dose level" if level.substantial else "notice level"
        yield _row("radiation", f"{what}, {level.quantity}", level.level)
    yield from _rows("times", state.times)
    for question in state.questions:
        asked = question.asked or question.words or "not understood"
        yield Row("open questions", f"entry {question.entry}", asked, ENTRIES, known=False)
    for lacking in state.missing:
        yield Row("missing in the record", lacking, "", "", known=False)
    for lacking in state.unknown:
        yield Row("missing in the record", lacking, "said not to be known", ENTRIES, known=True)


def _rows(section: str, figures: Section) -> Iterator[Row]:
    return (_row(section, title, figure) for title, figure in figures.figures())


def _row(section: str, title: str, figure: Figure) -> Row:
    if figure.text is None:
        return Row(section, title, figure.missing or "", "", known=False)
    return Row(section, title, figure.text, figure.source, known=True)


def _device_rows(devices: DeviceSection, *, ended: bool) -> Iterator[Row]:
    inside = {each.number for each in devices.inside}
    # while the case runs, what is simply in is no trouble
    open_ends = tuple(each for each in devices.unaccounted if ended or each.number not in inside)
    for title, found in (
        ("in", devices.inside),
        ("implant", devices.implants),
        ("not accounted for", open_ends),
    ):
        if not found:
            yield Row("devices", title, "none", ENTRIES, known=True)
        for each in found:
            words = ", ".join((each.device, *each.notes, f"went in {span(each.since_s)} ago"))
            yield Row("devices", title, words, ENTRIES, known=True)
    for lesion in devices.lesions:
        words = f"{_lesion_name(lesion)}: {_lesion_words(lesion)}"
        yield Row("devices", "lesion", words, ENTRIES, known=True)
    for balloon in devices.up:
        yield Row("devices", "up", balloon.device, ENTRIES, known=True)
        yield from _rows("devices", balloon)


def _lesion_name(lesion: LesionNow) -> str:
    if lesion.number is None:
        return lesion.segment or "none named"
    return f"{lesion.number}" + ("" if lesion.segment is None else f", {lesion.segment}")


def _lesion_words(lesion: LesionNow) -> str:
    failed = f", {lesion.failures} did not cross" if lesion.failures else ""
    which = f" ({'; '.join(lesion.failed)})" if lesion.failed else ""
    said = [
        count(lesion.devices, "device"),
        count(lesion.attempts, "attempt to cross", "attempts to cross") + failed + which,
        count(lesion.inflations, "inflation"),
        count(lesion.stents, "stent"),
    ]
    return ", ".join(said) + ("; in hand" if lesion.in_hand else "")


def _dose_rows(doses: tuple[Dose, ...]) -> Iterator[Row]:
    reasons = {dose.bolus.missing for dose in doses}
    if len(reasons) == 1 and None not in reasons:
        yield _row("clotting", "label doses", doses[0].bolus)
        return
    for dose in doses:
        row = _row("clotting", f"{dose.drug} (label)", dose.bolus)
        yield row._replace(value=f"{row.value}; then {dose.infusion.text}") if row.known else row
