"""Codes and units of the FHIR document: data, each with where it comes from.

`PS3_16`: DICOM PS3.16, which lists codes of DCM, SNOMED CT and LOINC with their meanings.  `R4`: a
value set or code system published with FHIR R4.  `MEMORY`: common knowledge that was not looked up
in a list; check before it is relied on.  What has no code in these has one of our own in `LOCAL`, a
scheme that nobody else knows; its display says what is meant.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
DCM = "http://dicom.nema.org/resources/ontology/DCM"
MDC = "urn:iso:std:iso:11073:10101"
UCUM = "http://unitsofmeasure.org"
LOCAL = "urn:uuid:7c8f4f6e-3d0b-5c1e-9a57-2a4de0c1b6f3"
"""Our own codes."""

PS3_16 = "DICOM PS3.16"
R4 = "FHIR R4"
MEMORY = "from memory, check"
OWN = "our own"


class Coding(NamedTuple):
    """A code with its meaning.

    Attributes
    ----------
    system, code, display : str
        As in FHIR.
    source : str
        `PS3_16`, `R4`, `MEMORY` or `OWN`.
    """

    system: str
    code: str
    display: str
    source: str

    def plain(self) -> dict[str, str]:
        """Return it as a FHIR Coding."""
        return {"system": self.system, "code": self.code, "display": self.display}


def local(code: str, display: str | None = None) -> Coding:
    """Return a code of our own; without a display the code says what is meant."""
    return Coding(LOCAL, code, display or code, OWN)


def _snomed(code: str, display: str, source: str = PS3_16) -> Coding:
    return Coding(SNOMED, code, display, source)


def _loinc(code: str, display: str, source: str) -> Coding:
    return Coding(LOINC, code, display, source)


def _dcm(code: str, display: str) -> Coding:
    return Coding(DCM, code, display, PS3_16)


def _mdc(offset: int, display: str) -> Coding:
    # PS3.16 CID 3415 writes partition:code; FHIR takes the context-free number, partition * 2^16 + code
    return Coding(MDC, str(10 * 2**16 + offset), display, PS3_16)


# --- what an entry is about ---------------------------------------------------------------------

EVENT = local("event", "Event during the procedure")
"""Code of an Observation whose value is what happened."""

ENTRY_NUMBER = local("entry-number", "Number of the entry in the case's journal")
DOSE_REPORT = _loinc("73569-6", "Radiation exposure and protection information", R4)

KIND_CODES: Mapping[str, Coding] = {
    "act": _loinc("3184-9", "Activated clotting time (ACT) of Blood by Coagulation assay", MEMORY),
    "blood_pressure": _loinc("85354-9", "Blood pressure panel with all children optional", R4),
    "heart_rate": _loinc("8867-4", "Heart rate", PS3_16),
    "saturation": _loinc("2708-6", "Oxygen saturation in Arterial blood", PS3_16),
    "pain": _snomed("225908003", "Pain score"),
    "rhythm": _loinc("8884-9", "Cardiac rhythm", PS3_16),
    "stenosis": _dcm("122391", "Relative Stenosis Severity"),
    "reference": local("reference", "Reference vessel"),
    "calcium": _dcm("122132", "Severity of Calcification"),
    "thrombus": _dcm("122131", "Degree of Thrombus"),
    "flow": local("flow", "TIMI flow"),
    "contrast": local("contrast-total", "Contrast medium so far"),
    "fluoroscopy": DOSE_REPORT,
    "air_kerma": DOSE_REPORT,
    "dose_area": DOSE_REPORT,
    "dissection": _snomed("710864009", "Arterial dissection"),
    "perforation": local("perforation", "Coronary artery perforation"),
    "no_reflow": local("no-reflow", "No reflow in a coronary artery"),
    "access": local("access", "Access to a vessel, or exchange of the sheath in it"),
    "closure": local("closure", "Closure of an access"),
    "time_out": local("time-out", "Team time-out before the procedure"),
}
"""Code of the resource for a kind; kinds that are not here are events."""

EVENT_CODES: Mapping[tuple[str, str | None], Coding] = {
    ("inflation", None): _dcm("122303", "Angioplasty balloon inflated"),
    ("deflation", None): _dcm("122304", "Angioplasty balloon deflated"),
    ("deployment", None): _dcm("122305", "Device deployed"),
    ("device_event", "across"): _dcm("122089", "Device crossed lesion"),
    ("device_event", "out"): _snomed("371875006", "Device withdrawn / removed"),
}
"""What happened, by kind and, where there is one, by the value of its leading field."""

RATIO_CODES: Mapping[str, Coding] = {
    "fractional flow reserve": _snomed("371842003", "Fractional flow reserve"),
    "resting ratio": local("resting-ratio", "Resting pressure ratio"),
}

FIELD_CODES: Mapping[tuple[str, str], Coding] = {
    ("blood_pressure", "systolic_mmhg"): _loinc("8480-6", "Systolic blood pressure", PS3_16),
    ("blood_pressure", "diastolic_mmhg"): _loinc("8462-4", "Diastolic blood pressure", PS3_16),
    ("inflation", "pressure_atm"): _snomed("371851006", "Angioplasty inflation pressure"),
    ("inflation", "duration_s"): _snomed("371852004", "Angioplasty inflation duration"),
    ("deployment", "pressure_atm"): _snomed("371851006", "Angioplasty inflation pressure"),
    ("deployment", "duration_s"): _snomed("371852004", "Angioplasty inflation duration"),
    ("device", "pressure_atm"): _snomed("371851006", "Angioplasty inflation pressure"),
    ("device", "diameter_mm"): _snomed("81827009", "Diameter"),
    ("device", "length_mm"): _snomed("410668003", "Length"),
    ("device", "curve"): _dcm("122097", "Catheter Curve"),
    ("reference", "length_mm"): _snomed("408716009", "Stenotic Lesion Length"),
    ("fluoroscopy", "fluoroscopy_min"): _dcm("113730", "Total Fluoro Time"),
    ("air_kerma", "air_kerma_mgy"): _dcm("113725", "Dose (RP) Total"),
    ("dose_area", "dose_area_gy_cm2"): _dcm("113722", "Dose Area Product Total"),
    ("identity", "udi"): _dcm("121000", "Unique Device Identifiers"),
    ("identity", "lot"): _dcm("121149", "Lot Identifier"),
    ("identity", "serial"): _dcm("121148", "Unit Serial Identifier"),
    ("dissection", "type"): _dcm("122387", "Dissection Classification"),
    ("patient", "age_y"): _dcm("121033", "Subject Age"),
    ("patient", "sex"): _dcm("121032", "Subject Sex"),
    ("patient", "weight_kg"): _loinc("29463-7", "Body weight", R4),
    ("patient", "height_cm"): _loinc("8302-2", "Body height", R4),
    ("patient", "creatinine_mg_dl"): _loinc("2160-0", "Creatinine [Mass/volume] in Serum or Plasma", MEMORY),
    ("patient", "creatinine_umol_l"): _loinc("14682-9", "Creatinine [Moles/volume] in Serum or Plasma", MEMORY),
    ("patient", "haematocrit_percent"): _loinc("20570-8", "Hematocrit [Volume Fraction] of Blood", PS3_16),
    ("patient", "diabetes"): _snomed("73211009", "Diabetes mellitus", MEMORY),
    ("patient", "heart_failure"): _snomed("84114007", "Heart failure"),
    ("patient", "hypertension"): _snomed("38341003", "Hypertension"),
    ("patient", "peripheral_disease"): _snomed("400047006", "Peripheral vascular disease"),
    ("patient", "smoker"): _snomed("77176002", "Current Smoker"),
    ("patient", "prior_infarction"): _snomed("399211009", "History of Myocardial Infarction"),
    ("patient", "indication"): _loinc("18785-6", "Indications for Procedure", R4),
}  # fmt: skip
"""Code of a field that stands in a component, or in a resource of its own."""

DISPLAYS: Mapping[str, str] = {
    "access.sheath_french": "Size of the sheath",
    "circulation_returned": "Return of spontaneous circulation",
    "device": "Device put in place",
    "device.deployed": "Deployed with the same call-out",
    "device.device": "Class of the device",
    "device.french": "Outer size",
    "device.lesion": "Number of the lesion",
    "device.type": "Sub-class of the device",
    "device_event": "Device",
    "device_event.device": "Class of the device",
    "device_event.type": "Sub-class of the device",
    "identity": "Label of the device read",
    "lesion": "Lesion treated from here on",
    "lesion.lesion": "Number of the lesion",
    "mark": "Moment marked by the operator",
    "patient.antiplatelet_loaded": "P2Y12 inhibitor loaded before the case",
    "patient.anticoagulant": "Anticoagulant planned",
    "patient.arrival": "Arrival at this hospital",
    "patient.family_history": "Family history of premature coronary disease",
    "patient.first_contact": "First medical contact",
    "patient.first_door": "Arrival at the transferring hospital",
    "patient.first_door_out": "Departure from the transferring hospital",
    "patient.gp_inhibitor": "Glycoprotein IIb/IIIa inhibitor planned",
    "reference.diameter_mm": "Reference diameter",
    "shock": "Shock given",
}
"""What our own codes mean, where the code alone does not say it."""

# --- values -------------------------------------------------------------------------------------

VALUE_CODES: Mapping[tuple[str, str], Coding] = {
    ("segment", "left main"): _snomed("3227004", "Left Main Coronary Artery"),
    ("segment", "left anterior descending"): _snomed("59438005", "Left Anterior Descending Coronary Artery"),
    ("segment", "proximal left anterior descending"): _snomed("68787002", "Proximal Left Anterior Descending Coronary Artery"),
    ("segment", "mid left anterior descending"): _snomed("91748002", "Mid Left Anterior Descending Coronary Artery"),
    ("segment", "distal left anterior descending"): _snomed("36672000", "Distal Left Anterior Descending Coronary Artery"),
    ("segment", "first diagonal"): _snomed("91750005", "1st Diagonal Coronary Artery"),
    ("segment", "second diagonal"): _snomed("91751009", "2nd Diagonal Coronary Artery"),
    ("segment", "circumflex"): _snomed("57396003", "Circumflex Coronary Artery"),
    ("segment", "proximal circumflex"): _snomed("52433000", "Proximal Circumflex Coronary Artery"),
    ("segment", "mid circumflex"): _snomed("91753007", "Mid Circumflex Coronary Artery"),
    ("segment", "distal circumflex"): _snomed("6511003", "Distal Circumflex Coronary Artery"),
    ("segment", "first obtuse marginal"): _snomed("91754001", "1st Marginal Coronary Artery"),
    ("segment", "second obtuse marginal"): _snomed("91755000", "2nd Marginal Coronary Artery"),
    ("segment", "intermediate"): _snomed("244252004", "Intermediate Artery (Ramus)"),
    ("segment", "right coronary"): _snomed("13647002", "Right Coronary Artery"),
    ("segment", "ostial right coronary"): _snomed("56789007", "Right Coronary Artery Ostium"),
    ("segment", "proximal right coronary"): _snomed("91083009", "Proximal Right Coronary Artery"),
    ("segment", "mid right coronary"): _snomed("450960006", "Mid Right Coronary Artery"),
    ("segment", "distal right coronary"): _snomed("41879009", "Distal Right Coronary Artery"),
    ("access.site", "radial"): _snomed("45631007", "Radial artery"),
    ("access.site", "ulnar"): _snomed("44984001", "Ulnar artery"),
    ("access.site", "brachial"): _snomed("17137000", "Brachial artery"),
    ("access.site", "femoral"): _snomed("7657000", "Femoral artery"),
    ("access.site", "femoral vein"): _snomed("83419000", "Femoral vein"),
    ("access.site", "jugular vein"): _snomed("12123001", "Internal jugular vein"),
    ("access.side", "left"): _snomed("7771000", "Left"),
    ("access.side", "right"): _snomed("24028007", "Right"),
    ("device.device", "guide"): _snomed("102317008", "Guiding catheter"),
    ("device.device", "wire"): _snomed("272224001", "Guide Wire"),
    ("device.device", "pressure wire"): _snomed("371789009", "Intracoronary pressure guide wire"),
    ("device.device", "balloon"): _snomed("102319006", "Percutaneous transluminal angioplasty balloon"),
    ("device.device", "stent"): _snomed("65818007", "Stent"),
    ("device.device", "burr"): _snomed("102313007", "Rotational atherectomy device"),
    ("device.device", "laser catheter"): _snomed("38586004", "Laser"),
    ("device.device", "balloon pump"): _snomed("129113006", "Intra-Aortic Balloon Pump (IABP)"),
    ("device.device", "coil"): _snomed("102314001", "Embolization coil"),
    ("rhythm.rhythm", "sinus rhythm"): _mdc(9216, "Sinus Rhythm"),
    ("rhythm.rhythm", "sinus bradycardia"): _mdc(9248, "Sinus Bradycardia"),
    ("rhythm.rhythm", "sinus tachycardia"): _mdc(9264, "Sinus Tachycardia"),
    ("rhythm.rhythm", "atrial fibrillation"): _mdc(9472, "Atrial fibrillation"),
    ("rhythm.rhythm", "atrial flutter"): _mdc(9456, "Atrial flutter"),
    ("rhythm.rhythm", "supraventricular tachycardia"): _mdc(9504, "Supraventricular Tachycardia (atrial or junctional)"),
    ("rhythm.rhythm", "complete heart block"): _mdc(9696, "Third Degree AV Block (complete AV block)"),
    ("rhythm.rhythm", "ventricular fibrillation"): _mdc(10016, "Ventricular Fibrillation"),
    ("rhythm.rhythm", "asystole"): _mdc(10336, "Asystole"),
    ("flow.timi", "0"): _snomed("371867000", "TIMI grade 0: no perfusion"),
    ("flow.timi", "1"): _snomed("371866009", "TIMI grade 1: penetration without perfusion"),
    ("flow.timi", "2"): _snomed("371864007", "TIMI grade 2: partial perfusion"),
    ("flow.timi", "3"): _snomed("371865008", "TIMI grade 3: complete perfusion"),
    ("patient.sex", "female"): _dcm("F", "Female"),
    ("patient.sex", "male"): _dcm("M", "Male"),
    ("drug.route", "intravenous"): _snomed("47625008", "Intravenous route"),
    ("drug.route", "intracoronary"): _snomed("372463005", "Intracoronary route"),
    ("drug.route", "intra-arterial"): _snomed("58100008", "Intra-arterial route"),
    ("drug.route", "oral"): _snomed("26643006", "Oral route"),
    ("drug.route", "subcutaneous"): _snomed("34206005", "Subcutaneous route"),
    ("drug.route", "intramuscular"): _snomed("78421000", "Intramuscular route"),
    ("drug.route", "inhaled"): _snomed("446406008", "By inhalation"),
}  # fmt: skip
"""Code of a value, by where it stands and what it is; the others have codes of our own.

