"""An hour of talk for each side: with numbers, sizes, drugs and what is done to devices, and no call-out among it."""

from __future__ import annotations

import itertools

from hearing_corpus import Side, generator
from hearing_corpus.chatter import talk

LINES = 640
"""About an hour with the pauses between them."""

_WHO: dict[Side, tuple[str, ...]] = {
    "dev": ("the fellow", "my colleague", "the night shift", "the other team", "the ward", "his wife"),
    "test": ("the registrar", "a friend of mine", "the day shift", "the next room", "the office", "her son"),
}
_WHEN: dict[Side, tuple[str, ...]] = {
    "dev": ("yesterday", "on Monday", "last week", "the other day", "in the spring", "this morning"),
    "test": ("the day before", "on Thursday", "last month", "some time ago", "in the autumn", "tonight"),
}
_SIZE: dict[Side, tuple[str, ...]] = {
    "dev": ("two five by twelve", "three oh by eighteen", "a two by fifteen", "three and a half by thirty"),
    "test": ("two seven five by sixteen", "a four by twenty four", "three two five by twelve", "two by ten"),
}
_DEVICE: dict[Side, tuple[str, ...]] = {
    "dev": ("balloon", "stent", "guide", "microcatheter", "pressure wire"),
    "test": ("scoring balloon", "long stent", "diagnostic catheter", "guide extension", "workhorse wire"),
}
_DOSE: dict[Side, tuple[str, ...]] = {
    "dev": ("five thousand units", "two hundred micrograms", "three milligrams", "a hundred millilitres"),
    "test": ("seven thousand units", "fifty micrograms", "six milligrams", "eighty millilitres"),
}
_DRUG: dict[Side, tuple[str, ...]] = {
    "dev": ("heparin", "nitroglycerin", "atropine", "contrast", "adrenaline"),
    "test": ("protamine", "adenosine", "amiodarone", "saline", "fentanyl"),
}
_SLOTS = ("who", "when", "size", "device", "dose", "drug")
_PATTERNS: dict[Side, tuple[str, ...]] = {
    "dev": (
        "{who} opened a {device} {when}, {size} I think, and never used it",
        "did {who} really want {size} for that, it looked much smaller to me",
        "{when} {who} gave {dose} of {drug} and nothing happened at all",
        "how much {drug} do they have next door, {dose} is all that I could find",
        "check with {who} whether the {device} is back from the store",
        "the {device} that {who} ordered {when} was {size}, so we sent it back",
        "balloon up, that is what {who} always shouted {when}",
        "I am back {when}, so check the list with {who} please",
        "somebody wrote {dose} on the board, was that {drug} or something else",
        "it went to sixteen atmospheres {when} and then the {device} was out of the question",
        "you know what {who} said {when}, {drug} first and then we will see",
        "the pressure was one twenty over seventy when {who} looked {when}",
    ),
    "test": (
        "{who} asked me {when} for a {device}, {size}, as if we had those",
        "was it {size} that {who} used, or did I dream that",
        "{dose} of {drug} would be far too much if you ask {who}",
        "{when} we ran out of {drug} and {who} brought {dose} from the pharmacy",
        "can you check the back door, {who} is waiting there with the {device}",
        "a {device} fell down {when}, {size}, and {who} stepped on it",
        "stent deployed, said {who}, and it was not even out of the box {when}",
        "come back {when} and we will check that with {who}",
        "is {dose} on the label, or is that the {drug} of {who}",
        "twelve atmospheres for a {device} like that, {who} would have laughed {when}",
        "no {drug} for me, thank you, said {who} {when}",
        "his heart rate was sixty two when {who} counted it {when}",
    ),
}


def long_talk(side: Side) -> list[str]:
    """Return `LINES` different lines in a fixed mixed order, those of `talk` among them."""
    slots = [_WHO[side], _WHEN[side], _SIZE[side], _DEVICE[side], _DOSE[side], _DRUG[side]]
    rng = generator("long talk", side)
    lines = dict.fromkeys(talk(side))
    patterns = itertools.cycle(_PATTERNS[side])
    while len(lines) < LINES:
        given = {name: values[rng.integers(len(values))] for name, values in zip(_SLOTS, slots, strict=True)}
        lines.setdefault(next(patterns).format(**given))
    ordered = list(lines)
    return [ordered[n] for n in rng.permutation(len(ordered))]


_NOT_TUNED_WITH = (
    "{who} left {size} on the shelf and took the {device} with him {when}",
    "when did {who} last order {drug}, it must be empty by now",
    "for a child you would give less than {dose}, that much I know",
    "we could not find the {device} {when}, so {who} went to ask next door",
    "is the lead apron that {who} wore {when} the one with the hole in it",
    "I still think that {size} was the wrong choice, but {who} was in a hurry",
    "{when} the alarm went off at one sixty over ninety and everybody jumped",
    "could {who} bring the {device} box, the label is on the other side",
    "they say {drug} is running out everywhere, not only with {who}",
    "as far as I remember it was {dose}, and {who} wrote it down {when}",
    "the student asked whether the {device} stays in, and {who} just laughed",
    "at fourteen atmospheres I would have stopped, {who} did not {when}",
    "hold the table please, {who} is not ready with the {device}",
    "that wire came out {when} like butter, {who} could not believe it",
)


def talk_not_tuned_with(lines: int = 112) -> list[str]:
    """Return talk of the development side that is left out where the second listener is tuned."""
    rng = generator("talk that is not tuned with")
    slots = [_WHO["dev"], _WHEN["dev"], _SIZE["dev"], _DEVICE["dev"], _DOSE["dev"], _DRUG["dev"]]
    found: dict[str, None] = {}
    patterns = itertools.cycle(_NOT_TUNED_WITH)
    while len(found) < lines:
        values = [slot[rng.integers(len(slot))] for slot in slots]
        found.setdefault(next(patterns).format(**dict(zip(_SLOTS, values, strict=True))))
    return list(found)
