"""The phrasebook: one TOML file from which everything about the language is made.

Made from it, and never edited by hand: the matcher that returns all readings
(`checkback.language.reading`), the JSGF, the word graph and the Vosk phrase list
(`checkback.language.wordgraph`), the phrase card (`checkback.language.card`) and random sentences
(`Phrasebook.sample`).
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from checkback.errors import UserError
from checkback.language import page_words
from checkback.language.catalogue import (
    DRUG_UNITS,
    UNITS,
    Amount,
    Catalogue,
    DrugWords,
    Formulary,
    NumberRange,
    Stock,
    digest,
    fault,
    read_text,
    read_toml,
)
from checkback.language.expression import (
    Choice,
    ExpressionError,
    Fields,
    Form,
    Named,
    Node,
    Optional,
    Sequence,
    Table,
    Tagged,
    Word,
    parse,
)
from checkback.language.numbers import NumberWords, Style
from checkback.record.entry import BODY, Body

DIALOGUE = frozenset(
    "disregard say_again affirm negative choose noted stand_by voice_off voice_on note end_note".split()
)
QUESTIONS = frozenset(
    "last_act contrast_so_far contrast_left heparin_so_far balloon_time what_is_in what_is_missing".split()
)
REPLIES = frozenset(
    "say_again nothing_said before_that accepted corrected withdrawn nothing_to_withdraw nothing_to_correct "
    "no_such_entry does_not_fit which heard_either go_ahead option or confirm unlisted dropped parked voice_off voice_on at "
    "act_last act_none just_now one_minute_ago minutes_ago contrast contrast_none in in_none missing missing_none nothing_in nothing_up "
    "trouble saved_again nothing_asked replaces deaf hearing_again behind caught_up not_kept_up microphone_silent microphone_loud display_fault pedal_lost pedal_back pedal_stuck no_balloon nothing_due no_card contrast_left no_creatinine heparin heparin_none "
    "heparin_infusion long_before balloon_up balloon_not_up not_known noted nothing_to_note "
    "scan_again scanned_before nothing_to_identify expired "
    "note_open note_again note_taken note_taken_long note_as_sound note_too_long note_cut_off no_note "
    "list_join sentence_join of_device happened clock ignored".split()
)
"""What the loop needs a phrasebook to have."""

LEAST_DIALOGUE = frozenset("disregard say_again affirm negative choose noted stand_by".split())
"""Dialogue that no phrasebook can leave out: the loop asks, and these answer."""
BAILOUT = frozenset(
    "card_open card_yes card_no card_next card_back card_why card_tried card_not_tried card_not_here card_chosen "
    "card_second card_start_over card_close".split()
)
"""Families of words to a bailout card; a phrasebook has all of them, or none."""

OF_CARDS = frozenset(
    "card_opened card_line card_end card_why card_closed card_second_opinion card_answer_yes_or_no card_not_a_question "
    "card_nothing_to_mark card_nothing_before_this card_nothing_proposed card_offer card_declined drug_option".split()
)
"""Replies that a phrasebook with words to a bailout card needs too."""

ANSWERED = frozenset("ask_item ask_device ask_words ask_unheard skipped unknown all_answered".split())
"""Replies that a phrasebook with short answers needs too."""

CARD = frozenset(
    "title notation front event fragment dialogue question lists devices drugs drug dose rate route "
    "to in_steps_of except".split()
)
"""Headings and small words of the phrase card."""

NAMED: dict[str, tuple[str, ...]] = {
    "missing": tuple(
        "time_out access closure contrast fluoroscopy air_kerma dose_area flow act case_end "
        "symptom_onset first_contact arrival questions devices".split()
    ),
    "unknown": ("weight", "creatinine"),
    "reason": ("does not sound like a call-out", "was not called", "is no call-out", "was not heard in time"),
    "device": ("delivery balloon",),
}
"""What the program names beside the values of entries, and a phrasebook needs labels for."""

KINDS_OF_BODY: tuple[type[BaseModel], ...] = get_args(get_args(Body)[0])
"""Every class of entry."""

KINDS: frozenset[str] = frozenset(kind.model_fields["kind"].default for kind in KINDS_OF_BODY)
"""Every kind of entry."""

_FIELD = re.compile(r"\{(\w+)\}")
_NAMED = frozenset("drug unit route lot serial device happening".split())


def must_be_heard(kind: str) -> frozenset[str]:
    """Return the fields of a kind that no check-back may leave out: every number, and what it is of.

    Hearing errs in the numbers, and a check-back without them would confirm what nobody heard.
    """
    schema = _schema()
    properties = schema["$defs"][schema["discriminator"]["mapping"][kind].rpartition("/")[2]]["properties"]
    numbers = {
        name
        for name, field in properties.items()
        if any(each.get("type") in ("number", "integer") for each in field.get("anyOf", [field]))
    }
    return frozenset(numbers | (_NAMED & set(properties)))


@cache
def _schema() -> dict[str, Any]:
    # not at import: making it takes a tenth of the program's start, and only a phrasebook needs it
    return BODY.json_schema()


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class NumberSlot(NumberRange):
    """A spoken number."""

    kind: Literal["integer", "decimal", "size"]
    unit: str = Field(description="Unit symbol, or '1' for a bare number.")
    field: str | None = None
    styles: tuple[Style, ...] | None = None
    extra: dict[str, tuple[str, ...]] = Field(default={}, description="More spoken forms, by value.")
    unsaid: tuple[str, ...] = Field(
        default=(), description="Spoken forms left out, because they sound like something else."
    )
    typed_to: int | None = Field(
        default=None, gt=0, description="Typed in digits, whole numbers up to this one are understood too."
    )

    @model_validator(mode="after")
    def _unit_and_field_agree(self) -> NumberSlot:
        if self.unit != "1" and self.unit not in UNITS:
            raise ValueError(f"unit '{self.unit}' is unknown; known are 1, {', '.join(UNITS)}")
        if self.unit != "1" and self.field and not self.field.endswith(UNITS[self.unit]):
            raise ValueError(f"field '{self.field}' of unit '{self.unit}' must end in '{UNITS[self.unit]}'")
        return self


class ChoiceSlot(_Data):
    """One of several fixed values, each with its spoken forms."""

    kind: Literal["choice"]
    field: str | None = None
    values: dict[str, tuple[str, ...]] = Field(min_length=1)


class StockSlot(_Data):
    """A device from the catalogue, in the sizes that are stocked.

    ``say`` uses the local slots <name>, <diameter>, <length>, <french> and <curve>; an expansion
    that needs one which an item lacks is left out for that item.
    """

    kind: Literal["stock"]
    device: str
    say: tuple[str, ...] = Field(min_length=1)
    names: dict[str, tuple[str, ...]] = Field(
        min_length=1, description="Spoken names by generic type; 'any' leaves the type open."
    )
    full_range: bool = Field(default=False, description="Every size at all, marked as not stocked.")


class FormularySlot(_Data):
    """A drug with a dose or a rate; ``say`` uses <drug>, <amount> and <route>."""

    kind: Literal["formulary"]
    amount: Literal["dose", "rate"]
    say: tuple[str, ...] = Field(min_length=1)
    routes: dict[str, tuple[str, ...]] = {}


class BailoutSlot(_Data):
    """One of the bailout cards, by what each says that it is asked for with."""

    kind: Literal["bailout"]


Slot = Annotated[
    NumberSlot | ChoiceSlot | StockSlot | FormularySlot | BailoutSlot, Field(discriminator="kind")
]


class Family(_Data):
    """Sentences of one meaning."""

    say: tuple[str, ...] = Field(min_length=1)
    set: dict[str, Any] = {}


class Back(_Data):
    """How a kind of entry is said and written back; `brief` is for who wants to hear little."""

    spoken: str
    written: str
    brief: str | None = None

    def blanks(self) -> set[str]:
        """Return the fields that it names."""
        return set(re.findall(r"\{(\w+)\}", self.spoken + self.written))


class FullRange(_Data):
    """Sizes that can be said after the word that opens the full range."""

    diameters_mm: NumberRange
    lengths_mm: NumberRange


class PhrasebookFile(_Data):
    """The TOML file as it stands."""

    name: str
    language: str
    recognisers: tuple[Literal["pocketsphinx", "vosk", "whisper"], ...] = Field(
        default=("pocketsphinx", "vosk", "whisper"),
        min_length=1,
        description="What can hear it. The built-in one and Whisper need pronunciations in ARPAbet.",
    )
    stored_words: bool = Field(
        default=False,
        description="The values as they stand in the journal are words of this language: what has no "
        "label is said and written as it is stored. If not, every value needs a label.",
    )
    numbers: NumberWords
    full_range: FullRange
    rules: dict[str, str] = {}
    slots: dict[str, Slot]
    shift: Family
    shift_after: Family | None = Field(default=None, description="What may stand behind an event.")
    typed_shift_after: Family | None = Field(default=None, description="The same, typed only.")
    correction: Family
    events: dict[str, Family]
    fragments: dict[str, Family]
    dialogue: dict[str, Family]
    questions: dict[str, Family]
    answers: dict[str, Family] = Field(
        default={}, description="Short answers to what the record lacks, by what was asked for."
    )
    drugs: dict[str, tuple[str, ...]] = Field(
        default={},
        description="Drugs of the formulary that are listened for, with what they are called in this "
        "language; none: all of them, as the formulary calls them.",
    )
    drug_units: dict[str, tuple[str, ...]] = Field(
        default={}, description="With [drugs]: every way to say a unit; an amount in another one is left out."
    )
    bailout: dict[str, Family] = Field(
        default={}, description="Words to a bailout card; all but the first are taken only while one is open."
    )
    back: dict[str, Back]
    labels: dict[str, dict[str, str]] = {}
    spoken_units: dict[str, str] = {}
    spoken_units_one: dict[str, str] = {}
    typed: dict[str, str] = Field(default={}, description="What is typed short, and its words.")
    writes_like: str = Field(
        default="", description="A text in the style in which a free recogniser is to write."
    )
    replies: dict[str, str]
    advice: dict[str, str] = Field(description="What the program says by itself, by rule.")
    card: dict[str, str] = Field(description="Headings and small words of the phrase card.")
    pages: dict[str, dict[str, str]] = Field(description="Every word of the display's pages.")

    @model_validator(mode="after")
    def _is_complete(self) -> PhrasebookFile:
        for key, known, there in (
            ("dialogue", DIALOGUE, self.dialogue.keys()),
            ("questions", QUESTIONS, self.questions.keys()),
        ):
            if odd := there - known:
                raise ValueError(
                    f"[{key}] has {', '.join(sorted(odd))}, with which the program can do nothing; "
                    f"it can with {', '.join(sorted(known))}"
                )
        if lacking := LEAST_DIALOGUE - self.dialogue.keys():
            raise ValueError(f"[dialogue] lacks {', '.join(sorted(lacking))}")
        if len({"note", "end_note"} & self.dialogue.keys()) == 1:
            raise ValueError("[dialogue] must have both note and end_note, or neither")
        if self.bailout and (unlike := BAILOUT ^ self.bailout.keys()):
            raise ValueError(
                f"[bailout] must have all of {', '.join(sorted(BAILOUT))}, or nothing; look at {', '.join(sorted(unlike))}"
            )
        if self.bailout and (lacking := OF_CARDS - self.replies.keys()):
            raise ValueError(f"[replies] lacks {', '.join(sorted(lacking))}")
        if lacking := KINDS - self.back.keys():
            raise ValueError(f"[back] lacks {', '.join(sorted(lacking))}")
        for kind, back in self.back.items():
            said = set(_FIELD.findall(back.spoken))
            if back.brief is not None and (
                left_out := (said & must_be_heard(kind)) - set(_FIELD.findall(back.brief))
            ):
                raise ValueError(
                    f"[back.{kind}] brief leaves out {', '.join(sorted(left_out))}, which must be heard"
                )
        if lacking := REPLIES - self.replies.keys():
            raise ValueError(f"[replies] lacks {', '.join(sorted(lacking))}")
        if self.answers and (lacking := ANSWERED - self.replies.keys()):
            raise ValueError(f"[replies] lacks {', '.join(sorted(lacking))}")
        if lacking := CARD - self.card.keys():
            raise ValueError(f"[card] lacks {', '.join(sorted(lacking))}")
        if (wrong := page_words.fault_in(self.pages)) is not None:
            raise ValueError(wrong)
        if odd := self.drug_units.keys() - DRUG_UNITS:
            raise ValueError(
                f"[drug_units] has {', '.join(sorted(odd))}; known are {', '.join(sorted(DRUG_UNITS))}"
            )
        return self


CARDS = "cards"
"""The folder of the bailout cards, beside the phrasebook."""


class _AskedFor(BaseModel):
    """What of a bailout card is the phrasebook's business."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    say: tuple[str, ...] = Field(min_length=1)


