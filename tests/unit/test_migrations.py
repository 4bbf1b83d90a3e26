"""Journals of older versions: one kept sample of each, and a chain of pure steps to today."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkback.errors import UserError
from checkback.record.entry import SCHEMA_VERSION, Entry, Mark
from checkback.record.journal import JOURNAL, Journal, Written, verify
from checkback.record.migrations import STEPS, migrate
from checkback.record.rewriting import journal_bytes, oldest_version, write_instead, write_new
from invented_case import entry

GOLDEN = Path(__file__).parents[1] / "golden"
OLD = range(1, SCHEMA_VERSION)


def sample(version: int) -> bytes:
    return (GOLDEN / f"journal.v{version}.jsonl").read_bytes()


def case_of(version: int, folder: Path) -> Path:
    (folder / JOURNAL).write_bytes(sample(version))
    return folder


def test_every_older_version_has_a_step_and_a_sample() -> None:
    assert sorted(STEPS) == list(OLD)
    assert sorted(path.name for path in GOLDEN.glob("journal.v*.jsonl")) == [
        f"journal.v{v}.jsonl" for v in OLD
    ]


@pytest.mark.parametrize("version", OLD)
def test_the_sample_is_of_its_version_and_its_chain_is_sound(version: int, tmp_path: Path) -> None:
    assert oldest_version(sample(version)) == version
    assert {json.loads(line)["schema_version"] for line in sample(version).splitlines()} == {version}
    report = verify(case_of(version, tmp_path))
    assert report.ok and report.lines_ok == sample(version).count(b"\n") > 40


def test_what_the_first_version_wrote_is_read_as_it_was_meant(tmp_path: Path) -> None:
    entries = Journal.read(case_of(1, tmp_path))
    assert [each.schema_version for each in entries] == [SCHEMA_VERSION] * 48
    # nothing that stood in a line is lost or changed; only what is new has been added
    for line, read in zip(sample(1).splitlines(), entries, strict=True):
        told = json.loads(line)
        now = json.loads(read.model_dump_json())
        for name in set(told) - {"schema_version", "prev", "hash", "body", "alternatives"}:
            assert now[name] == told[name], (read.n, name)
        assert {name: now["body"][name] for name in told["body"]} == told["body"]
        assert [a["words"] for a in now["alternatives"]] == [a["words"] for a in told["alternatives"]]
    assert (tmp_path / JOURNAL).read_bytes() == sample(1)


def test_an_old_case_goes_on_in_its_own_journal(tmp_path: Path) -> None:
    folder = case_of(1, tmp_path)
    with Journal.open(folder) as journal:
        later = entry(49, Mark())
        assert journal.append(later) == Written(later)
    data = (folder / JOURNAL).read_bytes()
    assert data.startswith(sample(1))
    assert json.loads(data.splitlines()[-1])["schema_version"] == SCHEMA_VERSION
    assert verify(folder).ok
    assert Journal.read(folder)[-1] == later


def test_an_old_line_that_was_changed_is_found(tmp_path: Path) -> None:
    folder = case_of(1, tmp_path)
    (folder / JOURNAL).write_bytes(sample(1).replace(b'"dose":5000', b'"dose":7000'))
    found = verify(folder).first_break
    assert found is not None and (found.line, found.kind) == (5, "hash")


# --- the chain of steps ------------------------------------------------------------------------------

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=8,
)


@given(st.dictionaries(st.text(max_size=3), json_values, max_size=4), st.integers(1, 4))
def test_steps_are_taken_one_by_one_and_the_line_itself_is_not_touched(
    fields: dict[str, Any], begin: int
) -> None:
    def step(to: int) -> Any:
        def change(line: dict[str, Any]) -> dict[str, Any]:
            # a careless step, which changes what it was given
            line.setdefault("steps", []).append(to)
            for value in list(line.values()):
                if isinstance(value, list):
                    value.append(to)
            return line

        return change

    fields = fields | {"schema_version": begin}
    fields.pop("steps", None)
    before = json.dumps(fields, sort_keys=True)
    result = migrate(fields, steps={1: step(2), 2: step(3), 3: step(4)}, to=4)
    assert json.dumps(fields, sort_keys=True) == before
    assert result["schema_version"] == 4
    assert result.get("steps", [])[::2] == list(range(begin + 1, 5))


@pytest.mark.parametrize("version", [None, "1", 0, SCHEMA_VERSION, SCHEMA_VERSION + 1])
def test_a_line_of_no_older_version_comes_back_as_it_is(version: Any) -> None:
    assert migrate({"schema_version": version, "n": 1}) == {"schema_version": version, "n": 1}


# --- written anew ---------------------------------------------------------------------------------------


def test_a_journal_is_written_in_the_place_of_the_old_one_which_stays_beside_it(tmp_path: Path) -> None:
    folder = case_of(1, tmp_path)
    entries = Journal.read(folder)
    kept = write_instead(folder, entries)
    assert kept == tmp_path / "journal.v1.jsonl"
    assert kept.read_bytes() == sample(1)
    assert Journal.read(folder) == entries
    assert oldest_version((folder / JOURNAL).read_bytes()) == SCHEMA_VERSION
    # and a second time the first old file is not overwritten
    (folder / JOURNAL).write_bytes(sample(1))
    assert write_instead(folder, entries) == tmp_path / "journal.v1-2.jsonl"
    assert kept.read_bytes() == sample(1)


def test_a_case_that_is_being_written_is_not_rewritten(tmp_path: Path) -> None:
    folder = case_of(1, tmp_path)
    with Journal.open(folder) as journal:
        with pytest.raises(UserError, match="is being written by process"):
            write_instead(folder, journal.entries)
        assert (folder / JOURNAL).read_bytes() == sample(1)
    assert not list(tmp_path.glob("journal.v1*"))


def test_a_new_journal_does_not_take_the_place_of_another(tmp_path: Path) -> None:
    entries = [entry(1, Mark())]
    write_new(tmp_path / "a", entries)
    assert Journal.read(tmp_path / "a") == entries
    with pytest.raises(UserError, match=r"There is a journal in .* already"):
        write_new(tmp_path / "a", entries)


def test_a_journal_with_a_gap_is_not_written() -> None:
    gap: list[Entry] = [entry(1, Mark()), entry(3, Mark())]
    with pytest.raises(ValueError, match="n = 3, and 2 is due"):
        journal_bytes(gap)
