"""The table and its schema, judged by an independent validator."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import warnings
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from checkback.errors import UserError
from checkback.record.entry import Entry, Withdrawal
from checkback.reporting.tables import SCHEMA, TABLE, write_tables
from invented_case import CASE
from strategies import cases

JUDGE = """
import json, sys
from frictionless import Resource, validate
report = validate(Resource(path=sys.argv[1], schema=sys.argv[2], format="csv", encoding="utf-8"))
print(json.dumps([[error.type, error.note] for task in report.tasks for error in task.errors]))
print(json.dumps([task.stats.get("rows") for task in report.tasks]))
sys.exit(not report.valid)
"""


def judged(folder: Path) -> tuple[bool, list[list[str]], int]:
    """Let frictionless, in a process of its own, judge the table in `folder`."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", JUDGE, TABLE, SCHEMA],
        cwd=folder,
        capture_output=True,
        text=True,
    )
    assert done.returncode in (0, 1), done.stderr
    errors, rows = map(json.loads, done.stdout.splitlines())
    return done.returncode == 0, errors, rows[0]


def write(case: list[Entry] | tuple[Entry, ...], folder: Path) -> Path:
    replaced = {each.amends: each.n for each in case if each.amends}

    def standing(entry: Entry) -> tuple[str, int | None]:
        return ("amended", replaced[entry.n]) if entry.n in replaced else (entry.standing, None)

    path, _ = write_tables(case, folder, standing=standing, summary=lambda entry: entry.body.kind)
    return path


def test_an_invented_case_is_valid(tmp_path: Path) -> None:
    write(CASE, tmp_path)
    assert judged(tmp_path) == (True, [], 30)


@pytest.mark.parametrize(
    ("said", "instead", "error", "note"),
    [
        (b",radial,right,", b",tibial,right,", "constraint-error", "enum"),
        (b",stands,", b",perhaps,", "constraint-error", "enum"),
        (b",blood_pressure,", b",blood,", "constraint-error", "enum"),
        (b"\r\n2,", b"\r\n1,", "primary-key", "same as in the row"),
        (b",5000,units,", b",many,units,", "type-error", "number"),
        (b"2026-03-02T09:14:25.250+01:00", b"09:14:25", "type-error", "datetime"),
        (b",15,speech,affirm,", b",115,speech,affirm,", "foreign-key", "amends"),
    ],
)
def test_what_is_wrong_in_a_table_is_found(
    tmp_path: Path, said: bytes, instead: bytes, error: str, note: str
) -> None:
    path = write(CASE, tmp_path)
    content = path.read_bytes()
    assert said in content
    path.write_bytes(content.replace(said, instead, 1))
    valid, errors, _ = judged(tmp_path)
    assert not valid
    assert any(kind == error and note in text for kind, text in errors), errors


def test_any_case_is_valid(tmp_path: Path) -> None:
    from frictionless import Resource, validate

    @settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(cases())
    def judge(case: list[Entry]) -> None:
        pointing = [
            each.model_copy(update={"body": Withdrawal(target=1)})
            if isinstance(each.body, Withdrawal)
            else each
            for each in case
        ]
        write(pointing, tmp_path)
        report = validate(Resource(path=TABLE, schema=SCHEMA, format="csv", encoding="utf-8"))
        assert report.valid, report.to_summary()

    here = Path.cwd()
    os.chdir(tmp_path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the validator's own
            judge()
    finally:
        os.chdir(here)


def test_a_disk_without_room_leaves_the_earlier_table(tmp_path: Path) -> None:
    before = write(CASE[:3], tmp_path).read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        with pytest.raises(UserError, match=r"The tables cannot be written into .*\(File too large\)"):
            write(CASE, tmp_path)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (tmp_path / TABLE).read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == [TABLE, SCHEMA]
