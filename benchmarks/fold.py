"""How long it takes to fold a journal into the case, and what one more entry costs.

    python benchmarks/fold.py [--entries 10000] [--seed 1]

The journal is an invented one of that many entries: devices in and out, balloons up and down,
drugs, contrast and findings, with corrections, withdrawals, questions and late call-outs among
them.  "Live" is what the loop does with each call-out: it takes the entry and asks for what it
needs to answer.  "Tick" is a look at all reminders with nothing new, as the loop takes twice a
second; "entry and tick" is that after a new entry.  What is found due is recorded as advice.
Ratios are against the shortest journal: 1 means that the length of a case does not matter.  Times
are of the processor, so that other work on the computer does not count.
"""

from __future__ import annotations

import argparse
import random
import statistics
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from checkback import app
from checkback.record.case import Case
from checkback.record.clock import HandClock
from checkback.record.entry import (
    Act,
    Advice,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Drug,
    Entry,
    Flow,
    HeartRate,
    Inflation,
    Moment,
    Patient,
    Unclear,
    Withdrawal,
)
from checkback.settings import Settings, grammars_folder
from checkback.watching.limits import load
from checkback.watching.reminders import due

AIM_FOLD_S = 1.0
EACH_S = 15.0
LENGTHS = (300, 3_000, 10_000)
TAKEN = 200
"""So many entries are taken one by one at the end of a journal, for the times of a tick."""


def told() -> Iterator[Any]:
    """Yield the call-outs of a case that does not end: one vessel after another."""
    yield Device(device="guide", french=Decimal(6), curve="JR4")
    while True:
        yield Device(device="wire", type="workhorse")
        yield DeviceEvent(device="wire", happening="across")
        yield Drug(drug="heparin", dose=Decimal(2000), unit="U", route="intravenous")
        yield Act(act_s=Decimal(281))
        yield Device(device="balloon", type="semi-compliant", diameter_mm=Decimal(2), length_mm=Decimal(15))
        for pressure in (8, 12, 14):
            yield Inflation(pressure_atm=Decimal(pressure))
            yield Deflation()
        yield DeviceEvent(device="balloon", happening="out")
        yield Contrast(volume_ml=Decimal(8), counted="given")
        yield HeartRate(rate_per_min=Decimal(72))
        yield Device(device="stent", type="drug-eluting", diameter_mm=Decimal(3), length_mm=Decimal(18))
        yield Deployment(pressure_atm=Decimal(12))
        yield Deflation()
        yield DeviceEvent(device="balloon", happening="out")
        yield Flow(timi=Decimal(3))
        yield DeviceEvent(device="wire", happening="out")


def journal(count: int, seed: int) -> list[Entry]:
    """Return an invented journal, in which one entry in nine changes or asks about the past."""
    rng = random.Random(seed)
    clock = HandClock(datetime(2026, 3, 2, 8, tzinfo=UTC))
    bodies = told()
    entries: list[Entry] = []

    def write(body: Any, at: Moment | None = None, amends: int | None = None, asked: bool = False) -> None:
        said = clock.at(EACH_S * (len(entries) + 1))
        entries.append(
            Entry(
                n=len(entries) + 1,
                session=1,
                at=at or said,
                said=said,
                recorded=said,
                source="typed",
                standing="questioned" if asked else "stands",
                amends=amends,
                body=body,
            )
        )

    while len(entries) < count:
        way = rng.random()
        last = entries[-1] if entries else None
        if way < 0.04 and last is not None and not isinstance(last.body, Withdrawal):
            write(last.body, last.at, last.n)
        elif way < 0.06 and last is not None:
            write(Withdrawal(target=last.n))
        elif way < 0.09:
            write(next(bodies), clock.at(EACH_S * (len(entries) + 1)).earlier(rng.choice((30, 60, 300))))
        elif way < 0.11:
            write(Unclear(), asked=True)
            write(next(bodies), amends=len(entries))
        else:
            write(next(bodies))
    return entries[:count]


def ask(case: Case) -> None:
    """Ask what the loop asks with a call-out."""
    case.last()
    for body in (Inflation(), Deflation(), Deployment(), DeviceEvent(device="burr", happening="out")):
        case.objection(body)
    case.inside()
    case.unaccounted()
    case.questions()
    case.last_act()
    case.contrast_ml()
    case.missing()
    case.recent(10)


