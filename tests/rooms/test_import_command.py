"""A case made of a file: written by hand, exported, or of an older version."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from checkback import app
from checkback.cli import cli
from checkback.commands.importing import imported
from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.entry import SCHEMA_VERSION, HeartRate, Imported, Mark, Session, Withdrawal
from checkback.record.journal import JOURNAL, Journal, verify
from command_line import checkback
from english import book
from invented_case import CASE, entry, journal_lines

GOLDEN = Path(__file__).parents[1] / "golden"
NOTES = "12:30,heparin 5000 units\n12:31,balloon 2.5x12 14 atm\n12:33,down\n"


@pytest.fixture(autouse=True)
def phrasebook_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read the phrasebook that ships with the program once for all tests: it takes a second."""
    monkeypatch.setattr(app, "load_book", lambda settings: book())


def run(*words: object) -> Result:
    """Run a command in this process."""
    return CliRunner().invoke(cli, [str(word) for word in words])


def imported_from(file: Path, case: Path, *more: object) -> Result:
    return run("import", file, "--case", case, "--date", "2026-03-02", *more)


def refused(result: Result) -> str:
    """Return the sentence with which a command refused."""
    assert isinstance(result.exception, (UserError, click.ClickException)), result.output
    return str(result.exception)


def written(folder: Path, text: str | bytes, name: str = "notes.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_notes_become_a_case_that_nobody_takes_for_heard(tmp_path: Path) -> None:
    notes = written(tmp_path, NOTES)
    done = imported_from(notes, tmp_path / "case")
    assert done.exit_code == 0, done.output
    assert "3 entries imported from" in done.output and "0 rows left out" in done.output
    began, about, *told = Journal.read(tmp_path / "case")
    assert isinstance(began.body, Session) and began.body.recogniser == "none"
    assert about.body == Imported(
        file="notes.csv", format="csv", file_sha256=hashlib.sha256(NOTES.encode()).hexdigest(), rows=3
    )
    assert [(e.n, e.source, e.recogniser) for e in told] == [(n, "import", None) for n in (3, 4, 5)]
    assert verify(tmp_path / "case").ok
    assert (tmp_path / "case" / "entries.csv").exists()
    narrative = " ".join((tmp_path / "case" / "narrative.txt").read_text(encoding="utf-8").split())
    assert "3 entries imported from notes.csv (csv) [2]" in narrative
    assert "Heparin 5000 units" in narrative and "[3]" in narrative


def test_the_command_as_a_user_starts_it(tmp_path: Path) -> None:
    written(tmp_path, NOTES + "12:34,colourless green ideas\n")
    done = checkback("import", "notes.csv", "--case", "case", "--date", "2026-03-02", cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("checkback: notes.csv: line 4: 'colourless green ideas' is not understood")
    assert "nothing was imported" in done.err and "--skip-bad" in done.err
    assert not (tmp_path / "case").exists()


def test_bad_rows_are_left_out_only_when_asked_and_are_counted(tmp_path: Path) -> None:
    notes = written(tmp_path, "12:29,nonsense one\n" + NOTES + "12:34,nonsense two\n")
    assert "line 1: 'nonsense one'" in (said := refused(imported_from(notes, tmp_path / "case")))
    assert "line 5: 'nonsense two'" in said
    done = imported_from(notes, tmp_path / "case", "--skip-bad")
    assert "2 rows left out" in done.output
    about = Journal.read(tmp_path / "case")[1].body
    assert isinstance(about, Imported) and (about.rows, about.left_out) == (3, 2)


def test_of_very_many_bad_rows_the_first_ten_are_named(tmp_path: Path) -> None:
    said = refused(imported_from(written(tmp_path, "12:30,nonsense\n" * 30), tmp_path / "case"))
    assert said.count("line ") == 10 and "and 20 more" in said


def test_an_imported_case_can_go_on_in_the_room(tmp_path: Path) -> None:
    imported_from(written(tmp_path, NOTES), tmp_path / "case")
    done = checkback("listen", "--typed", "--case", "case", cwd=tmp_path, given="heart rate 70\n")
    assert done.code == 0, done.err
    later = Journal.read(tmp_path / "case")
    assert [e.source for e in later if e.body.kind == "heart_rate"] == ["typed"]
    assert [e.body.number for e in later if isinstance(e.body, Session)] == [1, 2]


def test_the_exported_table_comes_back_as_the_same_case(tmp_path: Path) -> None:
    (tmp_path / "first").mkdir()
    (tmp_path / "first" / JOURNAL).write_bytes(b"".join(journal_lines(CASE)))
    assert run("export", tmp_path / "first", "--to", "tables", "--out", tmp_path / "out").exit_code == 0
    done = imported_from(tmp_path / "out" / "entries.csv", tmp_path / "second")
    assert done.exit_code == 0, done.output
    _, _, *told = Journal.read(tmp_path / "second")
    before = [e for e in CASE if not isinstance(e.body, Session)]
    assert [(e.at.wall, e.words) for e in told] == [(e.at.wall, e.words) for e in before]
    # the table tells what became of an entry, and not that it was a question before
    first, second = Case(CASE), Case(told)
    assert [second.standing(e)[0] for e in told] == [first.standing(e)[0] for e in before]
    moved = {e.n: new.n for e, new in zip(before, told, strict=True)}
    for old, new in zip(before, told, strict=True):
        assert new.amends == (old.amends and moved[old.amends])
        if isinstance(old.body, Withdrawal):
            assert new.body == Withdrawal(target=moved[old.body.target])
        else:
            assert new.body == old.body


# --- refusals ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "the file has no rows"),
        (b"PK\x03\x04\x00\x00", "neither "),
        ("12:30,naïve".encode("latin-1"), "line 1: not UTF-8"),
        (b'{"a": 1}\n', "is no time|line 1"),
        (b"time,colour\n", "no entry has a column 'colour'"),
        (b"time,kind\n12:30,session\n", "line 2: number: field required"),
    ],
)
def test_a_file_that_cannot_be_a_case_is_refused_in_one_sentence(
    tmp_path: Path, data: bytes, said: str
) -> None:
    import re

    sentence = refused(imported_from(written(tmp_path, data), tmp_path / "case"))
    assert re.search(said, sentence), sentence
    assert not (tmp_path / "case").exists()


