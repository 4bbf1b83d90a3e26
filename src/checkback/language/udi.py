"""Unique device identifiers, as a barcode scanner types them, and lots that are typed by hand.

GS1 element strings are taken apart by the library `biip`, with brackets or as scanned.  HIBC labels
are read here, by a few lines of our own: the package index has no library for them.

Sources: GS1 General Specifications (application identifiers 01, 10, 17 and 21, check digit modulo
10); ANSI/HIBC 2.6 Supplier Labeling Standard (primary and secondary data, check character modulo 43).
"""

from __future__ import annotations

import re
from calendar import monthrange
from datetime import date, timedelta

from biip import ParseError
from biip.checksums import gs1_standard_check_digit
from biip.gs1_messages import GS1Message

from checkback.errors import UserError
from checkback.language.expression import Named, Node, walk
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reading, match, normalise
from checkback.record.entry import Identity

SEPARATOR = "\x1d"
"""GS, which ends an element of variable length."""

_SEPARATORS = re.compile(r"<gs>|\{gs\}|\u241d", re.IGNORECASE)
_SYMBOLOGY = re.compile(r"\](C1|d2|Q3|e0|J1)")
_OTHER_SYMBOLOGY = re.compile(r"^\s*\][A-Za-z]\d(?=\*?\+)")
"""In front of an HIBC label, which any symbology may carry."""

_BRACKETS = re.compile(r"\(\d{2,4}\)")
# without any mark only what no call-out looks like: a device, or a date with a lot or serial number
_BARE = re.compile(r"01\d{14}[^ ]*|1[17]\d{6}(10|21)[^ ]+")
_LEAST = 3
"""A lot or serial number shorter than this is not split off where a separator may be lacking."""

_SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
_PRIMARY = re.compile(r"([A-Z][A-Z0-9]{3}[A-Z0-9]{1,18})(\d)")
_SECONDARY = re.compile(r"\$\$?\+?|(?=\d{5})")

_LOT = re.compile(r"(?:lot|batch)\s+(?:number\s+)?([!-~]{1,20})", re.IGNORECASE)


class ScanReader:
    """Reads what a scanner types, or a typed lot, also after the words of a correction.

    Parameters
    ----------
    book : Phrasebook
        Has the words of a correction.
    """

    def __init__(self, book: Phrasebook) -> None:
        self._book = book

    def read(self, text: str) -> tuple[Reading, ...]:
        """Return the readings of a typed line; empty if it is no identity.

        A corrected lot changes the lot alone; a scan replaces all.

        Raises
        ------
        UserError
            If it is a scan that cannot be right.
        """
        if found := _identities(text):
            return tuple(Reading("event", "identity", body=each) for each in found)
        # not at GS, which would pass for white space
        words = re.split(r"[ \t]+", text.strip(" \t\r\n"))
        for length in range(1, len(words)):
            identities = _identities(" ".join(words[length:]))
            if not identities:
                continue
            meanings = match(self._correction, normalise(" ".join(words[:length]), self._book.file.typed))
            target = next((dict(fields).get("target") for fields in meanings), None)
            n = None if target is None else int(target)
            return tuple(_corrected(each, n) for each in identities) if meanings else ()
        return ()

    @property
    def _correction(self) -> Node:
        # of the typed tree, for the numerals of "correction entry 12"
        return next(n for n in walk(self._book.typed) if isinstance(n, Named) and n.name == "correction")


def _corrected(identity: Identity, target: int | None) -> Reading:
    if identity.udi:
        return Reading("event", "identity", body=identity, correction=True, target=target)
    return Reading("fragment", "identity", {"lot": identity.lot}, correction=True, target=target)


def _identities(text: str) -> tuple[Identity, ...]:
    if typed := _LOT.fullmatch(text.strip()):
        return (Identity(lot=typed[1]),)
    return read_udi(text)


def read_udi(text: str) -> tuple[Identity, ...]:
    """Read a unique device identifier.

    Parameters
    ----------
    text : str
        As scanned: GS1 with brackets, or with symbology identifier and separators (GS, or written
        out as ``<GS>``), or plain; HIBC with its ``+`` and check character.

    Returns
    -------
    tuple of Identity
        Empty if it is none.  More than one if the scanner leaves the separators out and a lot or
        serial number may hide another element: only a person can tell.  Of HIBC the unit of measure
        is no part of the device identifier.

    Raises
    ------
    UserError
        If it looks like one and its check digit is wrong, or it cannot be taken apart.
    """
    line = _OTHER_SYMBOLOGY.sub("", text.strip("\r\n"))
    if re.match(r"\s*\*?\+[A-Z0-9$]\S{4}", line, re.IGNORECASE):
        return (_hibc(line),)
    scan = _SEPARATORS.sub(SEPARATOR, line.strip(" \t"))
    plain = _SYMBOLOGY.sub("", scan, count=1) if _SYMBOLOGY.match(scan) else scan
    if _BRACKETS.match(plain):
        return (_identity(scan, _message(re.sub(rf"[\s{SEPARATOR}]+(?=\()", "", plain))),)
    if plain == scan and not scan.startswith(SEPARATOR) and not _BARE.fullmatch(scan):
        return ()
    plain = plain.strip(SEPARATOR)
    if not plain:
        return ()
    messages = [_message(plain)]
    if SEPARATOR not in plain:
        messages += _with_a_separator(plain, messages[0])
    return tuple(_identity(scan, message) for message in messages)


# --- GS1 ------------------------------------------------------------------------------------------


