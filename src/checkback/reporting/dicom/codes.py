"""Coded terms: those of the standards, and a private scheme for what they lack.

Sources: DICOM PS3.16 (context groups 10, 11, 12, 3400 to 3430, 3604, 3713 and annex D) for the
terms of DCM, SCT, MDC and LN; UCUM for units.  Each is held against pydicom's own dictionary in a
test; what that dictionary lacks is named in `NOT_IN_PYDICOM`.

The private scheme needs no list: the value of a code is the name that the journal uses (of a kind,
a field or a value) where it is short enough, else its beginning and a digest.
"""

from __future__ import annotations

import hashlib
import unicodedata
from typing import NamedTuple

SCHEME = "99CHECKBACK"
"""Private coding scheme; a designator that begins with 99 is private by PS3.16, section 8."""

SCHEME_NAME = "Names of kinds, fields and values in the journal of Checkback"

LONGEST_VALUE = 16
LONGEST_MEANING = 64
"""Of the value representations SH and LO (PS3.5, table 6.2-1)."""

_DIGEST = 6


class Code(NamedTuple):
    """A coded term.

    Attributes
    ----------
    value : str
        At most 16 characters.
    scheme : str
        Designator of its coding scheme.
    meaning : str
        For people; two codes are the same if value and scheme are.
    """

    value: str
    scheme: str
    meaning: str

    @property
    def key(self) -> tuple[str, str]:
        """What makes it this code."""
        return self.value, self.scheme


def own(name: str, meaning: str | None = None) -> Code:
    """Return the private code for a name that the journal uses.

    Parameters
    ----------
    name : str
        See `can_be_coded`.
    meaning : str or None
        None: the name itself, with blanks for underscores.
    """
    value = name
    if len(name) > LONGEST_VALUE or not name.isascii():
        # readers disagree whether the limit counts characters or bytes
        plain = "".join(sign for sign in name if sign.isascii())
        digest = hashlib.sha256(name.encode()).hexdigest()[:_DIGEST]
        value = f"{plain[: LONGEST_VALUE - _DIGEST - 1]}.{digest}".lstrip()
    return Code(value, SCHEME, name.replace("_", " ") if meaning is None else meaning)


def own_value(name: str) -> Code:
    """Return the private code for a value: its meaning is the value, letter by letter."""
    return own(name, name)


def can_be_coded(name: str) -> bool:
    """Whether a value of the user's fits code and meaning without a change."""
    return (
        0 < len(name.encode()) <= LONGEST_MEANING
        and name == name.strip()
        and "\\" not in name
        and all(unicodedata.category(sign)[0] not in "C" for sign in name)
    )


def is_own_value(code: Code) -> bool:
    """Whether a private code belongs to its meaning."""
    return code.scheme == SCHEME and code.key == own_value(code.meaning).key


def dcm(value: str, meaning: str) -> Code:
    """Return a term of the DICOM controlled terminology (PS3.16, annex D)."""
    return Code(value, "DCM", meaning)


def sct(value: str, meaning: str) -> Code:
    """Return a term of SNOMED CT that PS3.16 uses."""
    return Code(value, "SCT", meaning)


# --- concepts ------------------------------------------------------------------------------------

TITLE = dcm("121120", "Cath Lab Procedure Log")
OBSERVER_TYPE = dcm("121005", "Observer Type")
DEVICE = dcm("121007", "Device")
OBSERVER_UID = dcm("121012", "Device Observer UID")
OBSERVER_NAME = dcm("121013", "Device Observer Name")
COMMENT = dcm("121106", "Comment")
RECORDED = dcm("121125", "DateTime of Recording of Log Entry")
ACTION_ID = dcm("121124", "Procedure Action Item ID")
START_ACTION = dcm("121130", "Start Procedure Action Item")
END_ACTION = dcm("121131", "End Procedure Action Item")
STATUS_OR_EVENT = dcm("121123", "Patient Status or Event")
FINDING = dcm("121071", "Finding")
INTERVENTION = dcm("122090", "Intervention Action")
YES, NO = sct("373066001", "Yes"), sct("373067005", "No")
EMPTY = own("empty", "empty text")
AT_ROOT = own("note_on_log", "note on this log")
JOURNAL_HEAD = own("journal_head", "last hash of the journal")
QUESTIONED = own("questioned", "QUESTIONED, not confirmed")
QUESTION = own("entry_question", "what was asked")
NUMBER = own("entry_number", "number of the entry in the journal")
SAID = own("entry_said", "when it was said")
SOURCE = own("entry_source", "how it came into the journal")
WORDS = own("entry_words", "words heard or typed")

