"""Disks that are full, read-only, pulled out or emptied in the middle of a case."""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from checkback.errors import UserError
from checkback.record.entry import Mark
from checkback.record.journal import JOURNAL, Journal, Kept, Written, verify
from invented_case import CASE, entry, journal_lines


def run(*command: str | Path) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"{' '.join(map(str, command))}: {done.stderr.strip()}")


class Disk:
    """A small disk that a test may fill, break, pull out and connect again."""

    def __init__(self, system: str, place: Path) -> None:
        self.mount = place / "disk"
        self.image = place / "image"
        self._system = system
        self.mount.mkdir()
        if system == "ext4":
            self.image.write_bytes(bytes(1 << 20))
            run("mkfs.ext4", "-q", "-O", "^has_journal", self.image)
        self.connect()

    def connect(self) -> None:
        if self._system == "ext4":
            run("mount", "-o", "loop", self.image, self.mount)
        else:
            run("mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", self.mount)

    def pull_out(self) -> None:
        run("umount", "--lazy", self.mount)

    def fill(self) -> None:
        with (self.mount / "filler").open("ab", buffering=0) as filler:
            for size in (4096, 1):
                try:
                    while filler.write(b"x" * size):
                        os.fsync(filler.fileno())
                except OSError:
                    continue

    def empty(self) -> None:
        (self.mount / "filler").unlink()


@pytest.fixture(params=["tmpfs", "ext4"])
def disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Disk]:
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    disk = Disk(request.param, tmp_path)
    yield disk
    subprocess.run(["umount", "--lazy", disk.mount], capture_output=True, check=False)


def begun(folder: Path, entries: int) -> Journal:
    journal = Journal.open(folder)
    for each in CASE[:entries]:
        assert journal.append(each) == Written(each)
    return journal


def assert_whole(folder: Path, entries: int = 30) -> None:
    assert (folder / JOURNAL).read_bytes() == b"".join(journal_lines(CASE[:entries]))
    assert verify(folder).ok


def test_a_full_disk_loses_nothing(disk: Disk) -> None:
    case = disk.mount / "case"
    journal = begun(case, 3)
    disk.fill()
    results = [journal.append(each) for each in CASE[3:28]]
    first = next(n for n, result in enumerate(results) if isinstance(result, Kept))
    assert all(isinstance(result, Kept) for result in results[first:])
    assert journal.waiting == len(results) - first > 1
    assert journal.trouble == (
        f"Entries {4 + first} to 28 are kept in memory and not on disk, because the disk that holds {case} is full: "
        "free some space, and leave the program running until this is over."
    )
    # What was confirmed is there, and a reader is not led astray by half a line.
    assert Journal.read(case) == list(CASE[: 3 + first])

    assert journal.retry() is not None
    disk.empty()
    assert journal.retry() is None
    assert_whole(case, 28)
    assert [journal.append(each) for each in CASE[28:]] == [Written(each) for each in CASE[28:]]
    assert_whole(case)
    assert journal.close() is None


def test_a_full_disk_at_the_next_start(disk: Disk) -> None:
    case = disk.mount / "case"
    begun(case, 3).close()
    torn = (case / JOURNAL).read_bytes()[:-500]
    (case / JOURNAL).write_bytes(torn)
    disk.fill()
    with pytest.raises(
        UserError, match=r"because the disk that holds .* is full: free some space, or choose another"
    ):
        Journal.open(case)
    assert (case / JOURNAL).read_bytes() == torn
    disk.empty()
    with Journal.open(case) as journal:
        assert len(journal) == 2
        assert journal.torn == (case / "journal.torn-1",)


def test_a_disk_pulled_out_and_connected_again(disk: Disk, tmp_path: Path) -> None:
    case = disk.mount / "case"
    journal = begun(case, 10)
    if disk.image.exists():
        run("sync", "-f", disk.mount)
    disk.pull_out()
    disk.mount.rmdir()
    disk.mount.write_text("nothing can be made here")
    results = [journal.append(each) for each in CASE[10:20]]
    assert all(isinstance(result, Kept) for result in results)
    assert journal.trouble is not None
    assert journal.trouble.startswith("Entries 1 to 20 are kept in memory and not on disk")

    rescue = journal.copy_to(tmp_path / "rescue")
    assert rescue.read_bytes() == b"".join(journal_lines(CASE[:20]))

    disk.mount.unlink()
    disk.mount.mkdir()
    journal.close()
    assert_whole(case, 20)  # the mount point itself took it


def test_the_disk_comes_back_with_the_journal_of_before(disk: Disk) -> None:
    case = disk.mount / "case"
    journal = begun(case, 10)
    # A second mount of the same disk stands for the disk that comes back.
    away = disk.mount.parent / "away"
    away.mkdir()
    run("mount", "--bind", disk.mount, away)
    disk.pull_out()
    try:
        assert journal.append(CASE[10]) == Written(CASE[10])
        assert_whole(case, 11)  # in the empty mount point
        shutil.rmtree(case)
        run("mount", "--bind", away, disk.mount)
        assert_whole(case, 10)
        assert [journal.append(each) for each in CASE[11:]] == [Written(each) for each in CASE[11:]]
        assert_whole(case)
        assert journal.torn == ()
    finally:
        journal.close()
        subprocess.run(["umount", "--lazy", away], check=True)


