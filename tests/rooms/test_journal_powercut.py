"""Power cuts and killed programs: nothing is lost but a line that was never confirmed."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import mkdtemp

import pytest

from checkback.record.entry import Entry, Mark
from checkback.record.journal import JOURNAL, Journal, Written, verify
from invented_case import CASE, entry, journal_lines

LINES = journal_lines(CASE)


@pytest.fixture
def quick_folder(tmp_path: Path) -> Iterator[Path]:
    """Yield a folder in memory where there is one: thousands of syncs take minutes on a disk."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    folder = Path(mkdtemp(dir=memory))
    yield folder
    shutil.rmtree(folder)


def piece(first: int, count: int = 5) -> tuple[Entry, ...]:
    """Return some entries of the case as a case of their own."""
    some = CASE[first : first + count]
    return tuple(each.model_copy(update={"n": n}) for n, each in enumerate(some, 1))


@pytest.mark.parametrize(
    ("case", "step"),
    # short ones at every byte, for what stands before a line is read each time; the whole one here and there
    [*((piece(first), 1) for first in range(0, len(CASE), 5)), (CASE, 83)],
    ids=[*(f"entries from {first + 1}" for first in range(0, len(CASE), 5)), "all"],
)
def test_cut_off_at_every_byte(quick_folder: Path, case: tuple[Entry, ...], step: int) -> None:
    lines = journal_lines(case)
    whole = b"".join(lines)
    ends = [sum(map(len, lines[:n])) for n in range(len(lines) + 1)]
    path = quick_folder / JOURNAL
    for size in range(0, len(whole) + 1, step):
        path.write_bytes(whole[:size])
        # The line feed alone may be missing: then the line is whole.
        kept = max(n for n, end in enumerate(ends) if end <= size or (n and end - 1 == size))
        torn = whole[ends[kept] : size]
        with Journal.open(quick_folder) as journal:
            assert journal.entries == case[:kept], f"cut at byte {size}"
            assert [aside.read_bytes() for aside in journal.torn] == ([torn] if torn else [])
            added = journal.append(entry(kept + 1, Mark()))
            assert isinstance(added, Written)
        report = verify(quick_folder)
        assert report.ok, f"cut at byte {size}: {report.first_break}"
        assert report.lines_ok == kept + 1
        assert path.read_bytes().startswith(whole[: ends[kept]])
        for aside in journal.torn:
            aside.unlink()


@pytest.mark.parametrize(
    "tail",
    [b"\0" * 4096, LINES[20][:100] + b"\0" * 300, b"\0" * 200 + LINES[20][200:], b"\xff\x00garbage"],
    ids=["zeros", "half a line and zeros", "zeros and half a line", "garbage"],
)
def test_what_some_file_systems_leave_behind(tmp_path: Path, tail: bytes) -> None:
    (tmp_path / JOURNAL).write_bytes(b"".join(LINES[:20]) + tail)
    before = Journal.read(tmp_path)
    assert before == list(CASE[:20])
    assert before.torn is not None
    found = verify(tmp_path).first_break
    assert found is not None
    assert (found.line, found.kind) == (21, "torn")
    with Journal.open(tmp_path) as journal:
        assert journal.torn == (tmp_path / "journal.torn-1",)
        assert journal.torn[0].read_bytes() == tail
        journal.append(CASE[20])
    assert verify(tmp_path).ok
    assert Journal.read(tmp_path) == list(CASE[:21])


def test_a_journal_of_nothing_but_zeros(tmp_path: Path) -> None:
    (tmp_path / JOURNAL).write_bytes(b"\0" * 512)
    with Journal.open(tmp_path) as journal:
        assert journal.append(CASE[0]) == Written(CASE[0])
    assert (tmp_path / "journal.torn-1").read_bytes() == b"\0" * 512
    assert Journal.read(tmp_path) == [CASE[0]]


def test_torn_lines_are_never_overwritten(tmp_path: Path) -> None:
    for cut in (1, 2, 3):
        (tmp_path / JOURNAL).write_bytes(b"".join(LINES[:5]) + LINES[5][: 10 * cut])
        Journal.open(tmp_path).close()
    kept = [(tmp_path / f"journal.torn-{n}").read_bytes() for n in (1, 2, 3)]
    assert kept == [LINES[5][:10], LINES[5][:20], LINES[5][:30]]


CHILD = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from invented_case import CASE
from checkback.record.journal import Journal, Written
journal = Journal.open(Path(sys.argv[1]))
while True:
    told = CASE[journal.next_n % 30]
    done = journal.append(told.model_copy(update={"n": journal.next_n, "amends": None}))
    assert isinstance(done, Written)
    print(done.entry.n, flush=True)
"""


def test_killed_again_and_again(tmp_path: Path) -> None:
    moments = random.Random(20260302)
    confirmed = 0
    for _ in range(8):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, tmp_path, Path(__file__).parents[1]],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        first = child.stdout.readline()
        time.sleep(moments.uniform(0.0, 0.25))
        child.send_signal(signal.SIGKILL)
        printed = [first, *child.stdout.read().splitlines(keepends=True)]
        child.stdout.close()
        assert child.wait() == -signal.SIGKILL
        confirmed = max(confirmed, *(int(line) for line in printed if line.endswith("\n")))

        with Journal.open(tmp_path) as journal:
            assert confirmed <= len(journal) <= confirmed + 1
            confirmed = len(journal)
            assert [each.n for each in journal] == list(range(1, confirmed + 1))
        assert verify(tmp_path).ok
    assert confirmed > 8
