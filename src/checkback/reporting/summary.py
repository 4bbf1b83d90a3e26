"""The summary: one page with the timeline, what stays in the patient, totals, and what is missing.

The timeline gets the room that the rest leaves, so that the page stays one page.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import Act, AirKerma, DoseArea, Entry, Fluoroscopy, Identity
from checkback.reporting.cited import (
    LOCAL,
    NOT_RECORDED,
    basis,
    contrast_entries,
    heparin_entries,
    numbers,
    open_entries,
)
from checkback.reporting.computed import NOTHING, Computed, Figured
from checkback.reporting.device_list import first_day, implant_table, stays
from checkback.reporting.document import (
    DRAFT,
    Block,
    DataTable,
    Document,
    Figure,
    Paragraph,
    Run,
    Runs,
    cell,
    run,
)
from checkback.reporting.short_words import capital, clock, device, number
from checkback.reporting.timeline import deployment, opens_treatment, timeline
from checkback.reporting.timeline_figure import PAPER_MM, READABLE, draw, draw_to_fit
from checkback.reporting.timeline_items import Timeline
from checkback.reporting.timeline_sheet import WIDTH_PT, Sheet

MOST_IMPLANTS = 8
"""More are named as a number; the device list has them all."""

MOST_MOMENTS = 14
"""Of complications, likewise."""

PAGE_MM = 243.0
"""Between title and foot of a page of A4, with room to spare for a heading that breaks."""

_TABLE_LETTERS = 116.0
"""How many letters of the small size stand on a line of a table."""

_LETTERS = 104
"""How many stand on a line of text."""

_PAIRS = 3
_LEAST_FIGURE_MM = 60.0

MISSING = {
    "time_out": "time-out",
    "access": "access",
    "closure": "closure",
    "act": "clotting time",
    "flow": "final flow",
    "contrast": "contrast volume",
    "fluoroscopy": "fluoroscopy time",
    "air_kerma": "air kerma",
    "dose_area": "dose-area product",
    "case_end": "end of case",
    "questions": "answers to open questions",
    "devices": "removal of devices",
}


def summary(
    case: Case,
    computed: Computed = NOTHING,
    *,
    status: str = DRAFT,
    signed: bool = False,
    notices: Sequence[str] = (),
) -> Document:
    """Return the summary of a case on one page.

    Parameters
    ----------
    case : Case
        Finished or not; it may be empty.
    computed : Computed
        Limits, targets and times.
    status : str
        Whether it is a draft, or who signed.
    signed : bool
        Whether `status` is that of a signed document.
    notices : sequence of str
        What must stand on the page, such as a broken chain of entries.

    Raises
    ------
    UserError
        If matplotlib is not installed.
    """
    line = timeline(case, computed)
    for dense in (False, True):
        missing = _missing(case)
        below = _below(case, computed, line, dense=dense, numbered=True)
        room_mm = PAGE_MM - sum(map(_height_mm, (missing, *below))) - 5.0 * len(notices)
        sheet, width_mm = draw_to_fit(line, max(room_mm, _LEAST_FIGURE_MM), status=status, notices=notices)
        if width_mm / PAPER_MM * WIDTH_PT / sheet.width >= READABLE:
            break
    if not sheet.numbered:
        below = _below(case, computed, line, dense=dense, numbered=False)
    blocks = (missing, _figure(sheet, line, width_mm), *below)
    return Document("Summary of the case", status, blocks, signed=signed, notices=tuple(notices))


def _below(case: Case, computed: Computed, line: Timeline, *, dense: bool, numbered: bool) -> list[Block]:
    """Return what stands below the timeline; dense: in running text, to leave more room to it."""
    return [
        *_implants(case, dense=dense),
        _complications(line, numbered=numbered, dense=dense),
        *_figures(case, computed, dense=dense),
    ]


def timeline_block(
    line: Timeline,
    height_mm: float = 215.0,
    *,
    status: str = DRAFT,
    notices: Sequence[str] = (),
) -> Figure:
    """Return the timeline as a figure no higher than `height_mm` on paper, with every device named.

    Raises
    ------
    UserError
        If matplotlib is not installed.
    """
    sheet, width_mm = draw_to_fit(line, height_mm, status=status, notices=notices, overview=False)
    return _figure(sheet, line, width_mm)


def _figure(sheet: Sheet, line: Timeline, width_mm: float) -> Figure:
    return Figure(sheet.svg(title="Course of the case"), sheet.png(), in_words(line), width_mm=width_mm)


def timeline_files(
    case: Case, computed: Computed = NOTHING, *, status: str = DRAFT, notices: Sequence[str] = ()
) -> dict[str, bytes]:
    """Return the timeline at full size as the content of files, by the suffix of their names.

    Raises
    ------
    UserError
        If matplotlib is not installed.
    """
    sheet = draw(timeline(case, computed), status=status, notices=notices)
    return {".svg": sheet.svg(title="Course of the case"), ".png": sheet.png()}


def in_words(line: Timeline) -> str:
    """Return what a timeline shows, for who cannot see it."""
    if line.zero is None:
        return "Timeline of the case: nothing is on record yet."
    parts = [
        f"{len(line.bars)} devices",
        f"{len(line.drugs)} rows of drugs",
        f"{len(line.acts)} clotting times",
    ]
    parts += [
        f"{each.text} at {line.moment(each.at_min):%H:%M:%S}" for each in line.complications[:MOST_MOMENTS]
    ]
    first, last = line.moment(0), line.moment(line.end_min)
    return f"Timeline of the case from {first:%H:%M} to {last:%H:%M}: {', '.join(parts)}."


def missing_words(key: str) -> str:
    """Return what a record lacks, in words."""
    return MISSING.get(key, key.replace("_", " "))


# --- blocks ---------------------------------------------------------------------------------------


def _missing(case: Case) -> Block:
    lacking, questions = case.missing(), open_entries(case)
    runs = [run("Missing from the record:", strong=True)]
    runs.append(
        run(f"{', '.join(map(missing_words, lacking))}." if lacking else "nothing that it looks for.")
    )
    if questions:
        counted = "1 entry is" if len(questions) == 1 else f"{len(questions)} entries are"
        runs.append(run(f"{counted} not settled.", *numbers(questions)))
    if all(e.body.kind != "case_end" for e in case.in_force()):
        runs.append(run("The end of the case is not on record: the figures are those so far."))
    return Paragraph(tuple(runs), "warning" if lacking or questions else "body")


def _implants(case: Case, *, dense: bool) -> list[Block]:
    stay = [life for life in case.devices() if stays(life)]
    if not stay:
        return [Paragraph((run("Implants:", strong=True), run("none on record.")))]
    shown, rest = stay[:MOST_IMPLANTS], stay[MOST_IMPLANTS:]
    if dense:
        runs = [run("Implants and what stays:", strong=True), *(_implant_words(life) for life in shown)]
        if rest:
            cites = numbers([life.entry for life in rest])
            runs.append(run(f"{len(rest)} more stand in the device list.", *cites))
        return [Paragraph(_stopped(runs), "note")]
    blocks: list[Block] = [
        implant_table(case, shown, first_day(case), caption="Implants and what stays", brief=True)
    ]
    if rest:
        more = run(f"{len(rest)} more stand in the device list.", *numbers([life.entry for life in rest]))
        blocks.append(Paragraph((more,)))
    return blocks


def _stopped(runs: Sequence[Run]) -> Runs:
    """End a list in running text with a full stop."""
    return (*runs[:-1], replace(runs[-1], text=f"{runs[-1].text.rstrip(';.')}."))


def _implant_words(life: DeviceLife) -> Run:
    identity = life.identity
    lot = None if identity is None else identity.lot or identity.serial
    placed = deployment(life)
    fate = "" if life.fate == "implanted" else f"{life.fate}, "
    labels = [e.n for e in life.happenings if isinstance(e.body, Identity)]
    return run(
        f"No. {life.number} {device(life.body)}, {fate}{placed.at.wall:%H:%M:%S}, lot {lot or NOT_RECORDED};",
        life.entry.n,
        placed.n,
        *labels,
    )


def _complications(line: Timeline, *, numbered: bool, dense: bool) -> Block:
    told = line.grave_moments
    if not told:
        return Paragraph((run("Complications and resuscitation:", strong=True), run("none on record.")))
    shown, rest = told[:MOST_MOMENTS], told[MOST_MOMENTS:]
    runs = [run("Complications and resuscitation:", strong=True)]
    for i, each in enumerate(shown, start=1):
        number_ = f"({i}) " if numbered else ""
        stop = "." if each is shown[-1] else ";"
        runs.append(run(f"{number_}{line.moment(each.at_min):%H:%M:%S} {each.text}{stop}", *each.cites))
    if rest:
        cites = tuple(n for each in rest for n in each.cites)
        runs.append(run(f"{len(rest)} more stand in the narrative.", *cites))
    return Paragraph(tuple(runs), "note" if dense else "body")


def _figures(case: Case, computed: Computed, *, dense: bool) -> list[Block]:
    """Return totals, limits and times in a table that reads down, and their sources below."""
    right, sources = _against(case, computed)
    pairs = [*_totals(case, computed), *right]
    blocks: list[Block] = []
    if pairs and dense:
        told = [run(f"{name[0].text} {value[0].text};", *value[0].cites) for name, value in pairs]
        blocks.append(Paragraph(_stopped([run("Totals, limits and times:", strong=True), *told]), "note"))
    elif pairs:
        depth = math.ceil(len(pairs) / _PAIRS)
        pairs += [(cell(""), cell(""))] * (depth * _PAIRS - len(pairs))
        rows = tuple(
            tuple(each for k in range(_PAIRS) for each in pairs[i + k * depth]) for i in range(depth)
        )
        headers = ("Figure", "Value") * _PAIRS
        blocks.append(
            DataTable(
                headers, rows, caption="Totals, limits and times", widths=(2.5, 3.4, 2.5, 3.4, 2.5, 3.2)
            )
        )
    note = []
    if sources:
        named = "; ".join(f"{name}: {source}" for name, source in sources)
        note.append(run(f"Sources: {named}. Limits and targets are advice: {LOCAL}."))
    elif computed.note:
        note.append(run(f"{capital(computed.note).rstrip('.')}."))
    if note:
        blocks.append(Paragraph(tuple(note), "note"))
    return blocks


def _totals(case: Case, computed: Computed) -> Iterator[tuple[Runs, Runs]]:
    volume = case.contrast_ml()
    if volume is not None:
        yield cell("Contrast"), cell(f"{number(volume)} mL", *numbers(contrast_entries(case)))
    heparin = computed.find("clotting", "heparin given")
    if heparin is not None:
        yield cell("Heparin"), cell(heparin.text.replace(" U", " units"), *numbers(heparin_entries(case)))
    for name, kind, field, unit in (
        ("Fluoroscopy time", Fluoroscopy, "fluoroscopy_min", "min"),
        ("Air kerma", AirKerma, "air_kerma_mgy", "mGy"),
        ("Dose-area product", DoseArea, "dose_area_gy_cm2", "Gy·cm²"),
    ):
        entry: Entry | None = case.latest(kind)
        if entry is not None:
            yield cell(name), cell(f"{number(getattr(entry.body, field))} {unit}", entry.n)
    act = case.last_act()
    if act is not None and isinstance(act.body, Act):
        at = clock(act.at, first_day(case))
        yield cell("Last ACT"), cell(f"{number(act.body.act_s)} s at {at}", act.n)


_AGAINST = (
    ("contrast", "maximum allowable", "Maximum contrast"),
    ("contrast", "ratio", "Contrast / clearance"),
    ("contrast", "contrast / clearance", "Contrast / clearance"),
    ("clotting", "ACT target", "ACT target"),
    ("times", "procedure time", "Procedure time"),
    ("times", "door to device", "Door to device"),
    ("times", "contact to device", "Contact to device"),
    ("times", "total ischaemic time", "Total ischaemic time"),
)


def _against(case: Case, computed: Computed) -> tuple[list[tuple[Runs, Runs]], list[tuple[str, str]]]:
    treatment = next((e for e in case.in_force() if opens_treatment(e)), None)
    rows: list[tuple[Runs, Runs]] = []
    sources: list[tuple[str, str]] = []
    for section, name, words in _AGAINST:
        found: Figured | None = computed.find(section, name)
        if found is not None:
            rows.append((cell(words), cell(found.text, *basis(case, found, treatment))))
            if found.source and found.source != "the entries":
                sources.append((words, found.source))
    return rows, sources


# --- how much room it takes -----------------------------------------------------------------------


def _height_mm(block: Block) -> float:
    """Return the height of a block on paper, rather more than less."""
    match block:
        case Paragraph():
            small = 0.86 if block.style == "note" else 1.0
            letters = sum(len(each.text) + 3.4 * len(each.cites) + 2 for each in block.runs)
            frame = 7.5 if block.style == "warning" else 3.5
            return frame + 4.7 * small * math.ceil(letters * small / _LETTERS)
        case DataTable():
            return 10.0 * bool(block.caption) + 6.0 + sum(_row_mm(block, row) for row in block.rows)
        case _:
            return 0.0


def _row_mm(table: DataTable, row: tuple[Runs, ...]) -> float:
    lines = 1
    for width, runs in zip(table.widths, row, strict=True):
        letters = sum(len(each.text) + 3.4 * len(each.cites) for each in runs)
        room = max(4.0, _TABLE_LETTERS * width / sum(table.widths) - 2.5)
        lines = max(lines, math.ceil(letters / room))
    return 2.1 + 3.1 * lines