def test_a_disk_that_turns_read_only_after_an_error(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    disk = Disk("ext4", tmp_path)
    try:
        case = disk.mount / "case"
        journal = begun(case, 10)
        run("mount", "-o", "remount,abort", disk.mount)
        results = [journal.append(each) for each in CASE[10:14]]
        if isinstance(results[0], Written):
            pytest.skip("this system does not let a disk fail on request")
        assert all(isinstance(result, Kept) for result in results)
        assert journal.trouble is not None
        assert journal.trouble.startswith("Entries 11 to 14 are kept in memory and not on disk")
        disk.pull_out()
        # The system remembers the failure of this very image; a copy is the disk in another socket.
        disk.image = Path(shutil.copy(disk.image, tmp_path / "copy"))
        disk.connect()
        assert_whole(case, 10)
        assert journal.retry() is None
        assert_whole(case, 14)
        journal.close()
    finally:
        subprocess.run(["umount", "--lazy", disk.mount], capture_output=True, check=False)


def test_a_journal_that_may_not_be_written_any_more(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    disk = Disk("ext4", tmp_path)
    case = disk.mount / "case"
    try:
        journal = begun(case, 2)
        run("chattr", "+i", case / JOURNAL)
        assert isinstance(journal.append(CASE[2]), Kept)
        assert journal.trouble == (
            f"Entry 3 is kept in memory and not on disk, because {case} may not be written to: "
            "make it writable, and leave the program running until this is over."
        )
        run("chattr", "-i", case / JOURNAL)
        assert journal.append(CASE[3]) == Written(CASE[3])
        assert_whole(case, 4)
        journal.close()
    finally:
        subprocess.run(["umount", "--lazy", disk.mount], capture_output=True, check=False)


def test_a_read_only_folder_is_refused_at_the_start(disk: Disk) -> None:
    case = disk.mount / "case"
    begun(case, 2).close()
    run("mount", "-o", "remount,ro", disk.mount)
    for folder in (case, disk.mount / "new"):
        with pytest.raises(
            UserError, match="may not be written to: make it writable, or choose another case folder"
        ):
            Journal.open(folder)
    assert Journal.read(case) == list(CASE[:2])


def test_a_limit_on_the_size_of_files(tmp_path: Path) -> None:
    """Needs no root: the system refuses to let the file grow, in the middle of a line."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    journal = begun(tmp_path, 5)
    size = (tmp_path / JOURNAL).stat().st_size
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 100, hard))
    try:
        assert isinstance(journal.append(CASE[5]), Kept)
        assert (tmp_path / JOURNAL).stat().st_size == size + 100
        half = Journal.read(tmp_path)
        assert half == list(CASE[:5])
        assert half.torn is not None
        assert isinstance(journal.append(CASE[6]), Kept)
        assert journal.trouble is not None
        assert journal.trouble.startswith("Entries 6 to 7 are kept in memory")
        assert "may not become larger" in journal.trouble
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert journal.append(CASE[7]) == Written(CASE[7])
    assert_whole(tmp_path, 8)
    assert journal.torn == ()
    journal.close()


def test_a_folder_removed_is_made_again(tmp_path: Path) -> None:
    case = tmp_path / "cases" / "morning"
    journal = begun(case, 10)
    shutil.rmtree(tmp_path / "cases")
    assert journal.append(CASE[10]) == Written(CASE[10])
    assert_whole(case, 11)
    with pytest.raises(UserError, match="is being written by"):
        Journal.open(case)
    (case / JOURNAL).unlink()
    assert journal.retry() is None
    assert_whole(case, 11)
    journal.close()


def test_a_folder_that_cannot_be_made_again_yet(tmp_path: Path) -> None:
    case = tmp_path / "cases" / "morning"
    journal = begun(case, 10)
    shutil.rmtree(tmp_path / "cases")
    (tmp_path / "cases").write_text("in the way")
    assert isinstance(journal.append(CASE[10]), Kept)
    assert journal.waiting == 11
    assert journal.trouble is not None
    assert f"something on the path {case} is not a folder: move that away" in journal.trouble
    (tmp_path / "cases").unlink()
    assert journal.close() is None
    assert_whole(case, 11)


def test_another_journal_at_the_same_place_is_left_alone(tmp_path: Path) -> None:
    case = tmp_path / "case"
    journal = begun(case, 4)
    shutil.rmtree(case)
    with Journal.open(case) as other:
        other.append(entry(1, Mark(), "another case"))
    theirs = (case / JOURNAL).read_bytes()
    assert isinstance(journal.append(CASE[4]), Kept)
    assert journal.trouble is not None
    assert f"another journal stands in {case}: move its journal.jsonl to another place" in journal.trouble
    assert (case / JOURNAL).read_bytes() == theirs
    (case / JOURNAL).rename(tmp_path / "moved.jsonl")
    assert journal.retry() is None
    assert_whole(case, 5)
    journal.close()


def test_a_journal_shortened_or_lengthened_by_somebody(tmp_path: Path) -> None:
    journal = begun(tmp_path, 6)
    os.truncate(tmp_path / JOURNAL, 700)
    assert journal.append(CASE[6]) == Written(CASE[6])
    assert_whole(tmp_path, 7)
    with (tmp_path / JOURNAL).open("ab") as file:
        file.write(b"a note in an editor\n")
    assert journal.append(CASE[7]) == Written(CASE[7])
    assert_whole(tmp_path, 8)
    assert [path.read_bytes() for path in journal.torn] == [b"a note in an editor\n"]
    journal.close()


def test_a_disk_that_comes_back_with_half_a_line(tmp_path: Path) -> None:
    case = tmp_path / "case"
    journal = begun(case, 8)
    shutil.rmtree(case)
    case.mkdir()
    half = journal_lines(CASE)[5][:60] + b"\0" * 100
    (case / JOURNAL).write_bytes(b"".join(journal_lines(CASE)[:5]) + half)
    assert journal.append(CASE[8]) == Written(CASE[8])
    assert_whole(case, 9)
    assert [path.read_bytes() for path in journal.torn] == [half]
    journal.close()