FIELDS: dict[str, Code] = {
    "diameter_mm": sct("81827009", "Diameter"),
    "length_mm": sct("410668003", "Length"),
    "segment": sct("363698007", "Finding Site"),
    "side": sct("272741003", "Laterality"),
    "route": sct("410675002", "Route of administration"),
    "dose": dcm("121382", "Quantity administered"),
    "rate": dcm("122094", "Rate of administration"),
    "volume_ml": dcm("122091", "Volume administered"),
    "pressure_atm": sct("371851006", "Angioplasty Inflation pressure"),
    "duration_s": sct("371852004", "Angioplasty Inflation duration"),
    "systolic_mmhg": sct("271649006", "Systolic blood pressure"),
    "diastolic_mmhg": sct("271650006", "Diastolic blood pressure"),
    "udi": dcm("128739", "UDI"),
    "lot": dcm("121149", "Lot Identifier"),
    "serial": dcm("121148", "Unit Serial Identifier"),
    "lesion": dcm("121151", "Lesion Identifier"),
    "age_y": dcm("121033", "Subject Age"),
    "sex": dcm("121032", "Subject Sex"),
    "haematocrit_percent": Code("20570-8", "LN", "Hematocrit"),
}
"""Standard concepts of fields, whatever the kind of the entry."""

# --- values --------------------------------------------------------------------------------------

VALUES: dict[str, dict[str, Code]] = {
    "segment": {
        "left main": sct("3227004", "Left Main Coronary Artery"),
        "left anterior descending": sct("59438005", "Left Anterior Descending Coronary Artery"),
        "proximal left anterior descending": sct(
            "68787002", "Proximal Left Anterior Descending Coronary Artery"
        ),
        "mid left anterior descending": sct("91748002", "Mid Left Anterior Descending Coronary Artery"),
        "distal left anterior descending": sct("36672000", "Distal Left Anterior Descending Coronary Artery"),
        "first diagonal": sct("91750005", "1st Diagonal Coronary Artery"),
        "second diagonal": sct("91751009", "2nd Diagonal Coronary Artery"),
        "circumflex": sct("57396003", "Circumflex Coronary Artery"),
        "proximal circumflex": sct("52433000", "Proximal Circumflex Coronary Artery"),
        "mid circumflex": sct("91753007", "Mid Circumflex Coronary Artery"),
        "distal circumflex": sct("6511003", "Distal Circumflex Coronary Artery"),
        "first obtuse marginal": sct("91754001", "1st Marginal Coronary Artery"),
        "second obtuse marginal": sct("91755000", "2nd Marginal Coronary Artery"),
        "intermediate": sct("244252004", "Intermediate Artery (Ramus)"),
        "right coronary": sct("13647002", "Right Coronary Artery"),
        "ostial right coronary": sct("56789007", "Right Coronary Artery Ostium"),
        "proximal right coronary": sct("91083009", "Proximal Right Coronary Artery"),
        "mid right coronary": sct("450960006", "Mid Right Coronary Artery"),
        "distal right coronary": sct("41879009", "Distal Right Coronary Artery"),
    },
    "site": {
        "radial": sct("444850002", "Via radial artery"),
        "brachial": sct("260585005", "Via brachial artery"),
        "femoral": sct("260590008", "Via femoral artery"),
        "femoral vein": sct("260601006", "Via femoral vein"),
    },
    "side": {"left": sct("7771000", "Left"), "right": sct("24028007", "Right")},
    "sex": {"female": dcm("F", "Female"), "male": dcm("M", "Male")},
    "route": {
        "intravenous": sct("47625008", "Intravenous route"),
        "intracoronary": sct("372463005", "Intracoronary route"),
        "intra-arterial": sct("58100008", "Intra-arterial route"),
        "oral": sct("26643006", "Oral route"),
        "subcutaneous": sct("34206005", "Subcutaneous route"),
        "intramuscular": sct("78421000", "Intramuscular route"),
        "inhaled": sct("446406008", "By inhalation"),
    },
    "device": {
        "guide": sct("102317008", "Guiding catheter"),
        "wire": sct("272224001", "Guide Wire"),
        "balloon": sct("102319006", "Percutaneous transluminal angioplasty balloon"),
        "stent": sct("65818007", "Stent"),
        "burr": sct("102313007", "Rotational atherectomy device"),
        "pressure wire": sct("371789009", "Intracoronary pressure guide wire"),
        "balloon pump": sct("129113006", "Intra-Aortic Balloon Pump (IABP)"),
        "coil": sct("102314001", "Embolization coil"),
    },
    "rhythm": {
        "sinus rhythm": Code("10:9216", "MDC", "Sinus Rhythm"),
        "sinus bradycardia": Code("10:9248", "MDC", "Sinus Bradycardia"),
        "sinus tachycardia": Code("10:9264", "MDC", "Sinus Tachycardia"),
        "atrial fibrillation": Code("10:9472", "MDC", "Atrial fibrillation"),
        "atrial flutter": Code("10:9456", "MDC", "Atrial flutter"),
        "supraventricular tachycardia": Code(
            "10:9504", "MDC", "Supraventricular Tachycardia (atrial or junctional)"
        ),
        "complete heart block": Code("10:9696", "MDC", "Third Degree AV Block (complete AV block)"),
        "ventricular fibrillation": Code("10:10016", "MDC", "Ventricular Fibrillation"),
        "asystole": Code("10:10336", "MDC", "Asystole"),
    },
    "grade": {
        "mild": sct("255604002", "Mild"),
        "moderate": sct("6736007", "Moderate"),
        "severe": sct("24484000", "Severe"),
    },
    "drug": {
        "heparin": sct("84812008", "Heparin"),
        "protamine": sct("64520006", "Protamine sulfate"),
        "nitroglycerin": sct("71759000", "Nitroglycerin"),
        "verapamil": sct("47898004", "Verapamil"),
        "epinephrine": sct("387362001", "Epinephrine"),
        "atropine": sct("73949004", "Atropine"),
        "lidocaine": sct("82573000", "Lidocaine"),
        "papaverine": sct("372784001", "Papaverine"),
        "digoxin": sct("796001", "Digoxin"),
        "oxygen": sct("24099007", "Oxygen"),
    },
}
"""Standard terms for values, by field; a value that is not here has a private code."""

