"""The listeners that the settings name, joined with the phrasebook."""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from functools import lru_cache

from checkback.attention import without_attention
from checkback.errors import UserError
from checkback.hearing.agreement import Agreement, Language, Weighing
from checkback.hearing.calling import CalledRecogniser
from checkback.hearing.ctc import PhoneAligner
from checkback.hearing.dictating import DictationRecogniser
from checkback.hearing.enrolment import learnt_from
from checkback.hearing.phone_network import PhoneNetwork
from checkback.hearing.phonetic import SoundMatcher
from checkback.hearing.pocketsphinx import TUNING, PocketSphinxRecogniser
from checkback.hearing.pronunciations import every_pronunciation
from checkback.hearing.recogniser import Grammar, Recogniser
from checkback.hearing.vosk import VoskWriter
from checkback.hearing.whisper import Spelling, WhisperListener
from checkback.language.expression import Choice, Optional, Word
from checkback.language.expression import Sequence as Sequence_
from checkback.language.free_text import as_written, spoken_words
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.language.wordgraph import word_graph
from checkback.language.written import WrittenGraph, written_graph
from checkback.settings import Settings, attention_of, second_whisper, vosk_model, whisper_model

REMEMBERED = 4096
"""Meanings of sentences that are kept; looking for unlike ones asks for many."""


Arc = tuple[int, int, str]


def grammar_of(book: Phrasebook, attention: Sequence[str] = ()) -> Grammar:
    """Compile a phrasebook into the plain data that recognisers take.

    Parameters
    ----------
    book : Phrasebook
    attention : sequence of str
        Words that may stand alone, or before any sentence.
    """
    graph = word_graph(book.spoken)
    arcs, start, final = graph.flat()
    phrases = graph.covering_sentences()
    if attention:
        arcs = (*arcs, *_called_first(arcs, start, final, attention))
        # pairs of words are learnt from the phrases, so one for each first word is enough
        one_each = {phrase.split()[0]: phrase for phrase in reversed(phrases)}
        call = " ".join(attention)
        phrases = (*phrases, call, *(f"{call} {phrase}" for phrase in one_each.values()))
    return Grammar(
        arcs=arcs,
        start=start,
        final=final,
        pronunciations=book.pronunciations,
        phrases=phrases,
        sha256=book.sha256,
    )


def _called_first(arcs: Sequence[Arc], start: int, final: int, attention: Sequence[str]) -> Iterator[Arc]:
    """Yield the arcs of the attention words, and those with which every sentence begins behind them."""
    new = max(max(source, target) for source, target, _ in arcs) + 1
    for n, word in enumerate(attention):
        yield (start if n == 0 else new + n - 1), new + n, word
    behind = new + len(attention) - 1
    yield behind, final, ""
    for source, target, word in arcs:
        if source == start:
            yield behind, target, word


def spelling_of(book: Phrasebook, attention: Sequence[str] = ()) -> WrittenGraph:
    """Return how sentences are written that may be said at any time, an answer to a question not among them.

    Parameters
    ----------
    book : Phrasebook
    attention : sequence of str
        Words that may stand alone, or before any sentence.
    """
    root = book.said_at_any_time
    if attention:
        call = Sequence_(tuple(Word(word) for word in attention))
        root = Choice((root, Sequence_((call, Optional(root)))))
    return written_graph(root)


def language_of(
    book: Phrasebook, attention: Sequence[str] = (), spelling: WrittenGraph | None = None
) -> Language:
    """Return what the listeners need to know of the phrasebook's language.

    Parameters
    ----------
    book : Phrasebook
    attention : sequence of str
        Words that may stand alone, or before any sentence.
    spelling : WrittenGraph or None
        As from `spelling_of`; None: make it.
    """
    spelling = spelling or spelling_of(book, attention)
    called = tuple(attention)
    same = defaultdict[str, list[int]](list)
    for number, word in enumerate(spelling.words):
        same[word.removesuffix(".0")].append(number)
    reader = Reader(book, every_size=True)
    numbers, abbreviations = book.file.numbers, book.file.typed

    @lru_cache(maxsize=REMEMBERED)
    def meaning(sentence: str) -> tuple[str, ...] | None:
        rest = without_attention(sentence, called)
        if rest is not None:
            return ("called", *(meaning(rest) or ())) if not rest or meaning(rest) else None
        # all readings: a sentence that may mean two things is another one than either
        return tuple(sorted(map(repr, reader.read(sentence)))) or None

    def written(sentence: str) -> str:
        rest = without_attention(sentence, called)
        if rest is None:
            return as_written(sentence, reader.read(sentence), numbers)
        call = " ".join(called).capitalize()
        return f"{call}, {as_written(rest, reader.read(rest), numbers)}" if rest else f"{call}."

    def alike(way: Sequence[int]) -> Iterator[tuple[int, ...]]:
        for n, word in enumerate(way):
            text = spelling.words[word]
            for other in same[text.removesuffix(".0")]:
                if spelling.words[other] != text:
                    yield (*way[:n], other, *way[n + 1 :])

    return Language(
        meaning=meaning,
        said=lambda text: spoken_words(text, numbers, abbreviations),
        written=written,
        spoken=lambda way: tuple(spelling.forms[word] for word in way),
        alike=alike,
    )


