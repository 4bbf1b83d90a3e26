"""Reports and signatures as a user asks for them."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from checkback.cli import cli
from checkback.errors import UserError
from command_line import Done, checkback

LINES = (
    "start the case\ntime out done\nheparin 5000 units\nballoon 2.5 by 12\ncontrast given 40\nend of case\n"
)


def run(*words: str) -> Done:
    """Run a command here, which is faster than a process of its own; a mistake gives exit code 2."""
    done = CliRunner().invoke(cli, words)
    if isinstance(done.exception, UserError):
        return Done(2, done.stdout, str(done.exception))
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return Done(done.exit_code, done.stdout, done.stderr)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder in which somebody recorded a case and wrote its report."""
    folder = tmp_path_factory.mktemp("room")
    begun = checkback("listen", "--typed", "--case", "one", cwd=folder, given=LINES)
    assert begun.code == 0, begun.err
    done = checkback("report", "one", cwd=folder)
    assert done.code == 0, done.err
    return folder


@pytest.fixture
def room(recorded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a copy of that folder, which we are in."""
    folder = Path(shutil.copytree(recorded, tmp_path / "room"))
    monkeypatch.chdir(folder)
    return folder


def test_a_report_is_written_in_every_format(recorded: Path) -> None:
    folder = recorded / "one" / "report"
    starts = {".txt": b"DRAFT, not signed", ".md": b"# Coronary", ".html": b"<!DOCTYPE html>", ".pdf": b"%PDF", ".docx": b"PK"}  # fmt: skip
    for suffix, start in starts.items():
        assert (folder / f"report{suffix}").read_bytes().lstrip().startswith(start)
    text = (folder / "report.txt").read_text(encoding="utf-8")
    assert "Heparin 5000 units was given" in text
    assert "contrast: given" in text and "Check against local protocol" in text


def test_one_format_goes_to_a_folder_of_choice(room: Path) -> None:
    done = run("report", "one", "--out", "there/deep", "--format", "text")
    assert done.code == 0
    assert "there/deep/report.txt" in done.out.splitlines()
    assert {path.suffix for path in (room / "there" / "deep").iterdir()} <= {".txt", ".svg", ".png"}
    assert sorted(done.out.split()) == sorted(
        f"there/deep/{p.name}" for p in (room / "there" / "deep").iterdir()
    )


def test_signed_then_continued(room: Path) -> None:
    done = run("sign", "one", "--name", "A. B.")
    assert done.code == 0, done.err
    assert "entries signed by A. B., physician" in done.out
    assert (room / "one" / "narrative.txt").read_text().startswith("Signed by A. B., physician, on ")
    assert run("verify", "one").code == 0
    shown = run("show", "one", "--narrative")
    assert shown.out.startswith("Signed by A. B., physician, on ")
    checkback("listen", "--typed", "--case", "one", cwd=room, given="heart rate 70\n")
    again = (room / "one" / "narrative.txt").read_text()
    assert again.startswith("DRAFT, not signed")
    assert "so this is a draft again" in " ".join(again.split())


def test_a_case_without_its_end_is_signed_only_on_purpose(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    checkback("listen", "--typed", "--case", "two", cwd=tmp_path, given="heart rate 70\ncontrast 40\n")
    refused = run("sign", "two", "--name", "A. B.")
    assert refused.code == 2 and "--unfinished" in refused.err
    done = run("sign", "two", "--name", "A. B.", "--unfinished")
    assert done.code == 0 and "signed although it is not settled: entry 3" in done.err
    report = run("report", "two", "--format", "text")
    assert report.code == 0
    text = (tmp_path / "two" / "report" / "report.txt").read_text()
    assert "The case is not finished." in text


def test_a_broken_chain_is_refused_and_on_request_marked_on_every_page(room: Path) -> None:
    journal = room / "one" / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    entry = json.loads(lines[3])
    lines[3] = json.dumps(entry | {"words": "changed"}).encode() + b"\n"
    journal.write_bytes(b"".join(lines))
    refused = run("report", "one")
    assert refused.code == 2 and "--despite-breaks" in refused.err
    assert run("sign", "one", "--name", "A. B.").code == 2
    done = run("report", "one", "--despite-breaks", "--format", "pdf", "--format", "text")
    assert done.code == 0
    assert "is broken" in (room / "one" / "report" / "report.txt").read_text().split("=====")[0]
    from pdfminer.high_level import extract_pages, extract_text

    pdf = room / "one" / "report" / "report.pdf"
    for page in range(len(list(extract_pages(pdf)))):
        assert "is broken" in " ".join(extract_text(pdf, page_numbers=[page]).split())


def test_a_report_that_finds_no_room_leaves_the_old_files_whole(room: Path) -> None:
    before = (room / "one" / "report" / "report.md").read_bytes()
    # no file may become longer than 16 blocks of 512 bytes: as on a disk that fills up
    command = f"ulimit -f 16; exec {sys.executable} -m checkback.cli report one --format markdown"
    done = subprocess.run(["sh", "-c", command], cwd=room, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2 and "the report cannot be written there" in done.stderr
    assert (room / "one" / "report" / "report.md").read_bytes() == before
    assert not [path for path in (room / "one" / "report").iterdir() if path.name.startswith(".")]


def test_a_signature_is_told_also_where_the_tables_beside_it_cannot_be_written(room: Path) -> None:
    (room / "one" / "entries.csv").unlink()
    (room / "one" / "entries.csv").mkdir()
    done = run("sign", "one", "--name", "A. B.")
    assert done.code == 2 and "cannot be written" in done.err
    assert "entries signed by A. B." in done.out
    assert '"kind":"signature"' in (room / "one" / "journal.jsonl").read_text()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("report", "nowhere"), "journal.jsonl in nowhere"),
        (("report", "one", "--template", "none.j2"), "none.j2"),
        (("report", "one", "--out", "file"), "the report cannot be written there"),
        (("sign", "nowhere", "--name", "A. B."), "there is no case to sign"),
        (("sign", "one", "--name", " "), "say who signs"),
        (("sign", "one"), "--name"),
    ],
)
def test_a_mistake_is_one_sentence(room: Path, words: tuple[str, ...], said: str) -> None:
    (room / "file").write_text("no folder")
    done = run(*words)
    assert done.code == 2 and said in done.err


def test_a_template_of_ones_own_is_used_and_a_broken_one_leaves_the_old_report(room: Path) -> None:
    own = room / "own.j2"
    own.write_text(
        "= Only this\n{% for e in time_out %}\nWe stopped at {{ e.at|clock }} {{ cite(e) }}.\n{% endfor %}\n"
    )
    assert run("report", "one", "--template", "own.j2", "--format", "text").code == 0
    text = (room / "one" / "report" / "report.txt").read_text()
    assert "Only this" in text and "We stopped at" in text
    own.write_text("{% if %}")
    broken = run("report", "one", "--template", "own.j2", "--format", "text")
    assert broken.code == 2 and "own.j2" in broken.err and "line 1" in broken.err
    assert (room / "one" / "report" / "report.txt").read_text() == text