CONTRAST_AGENT = sct("7140000", "Contrast agent")

NOT_IN_PYDICOM = {
    # LOINC 3184-9, Activated clotting time (ACT) of Blood by Coagulation assay
    ("3184-9", "LN"),
}
"""Standard codes that pydicom's dictionary does not carry; their source stands beside them."""

# --- units ---------------------------------------------------------------------------------------


def unit(value: str, meaning: str | None = None) -> Code:
    """Return a unit of UCUM."""
    return Code(value, "UCUM", meaning or value)


UNITS: dict[str, Code] = {
    "_gy_cm2": unit("Gy.cm2"),
    "_mgy": unit("mGy"),
    "_mmhg": unit("mm[Hg]", "mmHg"),
    "_atm": unit("atm"),
    "_mm": unit("mm"),
    "_ml": unit("ml"),
    "_per_min": unit("/min"),
    "_min": unit("min"),
    "_percent": unit("%"),
    "_s": unit("s"),
    "_y": unit("a", "year"),
    "_kg": unit("kg"),
    "_cm": unit("cm"),
    "_mg_dl": unit("mg/dL"),
    "_umol_l": unit("umol/L"),
    "_j": unit("J"),
    "french": unit("[Ch]", "french"),
}
"""Units by the end of a field's name; an end that contains another one stands before it."""

NO_UNIT = unit("1", "no units")
UNIT_AS_TEXT = own("unit_as_text", "unit: see text")
DRUG_UNIT = own("unit", "unit of dose or rate as in the journal")

_INTERNATIONAL = {
    "U": "[iU]", "kU": "k[iU]", "U/kg": "[iU]/kg", "U/h": "[iU]/h", "U/kg/h": "[iU]/kg/h", "U/min": "[iU]/min",
}  # fmt: skip
_PLAIN = (
    "mg ug g mg/kg ug/kg mL mL/h mmol mg/h mg/min mg/kg/h ug/min ug/h ug/kg/min ug/kg/h mg/kg/min L L/min meq "
    "meq/h ng/kg/min mL/kg g/h mmol/h"
).split()

DRUG_UNITS: dict[str, Code] = {
    **{name: unit(ucum, name) for name, ucum in _INTERNATIONAL.items()},
    **{name: unit(name) for name in _PLAIN},
}
"""UCUM for the units of doses and rates.  A unit of heparin or insulin is `[iU]`; UCUM's `U` is the
enzyme unit."""
