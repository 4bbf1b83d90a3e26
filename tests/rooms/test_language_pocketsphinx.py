"""The phrasebook with a real recogniser: its JSGF is taken, and people are heard through it.

The human recordings beside the project are single digits from the telephone and sentences of a
novel.  They tell whether the right digits are heard and whether chatter is kept out; nothing here
was tuned on them.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

import english
from checkback.hearing.endpointing import Segmenter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder, accepts_jsgf
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar, Pcm, Utterance
from checkback.hearing.recording import Recording, to_pcm
from checkback.language.expression import Choice, Form, Table, walk
from checkback.language.phrasebook import NumberSlot
from checkback.language.reading import match
from checkback.language.wordgraph import jsgf, word_graph

pytestmark = pytest.mark.outside

SPEECH = Path(__file__).parents[3] / "shared" / "speech"

people = pytest.mark.skipif(
    not SPEECH.is_dir(), reason="the human recordings are not beside the project (../shared/speech)"
)


def test_pocketsphinx_itself_takes_the_jsgf() -> None:
    book = english.book()
    assert accepts_jsgf(jsgf(book.spoken, book.file.name, book.file.language), book.pronunciations)


# --- people say digits ---------------------------------------------------------------------------

DIGITS = "zero one two three four five six seven eight nine".split()
SPEAKERS = ("jackson", "nicolas", "theo")


def digit_forms(table: Table) -> Table:
    """Return the table with those forms only that people say digit by digit, two or three of them."""
    meanings = tuple(
        (
            fields,
            tuple(form for form in forms if set(form) <= set(DIGITS) and 2 <= len(form) <= 3),
        )
        for fields, forms in table.meanings
    )
    return Table(table.name, tuple((fields, forms) for fields, forms in meanings if forms))


def sizes_and_pressures() -> Choice:
    tables = {node.name: node for node in walk(english.book().spoken) if isinstance(node, Table)}
    assert isinstance(english.book().file.slots["pressure"], NumberSlot)
    return Choice((digit_forms(tables["any_diameter"]), digit_forms(tables["pressure"])))


def spoken_digits(words: Form, speaker: str, rng: random.Random, takes: Sequence[int] = range(8)) -> Pcm:
    """Join recordings of single digits, with short gaps, in a quiet room."""
    # a hiss far below speech: a recogniser never meets digital silence
    noise = np.random.default_rng(rng.randrange(2**32))
    pieces = [np.zeros(int(0.25 * SAMPLE_RATE_HZ))]
    for word in words:
        path = SPEECH / "digits" / f"{DIGITS.index(word)}_{speaker}_{rng.choice(takes)}.wav"
        sound, rate_hz = soundfile.read(path)
        sound = soxr.resample(sound, rate_hz, SAMPLE_RATE_HZ)
        pieces.append(0.05 * sound / np.sqrt(np.mean(np.square(sound))))
        pieces.append(np.zeros(int(rng.uniform(0.06, 0.12) * SAMPLE_RATE_HZ)))
    pieces.append(np.zeros(int(0.25 * SAMPLE_RATE_HZ)))
    joined = np.concatenate(pieces)
    return to_pcm((joined + 1e-4 * noise.standard_normal(len(joined))).astype(np.float32))


@people
def test_people_say_sizes_and_pressures_digit_by_digit(capsys: pytest.CaptureFixture[str]) -> None:
    tree = sizes_and_pressures()
    arcs, start, final = word_graph(tree).flat()
    decoder = PocketSphinxDecoder(Grammar(arcs, start, final, {}, (), ""))
    forms = sorted({form for option in tree.options if isinstance(option, Table) for form in option.by_form})
    rng = random.Random(31)
    exact: dict[str, list[bool]] = {}
    meant: dict[str, list[bool]] = {}
    let_through: list[bool] = []
    for speaker in SPEAKERS:
        for form in forms:
            heard = decoder.decode(spoken_digits(form, speaker, rng))
            words = tuple(heard[0].words.split()) if heard else ()
            let_through.extend(h.likely_speech_to_us for h in heard)
            exact.setdefault(speaker, []).append(words == form)
            meant.setdefault(speaker, []).append(bool(set(match(tree, words)) & set(match(tree, form))))
    with capsys.disabled():
        print(
            f"\nPeople, telephone sound, {len(forms)} sizes and pressures in digits: all words right",
            ", ".join(f"{speaker} {np.mean(right):.0%}" for speaker, right in exact.items()),
            f"together {np.mean(list(exact.values())):.0%}; number right",
            f"{np.mean(list(meant.values())):.0%}; taken for call-outs {np.mean(let_through):.0%}",
        )
    # chance is one in the number of forms; this floor only catches something that is broken
    assert np.mean(list(exact.values())) > 0.3


# --- people talk of other things -----------------------------------------------------------------


def utterances(path: Path) -> Iterator[Utterance]:
    """Cut a recording as the program does without a pedal."""
    segmenter = Segmenter()
    for block, start_s in Recording(path).blocks():
        yield from segmenter.feed(block, start_s)
    yield from segmenter.flush()


@people
def test_chatter_never_becomes_an_entry(capsys: pytest.CaptureFixture[str]) -> None:
    arcs, start, final = english.graph().flat()
    decoder = PocketSphinxDecoder(Grammar(arcs, start, final, english.book().pronunciations, (), ""))
    cut = 0
    for path in sorted((SPEECH / "chatter").glob("*.wav")):
        for utterance in utterances(path):
            cut += 1
            for heard in decoder.decode(utterance.pcm):
                read = english.reader().read(heard.words)
                with capsys.disabled():
                    print(
                        f"\n{path.name} {utterance.started_s:.1f}-{utterance.ended_s:.1f} s: "
                        f"{heard.words!r}, {len(read)} readings, score {heard.score}"
                    )
                assert not (heard.likely_speech_to_us and read), heard
    assert cut >= 2, "the end-pointer must find the sentences"
