"""Unique device identifiers: what a scanner types, taken apart, and what cannot be right."""

from __future__ import annotations

from contextlib import suppress

import pytest
from biip.checksums import gs1_standard_check_digit
from hypothesis import given
from hypothesis import strategies as st

import english
from checkback.errors import UserError
from checkback.language.reading import Reading
from checkback.language.udi import ScanReader, hibc_check_character, read_udi
from checkback.record.entry import Identity

READER = ScanReader(english.book())

PLAIN = "010950600013435217280131"
"""GTIN 09506000134352 and the end of January 2028, without brackets."""


# --- GS1 ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("digits", "check"),
    [
        # published sample of the library biip
        ("890400021003", 7),
        # the example GTIN of the GS1 General Specifications
        ("0950600013435", 2),
    ],
)
def test_the_check_digit_of_gs1(digits: str, check: int) -> None:
    assert gs1_standard_check_digit(digits) == check


@pytest.mark.parametrize(
    "scan",
    [
        "(01)09506000134352(17)280131(10)ABC123(21)SN0001",
        "(01)09506000134352 (17)280131 (10)ABC123 (21)SN0001",
        "(01)09506000134352(17)280131(10)ABC123<GS>(21)SN0001",
        f"{PLAIN}10ABC123\x1d21SN0001",
        f"{PLAIN}10ABC123<GS>21SN0001\n",
        f"\x1d{PLAIN}10ABC123\x1d21SN0001",
        f"]C1{PLAIN}10ABC123\x1d21SN0001",
        f"]d2{PLAIN}10ABC123\x1d21SN0001\r\n",
        f"]Q3{PLAIN}10ABC123{{GS}}21SN0001",
        "010950600013435221SN0001\x1d10ABC123\x1d17280131",
    ],
)
def test_one_label_however_the_scanner_is_set(scan: str) -> None:
    (identity,) = read_udi(scan)
    assert identity.device_identifier == "09506000134352"
    assert (identity.lot, identity.serial, identity.expires) == ("ABC123", "SN0001", "2028-01-31")
    assert "\x1d" not in identity.udi


def test_day_zero_is_the_end_of_the_month() -> None:
    # GS1 General Specifications, section 3.4.7
    assert read_udi("(01)09506000134352(17)280200(10)A1")[0].expires == "2028-02-29"


def test_the_second_of_two_barcodes_names_no_device() -> None:
    assert read_udi("1728013110ABC123") == (
        Identity(udi="1728013110ABC123", lot="ABC123", expires="2028-01-31"),
    )


def test_a_separator_left_out_is_asked_for() -> None:
    found = read_udi(f"{PLAIN}10ABC12321SN0001")
    assert [(each.lot, each.serial) for each in found] == [("ABC12321SN0001", None), ("ABC123", "SN0001")]


@pytest.mark.parametrize("lot", ["ABC123", "210415", "A21B"])
def test_an_ordinary_lot_is_not_asked_for(lot: str) -> None:
    assert [each.lot for each in read_udi(f"{PLAIN}10{lot}")] == [lot]


@pytest.mark.parametrize(
    ("scan", "why"),
    [
        ("(01)09506000134353(10)ABC123", "its check digit is wrong"),
        ("]d20109506000134353", "its check digit is wrong"),
        ("(01)0950600013435(10)ABC123", "it does not follow the rules of GS1"),
        ("(01)09506000134352(17)280231(10)ABC123", "it does not follow the rules of GS1"),
        ("]C199INTERNAL", "it names neither a device nor a lot nor a serial number"),
        ("(17)280131", "it names neither a device nor a lot nor a serial number"),
        ("+A123BJC5D6E71H", "its check character is wrong"),
        ("+A123BJC5D6E7éG", "its check character is wrong"),
    ],
)
def test_what_cannot_be_right_is_said_in_one_sentence(scan: str, why: str) -> None:
    with pytest.raises(
        UserError, match=rf"^The code .* is no device identifier: {why}; scan it again, or type its lot.$"
    ):
        read_udi(scan)


@given(st.integers(0, 13), st.integers(1, 9))
def test_no_single_wrong_digit_of_a_gtin_gets_through(place: int, step: int) -> None:
    digits = list("09506000134352")
    digits[place] = str((int(digits[place]) + step) % 10)
    with pytest.raises(UserError, match="check digit"):
        read_udi(f"(01){''.join(digits)}(10)ABC123")


# --- HIBC -----------------------------------------------------------------------------------------


def hibc(data: str) -> str:
    return data + hibc_check_character(data)


def test_the_check_character_of_hibc() -> None:
    # the worked example of ANSI/HIBC 2, Supplier Labeling Standard
    assert hibc_check_character("+A123BJC5D6E71") == "G"
    assert read_udi("+A123BJC5D6E71G") == (Identity(udi="+A123BJC5D6E71G", device_identifier="A123BJC5D6E7"),)


