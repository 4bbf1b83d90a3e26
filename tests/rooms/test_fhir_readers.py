"""FHIR documents before readers that are not ours, and through the commands.

Outside: `fhirkit`, made from the R4 specification, which checks types, cardinalities and unknown
elements; the models of `fhir.resources`, and the value sets that they carry and do not apply.
"""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path

import click
import fhirkit
import pytest
from click.testing import CliRunner, Result
from fhir.resources.R4B import composition, device, get_fhir_model_class, narrative, provenance
from fhir.resources.R4B.bundle import Bundle

from checkback import app
from checkback.cli import cli
from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import Device, Entry
from checkback.record.journal import JOURNAL
from checkback.reporting.fhir.bundle import as_text, document
from checkback.reporting.fhir.checks import REQUIRED
from checkback.reporting.fhir.coverage import sample
from checkback.reporting.fhir.shapes import BODY_TYPES, NOT_HELD, held
from english import book
from invented_case import CASE, entry, journal_lines


@pytest.fixture(autouse=True)
def phrasebook_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read the phrasebook that ships with the program once for all tests: it takes a second."""
    monkeypatch.setattr(app, "load_book", lambda settings: book())


def everything() -> list[Entry]:
    """Return a case with every kind of entry, every field filled, each twice: certain and questioned."""
    bodies = [sample(kind) for kind in BODY_TYPES if kind not in NOT_HELD]
    standings = ["stands"] * len(bodies) + ["questioned"] * len(bodies)
    return [
        entry(n, body, "words", standing=standing)
        for n, (body, standing) in enumerate(zip(bodies * 2, standings, strict=True), start=1)
    ]


@pytest.mark.outside
@pytest.mark.parametrize("entries", [list(CASE), everything()], ids=["invented", "every kind"])
def test_a_document_is_valid_r4(entries: list[Entry]) -> None:
    text = as_text(document(Case(entries), Phrasing(book())))
    assert [str(issue) for issue in fhirkit.validate(text)] == []
    # and it is not blind, but for the codes that a value set allows
    assert fhirkit.validate(text.replace('"subject"', '"subjekt"'))
    assert fhirkit.validate(text.replace('"fullUrl"', '"fullURL"'))


@pytest.mark.outside
@pytest.mark.parametrize("entries", [list(CASE), everything()], ids=["invented", "every kind"])
def test_the_models_read_it_and_write_the_same(entries: list[Entry]) -> None:
    text = as_text(document(Case(entries), Phrasing(book())))
    read = Bundle.model_validate_json(text)
    again = json.loads(read.model_dump_json(), parse_float=Decimal, parse_int=Decimal)
    ours = json.loads(text, parse_float=Decimal, parse_int=Decimal)
    assert [e["resource"]["resourceType"] for e in again["entry"]] == [
        e["resource"]["resourceType"] for e in ours["entry"]
    ]
    observations = [[e["resource"].get("valueQuantity") for e in bundle["entry"]] for bundle in (again, ours)]
    assert observations[0] == observations[1]


@pytest.mark.outside
def test_our_value_sets_are_those_of_the_specification() -> None:
    """Outside: what `fhir.resources` carries of the required bindings; statuses in CodeableConcepts it does not."""
    inner = {
        "Narrative": narrative.Narrative,
        "udiCarrier": device.DeviceUdiCarrier,
        "deviceName": device.DeviceDeviceName,
        "entity": provenance.ProvenanceEntity,
        "attester": composition.CompositionAttester,
    }
    compared = 0
    for (place, element), ours in REQUIRED.items():
        model = inner.get(place) or get_fhir_model_class(place)
        carried = (model.model_fields[element].json_schema_extra or {}).get("enum_values")
        if carried and ours != {"document"}:
            # "+": there are more than the models carry
            whole = "+" not in carried
            assert ours == set(carried) if whole else ours > set(carried) - {"+"}, (place, element)
            compared += 1
    assert compared == len(REQUIRED) - 4


@pytest.mark.outside
def test_devices_can_be_found_by_a_reader_that_knows_only_fhir() -> None:
    """The way from the use of a stent to its size, with nothing of this project but the file."""
    bundle = Bundle.model_validate_json(as_text(document(Case(CASE), Phrasing(book()))))
    by_address = {e.fullUrl: e.resource for e in bundle.entry}
    stents = []
    for each in by_address.values():
        if each.get_resource_type() != "DeviceUseStatement":
            continue
        device = by_address[each.device.reference]
        if device.type.coding[0].code == "65818007":
            sizes = [p.valueQuantity[0] for p in device.property if p.valueQuantity]
            stents.append([(size.value, size.code) for size in sizes])
    (body,) = [e.body for e in CASE if isinstance(e.body, Device) and e.body.device == "stent"]
    assert stents == [[(body.diameter_mm, "mm"), (body.length_mm, "mm")]]


# --- the commands -----------------------------------------------------------------------------


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def case_of(folder: Path, entries: list[Entry]) -> Path:
    folder.mkdir()
    (folder / JOURNAL).write_bytes(b"".join(journal_lines(entries)))
    return folder


def test_a_case_goes_out_and_comes_back(tmp_path: Path) -> None:
    case = case_of(tmp_path / "monday-1", list(CASE))
    before = (case / JOURNAL).read_bytes()
    done = run("export", case, "--to", "fhir")
    assert done.exit_code == 0, done.output
    path = case / "export" / "fhir" / "case.fhir.json"
    assert done.stdout == f"{path}\n"
    assert (case / JOURNAL).read_bytes() == before
    taken = run("import", path, "--case", tmp_path / "back")
    assert taken.exit_code == 0, taken.output
    back, notes = app.read_case(tmp_path / "back")
    assert notes == []
    entries = [e for e in back.entries if e.source == "import"]
    expected = held(Case(CASE))
    assert [(e.body, e.at.wall, e.standing) for e in entries] == [
        (e.body, e.at.wall, e.standing) for e in expected
    ]


def test_an_unfinished_case_says_so_in_the_document(tmp_path: Path) -> None:
    case = case_of(tmp_path / "monday-1", list(CASE[:12]))
    done = run("export", case, "--to", "fhir", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    bundle = json.loads((tmp_path / "out" / "case.fhir.json").read_text(encoding="utf-8"))
    assert "The case is unfinished" in bundle["entry"][0]["resource"]["section"][0]["text"]["div"]
    assert bundle["entry"][3]["resource"]["status"] == "in-progress"


def test_a_broken_journal_is_refused_or_marked(tmp_path: Path) -> None:
    case = case_of(tmp_path / "monday-1", list(CASE))
    lines = (case / JOURNAL).read_bytes()
    (case / JOURNAL).write_bytes(lines.replace(b'"dose":5000', b'"dose":9000'))
    refused = run("export", case, "--to", "fhir")
    assert isinstance(refused.exception, UserError)
    assert not (case / "export" / "fhir" / "case.fhir.json").exists()
    done = run("export", case, "--to", "fhir", "--despite-breaks")
    assert done.exit_code == 0, done.output
    text = (case / "export" / "fhir" / "case.fhir.json").read_text(encoding="utf-8")
    about = json.loads(text)["entry"][0]["resource"]["section"][0]["text"]["div"]
    assert "is broken" in about


def test_a_changed_document_is_imported_only_when_asked(tmp_path: Path) -> None:
    case = case_of(tmp_path / "monday-1", list(CASE))
    run("export", case, "--to", "fhir")
    path = case / "export" / "fhir" / "case.fhir.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"mm[Hg]"', '"kPa"'), encoding="utf-8")
    refused = run("import", path, "--case", tmp_path / "back")
    assert isinstance(refused.exception, (UserError, click.ClickException))
    assert "kPa where mm[Hg] is due" in str(refused.exception)
    assert not (tmp_path / "back").exists()
    taken = run("import", path, "--case", tmp_path / "back", "--skip-bad")
    assert taken.exit_code == 0, taken.output
    back, _ = app.read_case(tmp_path / "back")
    assert not any(e.body.kind == "blood_pressure" for e in back.entries)


def test_another_resource_is_refused_in_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "patient.json"
    path.write_text('{"resourceType": "Patient"}')
    refused = run("import", path, "--case", tmp_path / "back")
    assert isinstance(refused.exception, UserError)
    assert f"{path}: This is no FHIR Bundle" in str(refused.exception)


def test_a_target_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    case = case_of(tmp_path / "monday-1", list(CASE))
    (tmp_path / "file").write_text("")
    refused = run("export", case, "--to", "fhir", "--out", tmp_path / "file" / "out")
    assert isinstance(refused.exception, UserError)
    assert "cannot be written" in str(refused.exception)
