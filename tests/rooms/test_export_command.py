"""`checkback export`: finished, unfinished and spoilt cases."""

from __future__ import annotations

import json
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from checkback import app
from checkback.cli import cli
from checkback.commands.export import KINDS
from checkback.errors import UserError
from checkback.record.entry import SCHEMA_VERSION, Entry, HeartRate, Withdrawal
from checkback.record.journal import JOURNAL
from command_line import checkback
from english import book
from invented_case import CASE, entry, journal_lines

MINE = ("tables", "jsonl", "webvtt", "parquet")


@pytest.fixture(autouse=True)
def phrasebook_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read the phrasebook that ships with the program once for all tests: it takes a second."""
    monkeypatch.setattr(app, "load_book", lambda settings: book())


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def refused(result: Result) -> str:
    assert isinstance(result.exception, (UserError, click.ClickException)), result.output
    return str(result.exception)


def case_of(folder: Path, entries: list[Entry] | tuple[Entry, ...]) -> Path:
    folder.mkdir()
    (folder / JOURNAL).write_bytes(b"".join(journal_lines(entries)))
    return folder


@pytest.mark.parametrize("kind", MINE)
def test_each_kind_goes_to_its_folder_and_names_its_files(kind: str, tmp_path: Path) -> None:
    case = case_of(tmp_path / "case", CASE)
    before = (case / JOURNAL).read_bytes()
    done = run("export", case, "--to", kind)
    assert done.exit_code == 0, done.output
    named = [Path(line) for line in done.output.splitlines()]
    assert named and all(path.parent == case / "export" / kind and path.stat().st_size for path in named)
    assert set(named) == set((case / "export" / kind).iterdir())
    assert (case / JOURNAL).read_bytes() == before


@pytest.mark.parametrize("kind", MINE)
def test_an_unfinished_case_is_exported_and_said_to_be_unfinished(kind: str, tmp_path: Path) -> None:
    done = run("export", case_of(tmp_path / "case", CASE[:12]), "--to", kind, "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert (
        "The case is unfinished: no case end is on record; this is what stood at 2026-03-02 09:18:07."
        in done.output
    )


def test_the_package_and_the_track_say_so_themselves(tmp_path: Path) -> None:
    case = case_of(tmp_path / "case", CASE[:12])
    for kind in ("tables", "webvtt"):
        run("export", case, "--to", kind, "--out", tmp_path / kind)
    assert json.loads((tmp_path / "tables" / "datapackage.json").read_text())["description"].startswith(
        "The case is unfinished"
    )
    assert "NOTE The case is unfinished" in (tmp_path / "webvtt" / "entries.vtt").read_text()


@pytest.mark.parametrize("kind", MINE)
def test_a_case_in_which_all_is_withdrawn_can_be_exported(kind: str, tmp_path: Path) -> None:
    entries = [entry(1, HeartRate(rate_per_min=70)), entry(2, Withdrawal(target=1))]
    assert run("export", case_of(tmp_path / "case", entries), "--to", kind).exit_code == 0


@pytest.mark.parametrize("kind", MINE)
def test_an_empty_journal_is_said_to_be_empty(kind: str, tmp_path: Path) -> None:
    done = run("export", case_of(tmp_path / "case", []), "--to", kind)
    assert done.exit_code == 0, done.exception
    assert "The case has no entries." in done.output


def test_a_broken_journal_is_refused_unless_asked_and_then_marked(tmp_path: Path) -> None:
    case = case_of(tmp_path / "case", CASE)
    data = (case / JOURNAL).read_bytes()
    (case / JOURNAL).write_bytes(data.replace(b'"dose":5000', b'"dose":7000'))
    assert "line 5 was changed" in refused(run("export", case, "--to", "tables"))
    assert not (case / "export").exists()
    done = run("export", case, "--to", "tables", "--despite-breaks")
    assert done.exit_code == 0
    marked = json.loads((case / "export" / "tables" / "datapackage.json").read_text())
    assert "is broken: line 5 was changed" in marked["description"]


def test_a_newer_journal_and_a_missing_one_are_refused(tmp_path: Path) -> None:
    newer = case_of(tmp_path / "newer", [CASE[0].model_copy(update={"schema_version": SCHEMA_VERSION + 1})])
    assert "update the program" in refused(run("export", newer, "--to", "jsonl"))
    assert "name the folder of a case" in refused(run("export", tmp_path / "none", "--to", "jsonl"))


def test_a_target_that_cannot_be_written_is_named_and_the_case_is_not_touched(tmp_path: Path) -> None:
    case = case_of(tmp_path / "case", CASE)
    (tmp_path / "file").write_text("in the way")
    for kind in MINE:
        said = refused(run("export", case, "--to", kind, "--out", tmp_path / "file" / "x"))
        assert "cannot be written" in said and "--out" in said
    assert [path.name for path in case.iterdir()] == [JOURNAL]


def test_a_recording_that_began_earlier_moves_the_cues(tmp_path: Path) -> None:
    case = case_of(tmp_path / "case", CASE)
    run("export", case, "--to", "webvtt", "--recording-start", "2026-03-02T09:14:05.250+01:00")
    assert "2\n00:00:40.000 --> " in (case / "export" / "webvtt" / "entries.vtt").read_text()
    assert "--recording-start noon: not a time" in refused(
        run("export", case, "--to", "webvtt", "--recording-start", "noon")
    )


def test_a_form_that_is_not_known_lists_those_that_are(tmp_path: Path) -> None:
    done = checkback("export", "case", "--to", "papyrus", cwd=tmp_path)
    assert done.code == 2
    assert all(name in done.err for name in KINDS)


def test_the_help_tells_every_form() -> None:
    told = " ".join(run("export", "--help").output.split())
    assert all(f"{name}: {kind.what}" in told for name, kind in KINDS.items())


def test_a_package_that_is_not_installed_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "polars", None)
    said = refused(run("export", case_of(tmp_path / "case", CASE), "--to", "parquet"))
    assert said == "a Parquet file needs the package polars: pip install 'checkback[export]'"
