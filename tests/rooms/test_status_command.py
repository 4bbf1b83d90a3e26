"""`checkback status`, on cases that ended, that run, and that are empty."""

from __future__ import annotations

import json
import shutil
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

import english
from checkback.record.entry import CaseEnd, Drug, Entry, Patient, Unclear
from checkback.record.journal import JOURNAL
from checkback.watching.status import Status
from command_line import Done, checkback, here
from invented_case import CASE, journal_lines

LAST_LINES = [
    "check against local protocol",
    "Checkback is not a medical device. It advises; licensed staff decide. Check against local protocol.",
]


def folder_of(entries: tuple[Entry, ...], where: Path) -> Path:
    case = where / "case"
    case.mkdir()
    (case / JOURNAL).write_bytes(b"".join(journal_lines(entries)))
    return case


def state(done: Done) -> Status:
    assert done.code == 0, done.err
    return Status.model_validate_json(done.out)


def with_patient(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    """Return the case with the patient, and heparin in the unit that the program writes."""
    patient = Patient(age_y=Decimal(70), sex="male", weight_kg=Decimal(80), creatinine_mg_dl=Decimal("1.5"))
    heparin = Drug(drug="heparin", dose=Decimal(5000), unit="U", route="intravenous")
    changed = {2: patient, 5: heparin}
    return tuple(
        entry.model_copy(update={"body": changed[entry.n]}) if entry.n in changed else entry
        for entry in entries
    )


def test_a_case_that_ended_is_shown_as_it_was_at_its_end(tmp_path: Path) -> None:
    done = here("status", folder_of(with_patient(CASE), tmp_path), "--json")
    found = state(done)
    assert isinstance(CASE[-1].body, CaseEnd)
    assert found.ended and found.at == CASE[-1].recorded
    # Cigarroa, Am J Med 1989;86:649: 5 mL x 80 kg / 1.5 mg/dL, less the 120 mL given.
    assert found.contrast.left.value == pytest.approx(266.67 - 120, abs=0.005)
    assert found.clotting.heparin_per_kg.value == pytest.approx(62.5)
    assert [stent.device for stent in found.devices.implants] == ["drug-eluting stent 2.75 × 28 mm"]


def test_the_table_has_every_section_and_ends_with_the_warnings(tmp_path: Path) -> None:
    done = checkback("status", folder_of(with_patient(CASE), tmp_path))
    assert done.code == 0 and done.err == ""
    lines = done.out.splitlines()
    assert [line.rstrip() for line in lines[-2:]] == LAST_LINES
    for section in (
        "patient",
        "devices",
        "contrast",
        "clotting",
        "radiation",
        "times",
        "missing in the record",
    ):
        assert section in [line.rstrip() for line in lines]
    folded = " ".join(done.out.split())
    assert "maximum allowable 266 mL" in folded and "Cigarroa" in folded


def test_a_case_that_still_runs_as_it_was_at_a_time(tmp_path: Path) -> None:
    running = with_patient(CASE[:18])
    case = folder_of(running, tmp_path)
    inflated = CASE[16]
    at = inflated.recorded.wall + timedelta(seconds=3)
    found = state(here("status", case, "--at", at.isoformat(), "--json"))
    assert not found.ended
    (up,) = found.devices.up
    # it went up at the start of the call-out, 1.9 s before that was recorded
    assert up.up.value == pytest.approx(4.9)
    # the deflation came later
    assert state(here("status", case, "--json")).devices.up == ()


def test_a_time_later_than_the_end_lets_the_clocks_run_on(tmp_path: Path) -> None:
    case = folder_of(with_patient(CASE), tmp_path)
    later = CASE[-1].recorded.wall + timedelta(minutes=30)
    now = state(here("status", case, "--json")).clotting.act_age.value
    then = state(here("status", case, "--at", later.isoformat(), "--json")).clotting.act_age.value
    assert now is not None and then == pytest.approx(now + 30)


def test_a_case_with_nothing_but_its_start(tmp_path: Path) -> None:
    done = here("status", folder_of(CASE[:1], tmp_path))
    assert done.code == 0, done.err
    assert "weight is not on record" in " ".join(done.out.split())
    assert [line.rstrip() for line in done.out.splitlines()[-2:]] == LAST_LINES


def test_a_journal_with_no_line_yet(tmp_path: Path) -> None:
    done = here("status", folder_of((), tmp_path), "--json")
    assert state(done).contrast.total.missing == "contrast is not on record"


def test_words_of_the_room_cannot_move_the_screen(tmp_path: Path) -> None:
    strange = CASE[1].model_copy(
        update={"body": Unclear(), "standing": "questioned", "question": "\x1b[2J[bold]twelve?"}
    )
    done = here("status", folder_of((CASE[0], strange), tmp_path))
    assert done.code == 0 and "\x1b" not in done.out
    assert "[bold]twelve?" in done.out


@pytest.mark.parametrize("when", ["noon", "2026-13-02T08:00:00+01:00", "9999-12-31T23:59:59-10:00"])
def test_a_time_that_is_none(tmp_path: Path, when: str) -> None:
    done = here("status", folder_of(CASE[:3], tmp_path), "--at", when)
    assert done.code == 2
    assert done.err == f"checkback: --at {when}: not a time; write it like 2026-03-02T08:00:00+01:00\n"


def test_no_such_case(tmp_path: Path) -> None:
    done = here("status", tmp_path / "none")
    assert done.code == 2 and done.err.count("\n") == 1 and "none" in done.err


def test_limits_with_a_wrong_key_are_named(tmp_path: Path) -> None:
    grammars = Path(shutil.copytree(english.GRAMMARS, tmp_path / "grammars"))
    text = (grammars / "limits.toml").read_text(encoding="utf-8")
    (grammars / "limits.toml").write_text(text.replace('unit = "kg"', 'unit = "lb"'), encoding="utf-8")
    done = here(
        "status",
        folder_of(CASE[:3], tmp_path),
        cwd=tmp_path,
        settings='[language]\nfolder = "grammars"\n',
    )
    assert done.code == 2 and done.err.count("\n") == 1
    assert "plausible.weight" in done.err and "must be 'kg'" in done.err


def test_json_is_one_line_with_the_moment_in_it(tmp_path: Path) -> None:
    done = here("status", folder_of(CASE, tmp_path), "--json")
    assert done.out.count("\n") == 1
    wall = json.loads(done.out)["at"]["wall"]
    assert datetime.fromisoformat(wall) == CASE[-1].recorded.wall
