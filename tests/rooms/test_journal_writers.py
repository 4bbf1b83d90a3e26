"""One case has one writer."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.record.journal import HOLDER, LOCK, Journal, Written, verify
from invented_case import CASE

HOLD = """
import sys
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from invented_case import CASE
from checkback.errors import UserError
from checkback.record.journal import Journal
try:
    journal = Journal.open(Path(sys.argv[1]))
except UserError as refusal:
    sys.exit(str(refusal))
print(journal.append(CASE[0].model_copy(update={"n": journal.next_n})).entry.n, flush=True)
sys.stdin.read()
"""


def another_program(folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", HOLD, folder, Path(__file__).parents[1]],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_a_second_writer_in_the_same_program_is_refused(tmp_path: Path) -> None:
    with Journal.open(tmp_path) as first:
        with pytest.raises(UserError, match=f"is being written by process {os.getpid()} on "):
            Journal.open(tmp_path)
        assert first.append(CASE[0]) == Written(CASE[0])
    with Journal.open(tmp_path) as second:
        assert second.append(CASE[1]) == Written(CASE[1])


def test_another_program_is_refused_and_told_who_writes(tmp_path: Path) -> None:
    with Journal.open(tmp_path):
        _, refusal = another_program(tmp_path).communicate()
        assert f"is being written by process {os.getpid()} on " in refusal
        assert refusal.count("\n") == 1
        (tmp_path / HOLDER).unlink()
        _, refusal = another_program(tmp_path).communicate()
        assert "is being written by another program" in refusal


def test_the_case_is_free_again_when_the_writer_was_killed(tmp_path: Path) -> None:
    with another_program(tmp_path) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "1\n"
        with pytest.raises(UserError, match=f"process {writer.pid} on "):
            Journal.open(tmp_path)
        assert len(Journal.read(tmp_path)) == 1
        writer.send_signal(signal.SIGKILL)
    assert (tmp_path / LOCK).exists()
    assert str(writer.pid) in (tmp_path / HOLDER).read_text()
    with Journal.open(tmp_path) as journal:
        assert journal.append(CASE[1]) == Written(CASE[1])
        with pytest.raises(UserError, match=f"process {os.getpid()} on "):
            Journal.open(tmp_path)


def test_a_lock_file_left_by_anybody_does_not_matter(tmp_path: Path) -> None:
    (tmp_path / LOCK).write_text("left behind")
    (tmp_path / HOLDER).write_text("1 elsewhere\n")
    with Journal.open(tmp_path) as journal:
        assert journal.append(CASE[0]) == Written(CASE[0])
    assert verify(tmp_path).ok


def test_a_writer_whose_lock_file_was_removed_locks_again(tmp_path: Path) -> None:
    with Journal.open(tmp_path) as journal:
        journal.append(CASE[0])
        (tmp_path / LOCK).unlink()
        assert journal.append(CASE[1]) == Written(CASE[1])
        with pytest.raises(UserError, match="is being written by"):
            Journal.open(tmp_path)


def test_a_case_that_another_program_took_meanwhile_is_left_to_it(tmp_path: Path) -> None:
    with Journal.open(tmp_path) as journal:
        journal.append(CASE[0])
        (tmp_path / LOCK).unlink()
        with another_program(tmp_path) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "2\n"
            journal.append(CASE[1])
            assert journal.trouble is not None
            assert "another program has begun to write the case" in journal.trouble
            assert journal.waiting == 1
    assert len(Journal.read(tmp_path)) == 2
    assert verify(tmp_path).ok
