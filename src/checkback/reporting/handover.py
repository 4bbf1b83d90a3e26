"""The hand-over note for the unit that takes the patient.

What was done, what to watch and why, access and sheath, the last drugs, clotting time, contrast,
and what is open.  Nothing stands in it that is not in an entry or computed from entries; advice is
data of the laboratory, each piece with its source (`checkback.reporting.watch_points`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from decimal import Decimal
from pathlib import Path

from checkback.record.case import Case
from checkback.record.devices import DeviceLife
from checkback.record.entry import (
    Access,
    Act,
    Closure,
    Drug,
    Entry,
    Flow,
    Infusion,
    Stenosis,
)
from checkback.reporting.cited import (
    LOCAL,
    NOT_RECORDED,
    basis,
    contrast_entries,
    numbers,
    open_entries,
    patient_entries,
    place_of,
)
from checkback.reporting.computed import NOTHING, Computed
from checkback.reporting.device_list import first_day, stays, unaccounted
from checkback.reporting.document import (
    DRAFT,
    Block,
    BulletList,
    DataTable,
    Document,
    Heading,
    Mark,
    Paragraph,
    Run,
    Runs,
    cell,
    run,
)
from checkback.reporting.short_words import capital, clock, device, number, rate, unit
from checkback.reporting.summary import missing_words
from checkback.reporting.timeline import opens_treatment, question_words, timeline
from checkback.reporting.watch_points import DATA, HandoverData, accesses, closing, due, load, running

_PATIENT = (
    ("age_y", "Age", " years"),
    ("sex", "Sex", ""),
    ("weight_kg", "Weight", " kg"),
    ("allergies", "Allergies", ""),
    ("indication", "Indication", ""),
    ("disposition", "To go to", ""),
    ("recommendations", "Planned for afterwards", ""),
)


def handover(
    case: Case,
    computed: Computed = NOTHING,
    *,
    status: str = DRAFT,
    signed: bool = False,
    notices: Sequence[str] = (),
    data: Path = DATA,
) -> Document:
    """Return the hand-over note of a case.

    Parameters
    ----------
    case : Case
        Finished or not; it may be empty.
    computed : Computed
        Limits and targets.
    status : str
        Whether it is a draft, or who signed.
    signed : bool
        Whether `status` is that of a signed document.
    notices : sequence of str
        What must stand on every page, such as a broken chain of entries.
    data : Path
        Groups of drugs and pieces of advice.

    Raises
    ------
    UserError
        If the data cannot be used.
    """
    known, first = load(data), first_day(case)
    blocks = [
        *_listed("Open matters", _open(case, first), warning=True),
        *_listed("Patient and plan", _patient(case)),
        *_listed("What was done", _done(case, computed, first)),
        *_listed("Access and sheath", _access(case, first)),
        *_watch(case, computed, known),
    ]
    blocks += _drugs(case, known, first)
    blocks.append(Heading(1, "Clotting time, contrast and radiation"))
    figures = tuple(_figures(case, computed, first))
    blocks.append(BulletList(figures) if figures else Paragraph(cell("None is on record.")))
    blocks.append(
        Paragraph(
            cell(f"{known.note} Numbers in brackets are the entries that a line came from."),
            "note",
        )
    )
    return Document("Hand-over note", status, tuple(blocks), signed=signed, notices=tuple(notices))


def _listed(heading: str, items: Iterator[Runs], *, warning: bool = False) -> list[Block]:
    told = tuple(items)
    if not told:
        return [Heading(1, heading), Paragraph(cell("None is on record."))]
    return [Heading(1, heading), BulletList(told, "warning" if warning else "body")]


# --- open matters, patient ------------------------------------------------------------------------


def _open(case: Case, first: date | None) -> Iterator[Runs]:
    for entry in open_entries(case):
        at = clock(entry.at, first)
        if entry.body.kind == "mark":
            yield cell(f"The operator marked the moment {at}, to be explained.", entry.n)
        else:
            marks: tuple[Mark, ...] = ("questioned",) if entry.standing == "questioned" else ()
            yield cell(f"Not settled ({at}): “{question_words(entry)}”.", entry.n, marks=marks)
    for life in case.unaccounted():
        if not life.accounted:
            yield unaccounted(life)
    lacking = [missing_words(key) for key in case.missing() if key not in ("questions", "devices")]
    if lacking:
        yield cell(f"Missing from the record: {', '.join(lacking)}.")


def _patient(case: Case) -> Iterator[Runs]:
    told = case.patient()
    for field, name, measure in _PATIENT:
        value = getattr(told, field)
        if value is not None:
            words = number(value) if isinstance(value, Decimal) else str(value)
            yield cell(f"{name}: {words}{measure}.", *numbers(patient_entries(case, field)))


# --- what was done --------------------------------------------------------------------------------


def _done(case: Case, computed: Computed, first: date | None) -> Iterator[Runs]:
    lives = case.devices()
    for life in lives:
        if stays(life):
            yield cell(*_stays(case, life))
    yield from _treatment(lives)
    line = timeline(case, computed)
    for each in line.grave_moments:
        at = f"{line.moment(each.at_min):%H:%M:%S}"
        yield cell(f"{capital(each.text)} ({at}).", *each.cites, strong=True)
    yield from _result(case, first)


def _stays(case: Case, life: DeviceLife) -> tuple[str, int]:
    where, _ = place_of(case, life)
    place = f", {where}" if where else ""
    fate = "implanted" if life.fate == "implanted" else life.fate
    return (
        f"{capital(device(life.body))}{place}: {fate} (No. {life.number} of the device list).",
        life.entry.n,
    )


def _treatment(lives: Sequence[DeviceLife]) -> Iterator[Runs]:
    """Tell what was used without staying, one line for each kind of treatment."""
    balloons = [life for life in lives if life.body.device == "balloon" and life.inflations]
    if balloons:
        ups = [up for life in balloons for up in life.inflations]
        pressures = [up.pressure_atm for up in ups if up.pressure_atm is not None]
        highest = f", the highest pressure {number(max(pressures))} atm" if pressures else ""
        count = "1 balloon was" if len(balloons) == 1 else f"{len(balloons)} balloons were"
        cites = numbers([life.entry for life in balloons] + [up.entry for up in ups])
        times = "once" if len(ups) == 1 else f"{len(ups)} times in all"
        yield cell(f"{count} inflated, {times}{highest}.", *cites)
    for life in lives:
        if life.runs:
            runs = [e for e in life.happenings if getattr(e.body, "happening", None) == "run"]
            times = "once" if life.runs == 1 else f"{life.runs} times"
            yield cell(f"{capital(device(life.body))}: run {times}.", life.entry.n, *numbers(runs))
    for life in lives:
        if life.body.device == "aspiration catheter":
            yield cell(f"{capital(device(life.body))} was used.", life.entry.n)
    failed = [life for life in lives if life.across is False]
    if failed:
        cites = numbers([e for life in failed for e in (life.entry, *life.happenings) if _failure(e)])
        names = ", ".join(device(life.body) for life in failed)
        yield cell(f"Would not cross: {names}.", *cites, *(life.entry.n for life in failed))


def _failure(entry: Entry) -> bool:
    return getattr(entry.body, "happening", None) == "not across"


def _result(case: Case, first: date | None) -> Iterator[Runs]:
    """Tell the findings after the last treatment, the last of each segment."""
    standing = case.in_force()
    treating = [i for i, e in enumerate(standing) if opens_treatment(e)]
    last: dict[tuple[str, str | None], Entry] = {}
    for entry in standing[treating[-1] + 1 :] if treating else []:
        if isinstance(entry.body, (Stenosis, Flow)):
            last[entry.body.kind, entry.body.segment] = entry
    for entry in last.values():
        body = entry.body
        at = clock(entry.at, first)
        if isinstance(body, Stenosis):
            yield cell(f"Final stenosis, {body.segment}: {number(body.stenosis_percent)} % ({at}).", entry.n)
        elif isinstance(body, Flow):
            where = f", {body.segment}" if body.segment else ""
            yield cell(f"Final flow{where}: TIMI {number(body.timi)} ({at}).", entry.n)


# --- what to watch --------------------------------------------------------------------------------


def _watch(case: Case, computed: Computed, known: HandoverData) -> list[Block]:
    found = due(case, computed)
    rows = [
        (cell(each.text, *numbers(found[each.when])), cell(each.source))
        for each in known.watch
        if found[each.when]
    ]
    follow_up = computed.find("radiation", "follow-up")
    if follow_up is not None:
        rows.append((cell(follow_up.text, *basis(case, follow_up)), cell(follow_up.source)))
    if not rows:
        return [
            Heading(1, "What to watch"),
            Paragraph(cell("Nothing on record makes any of the listed advice due.")),
        ]
    headers = ("What the record makes due", f"Source ({LOCAL})")
    return [Heading(1, "What to watch"), DataTable(headers, tuple(rows), widths=(7, 3))]


# --- access ---------------------------------------------------------------------------------------


def _access(case: Case, first: date | None) -> Iterator[Runs]:
    for entry in accesses(case):
        body = entry.body
        assert isinstance(body, Access)
        site = capital(" ".join(part for part in (body.side, body.site) if part))
        sheath = f", {number(body.sheath_french)} Fr sheath" if body.sheath_french is not None else ""
        begun = run(f"{site}{sheath}, from {clock(entry.at, first)}:", entry.n, strong=True)
        closed = closing(case, entry)
        if closed is None:
            yield (begun, run("no closure is on record."))
            continue
        assert isinstance(closed.body, Closure)
        yield (begun, run(f"{closed.body.method}, {clock(closed.at, first)}.", closed.n))
    known = {closing(case, entry) for entry in accesses(case)}
    for entry in case.in_force():
        if isinstance(entry.body, Closure) and entry not in known and not _replaced(case, entry):
            where = " ".join(part for part in (entry.body.side, entry.body.site) if part)
            what = f"{entry.body.method}{f', {where}' if where else ''}"
            yield cell(
                f"{capital(what)}, {clock(entry.at, first)}: of which access is not on record.", entry.n
            )


def _replaced(case: Case, entry: Entry) -> bool:
    """Return whether a later closure is about the same site."""
    assert isinstance(entry.body, Closure)
    return any(
        isinstance(e.body, Closure)
        and (e.body.site, e.body.side) == (entry.body.site, entry.body.side)
        and (e.at.wall, e.n) > (entry.at.wall, entry.n)
        for e in case.in_force()
    )


# --- drugs ----------------------------------------------------------------------------------------


def _drugs(case: Case, known: HandoverData, first: date | None) -> list[Block]:
    given: dict[str, list[Entry]] = {}
    for entry in case.in_force():
        if isinstance(entry.body, Drug):
            given.setdefault(entry.body.drug, []).append(entry)
    blocks: list[Block] = [Heading(1, "Drugs")]
    before = patient_entries(case, "antiplatelet_loaded")
    first_lines = [_running(entry, first) for entry in running(case)]
    if case.patient().antiplatelet_loaded:
        words = (
            "A P2Y12 inhibitor was loaded before the case; which, when and how much is not in the entries."
        )
        first_lines.append(cell(words, *numbers(before)))
    if first_lines:
        blocks.append(BulletList(tuple(first_lines)))
    grouped = [(group.name, [drug for drug in group.drugs if drug in given]) for group in known.group]
    named = {drug for group in known.group for drug in group.drugs}
    grouped.append(("Other drugs", [drug for drug in given if drug not in named]))
    rows: list[tuple[Runs, ...]] = []
    for name, drugs in grouped:
        if drugs:
            rows.append((cell(name, strong=True), cell(""), cell(""), cell("")))
            rows += [_drug(given[drug], first) for drug in drugs]
    if rows:
        headers = ("Drug", "Last dose", "At", "All doses in this case")
        blocks.append(DataTable(headers, tuple(rows), widths=(4.2, 3.6, 2.0, 5.4)))
    stopped = _stopped(case, first)
    if stopped:
        blocks.append(BulletList(stopped))
    if len(blocks) == 1:
        blocks.append(Paragraph(cell("None is on record.")))
    return blocks


def _running(entry: Entry, first: date | None) -> Runs:
    assert isinstance(entry.body, Infusion)
    at = f" at {rate(entry.body)}" if entry.body.rate is not None else ""
    words = f"{capital(entry.body.drug)} infusion{at} since {clock(entry.at, first)}: not said to be stopped."
    return cell(words, entry.n, strong=True)


def _stopped(case: Case, first: date | None) -> tuple[Runs, ...]:
    last: dict[str, Entry] = {}
    for entry in case.in_force():
        if isinstance(entry.body, Infusion):
            last[entry.body.drug] = entry
    return tuple(
        cell(f"{capital(entry.body.drug)} infusion stopped at {clock(entry.at, first)}.", entry.n)
        for entry in last.values()
        if isinstance(entry.body, Infusion) and entry.body.action == "stopped"
    )


def _drug(entries: Sequence[Entry], first: date | None) -> tuple[Runs, ...]:
    last = entries[-1]
    assert isinstance(last.body, Drug)
    body = last.body
    dose = f"{number(body.dose)} {unit(body.unit)}"
    return (
        cell(capital(body.drug)),
        cell(" ".join(part for part in (dose, body.route) if part), last.n),
        cell(clock(last.at, first), last.n),
        cell(_together(entries), *numbers(entries)),
    )


def _together(entries: Sequence[Entry]) -> str:
    """Return the doses of one drug added up; different units or routes are not added to each other."""
    sums: dict[tuple[str, str], tuple[Decimal, int]] = {}
    for entry in entries:
        assert isinstance(entry.body, Drug)
        key = (unit(entry.body.unit), entry.body.route or "")
        total, count = sums.get(key, (Decimal(0), 0))
        sums[key] = total + entry.body.dose, count + 1
    return "; ".join(
        f"{number(total)} {measure}{f' {route}' if route else ''}"
        + (f" in {count} doses" if count > 1 else " in 1 dose")
        for (measure, route), (total, count) in sums.items()
    )


# --- figures --------------------------------------------------------------------------------------


def _figures(case: Case, computed: Computed, first: date | None) -> Iterator[Runs]:
    act = case.latest(Act)
    if act is not None and isinstance(act.body, Act):
        site = f" from the {'vein' if act.body.site == 'venous' else act.body.site}" if act.body.site else ""
        last = run(f"Last ACT: {number(act.body.act_s)} s{site} at {clock(act.at, first)}.", act.n)
        yield (last, *_limit(case, computed, "clotting", "ACT target", "Target"))
    volume = case.contrast_ml()
    if volume is not None:
        given = run(f"Contrast: {number(volume)} mL.", *numbers(contrast_entries(case)))
        yield (
            given,
            *_limit(case, computed, "contrast", "maximum allowable", "Computed maximum"),
            *_limit(case, computed, "contrast", "step reached", "Step of the ratio to the clearance"),
        )
    for name, words in (
        ("air kerma", "Air kerma"),
        ("dose-area product", "Dose-area product"),
        ("fluoroscopy", "Fluoroscopy"),
    ):
        found = computed.find("radiation", name)
        if found is not None:
            yield cell(f"{words}: {found.text}.", *basis(case, found))
    missing = [name for name, value in (("ACT", act), ("contrast", volume)) if value is None]
    if missing:
        yield cell(f"{capital(' and '.join(missing))}: {NOT_RECORDED}.")


def _limit(case: Case, computed: Computed, section: str, name: str, words: str) -> Iterator[Run]:
    found = computed.find(section, name)
    if found is not None and found.text != "none":
        yield run(f"{words}: {found.text}.", *basis(case, found))
        yield run(f"Source: {found.source}; {LOCAL}.")
