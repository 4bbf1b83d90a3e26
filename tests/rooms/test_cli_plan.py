"""What is known of the patient, asked before scrubbing."""

from __future__ import annotations

import json
from pathlib import Path

from checkback.app import load_plan
from command_line import checkback, here


def test_answers_become_a_plan_and_a_wrong_one_is_asked_again(tmp_path: Path) -> None:
    done = checkback("plan", "plan.json", cwd=tmp_path, given="740\n74\nmale\n78\n\n\n124\n")
    assert done.code == 0, done.err
    assert "less than or equal to 120" in done.out
    assert json.loads((tmp_path / "plan.json").read_text()) == {
        "age_y": 74, "sex": "male", "weight_kg": 78, "creatinine_umol_l": 124,
    }  # fmt: skip
    assert load_plan(tmp_path / "plan.json").weight_kg == 78


def test_both_creatinines_are_refused_and_the_second_is_asked_again(tmp_path: Path) -> None:
    done = here("plan", "plan.json", cwd=tmp_path, given="\n\n\n\n1.4\n124\n\n")
    assert "not both" in done.out
    assert json.loads((tmp_path / "plan.json").read_text()) == {"creatinine_mg_dl": 1.4}


def test_a_name_that_is_no_json_is_refused(tmp_path: Path) -> None:
    done = here("plan", "plan.toml", cwd=tmp_path)
    assert (done.code, done.err) == (2, "checkback: plan.toml: give a name that ends in .json\n")
