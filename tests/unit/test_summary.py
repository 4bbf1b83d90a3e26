"""The summary is one page, whatever the case; every figure on it is in the entries or was computed."""

from __future__ import annotations

import io
from decimal import Decimal
from functools import cache

import pytest

from checkback.record.case import Case
from checkback.record.entry import CaseStart, Contrast, Deployment, Device, Drug, Perforation
from checkback.reporting.computed import NOTHING
from checkback.reporting.document import Document, Figure, every_run
from checkback.reporting.documents import written
from checkback.reporting.short_words import unit
from checkback.reporting.summary import in_words, summary
from checkback.reporting.timeline import timeline
from invented_case import CASE
from long_case import long_case
from papers import computed, numbers_behind, numbers_in
from watched_case import Told


def pages(document: Document) -> int:
    from pypdf import PdfReader

    return len(PdfReader(io.BytesIO(written(document, "pdf"))).pages)


def many_implants() -> Case:
    told = Told()
    told.say(0, CaseStart())
    for i in range(30):
        told.say(
            1 + 4 * i,
            Device(device="stent", type="drug-eluting", diameter_mm=Decimal("3.5"), length_mm=Decimal(38)),
        )
        told.say(2 + 4 * i, Deployment(pressure_atm=Decimal(14)))
        told.say(
            3 + 4 * i, Perforation(segment="ostial left anterior descending", type="III cavity spilling")
        )
        told.say(3.5 + 4 * i, Contrast(volume_ml=Decimal(10), counted="given"))
        told.say(3.6 + 4 * i, Drug(drug="heparin", dose=Decimal(500), unit="U", route="intravenous"))
    return told.case


@pytest.mark.outside
@pytest.mark.parametrize(
    ("case", "notices"),
    [
        (Case(), ()),
        (Case(CASE), ()),
        (Case(CASE), ("The journal is broken: line 7 was changed.", "The case is not finished.")),
        (long_case(), ("The case is not finished.",)),
        (many_implants(), ("The journal is broken: line 7 was changed.",) * 3),
    ],
    ids=["empty", "invented", "with notices", "four hours", "thirty stents"],
)
def test_it_is_one_page(case, notices):
    # pages counted by pypdf in the file that Typst set
    assert pages(summary(case, computed(case), notices=notices)) == 1


@cache
def of_long_case() -> Document:
    return summary(long_case(), computed(long_case()))


def words(document: Document) -> str:
    return "\n".join(run.text for run in every_run(document))


def test_it_says_what_is_missing_and_that_it_is_a_draft():
    document = summary(Case(CASE), computed(Case(CASE)))
    assert document.status == "DRAFT, not signed"
    text = words(document)
    assert "air kerma, dose-area product, removal of devices." in text
    assert "2 entries are not settled." in text
    assert "nothing that it looks for" not in text


def test_the_figures_of_the_invented_case():
    text = words(summary(Case(CASE), computed(Case(CASE))))
    for told in ("120 mL", "11.4 min", "281 s at 09:19:05", "250-300 s", "Drug-eluting stent 2.75 × 28 mm"):
        assert told in text, told


def test_limits_stand_with_source_and_advice():
    text = words(of_long_case())
    assert "Maximum contrast: Cigarroa, Am J Med 1989;86:649" in text
    assert "check against local protocol" in text


def test_a_summary_without_computed_figures_tells_what_was_called_out():
    text = words(summary(Case(CASE), NOTHING))
    assert "120 mL" in text and "Maximum contrast" not in text


@pytest.mark.parametrize("case", [Case(CASE), long_case()], ids=["invented", "four hours"])
def test_every_number_is_in_a_cited_entry_or_was_computed(case):
    figures = computed(case)
    known = {n for each in figures.figures for n in numbers_in(f"{each.text} {each.source} {each.name}")}
    document = of_long_case() if len(case.entries) > 300 else summary(case, figures)
    for run in every_run(document):
        if not run.cites:
            continue
        stray = numbers_in(run.text.removeprefix("No. ")) - numbers_behind(case, run.cites) - known
        # numbers of devices and of moments on the drawing
        stray -= {Decimal(i) for i in range(1, len(case.devices()) + 1)}
        assert not stray, (run.text, stray)


def test_withdrawn_values_stand_nowhere():
    document, case = of_long_case(), long_case()
    assert "metoprolol" not in words(document) and "999" not in words(document)
    withdrawn = {e.n for e in case.entries if case.standing(e)[0] in ("withdrawn", "amended")}
    assert withdrawn
    assert not withdrawn & {n for run in every_run(document) for n in run.cites}


def test_the_drawing_is_told_in_words():
    told = in_words(timeline(long_case()))
    assert told.startswith("Timeline of the case from 09:00 to 13:00: 39 devices")
    assert "perforation Ellis II, distal right coronary at 11:07:00" in told
    (figure,) = [block for block in summary(Case(CASE)).blocks if isinstance(block, Figure)]
    assert figure.alt.startswith("Timeline of the case from 09:14 to 09:24")
    assert figure.svg.startswith(b"<?xml") and figure.png.startswith(b"\x89PNG")


def test_units_are_written_so_that_nobody_misreads_them():
    assert [unit(each) for each in ("U", "U/kg", "ug/kg/min", "mg", "meq")] == [
        "units", "units/kg", "mcg/kg/min", "mg", "mEq",
    ]  # fmt: skip