def seconds(work: Callable[[], object]) -> float:
    """Return the processor time of some work."""
    began = time.process_time()
    work()
    return time.process_time() - began


def live(case: Case, entries: list[Entry]) -> list[float]:
    """Take entries one by one as the loop does, and return the processor time of each."""

    def step(entry: Entry) -> None:
        case.apply(entry)
        ask(case)

    return [seconds(lambda entry=entry: step(entry)) for entry in entries]  # type: ignore[misc]


def tick_s(count: int, seed: int) -> tuple[float, float]:
    """Return the median processor time of a tick, and of an entry with a tick, at a journal's end."""
    entries = journal(count + TAKEN, seed)
    limits = load(grammars_folder(Settings()))
    catalogue = app.load_book(Settings()).catalogue
    patient = Patient(age_y=Decimal(70), sex="male", weight_kg=Decimal(80), creatinine_mg_dl=Decimal(1))
    case = Case([entries[0].model_copy(update={"body": patient}), *entries[1:count]])
    last_n = count

    def take(entry: Entry) -> None:
        nonlocal last_n
        last_n += 1
        # what a withdrawal or correction means stands at its old number, among the first ones
        case.apply(entry.model_copy(update={"n": last_n, "amends": None}))

    def look(entry: Entry) -> None:
        for each in due(case, limits, catalogue, entry.said, 1):
            advice = Advice(rule=each.rule, step=each.step, text=each.rule, source=each.source)
            take(entry.model_copy(update={"body": advice, "source": "program", "standing": "stands"}))

    quiet, taken = [], []
    look(entries[count])
    for entry in entries[count:]:
        taken.append(seconds(lambda entry=entry: (take(entry), look(entry))))  # type: ignore[misc]
        quiet.append(seconds(lambda entry=entry: look(entry)))  # type: ignore[misc]
    return statistics.median(quiet), statistics.median(taken)


def correction_s(entries: list[Entry], back: int) -> float:
    """Return what it costs to correct the entry that stands `back` places before the end of the journal."""
    case = Case(entries)
    ask(case)
    target = case.recent(back)[0]
    n = len(entries) + 1
    return seconds(lambda: (case.apply(target.model_copy(update={"n": n, "amends": target.n})), ask(case)))


def shown(name: str, values_s: list[float]) -> str:
    """Return a line with median and 99th percentile in microseconds."""
    p99 = statistics.quantiles(values_s, n=100)[98]
    return f"{name:44}median {1e6 * statistics.median(values_s):6.0f} us, p99 {1e6 * p99:6.0f} us"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--entries", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    count = options.entries
    entries = journal(count, options.seed)

    fold_s = min(seconds(lambda: ask(Case(entries))) for _ in range(3))
    print(f"{f'fold of {count} entries, everything asked':44}{fold_s:.3f} s (aim: < {AIM_FOLD_S:.0f} s)")

    tenth = max(2, count // 10)
    taken_s = live(Case(), entries)
    print(shown(f"live, entries 1 to {tenth}", taken_s[:tenth]))
    print(shown(f"live, entries {count - tenth + 1} to {count}", taken_s[-tenth:]))
    for back in (1, 10, 100, 1000, count):
        if back <= count:
            each_s = [correction_s(entries, back) for _ in range(5)]
            print(
                f"{f'correction of the entry {back} before the end':44}{1e3 * statistics.median(each_s):.2f} ms"
            )
    first: tuple[float, float] | None = None
    for length in LENGTHS:
        times_s = tick_s(length, options.seed)
        first = first or times_s
        ratios = [now / then for now, then in zip(times_s, first, strict=True)]
        print(
            f"{f'after {length} entries':44}tick {1e6 * times_s[0]:.0f} us (ratio {ratios[0]:.2f}), "
            f"entry and tick {1e6 * times_s[1]:.0f} us (ratio {ratios[1]:.2f})"
        )
    devices_s = Case(entries)
    ask(devices_s)
    lives_s = seconds(devices_s.devices)
    print(f"{f'every life of {len(devices_s.devices())} devices':44}{1e3 * lives_s:.2f} ms")


if __name__ == "__main__":
    main()