The internal jugular vein is what is punctured by that name, common practice, no source.  TIMI grades
are shortened in their displays."""

SHARED_VALUES: Mapping[tuple[str, str], str] = {
    ("closure", "site"): "access.site",
    ("closure", "side"): "access.side",
    ("device_event", "device"): "device.device",
}
"""Fields whose values are those of another field."""

DRUG_CODES: Mapping[str, Coding] = {
    "atropine": _snomed("73949004", "Atropine"),
    "digoxin": _snomed("796001", "Digoxin"),
    "epinephrine": _snomed("387362001", "Epinephrine"),
    "heparin": _snomed("84812008", "Heparin"),
    "lidocaine": _snomed("82573000", "Lidocaine"),
    "nitroglycerin": _snomed("71759000", "Nitroglycerin"),
    "papaverine": _snomed("372784001", "Papaverine"),
    "protamine": _snomed("64520006", "Protamine sulfate"),
    "verapamil": _snomed("47898004", "Verapamil"),
}
"""Drugs of PS3.16 CID 10; every drug also has its generic name."""

CONTRAST_MEDIUM = _snomed("385420005", "Contrast media")
NO_KNOWN_ALLERGY = _snomed("716186003", "No known allergy", MEMORY)
SHEATH = _snomed("371793003", "Sheath")
INTERVENTION = _snomed("415070008", "Percutaneous coronary intervention")
CATHETERISATION = _snomed("41976001", "Cardiac catheterization")
LATERALITY_CODE = _snomed("272741003", "Laterality")
LATERALITY = LATERALITY_CODE.code
"""Attribute of SNOMED CT post-coordination: `45631007:272741003=7771000`."""

SOURCES: Mapping[str, Coding] = {
    "speech": local("source:speech", "Spoken in the room and heard by the software"),
    "typed": local("source:typed", "Typed"),
    "pedal": local("source:pedal", "Pedal pressed"),
    "program": local("source:program", "Noted by the software"),
    "plan": local("source:plan", "Taken from the plan of the case"),
    "import": local("source:import", "Taken from an imported file"),
}

DOCUMENT = _loinc("28570-0", "Procedure note", R4)

SECTIONS: Mapping[str, Coding] = {
    "history": _loinc("11329-0", "History general", R4),
    "allergies": _loinc("48765-2", "Allergies and adverse reactions", R4),
    "procedure": _loinc("29554-3", "Procedure Narrative", R4),
    "findings": _loinc("59776-5", "Procedure findings Narrative", R4),
    "devices": _loinc("46264-8", "History of medical device use", R4),
    "medications": _loinc("29549-3", "Medication administered Narrative", R4),
    "vitals": _loinc("8716-3", "Vital signs", R4),
    "results": _loinc("30954-2", "Relevant diagnostic tests/laboratory data Narrative", R4),
    "complications": _loinc("55109-3", "Complications Document", R4),
    "radiation": DOSE_REPORT,
}
"""Codes of the sections, all in the R4 value set doc-section-codes but the last, which is a document
type there."""

# --- units --------------------------------------------------------------------------------------

QUANTITY_UNITS: Mapping[str, tuple[str, str, int]] = {
    "_gy_cm2": ("mGy.cm2", "mGy·cm²", 1000),
    "_mgy": ("mGy", "mGy", 1),
    "_mmhg": ("mm[Hg]", "mmHg", 1),
    "_atm": ("atm", "atm", 1),
    "_mm": ("mm", "mm", 1),
    "_ml": ("mL", "mL", 1),
    "_per_min": ("/min", "/min", 1),
    "_min": ("s", "s", 60),
    "_percent": ("%", "%", 1),
    "_s": ("s", "s", 1),
    "_y": ("a", "a", 1),
    "_kg": ("kg", "kg", 1),
    "_cm": ("cm", "cm", 1),
    "_mg_dl": ("mg/dL", "mg/dL", 1),
    "_umol_l": ("umol/L", "µmol/L", 1),
    "_j": ("J", "J", 1),
    "french": ("[Ch]", "Fr", 1),
    "ratio": ("1", "1", 1),
    "pain_of_ten": ("{score}", "of 10", 1),
    "thrombus_grade": ("{score}", "grade", 1),
    "timi": ("{score}", "grade", 1),
}
"""UCUM code, unit for people and factor by the end of a field's name; one that contains another stands
before it."""

DRUG_UCUM: Mapping[str, str] = {
    "U": "[iU]", "kU": "k[iU]", "U/kg": "[iU]/kg", "U/h": "[iU]/h", "U/kg/h": "[iU]/kg/h", "U/min": "[iU]/min",
    "mg": "mg", "ug": "ug", "g": "g", "mg/kg": "mg/kg", "ug/kg": "ug/kg", "mL": "mL", "mL/h": "mL/h",
    "mmol": "mmol", "mg/h": "mg/h", "mg/min": "mg/min", "mg/kg/h": "mg/kg/h", "ug/min": "ug/min", "ug/h": "ug/h",
    "ug/kg/min": "ug/kg/min", "ug/kg/h": "ug/kg/h", "mg/kg/min": "mg/kg/min", "L": "L", "L/min": "L/min",
    "meq": "meq", "meq/h": "meq/h", "ng/kg/min": "ng/kg/min", "mL/kg": "mL/kg", "g/h": "g/h", "mmol/h": "mmol/h",
}  # fmt: skip
"""UCUM codes of the units that drugs are dosed in; units of heparin and insulin are international ones,
`U` would be the one of enzymes."""