def make_recogniser(settings: Settings, book: Phrasebook) -> Recogniser:
    """Start the listeners that the settings name.

    Raises
    ------
    UserError
        If a model is missing or a word has no pronunciation.
    """
    attention = attention_of(settings)
    grammar = grammar_of(book, attention)
    by_sound = "whisper" in book.file.recognisers
    if not by_sound and "whisper" in (settings.hearing.recogniser, settings.hearing.second):
        key = "hearing.recogniser" if settings.hearing.recogniser == "whisper" else "hearing.second"
        raise UserError(_not_heard_by("whisper", key, book))
    with ExitStack() as opened, ThreadPoolExecutor(1) as beside:
        # it is waited for, and meanwhile there is something to do
        starting = beside.submit(_first, settings, grammar, book)
        opened.callback(_close, starting)
        spelling = spelling_of(book, attention) if by_sound else None
        language = language_of(book, attention, spelling) if by_sound else None
        first = starting.result()
        if (second := _second(settings, book, spelling)) is not None:
            opened.callback(second.close)
        if language is None or (second is None and not isinstance(first, Weighing)):
            assert first is not None
            both: Recogniser = first
        else:
            pronunciations = every_pronunciation(grammar.pronunciations)
            matcher, aligner = SoundMatcher(grammar, pronunciations), PhoneAligner(pronunciations)
            both = Agreement(first, second, matcher, aligner, language, PhoneNetwork())
        if attention:
            both = CalledRecogniser(both, attention, grammar.pronunciations)
        opened.callback(both.close)
        vosk = vosk_model(settings)
        own = VoskWriter(vosk) if second is None and vosk is not None else None
        opened.pop_all()
        return DictationRecogniser(both, writer=second or own, owned=own)


def _close(starting: Future[Recogniser | None]) -> None:
    if starting.exception() is None and (first := starting.result()) is not None:
        first.close()


def _not_heard_by(recogniser: str, key: str, book: Phrasebook) -> str:
    able = " or ".join(book.file.recognisers)
    return f"{book.source}: {recogniser} cannot hear this language, only {able}: change {key} in the settings"


def _first(settings: Settings, grammar: Grammar, book: Phrasebook) -> Recogniser | None:
    """Start the listener that hears sentences of the grammar only, if there is to be one."""
    model = vosk_model(settings)
    chosen = settings.hearing.recogniser
    if chosen == "whisper":
        return None
    if chosen == "vosk" or (chosen == "auto" and model is not None):
        from checkback.hearing.vosk import VoskRecogniser

        if model is None:
            raise UserError(
                "the recogniser vosk needs a model folder: set hearing.vosk_model, see models_download.md"
            )
        return VoskRecogniser(model, grammar, drop_unknown=settings.hearing.drop_unknown_words)
    if "pocketsphinx" not in book.file.recognisers:
        if chosen == "auto":
            raise UserError(
                f"{book.source}: the built-in recogniser cannot hear this language: set hearing.vosk_model to a "
                "model for it, see models_download.md, or type only (checkback listen --typed)"
            )
        raise UserError(_not_heard_by("the built-in recogniser", "hearing.recogniser", book))
    # only where sentences are compared by sound is anything weighed
    two = (os.cpu_count() or 1) > 1 and "whisper" in book.file.recognisers
    hearing = settings.hearing
    change = TUNING if hearing.voices is None or not hearing.tuned else learnt_from(hearing.voices)
    return PocketSphinxRecogniser(grammar, children=2 if two else 1, tuned=hearing.tuned, change=change)


def _second(settings: Settings, book: Phrasebook, spelling: WrittenGraph | None) -> WhisperListener | None:
    """Start the listener that writes freely, if there is to be one."""
    alone = settings.hearing.recogniser == "whisper"
    folder = whisper_model(settings) if alone else second_whisper(settings)
    if folder is None:
        if alone:
            raise UserError(
                "the recogniser whisper needs a model folder: set hearing.whisper_model, see models_download.md"
            )
        return None
    among = None
    if spelling is not None:
        among = Spelling(spelling.words, spelling.arcs, spelling.start, spelling.finals)
    return WhisperListener(
        folder,
        prompt=book.file.writes_like,
        language=book.file.language,
        spelling=among,
        tuned=settings.hearing.tuned,
    )
