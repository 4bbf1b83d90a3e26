"""Our own checks of a document: what the models of `fhir.resources` are lax about.

They take any text for a code with a required value set, any text for a UCUM unit, and references that
lead nowhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from checkback.errors import UserError
from checkback.extras import extra
from checkback.reporting.fhir import codes
from checkback.reporting.fhir.values import Json

REQUIRED: Mapping[tuple[str, str], frozenset[str]] = {
    ("Bundle", "type"): frozenset(("document",)),
    ("Composition", "status"): frozenset("preliminary final amended entered-in-error".split()),
    ("Patient", "gender"): frozenset("male female other unknown".split()),
    ("Observation", "status"): frozenset(
        "registered preliminary final amended corrected cancelled entered-in-error unknown".split()
    ),
    ("Procedure", "status"): frozenset(
        "preparation in-progress not-done on-hold stopped completed entered-in-error unknown".split()
    ),
    ("MedicationAdministration", "status"): frozenset(
        "in-progress not-done on-hold completed entered-in-error stopped unknown".split()
    ),
    ("DeviceUseStatement", "status"): frozenset(
        "active completed entered-in-error intended stopped on-hold".split()
    ),
    ("Condition", "verificationStatus"): frozenset(
        "unconfirmed provisional differential confirmed refuted entered-in-error".split()
    ),
    ("AllergyIntolerance", "clinicalStatus"): frozenset("active inactive resolved".split()),
    ("AllergyIntolerance", "verificationStatus"): frozenset(
        "unconfirmed confirmed refuted entered-in-error".split()
    ),
    ("Narrative", "status"): frozenset("generated extensions additional empty".split()),
    ("udiCarrier", "entryType"): frozenset("barcode rfid manual card self-reported unknown".split()),
    ("deviceName", "type"): frozenset(
        "udi-label-name user-friendly-name patient-reported-name manufacturer-name model-name other".split()
    ),
    ("attester", "mode"): frozenset("personal professional legal official".split()),
    ("entity", "role"): frozenset("derivation revision quotation source removal".split()),
}
"""The value sets of R4 with a required binding that the document uses, by place and element.
Source: HL7 FHIR R4 (4.0.1)."""

_SYSTEMS = {
    codes.LOINC: re.compile(r"\d{1,7}-\d"),
    # what is put together is checked code by code
    codes.SNOMED: re.compile(r"\d{6,18}(:\d{6,18}=\d{6,18})?"),
    codes.DCM: re.compile(r"\d{6}|[A-Z]{1,16}"),
    codes.MDC: re.compile(r"\d{1,6}"),
    codes.LOCAL: re.compile(r"[^\s]+(\s[^\s]+)*"),
}
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
_TIMES = frozenset(
    (
        "timestamp",
        "date",
        "issued",
        "effectiveDateTime",
        "performedDateTime",
        "onsetDateTime",
        "recordedDate",
        "occurredDateTime",
        "recorded",
        "start",
        "end",
        "valueDateTime",
    )
)


def insist(bundle: Json) -> None:
    """Raise if a document does not hold what it must.

    Raises
    ------
    UserError
        Names the first fault; or says what to install.
    """
    faults = [*model_faults(bundle), *faults_of(bundle)]
    if faults:
        raise UserError(
            f"The FHIR document was not written, because it has a fault ({faults[0]}): this is a mistake of the "
            "program; report it, and export the case as tables meanwhile."
        )


def model_faults(bundle: Json) -> list[str]:
    """Return what the models of `fhir.resources` object to.

    Raises
    ------
    UserError
        If the library is not installed.
    """
    models = extra("fhir.resources.R4B.bundle", of="export", purpose="The check of FHIR documents")
    try:
        models.Bundle.model_validate(bundle)
    except ValueError as error:  # pydantic's is one
        errors = getattr(error, "errors", None)
        if errors is None:
            return [str(error)]
        return [f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in errors()]
    return []


def faults_of(bundle: Json) -> list[str]:
    """Return what our own checks object to, each as one phrase with its place.

    Value sets with a required binding, UCUM units, check digits of LOINC and SNOMED CT, displays, time
    zones, references, and the rules of a document: Composition first, no address twice, nothing that
    is not reached from it but Provenance.
    """
    return [*_document_faults(bundle), *_faults_in(bundle, "Bundle", "Bundle")]


# --- anywhere in the document -------------------------------------------------------------------


def _faults_in(value: Any, place: str, path: str) -> Iterator[str]:
    if isinstance(value, list):
        for index, item in enumerate(value):
            yield from _faults_in(item, place, f"{path}[{index}]")
        return
    if not isinstance(value, dict):
        return
    place = value.get("resourceType") or ("Narrative" if "div" in value else place)
    if not value:
        yield f"{path} is empty"
    for name, item in value.items():
        here = f"{path}.{name}"
        if item in (None, "", [], {}) and item is not False:
            yield f"{here} is empty"
        allowed = REQUIRED.get((place, name))
        if allowed is not None:
            found = _codes_in(item)
            if not found or not found <= allowed:
                yield f"{here} is {sorted(found)}, which is not among {sorted(allowed)}"
        if name in _TIMES and isinstance(item, str) and not _INSTANT.fullmatch(item):
            yield f"{here} is {item}, which is no time with a zone"
        yield from _faults_in(item, name if isinstance(item, dict | list) else place, here)
    if "code" in value and isinstance(value["code"], str):
        yield from _code_faults(value, path)
    if "unit" in value and "code" not in value and "system" in value:
        yield f"{path} has a system of units and no code"


def _codes_in(item: Any) -> set[str]:
    if isinstance(item, dict):
        return {coding.get("code", "") for coding in item.get("coding", [])}
    return {item} if isinstance(item, str) else set()


def _code_faults(value: Json, path: str) -> Iterator[str]:
    system, code = value.get("system", ""), value["code"]
    if system == codes.UCUM:
        if not is_ucum(code):
            yield f"{path} has the unit {code}, which is not UCUM"
        return
    form = _SYSTEMS.get(system)
    if form is not None and not form.fullmatch(code):
        yield f"{path} has the code {code}, which has not the form of {system}"
    elif system == codes.LOINC and not loinc_digit_fits(code):
        yield f"{path} has the LOINC code {code} with a wrong check digit"
    elif system == codes.SNOMED and not all(map(verhoeff_fits, re.split("[:=]", code))):
        yield f"{path} has the SNOMED CT code {code} with a wrong check digit"
    if form is not None and not value.get("display"):
        yield f"{path} has the code {code} without a display"
    if not re.match(r"https?://|urn:(uuid|oid|iso|ietf):", system):
        yield f"{path} has the code {code} without a system"


@cache
def is_ucum(code: str) -> bool:
    """Whether a code is a unit of UCUM, as `ucumvert` reads them.

    Raises
    ------
    UserError
        If the library is not installed.
    """
    try:
        _parser().parse(code)
    except Exception as error:
        # what the parser raises belongs to a package of its own
        if type(error).__module__.partition(".")[0] == "lark":
            return False
        raise
    return True


@cache
def _parser() -> Any:
    return extra("ucumvert", of="export", purpose="The check of units").get_ucum_parser()


def loinc_digit_fits(code: str) -> bool:
    """Whether the check digit of a LOINC code fits (mod 10, doubling every second digit from the right)."""
    number, _, digit = code.partition("-")
    doubled = [int(d) * (2 if i % 2 == 0 else 1) for i, d in enumerate(reversed(number))]
    return (10 - sum(n // 10 + n % 10 for n in doubled) % 10) % 10 == int(digit)


_VERHOEFF_F = ["0123456789", "1576283094"]


def verhoeff_fits(code: str) -> bool:
    """Whether the check digit of a SNOMED CT identifier fits.

    Source: Verhoeff's scheme on the dihedral group of ten elements, as in the SNOMED CT release file
    specification.
    """
    check = 0
    for place, digit in enumerate(reversed(code)):
        value = int(digit)
        for _ in range(place % 8):
            value = int(_VERHOEFF_F[1][value])
        check = _dihedral(check, value)
    return check == 0


def _dihedral(a: int, b: int) -> int:
    if a < 5:
        return (a + b) % 5 if b < 5 else 5 + (a + b) % 5
    return 5 + (a - b) % 5 if b < 5 else (a - b) % 5


# --- the document as a whole --------------------------------------------------------------------


def _document_faults(bundle: Json) -> Iterator[str]:
    entries = bundle.get("entry") or []
    kinds = [entry["resource"]["resourceType"] for entry in entries]
    if kinds[:1] != ["Composition"]:
        yield "Bundle.entry[0] is no Composition"
        return
    for needed in ("identifier", "timestamp"):
        if needed not in bundle:
            yield f"Bundle has no {needed}"
    addresses = [entry["fullUrl"] for entry in entries]
    if len(set(addresses)) < len(addresses):
        yield "Bundle has an address twice"
    known = dict(zip(addresses, (entry["resource"] for entry in entries), strict=True))
    for address, resource in known.items():
        for reference, type_ in references(resource):
            who = f"{resource['resourceType']} {address}"
            if reference not in known:
                yield f"{who} refers to {reference}, which is not there"
            elif type_ != known[reference]["resourceType"]:
                yield f"{who} refers to {reference} as a {type_}, which it is not"
    reached = _reached(addresses[0], known)
    for address, kind in zip(addresses, kinds, strict=True):
        if address not in reached and kind != "Provenance":
            yield f"{kind} {address} is not reached from the Composition"


def references(value: Any) -> Iterator[tuple[str, str | None]]:
    """Yield every reference in JSON data, with the type that it names."""
    if isinstance(value, list):
        for item in value:
            yield from references(item)
    elif isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value["reference"], value.get("type")
        for item in value.values():
            yield from references(item)


def _reached(start: str, known: Mapping[str, Json]) -> set[str]:
    reached, ahead = {start}, [start]
    while ahead:
        for reference, _ in references(known.get(ahead.pop(), {})):
            if reference not in reached:
                reached.add(reference)
                ahead.append(reference)
    return reached
