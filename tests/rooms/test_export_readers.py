"""Exports, read by programs that are not this one."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import warnings
from datetime import UTC
from decimal import Decimal
from pathlib import Path

import jsonschema
import pytest

from checkback.record.case import Case
from checkback.record.entry import Entry, Unclear
from checkback.record.journal import journal_schema
from checkback.reporting.package import DESCRIPTOR, write_jsonl, write_package
from checkback.reporting.parquet import write_parquet
from checkback.reporting.tables import COLUMNS, TABLE
from checkback.reporting.webvtt import webvtt
from invented_case import CASE, entry

pytestmark = pytest.mark.outside

ODD = ["=cmd()", 'a "quoted", text', "two\r\nlines", "naïve – 心臓 🫀", "'=1", " space ", "a;b\tc"]

JUDGE = """
import json, sys
from frictionless import validate
for folder in sys.argv[1:]:
    report = validate(folder + "/datapackage.json", type="package")
    errors = [error for task in report.tasks for error in task.errors] + report.errors
    rows = {task.name: task.stats.get("rows") for task in report.tasks}
    print(json.dumps([[error.type for error in errors], rows]))
"""


def summary(each: Entry) -> str:
    return each.body.kind


def odd_case() -> list[Entry]:
    more = [entry(31 + i, Unclear(), words) for i, words in enumerate(ODD)]
    return [*CASE, *more]


def judged(*folders: Path) -> list[tuple[list[str], dict[str, int]]]:
    """Let frictionless judge the packages, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", JUDGE, *map(str, folders)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return [tuple(json.loads(line)) for line in done.stdout.splitlines()]


def test_frictionless_finds_the_package_valid_and_counts_the_same_rows(tmp_path: Path) -> None:
    case = Case(odd_case())
    write_package(case, summary, tmp_path, notes=["unfinished"])
    ((errors, rows),) = judged(tmp_path)
    assert errors == []
    assert rows["entries"] == 37
    assert rows["device"] == sum(e.body.kind == "device" for e in case.entries) == 5
    assert rows["unclear"] == 8


MISTAKES = [
    ("device.csv", "\r\n22,", "\r\n99,", ["foreign-key"]),
    ("device.csv", "non-compliant", "non-compliant", []),
    ("flow.csv", "mid right coronary", "the heart", ["constraint-error"]),
    ("inflation.csv", ",14,", ",fourteen,", ["type-error"]),
    ("drug.csv", "+01:00", "", ["type-error"]),
]


def test_frictionless_would_find_what_is_wrong(tmp_path: Path) -> None:
    few = [e for e in CASE if e.body.kind in ("device", "flow", "inflation", "drug")]
    folders = [tmp_path / str(i) for i in range(len(MISTAKES) + 1)]
    for folder in folders:
        folder.mkdir()
        write_package(Case(few), summary, folder)
    for folder, (name, old, new, _) in zip(folders, MISTAKES, strict=False):
        text = (folder / name).read_bytes().decode()
        assert old in text
        (folder / name).write_bytes(text.replace(old, new, 1).encode())
        # the sums are taken out, so that the rows themselves are judged
        descriptor = json.loads((folder / DESCRIPTOR).read_text(encoding="utf-8"))
        for resource in descriptor["resources"]:
            del resource["bytes"], resource["hash"]
        (folder / DESCRIPTOR).write_text(json.dumps(descriptor), encoding="utf-8")
    drugs = folders[-1] / "drug.csv"
    drugs.write_bytes(drugs.read_bytes().replace(b",5000,", b",7000,"))
    found = [errors for errors, _ in judged(*folders)]
    assert found == [*(errors for *_, errors in MISTAKES), ["hash-count"]]


def test_duckdb_reads_the_odd_words_back_from_the_csv(tmp_path: Path) -> None:
    import duckdb

    write_package(Case(odd_case()), summary, tmp_path)
    with duckdb.connect() as database:
        table = database.execute(
            f"""select words from read_csv('{tmp_path / TABLE}', header = true, all_varchar = true, quote = '"',
                                           escape = '"', delim = ',', nullstr = '\\N') order by n::int"""
        ).fetchall()
    words = [text for (text,) in table]
    assert [text[1:] if text in ("'=cmd()", "''=1") else text for text in words[30:]] == ODD
    assert not any(text.startswith(("=", "+", "-", "@")) for text in words)


def test_duckdb_reads_the_parquet_of_two_cases(tmp_path: Path) -> None:
    import duckdb

    (path,) = write_parquet([("a", Case(CASE)), ("b", Case(odd_case()))], summary, tmp_path)
    with duckdb.connect() as database:
        database.execute(f"create view e as select * from read_parquet('{path}')")
        assert database.execute('select "case", count(*) from e group by 1 order by 1').fetchall() == [
            ("a", 30),
            ("b", 37),
        ]
        told = database.execute(
            """select n, kind, standing, amended_by, diameter_mm, stocked, epoch_ms("at"), utc_offset_min
               from e where "case" = 'a' and n in (15, 22) order by n"""
        ).fetchall()
        assert told == [
            (15, "device", "amended", 16, 2.5, True, _ms(CASE[14]), 60),
            (22, "device", "stands", None, 2.75, True, _ms(CASE[21]), 60),
        ]
        words = database.execute(
            """select words from e where "case" = 'b' and n > 30 order by n"""
        ).fetchall()
        assert [text for (text,) in words] == ODD
        columns = [name for (name, *_) in database.execute("describe e").fetchall()]
        assert columns == ["case", "utc_offset_min", *(column.name for column in COLUMNS)]
        (value,) = database.execute(
            f"select value from parquet_kv_metadata('{path}') where key = 'table_schema'"
        ).fetchone() or ("",)
        fields = {field["name"]: field for field in json.loads(bytes(value))["fields"]}
        assert fields["pressure_atm"]["unit"] == "atm"


def _ms(each: Entry) -> int:
    return round(Decimal(str(each.at.wall.astimezone(UTC).timestamp())) * 1000)


def test_webvtt_py_reads_the_track() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import webvtt as reader
    text = webvtt(Case(odd_case()), lambda each: each.words or each.body.kind, notes=["a --> b"])
    cues = list(reader.from_buffer(io.StringIO(text)))
    shown = [e.n for e in odd_case() if e.n not in (1, 15, 19, 24)]
    assert sorted(int(cue.identifier) for cue in cues) == shown
    at = {int(cue.identifier): (cue.start_in_seconds, cue.text) for cue in cues}
    assert at[5][0] == 80
    assert at[31][1].endswith(" =cmd() (questioned) [31]") or at[31][1].endswith(" =cmd() [31]")
    assert [cue.start for cue in cues] == sorted(cue.start for cue in cues)
    assert all(cue.start < cue.end for cue in cues)


def test_jsonschema_finds_every_line_to_be_an_entry(tmp_path: Path) -> None:
    (path,) = write_jsonl(Case(odd_case()), summary, tmp_path)
    schema = journal_schema()
    schema["required"] = [name for name in schema["required"] if name not in ("prev", "hash")]
    judge = jsonschema.Draft202012Validator(schema)
    for line in path.read_text(encoding="utf-8").splitlines():
        told = json.loads(line)
        assert told["standing"] in ("stands", "questioned", "withdrawn", "amended")
        # the three that are added, and the standing, which can be another by now
        plain = {name: value for name, value in told.items() if name not in ("by", "summary")}
        assert list(judge.iter_errors(plain | {"standing": "stands"})) == []
