"""The table of a case: columns from the types, cells that other tools read."""

from __future__ import annotations

import csv
import io
import re
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings

from checkback.errors import UserError
from checkback.record.entry import Contrast, Entry, Session, Withdrawal
from checkback.reporting.tables import COLUMNS, SCHEMA, TABLE, table, table_schema, unguarded, write_tables
from invented_case import CASE, entry
from strategies import BODY_CLASSES, cases


def standing(entry: Entry) -> tuple[str, int | None]:
    """Tell what became of the entries of the invented case."""
    if entry.n == 15:
        return "amended", 16
    return ("withdrawn", None) if entry.n == 19 else (entry.standing, None)


def summary(entry: Entry) -> str:
    return f'{entry.n}: "{entry.body.kind}", said'


def read_back(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_an_invented_case_as_a_table() -> None:
    text = table(CASE, standing=standing, summary=summary)
    assert text.count("\r\n") == 31
    told = read_back(text)
    assert [row["n"] for row in told] == [str(n) for n in range(1, 31)]

    balloon = {name: cell for name, cell in told[15].items() if cell}
    assert balloon == {
        "n": "16",
        "at": "2026-03-02T09:19:25.250+01:00",
        "said": "2026-03-02T09:19:25.250+01:00",
        "recorded": "2026-03-02T09:19:27.150+01:00",
        "session": "1",
        "kind": "device",
        "standing": "stands",
        "amends": "15",
        "source": "speech",
        "words": "affirm",
        "recogniser": "pocketsphinx",
        "score": "-1934.25",
        "summary": '16: "device", said',
        "device": "balloon",
        "type": "non-compliant",
        "diameter_mm": "2.5",
        "length_mm": "12",
        "stocked": "true",
    }
    assert (told[14]["standing"], told[14]["amended_by"]) == ("amended", "16")
    assert told[14]["question"] == "twelve, or twenty?"
    assert (told[18]["standing"], told[18]["amended_by"]) == ("withdrawn", "")
    assert told[19]["words"] == CASE[19].words
    assert told[23]["target"] == "19"


def test_the_columns_of_the_entry_come_first() -> None:
    assert [column.name for column in COLUMNS][:15] == [
        "n", "at", "said", "recorded", "session", "kind", "standing", "amended_by", "amends", "source", "words",
        "recogniser", "score", "question", "summary",
    ]  # fmt: skip
    names = [column.name for column in COLUMNS]
    assert len(names) == len(set(names))


def test_every_field_of_every_class_has_its_column() -> None:
    names = {column.name for column in COLUMNS[15:]}
    for cls in BODY_CLASSES:
        for field in cls.model_fields.keys() - {"kind"}:
            assert field in names or f"{cls.model_fields['kind'].default}_{field}" in names


def test_a_field_named_like_one_of_the_entry_has_a_column_of_its_own() -> None:
    session = Session(
        number=2, program_version="0.1.0", recogniser="vosk", phrasebook_sha256="a", catalogue_sha256="b"
    )
    (row,) = read_back(table([entry(1, session)], standing=standing, summary=summary))
    assert (row["recogniser"], row["session_recogniser"]) == ("", "vosk")


def test_every_number_tells_its_unit_or_has_none() -> None:
    told = {column.name: column for column in COLUMNS}
    bare = {column.name for column in COLUMNS if column.type == "number" and column.unit is None}
    assert bare == {"score", "dose", "rate", "pain_of_ten", "thrombus_grade", "timi", "ratio"}
    assert told["dose_area_gy_cm2"].unit == "Gy·cm²"
    assert told["fluoroscopy_min"].unit == "min"
    assert told["rate_per_min"].unit == "1/min"
    assert told["air_kerma_mgy"].unit == "mGy"
    assert "Unit: atm." in told["pressure_atm"].description
    assert "column unit" in told["dose"].description


def test_a_description_says_which_kinds_it_is_for() -> None:
    fields = {field["name"]: field for field in table_schema()["fields"]}
    assert fields["type"]["description"].startswith("In device: Generic sub-class, such as non-compliant.")
    assert "enum" not in fields["type"].get("constraints", {})
    assert fields["curve"]["description"] == "Catheter curve, such as JR4. Belongs to device."
    assert all(field["description"] for field in fields.values())


@pytest.mark.parametrize(
    ("volume", "cell"),
    [
        ("120", "120"),
        ("1E+2", "100"),
        ("2.50", "2.5"),
        ("0.0", "0"),
        ("0.125", "0.125"),
        ("100000", "100000"),
    ],
)
def test_numbers_are_written_plainly(volume: str, cell: str) -> None:
    said = entry(1, Contrast(volume_ml=Decimal(volume), counted="given"))
    (row,) = read_back(table([said], standing=standing, summary=summary))
    assert row["volume_ml"] == cell


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(cases())
def test_any_case_comes_back_from_its_table(case: list[Entry]) -> None:
    told = read_back(table(case, standing=lambda each: (each.standing, None), summary=summary))
    assert len(told) == len(case)
    for row, each in zip(told, case, strict=True):
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}[+-]\d\d:\d\d", row["at"])
        assert datetime.fromisoformat(row["at"]) == each.at.wall
        assert unguarded(row["words"]) == each.words
        assert row["summary"] == summary(each)
        for field, value in each.body:
            if field == "kind":
                continue
            cell = row.get(f"{each.body.kind}_{field}", row[field])
            if isinstance(value, bool):
                assert cell == str(value).lower()
            elif isinstance(value, datetime):
                assert datetime.fromisoformat(cell) == value
            elif isinstance(value, int | float | Decimal):
                assert Decimal(cell) == Decimal(str(value))
            else:
                assert unguarded(cell) == (value or "")


def test_tables_are_replaced_whole(tmp_path: Path) -> None:
    write_tables(CASE[:3], tmp_path, standing=standing, summary=summary)
    paths = write_tables(CASE, tmp_path, standing=standing, summary=summary)
    assert paths == (tmp_path / TABLE, tmp_path / SCHEMA)
    assert paths[0].read_bytes().decode() == table(CASE, standing=standing, summary=summary)
    assert sorted(path.name for path in tmp_path.iterdir()) == [TABLE, SCHEMA]


def test_a_failure_leaves_the_earlier_table(tmp_path: Path) -> None:
    write_tables(CASE[:3], tmp_path, standing=standing, summary=summary)
    before = (tmp_path / TABLE).read_bytes()

    def unsure(entry: Entry) -> str:
        raise LookupError(entry.n)

    with pytest.raises(LookupError):
        write_tables(CASE, tmp_path, standing=standing, summary=unsure)
    assert (tmp_path / TABLE).read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == [TABLE, SCHEMA]


def test_a_missing_folder_is_said_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(
        UserError, match=r"The tables cannot be written into .*nowhere \(No such file or directory\)"
    ):
        write_tables(CASE, tmp_path / "nowhere", standing=standing, summary=summary)


def test_withdrawals_point_into_the_table() -> None:
    keys = {key["fields"][0] for key in table_schema()["foreignKeys"]}
    assert keys == {"amended_by", "amends", *Withdrawal.model_fields} - {"kind"}