def test_a_symbology_identifier_in_front_of_hibc() -> None:
    assert read_udi("]A0+A123BJC5D6E71G") == read_udi("+A123BJC5D6E71G")


def test_a_damaged_primary_is_no_serial_number() -> None:
    with pytest.raises(UserError, match="does not follow the rules of HIBC"):
        read_udi(hibc("+S123BJC5D6EX"))


def test_a_published_label_with_everything() -> None:
    # sample of an open-source HIBC reader; its check character is the sign "-"
    (identity,) = read_udi("*+A99912345/$$52001510X3/16D20111212/S77DE1G45-*")
    assert identity.device_identifier == "A9991234"
    assert (identity.lot, identity.serial, identity.expires) == ("10X3", "77DE1G45", "2020-01-15")


@pytest.mark.parametrize(
    ("secondary", "lot", "serial", "expires"),
    [
        ("$LOT1", "LOT1", None, None),
        ("$+SER1", None, "SER1", None),
        ("$$0228LOT1", "LOT1", None, "2028-02-29"),
        ("$$1227LOT1", "LOT1", None, "2027-12-31"),
        ("$$2013128LOT1", "LOT1", None, "2028-01-31"),
        ("$$3280131LOT1", "LOT1", None, "2028-01-31"),
        ("$$428013122LOT1", "LOT1", None, "2028-01-31"),
        ("$$528366LOT1", "LOT1", None, "2028-12-31"),
        ("$$62803122LOT1", "LOT1", None, "2028-01-31"),
        ("$$7LOT1", "LOT1", None, None),
        ("$$8241227LOT1", "LOT1", None, "2027-12-31"),
        ("$$9001003280131LOT1", "LOT1", None, "2028-01-31"),
        ("$$+3280131SER1", None, "SER1", "2028-01-31"),
        ("28031LOT1", "LOT1", None, "2028-01-31"),
        ("$LOT1/14D20280131", "LOT1", None, "2028-01-31"),
    ],
)
def test_every_form_of_hibc_secondary_data(
    secondary: str, lot: str | None, serial: str | None, expires: str | None
) -> None:
    (identity,) = read_udi(hibc(f"+A123BJC5D6E71/{secondary}"))
    assert identity.device_identifier == "A123BJC5D6E7"
    assert (identity.lot, identity.serial, identity.expires) == (lot, serial, expires)
    # in a barcode of its own the link character stands before the check character
    (alone,) = read_udi(hibc(f"+{secondary}G"))
    assert alone.device_identifier is None
    assert (alone.lot, alone.serial, alone.expires) == (lot, serial, expires)


@pytest.mark.parametrize("secondary", ["$$1327LOT", "$$2023028LOT", "$$527366LOT", "$$3", "XYZ", "14D2028"])
def test_hibc_secondary_data_that_no_label_has(secondary: str) -> None:
    with pytest.raises(UserError, match="does not follow the rules of HIBC"):
        read_udi(hibc(f"+A123BJC5D6E71/{secondary}"))


def test_the_check_character_may_be_a_space() -> None:
    lots = (f"+A123BJC5D6E71/$A{n}" for n in range(1000))
    data = next(each for each in lots if hibc_check_character(each) == " ")
    assert read_udi(f"{data} \n")[0].udi == f"{data} "


# --- typed lines ----------------------------------------------------------------------------------


near_labels = st.lists(
    st.sampled_from(
        [*"+$/(){} \x1d]017", "(01)", "(10)", PLAIN, "10", "21", "17", "+A123", "$$", "lot ", "correction "]
    )
    | st.text(max_size=4),
    max_size=8,
).map("".join)


@given(near_labels)
def test_any_line_is_read_or_refused_in_one_sentence(line: str) -> None:
    found: tuple[Reading, ...] = ()
    with suppress(UserError):
        found = READER.read(line)
    assert {reading.family for reading in found} <= {"identity"}


def test_no_call_out_passes_for_a_label() -> None:
    for sample in english.samples(500, seed=7):
        assert READER.read(sample.words) == ()
    for typed in ("14", "120/80", "balloon 2.5x12, 14 atm", "lot", "correction 16", "+", "1728"):
        assert READER.read(typed) == ()


@pytest.mark.parametrize("line", ["lot AB123", "Lot AB123\n", "LOT number AB123", "batch AB123"])
def test_a_lot_may_be_typed(line: str) -> None:
    (reading,) = READER.read(line)
    assert reading.body == Identity(lot="AB123")


def test_a_correction_of_the_lot_keeps_the_rest() -> None:
    (reading,) = READER.read("correction entry 12 lot AB124")
    assert (reading.role, reading.correction, reading.target) == ("fragment", True, 12)
    assert reading.fields == {"lot": "AB124"}


def test_a_corrected_scan_keeps_its_separators() -> None:
    (reading,) = READER.read(f"correction {PLAIN}10ABC123\x1d21SN0001")
    assert reading.correction and reading.role == "event"
    assert (reading.body.lot, reading.body.serial) == ("ABC123", "SN0001")