def test_a_missing_file_a_wrong_date_and_a_case_in_the_way_are_named(tmp_path: Path) -> None:
    assert "cannot be read" in refused(imported_from(tmp_path / "none.csv", tmp_path / "case"))
    notes = written(tmp_path, NOTES)
    assert "--date tomorrow: not a day" in refused(
        run("import", notes, "--case", tmp_path / "c", "--date", "tomorrow")
    )
    imported_from(notes, tmp_path / "case")
    before = (tmp_path / "case" / JOURNAL).read_bytes()
    assert "already holds a case" in refused(imported_from(notes, tmp_path / "case"))
    assert (tmp_path / "case" / JOURNAL).read_bytes() == before


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    written(tmp_path, "in the way", "case")
    assert "make room and leave to write" in refused(
        imported_from(written(tmp_path, NOTES), tmp_path / "case" / "x")
    )


# --- older journals ------------------------------------------------------------------------------------------


def old_case(folder: Path) -> Path:
    folder.mkdir()
    shutil.copy(GOLDEN / "journal.v1.jsonl", folder / JOURNAL)
    return folder


def test_an_old_journal_becomes_a_case_of_today(tmp_path: Path) -> None:
    old = old_case(tmp_path / "old")
    done = run("import", old / JOURNAL, "--case", tmp_path / "new")
    assert done.exit_code == 0, done.output
    assert "The old journal is left where it is" in done.output
    entries = Journal.read(tmp_path / "new")
    assert list(entries[:-1]) == list(Journal.read(old))
    assert {
        json.loads(line)["schema_version"] for line in (tmp_path / "new" / JOURNAL).read_bytes().splitlines()
    } == {SCHEMA_VERSION}
    about = entries[-1].body
    assert isinstance(about, Imported) and (about.format, about.rows) == ("journal", 48)
    assert about.file_sha256 == hashlib.sha256((GOLDEN / "journal.v1.jsonl").read_bytes()).hexdigest()
    # what was heard then was heard: only an import is marked as one
    assert [e.source for e in entries[:3]] == ["program", "speech", "speech"]


def test_an_old_journal_can_be_written_anew_in_its_own_folder(tmp_path: Path) -> None:
    old = old_case(tmp_path / "old")
    done = run("import", old / JOURNAL, "--case", old)
    assert done.exit_code == 0, done.output
    assert f"The old journal is kept as {old / 'journal.v1.jsonl'}." in done.output
    assert (old / "journal.v1.jsonl").read_bytes() == (GOLDEN / "journal.v1.jsonl").read_bytes()
    assert verify(old).lines_ok == 49
    assert "is of version" in refused(run("import", old / JOURNAL, "--case", old))
    assert verify(old).lines_ok == 49


def test_an_old_journal_that_was_changed_is_refused(tmp_path: Path) -> None:
    old = old_case(tmp_path / "old")
    data = (old / JOURNAL).read_bytes().replace(b'"dose":5000', b'"dose":7000')
    (old / JOURNAL).write_bytes(data)
    assert "line 5 was changed" in refused(run("import", old / JOURNAL, "--case", tmp_path / "new"))
    assert "line 5 was changed" in refused(run("import", old / JOURNAL, "--case", old))
    assert (old / JOURNAL).read_bytes() == data
    assert not (tmp_path / "new").exists()


def test_a_torn_old_journal_is_taken_up_to_the_tear(tmp_path: Path) -> None:
    old = old_case(tmp_path / "old")
    data = (old / JOURNAL).read_bytes()[:-30]
    (old / JOURNAL).write_bytes(data)
    done = run("import", old / JOURNAL, "--case", old)
    assert "Line 48 of the journal" in done.output and "was cut off" in done.output
    assert (old / "journal.v1.jsonl").read_bytes() == data
    assert len(Journal.read(old)) == 48


def test_a_newer_journal_is_left_to_a_newer_program(tmp_path: Path) -> None:
    newer = [CASE[0].model_copy(update={"schema_version": SCHEMA_VERSION + 1})]
    path = written(tmp_path, b"".join(journal_lines(newer)), JOURNAL)
    assert "update the program" in refused(run("import", path, "--case", tmp_path / "new"))


# --- numbers ---------------------------------------------------------------------------------------------------


def test_what_points_at_what_is_not_there_points_at_nothing() -> None:
    given = [
        entry(4, HeartRate(rate_per_min=70)),
        entry(7, HeartRate(rate_per_min=72), amends=4),
        entry(8, Mark(), amends=1),
        entry(9, Withdrawal(target=2)),
        entry(12, Withdrawal(target=8)),
    ]
    told = imported(given, after=2)
    assert [(e.n, e.amends, e.source, e.session) for e in told] == [
        (3, None, "import", 1),
        (4, 3, "import", 1),
        (5, None, "import", 1),
        (6, None, "import", 1),
    ]
    assert told[-1].body == Withdrawal(target=5)
