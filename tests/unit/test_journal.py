"""The journal: what goes in comes out, and whatever was touched is named."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from checkback.errors import UserError
from checkback.record.entry import SCHEMA_VERSION, CaseStart, Entry, Mark
from checkback.record.journal import JOURNAL, LOCK, START, Journal, Written, line_of, verify
from invented_case import CASE, entry, journal_lines
from strategies import BODY_CLASSES, cases, entries

DOCUMENT = Path(__file__).parents[2] / "docs" / "journal.md"


def journal_bytes(case: Iterable[Entry]) -> bytes:
    return b"".join(journal_lines(case))


def folder_with(data: bytes, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / JOURNAL).write_bytes(data)
    return folder


def read_independently(path: Path, verifier: Path) -> subprocess.CompletedProcess[str]:
    """Run the verifier that the document prints."""
    (code,) = re.findall(r"```python\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)
    verifier.write_text(code, encoding="utf-8")
    return subprocess.run([sys.executable, verifier, path], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("cls", BODY_CLASSES, ids=lambda cls: cls.__name__)
def test_every_class_of_entry_comes_back_as_it_went_in(cls: type[BaseModel]) -> None:
    @settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(entries(cls))
    def round_trip(said: Entry) -> None:
        with TemporaryDirectory() as folder:
            with Journal.open(Path(folder)) as journal:
                assert journal.append(said) == Written(said)
            assert Journal.read(Path(folder)) == [said]

    round_trip()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(cases(), cases(max_size=2))
def test_a_case_goes_on_after_a_restart(before: list[Entry], later: list[Entry]) -> None:
    later = [each.model_copy(update={"n": len(before) + each.n}) for each in later]
    with TemporaryDirectory() as folder:
        for part in (before, later):
            with Journal.open(Path(folder)) as journal:
                for each in part:
                    journal.append(each)
        assert Journal.read(Path(folder)) == before + later
        report = verify(Path(folder))
        assert report.ok
        assert report.lines_ok == len(before + later)
        assert (Path(folder) / JOURNAL).read_bytes() == journal_bytes(before + later)


def test_the_verifier_in_the_document_agrees(tmp_path: Path) -> None:
    case = folder_with(journal_bytes(CASE), tmp_path / "case")
    sound = read_independently(case / JOURNAL, tmp_path / "verify.py")
    assert sound.stdout.split() == ["30", "lines,", "head", verify(case).head]

    data = bytearray(journal_bytes(CASE))
    data[data.index(b'"dose":5000') + 7 : data.index(b'"dose":5000') + 8] = b"6"
    folder_with(bytes(data), case)
    changed = read_independently(case / JOURNAL, tmp_path / "verify.py")
    assert changed.stderr.strip() == "line 5: changed"
    found = verify(case).first_break
    assert found is not None
    assert (found.line, found.kind) == (5, "hash")


def test_the_verifier_in_the_document_is_short() -> None:
    (code,) = re.findall(r"```python\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)
    assert len([line for line in code.splitlines() if line.strip()]) <= 15


def test_whichever_byte_is_changed_its_line_is_named(tmp_path: Path) -> None:
    lines = journal_bytes(CASE[:6]).splitlines(keepends=True)
    whole = b"".join(lines)
    number = [n for n, line in enumerate(lines, start=1) for _ in line]
    for place in range(len(whole)):
        data = bytearray(whole)
        data[place] ^= 1 << (place % 8)
        found = verify(folder_with(bytes(data), tmp_path)).first_break
        assert found is not None, f"byte {place} changed unseen"
        assert found.line == number[place], f"byte {place}: {found}"


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_any_damage_in_a_long_journal_is_named(data: st.DataObject) -> None:
    lines = journal_bytes(CASE).splitlines(keepends=True)
    number = data.draw(st.integers(1, 30))
    line = bytearray(lines[number - 1])
    place = data.draw(st.integers(0, len(line) - 1))
    line[place] = data.draw(st.integers(0, 255).filter(lambda byte: byte != line[place]))
    with TemporaryDirectory() as folder:
        case = folder_with(b"".join([*lines[: number - 1], bytes(line), *lines[number:]]), Path(folder))
        report = verify(case)
        assert report.first_break is not None
        assert report.first_break.line == number
        assert report.lines_ok == number - 1
        assert report.head == hashlib.sha256(_hashed(lines[number - 2])).hexdigest() if number > 1 else START


def _hashed(line: bytes) -> bytes:
    return line[: line.rindex(b',"hash":"')] + b"}"


def test_a_line_taken_out_moved_or_written_anew_is_named(tmp_path: Path) -> None:
    lines = journal_bytes(CASE).splitlines(keepends=True)
    forged, _ = line_of(
        CASE[11].model_copy(update={"words": "something else"}), json.loads(lines[10])["hash"]
    )
    expected = {
        b"".join(lines[:9] + lines[10:]): (10, "prev"),
        b"".join([*lines[:9], lines[10], lines[9], *lines[11:]]): (10, "prev"),
        b"".join([*lines[:11], forged, *lines[12:]]): (13, "prev"),
        b"".join([*lines[:3], b"\n", *lines[3:]]): (4, "json"),
        b"".join([*lines[:3], b"[1]\n", *lines[3:]]): (4, "chain"),
        b"".join(lines[1:]): (1, "prev"),
    }
    for data, (line, kind) in expected.items():
        found = verify(folder_with(data, tmp_path)).first_break
        assert found is not None
        assert (found.line, found.kind) == (line, kind)


def test_a_gap_in_the_numbers_and_a_line_that_is_no_entry_are_named(tmp_path: Path) -> None:
    found = verify(folder_with(journal_bytes([CASE[0], CASE[2]]), tmp_path)).first_break
    assert str(found) == "line 2 has n = 3 where 2 is due"

    nameless = Entry.model_construct(**(dict(CASE[0]) | {"source": "rumour"}))
    found = verify(folder_with(journal_bytes([nameless]), tmp_path)).first_break
    assert found is not None
    assert (found.line, found.kind) == (1, "content")
    assert "source" in found.reason


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\n",
        b"\n\n\n",
        b"\0" * 5000,
        b"\xff\xfe\n\xff",
        b"[" * 100_000 + b"\n",
        b'{"n":' + b"9" * 5000 + b"}\n",
    ],
    ids=["empty", "newline", "newlines", "zeros", "not UTF-8", "deep", "long number"],
)
def test_verify_answers_whatever_stands_there(tmp_path: Path, data: bytes) -> None:
    report = verify(folder_with(data, tmp_path))
    assert report.lines_ok == 0
    assert report.ok == (data == b"")


def test_verify_answers_when_nothing_stands_there(tmp_path: Path) -> None:
    for folder in (tmp_path / "nowhere", folder_with(b"", tmp_path / "file") / JOURNAL):
        found = verify(folder).first_break
        assert found is not None
        assert found.kind == "missing"
    (tmp_path / "odd" / JOURNAL).mkdir(parents=True)
    found = verify(tmp_path / "odd").first_break
    assert found is not None
    assert found.kind == "unreadable"


def test_a_broken_chain_is_not_written_to_and_read_only_on_request(tmp_path: Path) -> None:
    data = journal_bytes(CASE).replace(b'"rate_per_min":72', b'"rate_per_min":27')
    case = folder_with(data, tmp_path)
    reason = "because line 7 was changed after it was written: its hash does not match"
    with pytest.raises(UserError, match=f"{reason}: start a new case folder"):
        Journal.open(case)
    with pytest.raises(UserError, match=reason):
        Journal.read(case)
    readable = Journal.read(case, despite_breaks=True)
    assert len(readable) == 30
    assert [(found.line, found.kind) for found in readable.breaks] == [(7, "hash")]
    assert (case / JOURNAL).read_bytes() == data


@pytest.mark.parametrize("newline", [b"\n", b""], ids=["whole", "without its line feed"])
def test_a_newer_journal_is_left_to_a_newer_program(tmp_path: Path, newline: bytes) -> None:
    newer = CASE[2].model_copy(update={"schema_version": SCHEMA_VERSION + 1})
    data = journal_bytes([*CASE[:2], newer])[:-1] + newline
    case = folder_with(data, tmp_path)
    for attempt in (Journal.open, Journal.read):
        with pytest.raises(
            UserError, match=rf"line 3 has schema_version {SCHEMA_VERSION + 1}, .* update the program"
        ):
            attempt(case)
    found = verify(case).first_break
    assert found is not None
    assert (found.line, found.kind) == (3, "schema")
    assert (case / JOURNAL).read_bytes() == data


def test_reading_needs_a_journal(tmp_path: Path) -> None:
    for attempt in (Journal.read, lambda folder: Journal.open(folder, create=False)):
        with pytest.raises(UserError, match=r"There is no journal\.jsonl in .*nowhere"):
            attempt(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


def test_reading_beside_a_writer_leaves_an_unfinished_line_alone(tmp_path: Path) -> None:
    with Journal.open(tmp_path) as journal:
        for each in CASE:
            journal.append(each)
            assert Journal.read(tmp_path) == list(CASE[: each.n])
    unfinished = journal_bytes(CASE)[:-40]
    folder_with(unfinished, tmp_path)
    seen = Journal.read(tmp_path)
    assert seen == list(CASE[:-1])
    assert seen.torn is not None
    assert "Line 30" in seen.torn
    assert (tmp_path / JOURNAL).read_bytes() == unfinished


def test_an_odd_byte_from_a_terminal_does_not_cost_the_entry(tmp_path: Path) -> None:
    typed = entry(1, Mark(), os.fsdecode(b"balloon \xff two"), source="typed")
    with Journal.open(tmp_path) as journal:
        written = journal.append(typed)
    assert isinstance(written, Written)
    assert written.entry.words == "balloon ? two"
    assert Journal.read(tmp_path) == [written.entry]


def test_an_entry_out_of_turn_is_a_mistake_of_the_program(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path)
    with pytest.raises(ValueError, match="n = 2, and 1 is due"):
        journal.append(entry(2, CaseStart()))
    journal.close()
    with pytest.raises(ValueError, match="closed"):
        journal.append(entry(1, CaseStart()))
    assert journal.retry() is None
    assert Journal.read(tmp_path) == []


def test_a_copy_holds_the_whole_case_and_replaces_none(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "case") as journal:
        for each in CASE:
            journal.append(each)
        journal.copy_to(tmp_path / "copy")
        assert Journal.read(tmp_path / "copy") == list(CASE)
        assert verify(tmp_path / "copy").head == journal.head
        with pytest.raises(UserError, match=r"a journal in .*copy already"):
            journal.copy_to(tmp_path / "copy")


def test_what_an_open_journal_tells_of_itself(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "a" / "b") as journal:
        for each in CASE[:4]:
            journal.append(each)
        assert journal.folder == tmp_path / "a" / "b"
        assert list(journal) == list(CASE[:4])
        assert (len(journal), journal.next_n, journal.waiting) == (4, 5, 0)
        assert (journal.torn, journal.trouble) == ((), None)
        assert journal.head == verify(journal.folder).head
    assert sorted(path.name for path in (tmp_path / "a" / "b").iterdir()) == [JOURNAL, LOCK]
