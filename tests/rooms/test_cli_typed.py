"""A typed case that is treated badly: what was said back is on disk, whatever happens."""

from __future__ import annotations

import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from checkback.record.entry import Entry, HeartRate, Unclear
from checkback.record.journal import Journal, verify
from command_line import COMMAND, RECORDING, Done, checkback, quiet
from sound_room import wait_until

SAID_BACK = re.compile(r"heart rate (\d+)/min")


def typed(case: Path) -> list[Entry]:
    return [entry for entry in Journal.read(case) if entry.source == "typed"]


def rates(case: Path) -> list[int]:
    return [int(entry.body.rate_per_min) for entry in typed(case) if isinstance(entry.body, HeartRate)]


class Room:
    """`checkback listen --typed` with its input open."""

    def __init__(self, case: Path, screen: Path, **more: str) -> None:
        self.case = case
        self.out = screen / "out.txt"
        self.err = screen / "err.txt"
        with self.out.open("w") as out, self.err.open("w") as err:
            self.process = subprocess.Popen(
                [*COMMAND, "listen", "--typed", "--case", case],
                stdin=subprocess.PIPE,
                stdout=out,
                stderr=err,
                env={**quiet(), **more},
            )
        self.shows("listening")

    def shows(self, words: str) -> None:
        wait_until(lambda: words in self.out.read_text() + self.err.read_text(), words, limit_s=30)

    def type(self, *lines: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("".join(f"{line}\n" for line in lines).encode())
        self.process.stdin.flush()

    def end(self, number: signal.Signals = signal.SIGINT) -> int:
        self.process.send_signal(number)
        return self.process.wait(timeout=30)


@contextmanager
def room(case: Path, **more: str) -> Iterator[Room]:
    with TemporaryDirectory() as screen:
        running = Room(case, Path(screen), **more)
        try:
            yield running
        finally:
            running.process.kill()
            running.process.communicate()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", place], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("only root may mount")
    yield place
    subprocess.run(["umount", "--lazy", place], check=True)


def fill(place: Path) -> Path:
    filler = place / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while file.write(b"x" * 4096):
                pass
        except OSError:
            return filler
    raise AssertionError("the disk has no end")


# --- odd input -------------------------------------------------------------------------------------


@pytest.mark.parametrize("locale", ["C", "C.UTF-8"])
def test_odd_lines_are_kept_or_asked_for_again_and_stop_nothing(tmp_path: Path, locale: str) -> None:
    lines = [
        b"heart rate 61", b"", b"   ", b"\xff\xfe heart rate", b"heart\0rate 62", b"x" * 100_000,
        b"balloon " * 10_000, b"heart rate 63\r", "×µ✓ \U0001f600 \u202e".encode(), b"\x1b[2J\x1b]0;x\x07",
        b"[bold]heart[/] [/nonsense]", b"heart rate 64",
    ]  # fmt: skip
    done = checkback(
        "listen", "--typed", "--case", "case", cwd=tmp_path, given=b"\n".join(lines),
        env={**quiet(), "LC_ALL": locale},
    )  # fmt: skip
    assert done.code == 0, done.err
    assert rates(tmp_path / "case") == [61, 63, 64]
    # but for two empty ones, each line has its entry
    assert len(typed(tmp_path / "case")) == len(lines) - 2
    assert verify(tmp_path / "case").ok
    assert not (tmp_path / "case" / "errors.log").exists()
    assert "\x1b[2J" not in done.out


def test_a_screen_of_twenty_columns_without_unicode(tmp_path: Path) -> None:
    plain = {**quiet(), "LC_ALL": "C", "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0", "COLUMNS": "20"}
    given = "heart rate 70\nfentanyl 50 mcg\nballoon 2.5 by 12\nballoon 3 by 28\n"
    first = checkback("listen", "--typed", "--case", "case", cwd=tmp_path, given=given, env=plain)
    assert first.code == 0, first.err
    assert [entry.body.kind for entry in typed(tmp_path / "case")][:3] == ["heart_rate", "drug", "device"]
    assert "+  heart rate 70/min" in first.out
    assert "> heart rate" in first.out
    for form in ([], ["--narrative"], ["--json"]):
        shown = checkback("show", "case", *form, cwd=tmp_path, env=plain)
        assert (shown.code, shown.err) == (0, "")


@pytest.mark.parametrize(
    "name", ["with space [red]", "Überwachung ✓", "../elsewhere/case", "a/b/c/d", "x" * 250]
)
def test_a_case_folder_may_have_any_name(tmp_path: Path, name: str) -> None:
    (tmp_path / "here").mkdir()
    done = checkback("listen", "--typed", f"--case={name}", cwd=tmp_path / "here", given="heart rate 70\n")
    assert done.code == 0, done.err
    assert rates(tmp_path / "here" / name) == [70]
    assert f"{name}: listening" in done.out


def test_a_name_that_no_disk_takes(tmp_path: Path) -> None:
    done = checkback("listen", "--typed", "--case", "x" * 300, cwd=tmp_path)
    assert done.code == 2
    assert done.err.startswith("checkback: No journal can be written in")
    assert done.err.count("\n") == 1


def test_without_a_home(tmp_path: Path) -> None:
    homeless = {name: value for name, value in quiet().items() if name not in ("HOME", "XDG_CONFIG_HOME")}
    done = checkback(
        "listen", "--typed", "--case", "case", cwd=tmp_path, env=homeless, given="heart rate 70\n"
    )
    assert done.code == 0, done.err
    assert rates(tmp_path / "case") == [70]


def test_nobody_reads_what_is_shown(tmp_path: Path) -> None:
    with room(tmp_path / "first") as running:
        assert running.end() == 0
    process = subprocess.Popen(
        [*COMMAND, "listen", "--typed", "--case", tmp_path / "case"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=dict(quiet()),
    )  # fmt: skip
    assert process.stdin is not None and process.stdout is not None and process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    process.stderr.close()
    for rate in range(60, 80):
        process.stdin.write(f"heart rate {rate}\n".encode())
    process.stdin.close()
    assert process.wait(timeout=30) == 0
    assert rates(tmp_path / "case") == list(range(60, 80))
    assert not any(isinstance(entry.body, Unclear) for entry in typed(tmp_path / "case"))
    assert (tmp_path / "case" / "entries.csv").exists()


@pytest.mark.parametrize("words", [["phrasebook", "phrases"], ["--help"], ["show", "case"]])
def test_a_reader_who_leaves_early(tmp_path: Path, words: list[str]) -> None:
    if words[0] == "show":
        checkback("listen", "--typed", "--case", "case", cwd=tmp_path, given="heart rate 70\n" * 200)
    process = subprocess.Popen(
        [*COMMAND, *words], cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=dict(quiet())
    )
    assert process.stdout is not None and process.stderr is not None
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(timeout=30) == 0


def test_streams_that_are_not_there_at_all(tmp_path: Path) -> None:
    done = subprocess.run(
        ["sh", "-c", '"$@" <&- >&- 2>&-', "sh", *COMMAND, "listen", "--typed", "--case", tmp_path / "case"],
        env=dict(quiet()), timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert verify(tmp_path / "case").ok


# --- ends ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_asked_to_end_it_records_what_was_said_and_writes_the_tables(
    tmp_path: Path, number: signal.Signals
) -> None:
    with room(tmp_path / "case") as running:
        running.type("heart rate 70", "heart rate 71", "heart rate 72")
        running.shows("heart rate 72")
        assert running.end(number) == 0
        assert "Traceback" not in running.err.read_text()
    assert rates(tmp_path / "case") == [70, 71, 72]
    assert (tmp_path / "case" / "entries.csv").read_text().count("heart_rate") == 3
    assert "DRAFT" in (tmp_path / "case" / "narrative.txt").read_text()


def test_a_replay_that_is_stopped_leaves_a_whole_case(tmp_path: Path) -> None:
    process = subprocess.Popen(
        [*COMMAND, "replay", RECORDING, "--case", tmp_path / "case", "--silent", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=dict(quiet()),
    )  # fmt: skip
    assert process.stdout is not None
    process.stdout.readline()
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 130
    assert err.decode().endswith("checkback: stopped\n")
    assert b"Traceback" not in err
    assert verify(tmp_path / "case").ok
    assert "start the case" in (tmp_path / "case" / "entries.csv").read_text()


@pytest.mark.parametrize("seed", range(3))
def test_killed_at_any_moment_what_was_said_back_is_on_disk(tmp_path: Path, seed: int) -> None:
    case = tmp_path / "case"
    with room(case, PYTHONUNBUFFERED="1") as running:
        running.type(*(f"heart rate {rate}" for rate in range(40, 200)))
        running.shows("heart rate 40/min")
        time.sleep(random.Random(seed).uniform(0.0, 0.3))
        running.process.kill()
        running.process.wait()
        said_back = [int(rate) for rate in SAID_BACK.findall(running.out.read_text())]
    on_disk = rates(case)
    assert on_disk[: len(said_back)] == said_back == list(range(40, 40 + len(said_back)))
    assert len(on_disk) - len(said_back) in (0, 1)
    # and the next start goes on from there
    done = checkback("listen", "--typed", "--case", case, given="heart rate 200\n")
    assert done.code == 0
    assert rates(case) == [*on_disk, 200]
    assert verify(case).ok


# --- disks and folders -----------------------------------------------------------------------------


def test_a_disk_that_fills_up_and_has_room_again(small_disk: Path) -> None:
    case = small_disk / "case"
    home = small_disk.parent / "home"
    home.mkdir()
    with room(case, HOME=str(home)) as running:
        running.type("heart rate 70")
        running.shows("heart rate 70/min")
        filler = fill(small_disk)
        running.type(*(f"heart rate {rate}" for rate in range(71, 90)))
        running.shows("kept in memory and not on disk")
        running.shows("free some space")
        running.shows("heart rate 89/min")
        shown = running.out.read_text()
        assert shown.count("» not saved") == 1, shown
        assert len(rates(case)) < 20
        filler.unlink()
        running.shows("saved to disk again")
        wait_until(lambda: rates(case) == list(range(70, 90)), "the entries on disk")
        assert running.end() == 0
    assert verify(case).ok
    assert list(home.iterdir()) == []


def test_a_disk_that_stays_full_until_the_end(small_disk: Path) -> None:
    case = small_disk / "case"
    home = small_disk.parent / "home"
    home.mkdir()
    with room(case, HOME=str(home)) as running:
        running.type("heart rate 70")
        running.shows("heart rate 70/min")
        fill(small_disk)
        running.type(*(f"heart rate {rate}" for rate in range(71, 90)))
        running.shows("heart rate 89/min")
        assert running.end() == 2
        told = running.err.read_text()
        assert "Traceback" not in told
    (rescue,) = home.glob("checkback-rescued-*")
    assert str(rescue) in told.replace("\n", "")
    assert verify(rescue).ok
    assert rates(rescue) == list(range(70, 90))


def test_a_case_folder_that_is_removed_is_written_again(tmp_path: Path) -> None:
    case = tmp_path / "cases" / "case"
    case.parent.mkdir()
    with room(case) as running:
        running.type("heart rate 70")
        running.shows("heart rate 70/min")
        shutil.rmtree(tmp_path / "cases")
        wait_until((case / "journal.jsonl").exists, "the folder")
        (case / "journal.jsonl").unlink()
        running.type("heart rate 71")
        running.shows("heart rate 71/min")
        assert running.end() == 0
    assert rates(case) == [70, 71]
    assert (case / "entries.csv").exists()


def test_a_second_program_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    case = tmp_path / "case"
    with room(case) as running:
        second = checkback("listen", "--typed", "--case", case, given="heart rate 99\n")
        assert second == Done(2, "", second.err)
        assert f"is being written by process {running.process.pid}" in second.err
        assert second.err.count("\n") == 1
        shown = checkback("show", case, "--json")
        assert (shown.code, shown.out.count("\n")) == (0, 1)
        running.type("heart rate 70")
        running.shows("heart rate 70/min")
        assert running.end() == 0
    assert rates(case) == [70]


def test_the_installed_program_is_the_same(tmp_path: Path) -> None:
    program = Path(sys.executable).with_name("checkback")
    if not program.exists():
        pytest.skip("checkback is not installed beside this interpreter")
    done = subprocess.run(
        [program, "listen", "--typed", "--case", tmp_path / "case"],
        input=b"heart rate 70\n", capture_output=True, env={**os.environ, **quiet()}, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert rates(tmp_path / "case") == [70]


def test_with_no_sound_card_the_voice_is_text(tmp_path: Path) -> None:
    case = tmp_path / "case"
    done = subprocess.run(
        [sys.executable, "-m", "checkback.cli", "listen", "--typed", "--case", str(case)],
        input="heparin 5000 units\nwhat is in\n", capture_output=True, text=True, timeout=60, check=False,
        env={"PATH": os.environ["PATH"], "HOME": str(tmp_path), "ALSA_CONFIG_PATH": "/nonexistent"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Check-backs are shown as text." in done.stderr
    assert "» heparin, five thousand units" in done.stdout
    assert [e.words for e in Journal.read(case) if e.source == "typed"] == ["heparin 5000 units"]
