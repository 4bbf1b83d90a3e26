"""What stands in the FHIR document of a case, and what our checks object to."""

from __future__ import annotations

import copy
import json
from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from checkback.errors import UserError
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import (
    Access,
    Closure,
    Deployment,
    Device,
    DeviceEvent,
    Dictation,
    Drug,
    Entry,
    Flow,
    Identity,
    NoReflow,
    Patient,
    Signature,
    TimeOut,
    Unclear,
    Withdrawal,
)
from checkback.reporting.document import (
    BulletList,
    DataTable,
    Document,
    Heading,
    Paragraph,
    cell,
    run,
)
from checkback.reporting.fhir.bundle import FILE, as_text, document, write_document
from checkback.reporting.fhir.checks import faults_of, insist, model_faults, references
from checkback.reporting.fhir.shapes import folded
from checkback.reporting.fhir.xhtml import document_text
from english import book
from invented_case import CASE, entry

Json = dict[str, Any]


@cache
def phrasing() -> Phrasing:
    return Phrasing(book())


def of(*entries: Entry) -> Json:
    bundle = document(Case(entries), phrasing())
    assert faults_of(bundle) == []
    return bundle


def parts(bundle: Json, type_: str) -> list[Json]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == type_]


def test_the_same_entries_give_the_same_bytes() -> None:
    assert as_text(of(*CASE)) == as_text(of(*CASE))


def test_a_case_that_goes_on_is_a_new_document_with_the_same_addresses() -> None:
    early, late = of(*CASE[:18]), of(*CASE)
    assert early["identifier"] != late["identifier"]
    assert {e["fullUrl"] for e in early["entry"]} <= {e["fullUrl"] for e in late["entry"]}


def test_nobody_is_named() -> None:
    (patient,) = parts(of(*CASE), "Patient")
    assert patient == {"resourceType": "Patient", "gender": "unknown"}
    told = of(entry(1, Patient(sex="female", age_y=Decimal(74)), "", source="plan"))
    assert parts(told, "Patient") == [{"resourceType": "Patient", "gender": "female"}]


def test_what_was_withdrawn_or_replaced_is_nowhere() -> None:
    wrong = Drug(drug="protamine", dose=Decimal(4321), unit="mg")
    right = Drug(drug="protamine", dose=Decimal(20), unit="mg")
    bundle = of(
        entry(1, wrong, "four three two one"),
        entry(2, right, "correction", amends=1),
        entry(3, Drug(drug="adenosine", dose=Decimal(98765), unit="ug"), "nine"),
        entry(4, Withdrawal(target=3), "disregard"),
    )
    text = as_text(bundle)
    for trace in ("4321", "98765", "adenosine"):
        assert trace not in text
    (provenance,) = parts(bundle, "Provenance")
    assert provenance["entity"][0]["what"]["identifier"]["value"] == "1"


def test_everything_withdrawn_is_a_document_that_says_nothing() -> None:
    bundle = of(entry(1, Flow(timi=Decimal(3)), "timi three"), entry(2, Withdrawal(target=1), "disregard"))
    assert Counter(e["resource"]["resourceType"] for e in bundle["entry"]) == {
        "Composition": 1,
        "Patient": 1,
        "Device": 1,
        "Procedure": 1,
    }


def test_the_words_of_people_do_not_go_along() -> None:
    bundle = of(entry(1, Flow(timi=Decimal(3)), "mister example says hello"), entry(2, Unclear(), "his wife"))
    text = as_text(bundle)
    assert "example" not in text and "wife" not in text
    assert "Said but not understood" not in text
    asked = of(entry(1, TimeOut(), "x"), entry(2, Unclear(), "his wife", standing="questioned"))
    assert "Said but not understood, and not in this document: 1." in as_text(asked)


def test_devices_have_one_resource_each_and_what_happened_points_at_it() -> None:
    stent = Device(device="stent", type="drug-eluting", diameter_mm=Decimal(3), length_mm=Decimal(18))
    bundle = of(
        entry(1, stent, "stent three by eighteen"),
        entry(2, Deployment(pressure_atm=Decimal(12)), "deployed at twelve"),
        entry(
            3, Identity(udi="(01)0", device_identifier="09506000134352", lot="AB1", expires="2028-01-31"), ""
        ),
    )
    label = {"lotNumber": "AB1", "expirationDate": "2028-01-31"}
    device = next(r for r in parts(bundle, "Device") if "udiCarrier" in r)
    assert device["udiCarrier"] == [
        {"deviceIdentifier": "09506000134352", "carrierHRF": "(01)0", "entryType": "barcode"}
    ]
    assert {name: device[name] for name in label} == label
    address = next(e["fullUrl"] for e in bundle["entry"] if e["resource"] is device)
    assert all(o["device"]["reference"] == address for o in parts(bundle, "Observation"))
    (whole,) = [p for p in parts(bundle, "Procedure") if "focalDevice" in p]
    assert whole["focalDevice"] == [{"manipulated": {"reference": address, "type": "Device"}}]
    assert whole["code"]["coding"][0]["code"] == "415070008"
    assert device["patient"]["type"] == "Patient"


