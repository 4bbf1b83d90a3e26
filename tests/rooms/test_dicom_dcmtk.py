"""The log read by others: dcmtk's dsrdump, dsr2xml and xml2dsr, and highdicom."""

from __future__ import annotations

import shutil
import subprocess
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from pathlib import Path

import pytest
from pydicom import dcmread

from checkback.record.case import Case
from checkback.record.entry import Act, Moment, Patient
from checkback.record.journal import Journal, Written
from checkback.reporting.dicom.checks import problems
from checkback.reporting.dicom.log import carried, dataset, file_bytes
from checkback.reporting.dicom.reading import read_log
from command_line import checkback, here
from invented_case import CASE, entry

dcmtk = pytest.mark.skipif(
    shutil.which("dsrdump") is None, reason="the Debian package dcmtk is not installed"
)


# xml2dsr refuses what dsr2xml makes of a patient of whom nothing is known: an empty element
KNOWN = Case([*CASE, entry(31, Patient(sex="male", age_y=Decimal(74)))])


def run(*command: str | Path) -> str:
    done = subprocess.run(list(map(str, command)), capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    # of UTF-8 dcmtk says only that its checker of characters does not know it
    errors = [line for line in done.stderr.splitlines() if line.startswith(("E:", "F:", "W:"))]
    assert [e for e in errors if "does not support this Specific Character Set: ISO_IR 192" not in e] == []
    return done.stdout


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "log.dcm"
    path.write_bytes(file_bytes(dataset(KNOWN, lambda e: e.words, notes=("Ünfinished.",))))
    return path


@dcmtk
@pytest.mark.outside
def test_dsrdump_reads_every_entry_as_a_procedure_log(path: Path) -> None:
    dump = run("dsrdump", "+Pl", path)
    assert dump.startswith("Procedure Log Document")
    assert dump.count("<contains ") == len(carried(KNOWN))
    assert '<contains NUM:(,,"Activated clotting time")="281" (s,UCUM,"s")>' in dump
    assert '(84812008,SCT,"Heparin")' in dump
    assert "Completion Flag     : PARTIAL" in dump and "Verification Flag   : UNVERIFIED" in dump


@dcmtk
@pytest.mark.outside
@pytest.mark.parametrize("minutes", [-720, -570, -60, -30, 0, 30, 60, 345, 840])
def test_dsrdump_reads_a_case_of_any_zone(tmp_path: Path, minutes: int) -> None:
    here = timezone(timedelta(minutes=minutes))
    moment = Moment(wall=datetime(2026, 3, 2, 23, 30, tzinfo=here), monotonic_s=0.0)
    told = [
        entry(1, Patient(sex="male", arrival=moment.wall), at=moment, said=moment),
        entry(2, Act(act_s=Decimal(281))),  # of another zone
    ]
    (tmp_path / "log.dcm").write_bytes(file_bytes(dataset(Case(told), lambda e: e.words)))
    assert run("dsrdump", tmp_path / "log.dcm").count("<contains ") == 2
    assert [e.at.wall for e in read_log(tmp_path / "log.dcm").entries] == [e.at.wall for e in told]


@dcmtk
@pytest.mark.outside
def test_a_round_trip_through_the_xml_of_dcmtk_keeps_the_entries(path: Path, tmp_path: Path) -> None:
    xml, back = tmp_path / "log.xml", tmp_path / "back.dcm"
    run("dsr2xml", "+Wt", path, xml)
    run("xml2dsr", xml, back)
    there, here = read_log(path), read_log(back)
    assert here.left_out == () and here.notes == ("Ünfinished.",)
    # the XML of dcmtk has times to the second
    assert [(e.n, e.body, e.at.wall, e.words, e.standing) for e in here.entries] == [
        (e.n, e.body, e.at.wall.replace(microsecond=0), e.words, e.standing) for e in there.entries
    ]
    assert len(here.entries) == len(carried(KNOWN))
    assert problems(dcmread(back)) == []


@pytest.mark.outside
def test_highdicom_reads_every_item_of_the_tree(path: Path) -> None:
    from highdicom.sr import ContentSequence

    ds = dcmread(path)
    # it has no class for the document; the root of the data set is the CONTAINER item itself
    items = ContentSequence.from_sequence(ds.ContentSequence, is_root=False)
    entries = [item for item in items if item.RelationshipType == "CONTAINS"]
    assert len(entries) == len(carried(KNOWN))
    (act,) = [item for item in entries if item.name.value == "3184-9"]
    assert (act.value, act.unit.value) == (281.0, "s")
    (site,) = [
        i
        for e in entries
        if e.name.value == "408715008"
        for i in e.ContentSequence
        if i.name.value == "363698007"
    ]
    assert site.value.value == "450960006"


def a_case(folder: Path, count: int) -> Path:
    with Journal.open(folder) as journal:
        for entry in CASE[:count]:
            assert isinstance(journal.append(entry), Written)
    return folder


def test_an_unfinished_case_is_exported_and_says_so_in_the_log(tmp_path: Path) -> None:
    a_case(tmp_path / "case", 20)
    done = checkback("export", "case", "--to", "dicom", cwd=tmp_path)
    assert done.code == 0, done.err
    assert "unfinished" in done.err
    ds = dcmread(tmp_path / "case" / "export" / "dicom" / "procedure-log.dcm")
    assert problems(ds) == []
    assert ds.CompletionFlagDescription.startswith("The case is unfinished")


def test_a_log_is_imported_as_a_case_of_its_own(tmp_path: Path) -> None:
    a_case(tmp_path / "case", 30)
    assert checkback("export", "case", "--to", "dicom", "--out", "out", cwd=tmp_path).code == 0
    done = checkback("import", "out/procedure-log.dcm", "--case", "back", cwd=tmp_path)
    assert done.code == 0, done.err
    back = Case(Journal.read(tmp_path / "back"))
    taken = [e for e in back.entries if e.source == "import"]
    sent = sorted((e for e in carried(Case(CASE)) if e.body.kind != "session"), key=lambda e: e.n)
    assert [(e.body, e.at.wall, e.words) for e in taken] == [(e.body, e.at.wall, e.words) for e in sent]
    assert back.contrast_ml() == 120


def test_a_damaged_log_is_refused_in_one_sentence(tmp_path: Path) -> None:
    a_case(tmp_path / "case", 30)
    assert here("export", "case", "--to", "dicom", "--out", "out", cwd=tmp_path).code == 0
    data = (tmp_path / "out" / "procedure-log.dcm").read_bytes()
    (tmp_path / "cut.dcm").write_bytes(data[:200])
    done = here("import", "cut.dcm", "--case", "back", cwd=tmp_path)
    assert done.code == 2
    assert "Traceback" not in done.err and "cut.dcm" in done.err
    assert not (tmp_path / "back").exists()


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    a_case(tmp_path / "case", 30)
    (tmp_path / "out").write_text("a file stands in the way")
    done = here("export", "case", "--to", "dicom", "--out", "out", cwd=tmp_path)
    assert done.code == 2
    assert "out cannot be written" in done.err