def _message(text: str) -> GS1Message:
    try:
        parsed = GS1Message.parse_hri(text) if text.startswith("(") else GS1Message.parse(text)
    except ParseError:
        raise _wrong(text, "it does not follow the rules of GS1") from None
    for element in parsed.element_strings.filter(ai="01"):
        if gs1_standard_check_digit(element.value[:-1]) != int(element.value[-1]):
            raise _wrong(text, "its check digit is wrong")
    return parsed


def _with_a_separator(text: str, whole: GS1Message) -> list[GS1Message]:
    """Return what it would be if a separator had been left out of its last element."""
    last = whole.element_strings[-1]
    if last.ai.ai not in ("10", "21"):
        return []
    known = {element.ai.ai for element in whole.element_strings}
    others = [ai for ai in ("10", "17", "21") if ai not in known]
    found = []
    for place in range(len(text) - len(last.value) + _LEAST, len(text) - 1 - _LEAST):
        if text.startswith(tuple(others), place):
            try:
                found.append(GS1Message.parse(f"{text[:place]}{SEPARATOR}{text[place:]}"))
            except ParseError:
                continue
    return found


def _identity(scan: str, message: GS1Message) -> Identity:
    values: dict[str, str] = {}
    for element in message.element_strings:
        value = element.date.isoformat() if element.ai.ai == "17" and element.date else element.value
        values.setdefault(element.ai.ai, value)
    if not values.keys() & {"01", "10", "21"}:
        raise _wrong(scan, "it names neither a device nor a lot nor a serial number")
    return Identity(
        udi=scan.replace(SEPARATOR, "<GS>"),
        device_identifier=values.get("01"),
        lot=values.get("10"),
        serial=values.get("21"),
        expires=values.get("17"),
    )


# --- HIBC -----------------------------------------------------------------------------------------


def hibc_check_character(data: str) -> str:
    """Return the check character of HIBC data: the sum of the values of its signs, modulo 43.

    Raises
    ------
    ValueError
        If a sign is none of the 43.
    """
    return _SIGNS[sum(_SIGNS.index(sign) for sign in data) % 43]


def _hibc(line: str) -> Identity:
    line = line.upper()
    scan = line.strip().strip("*")
    # the check character may be a space
    text = scan if _checks(scan) or not line.endswith(" ") else f"{scan} "
    if not _checks(text):
        raise _wrong(scan, "its check character is wrong")
    parts = text[1:-1].split("/")
    values: dict[str, str] = {}
    if primary := _PRIMARY.fullmatch(parts[0]):
        values["device_identifier"] = primary[1]
        parts = parts[1:]
    elif _SECONDARY.match(parts[0]) is None:
        raise _wrong(scan, "it does not follow the rules of HIBC")
    else:
        # a second barcode of its own ends with the link character: the check character of the first
        parts[-1] = parts[-1][:-1]
    try:
        for part in parts:
            values |= _secondary(part)
    except ValueError:
        raise _wrong(scan, "it does not follow the rules of HIBC") from None
    if not values.keys() - {"expires"}:
        raise _wrong(scan, "it names neither a device nor a lot nor a serial number")
    return Identity(udi=text, **values)


def _checks(text: str) -> bool:
    try:
        return hibc_check_character(text[:-1]) == text[-1]
    except ValueError:
        return False


def _secondary(part: str) -> dict[str, str]:
    """Return what a part behind the primary data says; ValueError if nothing can be."""
    if part.startswith("S"):
        return {"serial": part[1:]}
    if part.startswith("14D"):
        return {"expires": date.fromisoformat(part[3:]).isoformat()}
    if part.startswith(("16D", "Q")):
        # date of manufacture, quantity
        return {}
    flag = _SECONDARY.match(part)
    if flag is None:
        raise ValueError(part)
    rest, expires = part[flag.end() :], None
    if flag[0].startswith("$$"):
        rest, expires = _dated(rest)
    elif not flag[0]:
        expires, rest = _day_of_year(rest[:5]), rest[5:]
    name = "serial" if flag[0].endswith("+") else "lot"
    return ({name: rest} if rest else {}) | ({"expires": expires.isoformat()} if expires else {})


def _dated(text: str) -> tuple[str, date | None]:
    """Return what follows quantity and date, and the date."""
    if text[:1] in ("8", "9"):
        text = text[3 if text[0] == "8" else 6 :]
    digit = text[:1]
    if digit in ("0", "1"):
        month, year = int(text[:2]), 2000 + int(text[2:4])
        if not 1 <= month <= 12:
            raise ValueError(text)
        return text[4:], date(year, month, monthrange(year, month)[1])
    if digit == "2":
        return text[7:], _day(text[5:7], text[1:3], text[3:5])
    if digit in ("3", "4"):
        return text[7 if digit == "3" else 9 :], _day(text[1:3], text[3:5], text[5:7])
    if digit in ("5", "6"):
        return text[6 if digit == "5" else 8 :], _day_of_year(text[1:6])
    return text.removeprefix("7"), None


def _day(year: str, month: str, day: str) -> date:
    return date(2000 + int(year), int(month), int(day))


def _day_of_year(text: str) -> date:
    year, day = int(text[:2]), int(text[2:5])
    found = date(2000 + year, 1, 1) + timedelta(days=day - 1)
    if found.year != 2000 + year:
        raise ValueError(text)
    return found


def _wrong(scan: str, why: str) -> UserError:
    shown = scan.replace(SEPARATOR, "<GS>")
    return UserError(f"The code {shown} is no device identifier: {why}; scan it again, or type its lot.")