def test_a_stent_named_again_with_its_deployment_is_no_second_stent() -> None:
    stent = Device(device="stent", diameter_mm=Decimal(3), length_mm=Decimal(18))
    deployed = stent.model_copy(update={"deployed": True})
    bundle = of(entry(1, stent, "stent"), entry(2, deployed, "stent deployed"))
    assert len(parts(bundle, "DeviceUseStatement")) == 1
    assert len([d for d in parts(bundle, "Device") if "deviceName" not in d]) == 1


def test_the_use_of_a_device_ends_when_it_is_out() -> None:
    bundle = of(
        entry(1, Device(device="wire", type="workhorse"), "wire"),
        entry(2, DeviceEvent(happening="out", device="wire"), "wire out"),
    )
    (use,) = parts(bundle, "DeviceUseStatement")
    assert use["status"] == "completed"
    assert use["timingPeriod"] == {
        "start": "2026-03-02T09:14:25.250+01:00",
        "end": "2026-03-02T09:14:45.250+01:00",
    }


def test_site_and_side_are_put_together() -> None:
    bundle = of(
        entry(1, Access(site="radial", side="right", sheath_french=Decimal(6)), "a"),
        entry(2, Closure(site="distal radial", side="left", method="compression band"), "b"),
        entry(3, Closure(side="left", method="plug closure"), "c"),
    )
    sites = [p["bodySite"][0]["coding"][0] for p in parts(bundle, "Procedure") if "bodySite" in p]
    assert [(s["code"], s["display"]) for s in sites] == [
        ("45631007:272741003=24028007", "right radial artery"),
        ("access.site:distal radial:left", "left distal radial"),
        ("7771000", "Left"),
    ]
    sheath = next(d for d in parts(bundle, "Device") if d["type"]["coding"][0]["code"] == "371793003")
    assert sheath["property"][0]["valueQuantity"][0]["code"] == "[Ch]"


def test_a_complication_is_a_condition_of_the_procedure() -> None:
    bundle = of(entry(1, NoReflow(segment="mid right coronary"), "no reflow"))
    (whole,) = [p for p in parts(bundle, "Procedure") if "performedPeriod" in p]
    assert len(whole["complicationDetail"]) == 1
    (condition,) = parts(bundle, "Condition")
    assert condition["bodySite"][0]["coding"][0]["display"] == "Mid Right Coronary Artery"


# --- signatures -----------------------------------------------------------------------------------


def signature(entries: int) -> Signature:
    return Signature(name="Dr A", role="operator", entries=entries, head="a" * 64)


def test_a_draft_is_preliminary_until_the_whole_of_it_is_signed() -> None:
    flow = entry(1, Flow(timi=Decimal(3)), "timi three")
    (draft,) = parts(of(flow), "Composition")
    assert (draft["status"], draft["title"]) == ("preliminary", "Catheterisation record. DRAFT, not signed")
    signed = of(flow, entry(2, signature(1), ""))
    (composition,) = parts(signed, "Composition")
    assert (composition["status"], composition["title"]) == ("final", "Catheterisation record")
    assert composition["attester"][0]["party"]["type"] == "Practitioner"
    assert parts(signed, "Practitioner")[0]["name"] == [{"text": "Dr A"}]
    assert parts(signed, "Observation")[0]["status"] == "final"


def test_what_is_recorded_after_a_signature_makes_it_a_draft_again() -> None:
    bundle = of(
        entry(1, Flow(timi=Decimal(3)), "x"), entry(2, signature(1), ""), entry(3, Flow(timi=Decimal(2)), "y")
    )
    (composition,) = parts(bundle, "Composition")
    assert composition["status"] == "preliminary"
    assert "attester" not in composition and parts(bundle, "Practitioner") == []
    assert "something was recorded since" in composition["section"][0]["text"]["div"]
    assert {o["status"] for o in parts(bundle, "Observation")} == {"preliminary"}


# --- the narrative ----------------------------------------------------------------------------


def test_notes_stand_first_and_markup_is_escaped() -> None:
    case = Case([entry(1, Dictation(text="<script>alert(1)</script> & \x00more"), "")])
    bundle = document(case, phrasing(), notes=["The journal is broken: line 2 <was> changed."])
    (composition,) = parts(bundle, "Composition")
    about = composition["section"][0]
    assert about["title"] == "About this document"
    assert "line 2 &lt;was&gt; changed" in about["text"]["div"]
    text = as_text(bundle)
    assert "<script>" not in "".join(s["text"]["div"] for s in composition["section"])
    assert "\\u0000" not in text and folded("\x00") in text