@dataclass(frozen=True)
class Sample:
    """A random legal sentence and what it means."""

    words: str
    fields: Mapping[str, Any]


class Phrasebook:
    """A phrasebook compiled with a catalogue and a formulary.

    Parameters
    ----------
    file : PhrasebookFile
    catalogue : Catalogue
    formulary : Formulary
    pronunciations : mapping of str to tuple of str
        ARPAbet phones of words that the recogniser's own dictionary may lack.
    sha256, catalogue_sha256 : str
        Digests of all files behind it, and of the catalogue alone.
    source : Path, optional
        Named in messages.
    cards : mapping of str to tuple of str
        Names of the bailout cards, with what each is asked for with.

    Raises
    ------
    UserError
        If an expansion is not well formed or a name is not defined.
    """

    def __init__(
        self,
        file: PhrasebookFile,
        catalogue: Catalogue,
        formulary: Formulary,
        pronunciations: Mapping[str, tuple[str, ...]],
        sha256: str = "",
        catalogue_sha256: str = "",
        source: Path = Path("phrasebook"),
        cards: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        self.file = file
        self.cards = dict(cards or {})
        self.catalogue = catalogue
        self.formulary = _in_words_of(file, formulary, source)
        self.pronunciations = dict(pronunciations)
        self.sha256 = sha256
        self.catalogue_sha256 = catalogue_sha256
        self.source = source
        self._forms: dict[tuple[Decimal, tuple[Style, ...]], tuple[Form, ...]] = {}
        # one for all trees of spoken words: they share their slots and rules
        self._compiler = _Compiler(self, typed=False)
        self.spoken = self._compiler.root()
        for key in unlabelled(self):
            raise fault(
                source,
                f"labels.{key.partition(':')[0]}",
                f"no words for{key.partition(':')[2]}; add them, or set stored_words = true if the journal's "
                "own values are words of this language",
            )

    def forms(self, value: Decimal, styles: tuple[Style, ...]) -> tuple[Form, ...]:
        """Return `NumberWords.forms`, worked out once: slots share most of their numbers.

        Raises
        ------
        ValueError
            If no style can say the value.
        """
        key = (value, styles)
        if key not in self._forms:
            self._forms[key] = self.file.numbers.forms(value, styles)
        return self._forms[key]

    @cached_property
    def typed(self) -> Node:
        """The tree for typed words: numerals too, and sizes that are not stocked (marked so)."""
        return _Compiler(self, typed=True).root()

    @classmethod
    def load(cls, folder: Path, name: str = "english") -> Phrasebook:
        """Read ``NAME.toml``, ``NAME.pronunciations``, ``catalogue.toml``, ``formulary.toml``.

        Raises
        ------
        UserError
            If a file is missing or wrong; the message names file and key.
        """
        path = folder / f"{name}.toml"
        file = read_toml(path, PhrasebookFile)
        catalogue = read_toml(folder / "catalogue.toml", Catalogue)
        formulary = read_toml(folder / "formulary.toml", Formulary)
        spoken = folder / f"{name}.pronunciations"
        pronunciations = read_pronunciations(spoken)
        stock = folder / "catalogue.toml"
        files = [path, spoken, stock, folder / "formulary.toml"]
        paths = sorted((folder / CARDS).glob("*.toml")) if file.bailout else []
        cards = {card.stem: read_toml(card, _AskedFor).say for card in paths}
        return cls(
            file, catalogue, formulary, pronunciations, digest([*files, *paths]), digest([stock]), path, cards
        )

    def sample(self, rng: random.Random, family: str | None = None) -> Sample:
        """Return a random legal sentence, of one family if given."""
        node = self.family_node(family) if family else self.spoken
        words, fields = _sample(node, rng)
        while times_told(fields) > 1:
            words, fields = _sample(node, rng)
        return Sample(" ".join(words), dict(fields))

    def families(self) -> Iterable[tuple[str, str, Family]]:
        """Yield role, name and family of every sentence family."""
        for role, families in (
            ("event", self.file.events),
            ("fragment", self.file.fragments),
            ("dialogue", self.file.dialogue),
            ("question", self.file.questions),
            ("answer", self.file.answers),
            ("bailout", self.file.bailout),
        ):
            for name, family in families.items():
                yield role, name, family

    def family_node(self, name: str) -> Node:
        """Return the tree of one family.

        Raises
        ------
        UserError
            If there is no such family.
        """
        try:
            return self._family_nodes[name]
        except KeyError:
            raise UserError(
                f"no family '{name}' in {self.source}; there are {', '.join(self._family_nodes)}"
            ) from None

    @cached_property
    def correction_node(self) -> Node:
        """The tree of what stands before a correction."""
        return self._compiler.correction()

    @cached_property
    def said_at_any_time(self) -> Node:
        """The tree of what is spoken, without short answers to a question."""
        return self._compiler.root(answers=False)

    @cached_property
    def _family_nodes(self) -> dict[str, Node]:
        return self._compiler.families()


def times_told(fields: Fields) -> int:
    """Return how many times of the event stand in a sentence; with two of them nobody knows when it was."""
    return sum(name in ("ago_min", "ago_s", "hour") for name, _ in fields)


def read_pronunciations(path: Path) -> dict[str, tuple[str, ...]]:
    """Read a pronunciation file: a word, white space, its phones; a word may stand twice.

    Raises
    ------
    UserError
        If the file is missing or a line has no phones.
    """
    found: dict[str, list[str]] = {}
    for number, line in enumerate(read_text(path).splitlines(), 1):
        line = line.partition("#")[0].strip()
        if not line:
            continue
        word, _, phones = line.partition(" ")
        if not re.fullmatch(r"[A-Z]+( +[A-Z]+)*", phones.strip()):
            raise UserError(
                f"{path}: line {number}: '{word}' needs its phones in capitals behind it; mend that line"
            )
        found.setdefault(word, []).append(" ".join(phones.split()))
    return {word: tuple(phones) for word, phones in found.items()}


def _in_words_of(file: PhrasebookFile, formulary: Formulary, source: Path) -> Formulary:
    """Return the drugs that a phrasebook has words for, in its words; amounts and sources stay."""
    if not file.drugs:
        return formulary
    known = {drug.name: drug for drug in formulary.drug}
    found = []
    for name, said in file.drugs.items():
        if name not in known:
            raise fault(
                source, f"drugs.{name}", "the formulary has no such drug; add it there or remove it here"
            )
        amounts = {
            kind: tuple(
                amount.model_copy(update={"say_unit": file.drug_units[amount.unit]})
                for amount in getattr(known[name], kind)
                if amount.unit in file.drug_units
            )
            for kind in ("dose", "rate")
        }
        if not any(amounts.values()):
            raise fault(
                source, f"drugs.{name}", "[drug_units] has words for none of its units; add one of them"
            )
        found.append(known[name].model_copy(update={"say": said, **amounts}))
    try:
        return Formulary(note=formulary.note, drug=tuple(found))
    except ValidationError as error:
        message = error.errors()[0]["msg"].removeprefix("Value error, ")
        raise fault(source, "drugs", f"{message}; change one of them") from None


SYMBOLS = frozenset({"curve", "unit"})
"""Fields whose values are written alike in every language."""

NOT_SAID = frozenset({"format", "ended_by"})
"""Fields with a fixed choice of values that are about the file, and no words to anybody."""


def unlabelled(book: Phrasebook) -> list[str]:
    """Return what a phrasebook has no words for, as ``field: value``, in the order of the fields.

    Looked at is every value that the fields named in ``[back]`` can have: the fixed choices of the
    entry types, the devices and types of the catalogue that can be heard, and the drugs.
    """
    file = book.file
    if file.stored_words:
        return []
    values: dict[str, dict[str, None]] = {field: dict.fromkeys(names) for field, names in NAMED.items()}
    for kind in KINDS_OF_BODY:
        name = kind.model_fields["kind"].default
        for field in sorted(file.back[name].blanks() & kind.model_fields.keys() - NOT_SAID):
            for value in _choices(kind.model_fields[field].annotation):
                values.setdefault(field, {})[value] = None
    for slot in file.slots.values():
        if isinstance(slot, StockSlot):
            values.setdefault("type", {}).update(dict.fromkeys(k for k in slot.names if k != "any"))
    said = {
        (slot.field or name, value)
        for name, slot in file.slots.items()
        if isinstance(slot, ChoiceSlot)
        for value in slot.values
    }
    lacking = [
        f"{field}: {value}"
        for field, known in values.items()
        for value in known
        if value not in file.labels.get(field, {}) and (field, value) not in said
    ]
    units = {amount.unit for drug in book.formulary.drug for amount in (*drug.dose, *drug.rate)}
    return lacking + [f"unit: {unit}" for unit in sorted(units - file.spoken_units.keys())]


def _choices(annotation: Any) -> Iterable[str]:
    """Yield the words that a field's type limits it to."""
    for part in get_args(annotation):
        if isinstance(part, str):
            if get_origin(annotation) is Literal:
                yield part
        else:
            yield from _choices(part)


class _Compiler:
    """Turns the file into one syntax tree."""

    def __init__(self, book: Phrasebook, *, typed: bool) -> None:
        self.book = book
        self.file = book.file
        self.is_typed = typed
        self._slots: dict[str, Node] = {}
        self._rules: dict[str, Node] = {}
        self._tables: dict[tuple[Any, ...], Table] = {}
        self._busy: list[str] = []

    def root(self, *, answers: bool = True) -> Node:
        families = self.families()
        role: dict[str, list[Node]] = {
            "event": [],
            "fragment": [],
            "dialogue": [],
            "question": [],
            "answer": [],
            "bailout": [],
        }
        for which, name, _ in self.book.families():
            role[which].append(families[name])
        correction = self.correction()
        shift = Named("shift", self._say("shift", self.file.shift))
        event: tuple[Node, ...] = (
            Optional(correction),
            Optional(shift),
            Named("event", Choice(tuple(role["event"]))),
        )
        if (after := self._shift_after()) is not None:
            event += (Optional(after),)
        asked = tuple(
            Named(name, Choice(tuple(role[name]))) for name in ("answer", "bailout") if role[name] and answers
        )
        return Choice(
            (
                Sequence(event),
                Sequence((correction, Named("fragment", Choice(tuple(role["fragment"]))))),
                Named("dialogue", Choice(tuple(role["dialogue"]))),
                Named("question", Choice(tuple(role["question"]))),
                *asked,
            )
        )

    def _shift_after(self) -> Node | None:
        """Return what may stand behind an event: typed, more of it than is listened for."""
        found = {"shift_after": self.file.shift_after}
        if self.is_typed:
            found["typed_shift_after"] = self.file.typed_shift_after
        options = tuple(self._say(key, family) for key, family in found.items() if family is not None)
        return Named("shift_after", Choice(options)) if options else None

    def correction(self) -> Node:
        return Tagged(
            (("@correction", True),), Named("correction", self._say("correction", self.file.correction))
        )

    def families(self) -> dict[str, Node]:
        nodes: dict[str, Node] = {}
        for role, name, family in self.book.families():
            if name in nodes:
                raise UserError(f"{self.book.source}: the name {name} is used for two families; rename one")
            tags: Fields = (("@role", role), ("@family", name), *family.set.items())
            table = role if role in ("dialogue", "bailout") else f"{role}s"
            nodes[name] = Tagged(tags, Named(name, self._say(f"{table}.{name}", family)))
        return nodes

    def _say(self, where: str, family: Family) -> Node:
        options = [self._parse(f"{where}.say", text, self._resolve) for text in family.say]
        node = options[0] if len(options) == 1 else Choice(tuple(options))
        if node.nullable:
            raise fault(self.book.source, f"{where}.say", "it can be said with no word at all; add one")
        return node

    def _parse(self, where: str, text: str, resolve: Callable[[str], Node]) -> Node:
        try:
            return parse(text, resolve)
        except ExpressionError as error:
            raise fault(self.book.source, f"{where}", f"{error}; mend that line") from None

    def _resolve(self, name: str) -> Node:
        if name in self._slots:
            return self._slots[name]
        if name in self._rules:
            return self._rules[name]
        if name in self.file.rules:
            if name in self._busy:
                raise fault(self.book.source, f"rules.{name}", "it refers to itself; mend that line")
            self._busy.append(name)
            self._rules[name] = Named(
                name, self._parse(f"rules.{name}", self.file.rules[name], self._resolve)
            )
            self._busy.pop()
            return self._rules[name]
        slot = self.file.slots[name]
        self._slots[name] = self._slot(name, slot)
        return self._slots[name]

    def _with_local(self, local: Mapping[str, Node]) -> Callable[[str], Node]:
        return lambda name: local.get(name) or self._resolve(name)

    def _slot(self, name: str, slot: Slot) -> Node:
        if isinstance(slot, NumberSlot):
            styles = slot.styles or self._styles(slot.kind)
            said = self._numbers(
                name, slot.field or name, slot.numbers(), styles, slot.unit, slot.extra, slot.unsaid
            )
            return self._with_typed(said, slot, slot.field or name)
        if isinstance(slot, ChoiceSlot):
            field = slot.field or name
            return Table(
                name,
                tuple(
                    (((field, value),), tuple(_form(s) for s in (*said, *self._as_typed(value))))
                    for value, said in slot.values.items()
                ),
                hint=" / ".join(said[0] for said in slot.values.values()),
            )
        if isinstance(slot, StockSlot):
            return Named(name, self._stock(name, slot))
        if isinstance(slot, BailoutSlot):
            return self._bailout(name)
        return Named(name, self._formulary(name, slot))

    def _bailout(self, name: str) -> Table:
        cards = self.book.cards
        if not cards:
            raise fault(self.book.source, f"slots.{name}", f"there is no card in the folder {CARDS}; add one")
        return Table(
            name,
            tuple((((name, card),), tuple(_form(s) for s in said)) for card, said in cards.items()),
            hint=" / ".join(said[0] for said in cards.values()),
        )

    def _as_typed(self, value: str) -> tuple[str, ...]:
        """Return how a choice is typed beside its words: "05" for the minute five."""
        return (value.zfill(2),) if self.is_typed and len(value) == 1 and value.isdigit() else ()

    def _numbers(
        self,
        name: str,
        field: str,
        values: tuple[Decimal, ...],
        styles: tuple[Style, ...],
        unit: str,
        extra: Mapping[str, tuple[str, ...]] | None = None,
        unsaid: tuple[str, ...] = (),
    ) -> Table:
        key = (field, values, styles, tuple((extra or {}).items()), unsaid)
        if key not in self._tables:
            left_out = {_form(text) for text in unsaid}
            meanings = []
            for value in values:
                try:
                    forms = self.book.forms(value, styles)
                except ValueError as error:
                    raise fault(self.book.source, f"slots.{name}", f"{error}; change its range") from None
                if extra:
                    forms += tuple(_form(text) for text in extra.get(_plain(value), ()))
                if left_out:
                    forms = tuple(form for form in forms if form not in left_out)
                if not forms:
                    raise fault(
                        self.book.source,
                        f"slots.{name}.unsaid",
                        f"nothing is left to say for {_plain(value)}; leave one form in",
                    )
                if self.is_typed:
                    forms += tuple((text,) for text in _numerals(value))
                meanings.append((((field, value),), tuple(dict.fromkeys(forms))))
            shown = "" if unit == "1" else f" {unit}"
            hint = (
                f"{_plain(values[0])} to {_plain(values[-1])}{shown}"
                if len(values) > 1
                else f"{_plain(values[0])}{shown}"
            )
            self._tables[key] = Table(name, tuple(meanings), hint=hint)
        return self._tables[key]

    def _with_typed(self, said: Table, slot: NumberSlot, field: str) -> Node:
        """Add the numbers that can be typed beyond those that are listened for."""
        if not self.is_typed or slot.typed_to is None:
            return said
        beyond = range(int(max(slot.numbers())) + 1, slot.typed_to + 1)
        digits = tuple((((field, Decimal(n)),), ((str(n),),)) for n in beyond)
        return Choice((said, Table(said.name, digits, hint=said.hint))) if digits else said

    def _styles(self, kind: str) -> tuple[Style, ...]:
        return self.file.numbers.styles_of(kind)

    # --- devices --------------------------------------------------------------------------------

    def _stock(self, name: str, slot: StockSlot) -> Node:
        options: list[Node] = []
        for kind, said in slot.names.items():
            items = self.book.catalogue.of(slot.device, None if kind == "any" else kind)
            if not items:
                raise fault(
                    self.book.source,
                    f"slots.{name}.names.{kind}",
                    f"the catalogue has no {kind} {slot.device}; add it there or remove the name",
                )
            tags: Fields = (("device", slot.device),)
            if kind != "any":
                tags += (("type", kind),)
            names = Table(f"{name}_name", (((), tuple(_form(s) for s in said)),), hint=said[0])
            options += [Tagged(tags, row) for row in self._stock_rows(name, slot, items, names)]
        if not options:
            raise fault(
                self.book.source, f"slots.{name}.say", "no item of the catalogue fits; mend that line"
            )
        return Choice(tuple(options))

    def _stock_rows(
        self, name: str, slot: StockSlot, items: tuple[Stock, ...], names: Table
    ) -> Iterable[Node]:
        pairs = frozenset().union(*(item.sizes() for item in items))
        full = {
            (d, n)
            for d in self.file.full_range.diameters_mm.numbers()
            for n in self.file.full_range.lengths_mm.numbers()
        }
        frenches = tuple(sorted({f for item in items for f in item.french}))
        curves = tuple(dict.fromkeys(c for item in items for c in item.curves))
        bare = tuple(sorted({d for item in items for d in item.diameters_mm if not item.lengths_mm}))
        groups: list[tuple[bool | None, tuple[Decimal, ...], tuple[Decimal, ...]]] = []
        if pairs:
            groups += [(True, *group) for group in _rectangles(pairs)]
            if slot.full_range or self.is_typed:
                groups += [(False, *group) for group in _rectangles(full - pairs)]
        else:
            groups.append((None, bare, ()))
        for stocked, diameters, lengths in groups:
            local: dict[str, Node] = {"name": names}
            if diameters:
                local["diameter"] = self._numbers(
                    "diameter", "diameter_mm", diameters, self._styles("size"), "mm"
                )
            if lengths:
                local["length"] = self._numbers("length", "length_mm", lengths, self._styles("integer"), "mm")
            if frenches:
                local["french"] = self._numbers("french", "french", frenches, ("cardinal", "point"), "Fr")
            # a phrasebook need not know the curves
            if curves and any("<curve>" in text for text in slot.say):
                local["curve"] = self._curves(name, curves)
            tags: Fields = () if stocked is None else (("stocked", stocked),)
            for text in slot.say:
                if all(n in local or n not in _LOCAL_STOCK for n in re.findall(r"<(\w+)>", text)):
                    sized = {"diameter", "length"} & set(re.findall(r"<(\w+)>", text))
                    node = self._parse(f"slots.{name}.say", text, self._with_local(local))
                    yield Tagged(tags if len(sized) == 2 else (), node)

    def _curves(self, name: str, curves: tuple[str, ...]) -> Table:
        labels = self.file.slots.get("curve")
        known = labels.values if isinstance(labels, ChoiceSlot) else {}
        for curve in curves:
            if curve not in known:
                raise fault(
                    self.book.source,
                    "slots.curve.values",
                    f"the catalogue's curve '{curve}' has no spoken form; add it",
                )
        # typed, a curve's own name does too: "JR4"
        meanings = tuple(
            ((("curve", c),), tuple(_form(s) for s in (*known[c], *([c.lower()] if self.is_typed else []))))
            for c in curves
        )
        return Table(f"{name}_curve", meanings, hint=" / ".join(curves))

    # --- drugs ----------------------------------------------------------------------------------

    def _formulary(self, name: str, slot: FormularySlot) -> Node:
        # Drugs with the same amounts and routes share one branch, which keeps the grammar small.
        groups: dict[tuple[tuple[Amount, ...], tuple[str, ...]], list[DrugWords]] = {}
        for drug in self.book.formulary.drug:
            amounts = drug.dose if slot.amount == "dose" else drug.rate
            if amounts:
                groups.setdefault((amounts, drug.routes), []).append(drug)
        options: list[Node] = []
        for (amounts, routes), drugs in groups.items():
            drug_table = Table(
                f"{name}_drug",
                tuple(((("drug", d.name),), tuple(_form(s) for s in d.say)) for d in drugs),
                hint=" / ".join(d.name for d in drugs),
            )
            local: dict[str, Node] = {
                "drug": drug_table,
                "amount": Choice(tuple(self._amount(slot.amount, a) for a in amounts)),
                "measure": Choice(tuple(self._amount(slot.amount, a, strict=True) for a in amounts)),
            }
            if spoken := {r: slot.routes[r] for r in routes if r in slot.routes}:
                local["route"] = Table(
                    f"{name}_route",
                    tuple(((("route", r),), tuple(_form(s) for s in said)) for r, said in spoken.items()),
                    hint=" / ".join(spoken),
                )
            for text in slot.say:
                if "<route>" in text and "route" not in local:
                    continue
                options.append(self._parse(f"slots.{name}.say", text, self._with_local(local)))
        if not options:
            raise fault(self.book.source, f"slots.{name}", "the formulary has no drug for it; add one")
        return Choice(tuple(options))

    def _amount(self, field: str, amount: Amount, *, strict: bool = False) -> Node:
        """Return number and unit; with `strict` the unit must be said."""
        whole = all(v == v.to_integral_value() for v in amount.numbers())
        number = self._numbers(
            f"{field}_{amount.unit}",
            field,
            amount.numbers(),
            self._styles("integer" if whole else "decimal"),
            amount.unit,
        )
        said = amount.say_unit + ((amount.unit.lower(),) if self.is_typed else ())
        unit: Node = Choice(tuple(_words(s) for s in said))
        if amount.unit_optional and not strict:
            unit = Optional(unit)
        return Tagged((("unit", amount.unit),), Sequence((number, unit)))


_LOCAL_STOCK = frozenset({"name", "diameter", "length", "french", "curve"})


def _rectangles(
    pairs: Iterable[tuple[Decimal, Decimal]],
) -> Iterable[tuple[tuple[Decimal, ...], tuple[Decimal, ...]]]:
    """Split size pairs into groups of diameters that share one list of lengths."""
    lengths: dict[Decimal, list[Decimal]] = {}
    for diameter, length in sorted(pairs):
        lengths.setdefault(diameter, []).append(length)
    groups: dict[tuple[Decimal, ...], list[Decimal]] = {}
    for diameter, row in lengths.items():
        groups.setdefault(tuple(row), []).append(diameter)
    return [(tuple(diameters), row) for row, diameters in groups.items()]


def _form(text: str) -> Form:
    return tuple(text.split())


def _words(text: str) -> Node:
    parts: tuple[Node, ...] = tuple(Word(w) for w in text.split())
    return parts[0] if len(parts) == 1 else Sequence(parts)


def _plain(value: Decimal) -> str:
    return format(value.normalize(), "f")


def _numerals(value: Decimal) -> tuple[str, ...]:
    plain = _plain(value)
    return tuple(dict.fromkeys((plain, f"{value:.1f}" if "." not in plain else plain, f"{value:.2f}")))


def _sample(node: Node, rng: random.Random) -> tuple[Form, Fields]:
    match node:
        case Word(text):
            return (text,), ()
        case Sequence(parts):
            words: Form = ()
            fields: Fields = ()
            for part in parts:
                more, meaning = _sample(part, rng)
                words, fields = words + more, fields + meaning
            return words, fields
        case Choice(options):
            return _sample(rng.choice(options), rng)
        case Optional(part):
            return _sample(part, rng) if rng.random() < 0.5 else ((), ())
        case Tagged(tags, part):
            words, fields = _sample(part, rng)
            return words, tags + fields
        case Named(_, part):
            return _sample(part, rng)
        case Table():
            fields, forms = rng.choice(node.meanings)
            return rng.choice(forms), fields
    raise TypeError(type(node).__name__)
