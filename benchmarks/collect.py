"""How long it takes to read many cases, the first time and again.

    PYTHONPATH=tests python benchmarks/collect.py [--cases 10000] [--seed 1] [--workers 2] [--folder FOLDER]

The cases are invented by a random generator over the entry types (`tests/synthetic_cases.py`); their
journals are checked, folded and digested by the program's own code.  Making them is not part of the
figures.  "Cold": no table of an earlier run; every journal is checked, folded and digested.  "Warm":
no journal has changed; every byte of every journal is still hashed.  "A day later": ten cases are
new.  Journals are in the system's cache in all three.  Printed are seconds on the clock, with the
processor time of all processes beside them.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import shutil
import tempfile
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from checkback.collecting.folder import Collection, collect, keep
from checkback.collecting.page import page
from checkback.collecting.plots import plots
from checkback.collecting.questions import answers
from checkback.record.journal import JOURNAL
from checkback.settings import Settings, grammars_folder
from checkback.watching.limits import Limits
from checkback.watching.limits import load as load_limits
from synthetic_cases import write_cases

NEW = 10


def processor_s() -> float:
    own, others = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def timed(what: str, run: Callable[[], Collection]) -> Collection:
    began, used = time.perf_counter(), processor_s()
    result = run()
    seconds, processor = time.perf_counter() - began, processor_s() - used
    print(
        f"{what:<40} {seconds:7.2f} s   processor {processor:7.2f} s   {result.kept} of {result['cases'].height} kept"
    )
    return result


def show(found: Collection, limits: Limits) -> Collection:
    result = answers(found.tables, limits)
    page(
        found.tables, result, plots(found.tables, result, limits), limits, folder="cases", made=datetime.now()
    )
    return found


def run(folder: Path, count: int, seed: int, workers: int) -> None:
    limits = load_limits(grammars_folder(Settings()))
    began = time.perf_counter()
    made = list(write_cases(folder, count + NEW, seed))
    size = sum((path / JOURNAL).stat().st_size for path in made)
    lines = sum((path / JOURNAL).read_bytes().count(b"\n") for path in made)
    print(
        f"{count} cases made in {time.perf_counter() - began:.0f} s: {lines / len(made):.0f} entries each, {size / 1e6:.0f} MB"
    )
    later = [(path, path.rename(folder.parent / f"later-{i}")) for i, path in enumerate(made[-NEW:])]
    out = folder.parent / "out"
    out.mkdir()
    cold = timed(f"cold, {workers} processes", lambda: collect(folder, limits, out, workers=workers))
    keep(cold, out)
    warm = timed("warm", lambda: collect(folder, limits, out, workers=workers))
    for path, aside in later:
        aside.rename(path)
    timed(f"a day later, {NEW} cases more", lambda: collect(folder, limits, out, workers=workers))
    timed("answers, plots and page", lambda: show(warm, limits))
    same = all(cold[name].equals(warm[name]) for name in cold.tables)
    print(f"cold and warm tables are {'the same' if same else 'NOT THE SAME'}")
    print(f"left out {warm['left_out'].height}, unfinished {(~warm['cases']['finished']).sum()}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--folder", type=Path, help="an empty place for the cases; default: a temporary one")
    given = parser.parse_args()
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{os.cpu_count()} cores{load}, Python {platform.python_version()}")
    place = Path(tempfile.mkdtemp(prefix="checkback-cases-", dir=given.folder))
    try:
        run(place / "cases", given.cases, given.seed, given.workers)
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()