def test_the_report_becomes_xhtml_with_its_citations() -> None:
    report = Document(
        title="Report",
        status="DRAFT, not signed",
        notices=("Unfinished.",),
        blocks=(
            Heading(1, "Access"),
            Paragraph((run("The right radial artery was entered.", 4), run("A <b>bold</b> claim.", 5, 6))),
            Paragraph((run("Missing.", marks=("questioned",)),), style="warning"),
            BulletList(((run("one;"), run("two", strong=True)),)),
            DataTable(("drug", "dose"), ((cell("heparin", 5), cell("5000 U", 5)),), caption="Drugs"),
            BulletList(()),
        ),
    )
    assert document_text(report)["div"] == (
        '<div xmlns="http://www.w3.org/1999/xhtml"><p><b>DRAFT, not signed</b></p><p><b>Unfinished.</b></p>'
        "<h3>Access</h3><p>The right radial artery was entered [4]. A &lt;b&gt;bold&lt;/b&gt; claim [5, 6].</p>"
        "<p><b>Missing (questioned).</b></p><ul><li>one; <b>two</b></li></ul>"
        "<table><caption>Drugs</caption><tr><th>drug</th><th>dose</th></tr>"
        "<tr><td>heparin [5]</td><td>5000 U [5]</td></tr></table></div>"
    )


# --- files ----------------------------------------------------------------------------------------


def test_the_file_appears_whole_and_holds_the_report(tmp_path: Path) -> None:
    (path,) = write_document(Case(CASE), phrasing(), tmp_path, notes=["Unfinished."])
    assert path == tmp_path / FILE
    composition = json.loads(path.read_text(encoding="utf-8"))["entry"][0]["resource"]
    assert [s["title"] for s in composition["section"]][:2] == [
        "About this document",
        "Coronary procedure report",
    ]
    assert list(tmp_path.iterdir()) == [path]


def test_a_case_with_no_entries_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no entries"):
        write_document(Case(), phrasing(), tmp_path)
    assert list(tmp_path.iterdir()) == []


# --- our own checks ---------------------------------------------------------------------------


def first(bundle: Json, type_: str) -> Json:
    return parts(bundle, type_)[0]


SPOILT: list[tuple[str, Callable[[Json], object], str]] = [
    ("status", lambda b: first(b, "Observation").update(status="finale"), "is ['finale']"),
    ("unit", lambda b: _coding(b, "mm[Hg]").update(code="mmHg"), "not UCUM"),
    (
        "zone",
        lambda b: first(b, "Observation").update(effectiveDateTime="2026-03-02T09:00:00"),
        "with a zone",
    ),
    ("dangling", lambda b: b["entry"].pop(1), "which is not there"),
    ("type", lambda b: first(b, "Observation")["subject"].update(type="Group"), "which it is not"),
    ("unreached", lambda b: first(b, "Composition")["section"].pop(3), "is not reached"),
    ("twice", lambda b: b["entry"].append(copy.deepcopy(b["entry"][-1])), "an address twice"),
    ("order", lambda b: b["entry"].reverse(), "is no Composition"),
    ("identifier", lambda b: b.pop("identifier"), "has no identifier"),
    ("empty", lambda b: first(b, "Patient").update(name=[]), "is empty"),
    ("LOINC", lambda b: _coding(b, "8867-4").update(code="8867-5"), "wrong check digit"),
    ("SNOMED", lambda b: _coding(b, "415070008").update(code="415070009"), "wrong check digit"),
    ("form", lambda b: _coding(b, "8867-4").update(code="heart rate"), "has not the form"),
    ("display", lambda b: _coding(b, "8867-4").pop("display"), "without a display"),
    ("system", lambda b: _coding(b, "8867-4").update(system="loinc"), "without a system"),
]


def _coding(bundle: Json, code: str) -> Json:
    def search(value: Any) -> Json | None:
        if isinstance(value, dict) and value.get("code") == code:
            return value
        inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
        return next(filter(None, map(search, inner)), None)

    found = search(bundle["entry"])
    assert found is not None
    return found


@pytest.mark.parametrize(("name", "spoil", "words"), SPOILT, ids=[name for name, _, _ in SPOILT])
def test_a_spoilt_document_is_not_written(name: str, spoil: Callable[[Json], object], words: str) -> None:
    bundle = copy.deepcopy(of(*CASE))
    insist(bundle)
    spoil(bundle)
    assert any(words in fault for fault in faults_of(bundle)), faults_of(bundle)
    with pytest.raises(UserError, match="has a fault"):
        insist(bundle)


def test_the_models_object_to_what_r4_does_not_have() -> None:
    bundle = copy.deepcopy(of(*CASE))
    first(bundle, "Observation")["colour"] = "red"
    assert any("colour" in fault for fault in model_faults(bundle))


def test_references_are_found_wherever_they_are() -> None:
    value = {"a": [{"reference": "x", "type": "Y"}], "b": {"c": {"reference": "z"}}}
    assert list(references(value)) == [("x", "Y"), ("z", None)]
