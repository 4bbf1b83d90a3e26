"""A stand-in for a compiled phrasebook: a middle-sized word graph of this trade's sentences.

Rules are tuples: ("seq", ...), ("or", ...), ("opt", x), or a string of words.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count
from typing import Any

from checkback.hearing.recogniser import Grammar

Rule = Any

TEENS = [
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
]
TENS = ["twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
UNITS = ["one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]

PRONUNCIATIONS = {
    "atmospheres": ("AE T M AH S F IH R Z",),
    "bivalirudin": ("B AY V AH L IH R UW D IH N",),
    "cangrelor": ("K AE NG G R EH L AO R",),
    "circumflex": ("S ER K AH M F L EH K S",),
    "fentanyl": ("F EH N T AH N IH L",),
    "fluoro": ("F L UH R OW",),
    "kerma": ("K ER M AH",),
    "lithotripsy": ("L IH TH AH T R IH P S IY",),
    "midazolam": ("M IH D AE Z AH L AE M",),
    "microcatheter": ("M AY K R OW K AE TH AH T ER",),
    "protamine": ("P R OW T AH M IY N",),
    "thrombus": ("TH R AA M B AH S",),
    "amiodarone": ("AE M IY OW D AH R OW N",),
    "norepinephrine": ("N AO R EH P AH N EH F R IH N",),
    "intracoronary": ("IH N T R AH K AO R AH N EH R IY",),
    "atropine": ("AE T R AH P IY N",),
    "compressions": ("K AH M P R EH SH AH N Z",),
    "dobutamine": ("D OW B Y UW T AH M IY N",),
    "reflow": ("R IY F L OW",),
    "asystole": ("EY S IH S T AH L IY",),
    "verapamil": ("V ER AE P AH M IH L",),
    "eptifibatide": ("EH P T IH F IH B AH T AY D",),
    "stenosis": ("S T AH N OW S AH S",),
    "fibrillation": ("F IH B R AH L EY SH AH N",),
    "semicompliant": ("S EH M IY K AH M P L AY AH N T",),
    "noncompliant": ("N AA N K AH M P L AY AH N T",),
}


def alternatives(words: str) -> Rule:
    return ("or", *(word.replace("_", " ") for word in words.split()))


SMALL = ("or", *UNITS, *TEENS)
BELOW_HUNDRED = ("or", *UNITS, *TEENS, ("seq", ("or", *TENS), ("opt", ("or", *UNITS))))
HUNDREDS = ("seq", ("or", *UNITS), ("opt", "hundred"), BELOW_HUNDRED)
DIAMETER = (
    "or",
    *(
        f"{whole} {rest}"
        for whole in ("two", "three", "four")
        for rest in ("oh", "two five", "five", "point five", "point two five", "seven five", "and a half")
    ),
)
LENGTH = (
    "or",
    "eight",
    "ten",
    "twelve",
    "fifteen",
    "eighteen",
    "twenty",
    "thirty",
    "forty",
    "twenty two",
    "twenty eight",
    "thirty three",
    "thirty eight",
    "forty eight",
)
PRESSURE = ("seq", ("or", *UNITS[3:], *TEENS, "twenty", "twenty two", "twenty four"), ("opt", "atmospheres"))
DRUGS = alternatives(
    "heparin bivalirudin cangrelor fentanyl midazolam protamine amiodarone norepinephrine adenosine atropine "
    "verapamil eptifibatide epinephrine aspirin nitroglycerin dopamine dobutamine morphine"
)
DOSE = (
    "or",
    BELOW_HUNDRED,
    HUNDREDS,
    ("seq", ("or", *UNITS, *TEENS), ("or", "thousand", "hundred")),
    ("seq", ("or", *UNITS), "hundred", BELOW_HUNDRED),
)
SEGMENT = (
    "or",
    "left main",
    (
        "seq",
        ("or", "proximal", "mid", "distal"),
        ("or", "circumflex", "right coronary", "left anterior descending"),
    ),
    "first diagonal",
)
SENTENCES: Rule = (
    "or",
    "case start",
    "case end",
    "time out",
    "correction",
    "disregard",
    "say again",
    "affirm",
    "negative",
    "stand by",
    (
        "seq",
        ("opt", ("or", "semicompliant", "noncompliant", "cutting", "scoring")),
        "balloon",
        DIAMETER,
        "by",
        LENGTH,
        ("opt", PRESSURE),
    ),
    (
        "seq",
        ("opt", ("or", "bare", "covered")),
        "stent",
        DIAMETER,
        "by",
        LENGTH,
        ("opt", ("seq", "deployed at", PRESSURE)),
    ),
    ("seq", ("or", "inflate", "up to"), PRESSURE),
    "down",
    "balloon out",
    "wire across",
    "wire out",
    ("seq", "guide", ("or", "six", "seven", "eight"), "french"),
    "microcatheter in",
    "lithotripsy balloon in",
    (
        "seq",
        DRUGS,
        DOSE,
        ("or", "units", "milligrams", "micrograms"),
        ("opt", ("or", "intracoronary", "intravenous")),
    ),
    ("seq", "a c t", HUNDREDS),
    ("seq", "pressure", HUNDREDS, ("opt", ("seq", "over", BELOW_HUNDRED))),
    ("seq", "heart rate", BELOW_HUNDRED),
    ("seq", "saturation", BELOW_HUNDRED),
    ("seq", "chest pain", SMALL, "of ten"),
    ("seq", "shock", HUNDREDS, "joules"),
    "compressions on",
    "compressions off",
    "asystole",
    "ventricular fibrillation",
    "sinus rhythm",
    ("seq", SEGMENT, BELOW_HUNDRED, "percent stenosis"),
    ("seq", "flow", ("or", "zero", "one", "two", "three")),
    "thrombus",
    "dissection",
    "perforation",
    "no reflow",
    ("seq", "contrast", ("opt", "total"), ("or", BELOW_HUNDRED, HUNDREDS)),
    ("seq", "fluoro time", BELOW_HUNDRED, ("opt", "minutes")),
    ("seq", "air kerma", HUNDREDS),
)


def _arcs(rule: Rule, start: int, end: int, states: Iterator[int]) -> Iterator[tuple[int, int, str]]:
    if isinstance(rule, str):
        words = rule.split()
        stops = [start, *(next(states) for _ in words[1:]), end]
        yield from zip(stops, stops[1:], words, strict=False)
        return
    kind, *parts = rule
    if kind == "or":
        for part in parts:
            yield from _arcs(part, start, end, states)
    elif kind == "opt":
        # An own entry, so that nothing can come back to a state that is shared.
        inner = next(states)
        yield start, inner, ""
        yield inner, end, ""
        yield from _arcs(parts[0], inner, end, states)
    else:
        stops = [start, *(next(states) for _ in parts[1:]), end]
        for part, one, other in zip(parts, stops, stops[1:], strict=False):
            yield from _arcs(part, one, other, states)


def grammar_of(rule: Rule) -> Grammar:
    """Compile a rule to a word graph."""
    arcs = tuple(_arcs(rule, 0, 1, count(2)))
    words = {word for _, _, word in arcs}
    return Grammar(
        arcs=arcs,
        start=0,
        final=1,
        pronunciations={word: phones for word, phones in PRONUNCIATIONS.items() if word in words},
        phrases=(),
        sha256="",
    )


def cathlab() -> Grammar:
    """Return the stand-in grammar."""
    return grammar_of(SENTENCES)
