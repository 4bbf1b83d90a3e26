"""What a Procedure Log holds of the journal and what it cannot, told by the layout itself."""

from __future__ import annotations

from checkback.record.entry import Entry
from checkback.reporting.dicom.layout import CLASSES, NOT_CARRIED, Head, Slot, heads, slots

OF_THE_ENTRY: dict[str, str] = {
    "n": "held",
    "at": "held to the millisecond; the monotonic clock is not, and is counted anew from the first entry",
    "said": "held, like `at`",
    "recorded": "held, like `at`",
    "source": "held",
    "words": "held",
    "question": "held",
    "standing": "held: what stands and what is questioned",
    "body": "held, see above",
    "session": "not held: all that is read back is of session 1",
    "alternatives": "not held: the readings that were not taken",
    "recogniser": "not held",
    "score": "not held",
    "certainty": "not held",
    "amends": "not held: what was amended does not appear, the later entry stands in its place",
    "schema_version": "not held: read back as the present one",
}
"""What becomes of each field of an entry."""

OF_THE_JOURNAL = (
    "what was withdrawn or amended, and that it was",
    "the chain of hashes; only the last hash is written, at the head of the log",
    "control characters in texts, but for tabs and line ends, and blanks at the end of a text",
    "more than 15 digits of a number",
    "an offset from UTC before -12:00, below an hour (but for UTC itself) or with seconds: the moment is the same, "
    "written in UTC or in the zone of the log",
)
"""What is lost besides."""


def held(kind: str) -> list[Slot]:
    """Return the fields of a kind that are written and read back; empty for a kind that is left out."""
    return [] if kind in NOT_CARRIED else list(slots(kind))


def not_held(kind: str) -> list[str]:
    """Return the fields of a kind that a log cannot hold; they are in the text of the entry only."""
    names = {slot.field for slot in held(kind)}
    if any(slot.unit_field for slot in held(kind)):
        names.add("unit")
    return [name for name in CLASSES[kind].model_fields if name != "kind" and name not in names]


def table() -> str:
    """Return the tables of docs/dicom.md (Markdown)."""
    lines = ["| kind | first-level item | below it | not held |", "|---|---|---|---|"]
    for kind in CLASSES:
        if kind in NOT_CARRIED:
            lines.append(f"| {kind} | none | | {NOT_CARRIED[kind]} |")
            continue
        # the last head is the private one, which is for bodies that no other fits
        own = heads(kind)[:-1] or heads(kind)
        first = "; ".join(dict.fromkeys(_head(head, slots(kind)) for head in own))
        # what some head does not tell stands below that one
        in_head = set.intersection(*({*head.when, head.value} for head in own))
        below = ", ".join(_slot(slot) for slot in held(kind) if slot.field not in in_head)
        lines.append(f"| {kind} | {first} | {below} | {', '.join(not_held(kind))} |")
    lines += ["", "| of an entry | |", "|---|---|"]
    lines += [f"| {name} | {OF_THE_ENTRY[name]} |" for name in Entry.model_fields]
    lines += ["", "Besides, a log cannot hold:", ""]
    lines += [f"- {loss}" for loss in OF_THE_JOURNAL]
    return "\n".join(lines) + "\n"


def _head(head: Head, of_kind: tuple[Slot, ...]) -> str:
    concept = f"{head.concept.meaning} ({head.concept.value}, {head.concept.scheme})"
    if not isinstance(head.value, str):
        return f"CODE {concept} = {head.value.meaning} ({head.value.value}, {head.value.scheme})"
    slot = next(slot for slot in of_kind if slot.field == head.value)
    return f"{_type(slot)} {concept}"


def _slot(slot: Slot) -> str:
    return f"{slot.field}: {_type(slot)} {slot.concept.value}, {slot.concept.scheme}"


def _type(slot: Slot) -> str:
    of_form = {"number": "NUM", "text": "TEXT", "time": "DATETIME"}
    return of_form.get(slot.form, "CODE")
