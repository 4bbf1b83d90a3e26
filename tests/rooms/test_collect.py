"""Many cases: the figures of `checkback collect` against plain sums over the rows of `entries.csv`."""

from __future__ import annotations

import csv
import io
import json
import os
import random
import shutil
import statistics
from collections import Counter
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import html5lib
import polars as pl
import pytest
from click.testing import CliRunner, Result

from checkback import app
from checkback.cli import cli
from checkback.collecting.folder import Collection, collect, keep
from checkback.collecting.questions import Answers, answers
from checkback.errors import UserError
from checkback.record.case import Case
from checkback.record.journal import JOURNAL, Journal
from checkback.reporting.tables import table
from checkback.watching.limits import load
from command_line import checkback
from english import GRAMMARS, book
from invented_case import CASE, journal_lines
from synthetic_cases import case as invented
from synthetic_cases import lines, write_cases

LIMITS = load(GRAMMARS)
COUNT = 60


@pytest.fixture(scope="module")
def cases(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty invented cases, and one of each sort that is not whole."""
    folder = tmp_path_factory.mktemp("many") / "cases"
    made = list(write_cases(folder, COUNT, seed=7))
    whole = b"".join(lines(invented(random.Random(99))))
    for name, data in {
        "spoilt/changed": whole.replace(b'"dose":', b'"dose":1', 1),
        "spoilt/torn": whole[:-40],
        "spoilt/empty": b"",
        "spoilt/no-journal-at-all": b"\xff not a journal\n",
        "spoilt/newer": whole.splitlines(keepends=True)[0].replace(
            b'"schema_version":2', b'"schema_version":99'
        ),
    }.items():
        (folder / name).mkdir(parents=True)
        (folder / name / JOURNAL).write_bytes(data)
    assert len(made) == COUNT
    return folder


@pytest.fixture(scope="module")
def found(cases: Path) -> Collection:
    return collect(cases, LIMITS)


@pytest.fixture(scope="module")
def told(found: Collection) -> Answers:
    return answers(found.tables, LIMITS)


# --- the plain sums -----------------------------------------------------------------------------------------

Row = dict[str, str]


def rows_of(folder: Path) -> list[Row]:
    """Return the rows of a case's table that stand, in the order of their times."""
    case = Case(Journal.read(folder))
    text = table(case.entries, standing=case.standing, summary=lambda entry: "")
    rows = [row for row in csv.DictReader(io.StringIO(text, newline="")) if row["standing"] == "stands"]
    return sorted(rows, key=lambda row: (row["at"], int(row["n"])))


def plain_sums(rows: list[Row]) -> dict[str, Any]:
    """Work out a case's figures from its rows alone, with nothing of the program."""
    by_kind = {kind: [r for r in rows if r["kind"] == kind] for kind in {r["kind"] for r in rows}}

    def of(kind: str) -> list[Row]:
        return by_kind.get(kind, [])

    def minute(row: Row) -> float:
        return datetime.fromisoformat(row["at"]).timestamp() / 60

    (patient,) = of("patient")
    first = next((r for r in rows if r["kind"] in ("inflation", "deployment") or (r["kind"] == "device" and r["pressure_atm"])), None)  # fmt: skip
    sums: dict[str, Any] = {"finished": bool(of("case_end")), "devices": len(of("device"))}
    for name, column in (("door_to_device_min", "arrival"), ("contact_to_device_min", "first_contact")):
        known = first is not None and patient[column]
        sums[name] = (
            minute(first) - datetime.fromisoformat(patient[column]).timestamp() / 60 if known else None
        )
    given = [float(r["volume_ml"]) for r in of("contrast")]
    sums["contrast_ml"] = sum(given) if given else None
    weight, creatinine, age, sex = (patient[n] for n in ("weight_kg", "creatinine_mg_dl", "age_y", "sex"))
    limit = min(300.0, 5 * float(weight) / float(creatinine)) if weight and creatinine else None
    sums["contrast_over_limit"] = sums["contrast_ml"] / limit if limit and given else None
    cleared = None
    if weight and creatinine and age and sex:
        cleared = (
            (140 - float(age)) * float(weight) / (72 * float(creatinine)) * (0.85 if sex == "female" else 1)
        )
    sums["contrast_over_clearance"] = sums["contrast_ml"] / cleared if cleared and given else None
    heparin = [minute(r) for r in of("drug") if r["drug"] == "heparin"]
    acts = [(minute(r), float(r["act_s"])) for r in of("act")]
    end = max(
        minute(r)
        for r in rows
        if r["kind"] in ("device", "device_event", "inflation", "deflation", "deployment")
    )
    kept = due = 0
    events = [
        *sorted([(m, "h") for m in heparin if m <= end] + [(m, "a") for m, _ in acts if m <= end]),
        (end, "e"),
    ]
    for (start, what), (stop, then) in pairwise(events):
        wait = 5 if what == "h" else 30
        in_time = stop - start <= wait + 1e-5
        if then == "a" or not in_time:
            due += 1
            kept += in_time
    sums |= {"act_gaps": due, "act_gaps_kept": kept}
    refused = []
    for i, row in enumerate(rows):
        if row["kind"] == "device_event" and row["happening"] == "not across":
            before = next(r for r in reversed(rows[:i]) if r["kind"] == "device" and r["device"] == row["device_event_device" if "device_event_device" in row else "device"])  # fmt: skip
            after = next((r for r in rows[i:] if r["kind"] == "device" and r["device"] != "guide"), None)
            refused.append((name_of(before), name_of(after) if after else None))
    sums["refused"] = refused
    sums["advice"], sums["noted"] = len(of("advice")), len(of("noted"))
    return sums


def name_of(row: Row) -> str:
    return f"{row['device']}, {row['type']}" if row["type"] else row["device"]


@pytest.fixture(scope="module")
def sums(cases: Path, found: Collection) -> dict[str, dict[str, Any]]:
    return {name: plain_sums(rows_of(cases / name)) for name in found["cases"]["case"]}


def test_each_case_has_the_figures_of_the_plain_sums(
    found: Collection, sums: dict[str, dict[str, Any]]
) -> None:
    assert len(sums) >= COUNT - 3
    for row in found["cases"].iter_rows(named=True):
        plain = sums[row["case"]]
        for name in (n for n in plain if n in row and n != "refused"):
            assert row[name] == pytest.approx(plain[name], abs=1e-3), (row["case"], name)
        assert row["answered"] == plain["noted"]


def test_the_answers_are_those_of_the_plain_sums(told: Answers, sums: dict[str, dict[str, Any]]) -> None:
    spreads = {spread.name: spread for spread in told.spreads}
    finished = [plain for plain in sums.values() if plain["finished"]]
    for name, column, among in (
        ("door to device", "door_to_device_min", sums.values()),
        ("first medical contact to device", "contact_to_device_min", sums.values()),
        ("contrast", "contrast_ml", finished),
        ("contrast / its limit", "contrast_over_limit", finished),
        ("contrast / clearance", "contrast_over_clearance", finished),
        ("devices in a case", "devices", finished),
    ):
        values = [plain[column] for plain in among if plain[column] is not None]
        low, median, high = statistics.quantiles(values, n=4, method="inclusive")
        spread = spreads[name]
        assert spread.n == len(values) > 5
        assert (spread.low, spread.median, spread.high) == pytest.approx((low, median, high), abs=1e-3)
    arrived = [int(p["door_to_device_min"]) for p in sums.values() if p["door_to_device_min"] is not None]
    assert spreads["door to device"].within == sum(minutes <= 90 for minutes in arrived)

    shares = {share.name: (share.part, share.whole) for share in told.shares}
    assert shares["clotting times taken in time"] == (
        sum(plain["act_gaps_kept"] for plain in sums.values()),
        sum(plain["act_gaps"] for plain in sums.values()),
    )
    ratios = [
        plain["contrast_over_clearance"] for plain in finished if plain["contrast_over_clearance"] is not None
    ]
    assert shares["cases at 2 times the clearance or more"] == (sum(r >= 2 for r in ratios), len(ratios))
    pairs = Counter(pair for plain in sums.values() for pair in plain["refused"])
    assert {(r.device, r.next_device): r.times for r in told.refused} == dict(pairs)
    assert told.refused_times == sum(pairs.values()) > 20
    (reminder,) = told.advice
    assert (reminder.spoken, reminder.answered) == (
        sum(plain["advice"] for plain in sums.values()),
        sum(plain["noted"] for plain in sums.values()),
    )


@pytest.mark.outside
def test_duckdb_reads_the_tables_and_comes_to_the_same_median(
    found: Collection, told: Answers, tmp_path: Path
) -> None:
    import duckdb

    keep(found, tmp_path)
    with duckdb.connect() as database:
        (median, count) = database.execute(
            f"select median(contrast_ml), count(contrast_ml) from read_parquet('{tmp_path}/cases.parquet') where finished"
        ).fetchone() or (None, None)
    spread = next(s for s in told.spreads if s.name == "contrast")
    assert (spread.median, spread.n) == (median, count)


# --- what is not whole --------------------------------------------------------------------------------------


def test_what_cannot_be_read_is_named_with_its_reason_and_stops_nothing(
    found: Collection, told: Answers
) -> None:
    reasons = dict(found["left_out"].iter_rows())
    assert "line" in reasons["spoilt/changed"] and "was changed" in reasons["spoilt/changed"]
    assert "nothing was called out" in reasons["spoilt/empty"]
    assert "is not JSON" in reasons["spoilt/no-journal-at-all"]
    assert "spoilt/newer" in reasons
    assert told.cases == COUNT + 5 == told.finished + told.unfinished + told.left_out
    assert told.unfinished == sum(not finished for finished in found["cases"]["finished"]) > 0
    torn = found["cases"].filter(pl.col("case") == "spoilt/torn").to_dicts()[0]
    assert "was cut off" in torn["note"] and not torn["finished"]


def test_a_case_that_the_digest_fails_on_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from checkback.collecting import folder

    list(write_cases(tmp_path / "cases", 2, seed=3))

    def fails(case: Case, limits: object) -> None:
        raise ZeroDivisionError("unforeseen")

    monkeypatch.setattr(folder, "digest", fails)
    left = collect(tmp_path / "cases", LIMITS)["left_out"]
    assert left["reason"].to_list() == ["cannot be digested: ZeroDivisionError: unforeseen"] * 2


def test_a_folder_with_no_case_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no journal"):
        collect(tmp_path, LIMITS)
    with pytest.raises(UserError, match="is no folder"):
        collect(tmp_path / "none", LIMITS)


def test_a_single_case_is_a_collection_too(tmp_path: Path) -> None:
    (tmp_path / "monday").mkdir()
    (tmp_path / "monday" / JOURNAL).write_bytes(b"".join(journal_lines(CASE)))
    assert collect(tmp_path / "monday", LIMITS)["cases"]["case"].to_list() == ["monday"]


def test_a_folder_that_cannot_be_looked_into_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    list(write_cases(tmp_path / "open", 1, seed=3))
    (tmp_path / "closed").mkdir()
    scandir = os.scandir

    def as_for_a_stranger(path: str) -> object:
        if Path(path).name == "closed":
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    # the tests may run as a user from whom nothing is closed
    monkeypatch.setattr(os, "scandir", as_for_a_stranger)
    found = collect(tmp_path, LIMITS)
    assert found["cases"].height == 1
    assert found["left_out"].rows() == [("closed", "cannot be looked into")]


# --- kept and read again ---------------------------------------------------------------------------------------


@pytest.fixture
def few(tmp_path: Path) -> tuple[Path, Path]:
    folder, out = tmp_path / "cases", tmp_path / "out"
    list(write_cases(folder, 6, seed=11))
    out.mkdir()
    keep(collect(folder, LIMITS), out)
    return folder, out


def same(one: Collection, other: Collection) -> bool:
    return all(one[name].equals(other[name]) for name in one.tables)


def journals(folder: Path) -> list[Path]:
    return sorted(folder.rglob(JOURNAL))


def test_what_did_not_change_is_kept_and_comes_to_the_same(few: tuple[Path, Path]) -> None:
    folder, out = few
    again = collect(folder, LIMITS, out)
    assert again.kept == 6
    assert same(again, collect(folder, LIMITS))


def test_a_byte_that_changed_in_the_middle_is_seen_though_time_and_size_are_as_before(
    few: tuple[Path, Path],
) -> None:
    folder, out = few
    path = next(path for path in journals(folder) if b'"act_s":2' in path.read_bytes())
    before = path.stat()
    path.write_bytes(path.read_bytes().replace(b'"act_s":2', b'"act_s":3', 1))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert path.stat().st_size == before.st_size
    again = collect(folder, LIMITS, out)
    assert again.kept == 5
    assert again["left_out"]["case"].to_list() == [path.parent.relative_to(folder).as_posix()]


def test_a_case_that_went_away_or_came_is_gone_or_there(few: tuple[Path, Path]) -> None:
    folder, out = few
    shutil.rmtree(journals(folder)[0].parent)
    (folder / "new").mkdir()
    (folder / "new" / JOURNAL).write_bytes(b"".join(journal_lines(CASE)))
    again = collect(folder, LIMITS, out)
    assert again.kept == 5 and again["cases"].height == 6
    assert same(again, collect(folder, LIMITS))


def test_with_other_limits_nothing_is_kept(few: tuple[Path, Path]) -> None:
    folder, out = few
    interval = LIMITS.act.interval.model_copy(update={"value": 1.0})
    stricter = LIMITS.model_copy(update={"act": LIMITS.act.model_copy(update={"interval": interval})})
    again = collect(folder, stricter, out)
    assert again.kept == 0
    assert (
        again["cases"]["act_gaps_kept"].sum() < collect(folder, LIMITS, out)["cases"]["act_gaps_kept"].sum()
    )


@pytest.mark.parametrize("spoil", ["cases.parquet", "refusals.parquet", "tables.sha256"])
def test_kept_tables_that_are_spoilt_are_as_if_there_were_none(few: tuple[Path, Path], spoil: str) -> None:
    folder, out = few
    (out / spoil).write_bytes(b"spoilt")
    again = collect(folder, LIMITS, out)
    assert again.kept == 0
    assert same(again, collect(folder, LIMITS))


def test_two_processes_come_to_the_same_as_one(cases: Path, found: Collection) -> None:
    assert same(collect(cases, LIMITS, workers=2), found)


# --- the command ------------------------------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def phrasebook_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read the phrasebook that ships with the program once for all tests: it takes a second."""
    monkeypatch.setattr(app, "load_book", lambda settings: book())


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_the_command_writes_page_tables_and_answers(cases: Path, told: Answers, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = run("collect", cases, "--out", out, "--workers", 1)
    assert done.exit_code == 0, done.exception
    assert "spoilt/changed is left out" in done.output
    assert f"{told.cases} cases: {told.finished} finished" in done.output
    assert json.loads((out / "answers.json").read_text(encoding="utf-8")) == json.loads(
        json.dumps(told.plain())
    )
    rows = list(csv.DictReader((out / "cases.csv").read_text(encoding="utf-8").splitlines()))
    assert len(rows) == told.finished + told.unfinished
    assert all(datetime.fromisoformat(row["began"]).tzinfo for row in rows)
    page = (out / "index.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(page)
    assert page.count("<svg") == 6
    # nothing is fetched from anywhere: the addresses in a drawing name its language, and are no links
    assert "<script" not in page and "<link" not in page and 'src="' not in page
    ids = [part.split('"')[0] for part in page.split(' id="')[1:]]
    assert len(ids) == len(set(ids))


def test_all_entries_of_all_cases_can_be_had(tmp_path: Path) -> None:
    folder = tmp_path / "cases"
    list(write_cases(folder, 3, seed=5))
    assert run("collect", folder, "--entries").exit_code == 0
    entries = pl.read_parquet(folder / "collection" / "entries.parquet")
    counted = dict(entries.group_by("case").len().iter_rows())
    assert counted == {
        path.parent.relative_to(folder).as_posix(): path.read_bytes().count(b"\n")
        for path in journals(folder)
    }


def test_figures_that_nobody_has_make_no_trouble(tmp_path: Path) -> None:
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / JOURNAL).write_bytes(b"".join(journal_lines(CASE[:2])))
    done = run("collect", tmp_path, "--workers", 1)
    assert done.exit_code == 0, done.exception
    assert "1 case: 0 finished, 1 unfinished, 0 left out" in done.output
    assert "not on record in any case" in (tmp_path / "collection" / "index.html").read_text(encoding="utf-8")


def test_the_command_as_a_user_starts_it(tmp_path: Path) -> None:
    done = checkback("collect", "nothing-here", cwd=tmp_path)
    assert (done.code, done.out) == (2, "")
    assert done.err == "checkback: nothing-here is no folder: name the one that holds the case folders\n"


def test_a_target_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    list(write_cases(tmp_path / "cases", 1, seed=5))
    done = run("collect", tmp_path / "cases", "--out", tmp_path / "file")
    assert isinstance(done.exception, UserError)
    assert "file cannot be written" in str(done.exception) and "--out" in str(done.exception)
