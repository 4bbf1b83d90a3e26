"""Call-outs that somebody reads aloud, so that the built-in recogniser learns how they sound."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from difflib import SequenceMatcher
from pathlib import Path
from typing import Literal

from checkback.errors import UserError
from checkback.hearing.acoustic_learning import Listening
from checkback.hearing.endpointing import Segmenter
from checkback.hearing.level import Meter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.pronunciations import pronunciations_of
from checkback.hearing.recogniser import Grammar, Pcm
from checkback.language.catalogue import read_text
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.settings import Settings, grammars_folder

TRIES = 3
"""A sentence that was not understood so often is left out: some accents are heard badly before they are learnt."""

SILENT_S = 20.0
"""Without speech for so long, nobody is reading."""

LEAST_HEARD = 0.5
"""Share of the words that has to be heard: below it, something else was read, or too much noise was in it."""

Fault = Literal["", "too loud", "something else"]


def default_voices(settings_path: Path) -> Path:
    """Return the folder of voices beside a settings file."""
    return settings_path.absolute().parent / "voices"


def check_language(book: Phrasebook) -> None:
    """Make sure that voices can be learnt for a language.

    Raises
    ------
    UserError
        If the built-in recogniser cannot hear it.
    """
    if "pocketsphinx" not in book.file.recognisers:
        raise UserError(
            f"{book.source}: the built-in recogniser cannot hear this language, and voices are learnt for it alone"
        )


def sentences_of(settings: Settings, book: Phrasebook) -> tuple[str, ...]:
    """Return the sentences that are read aloud, from the file beside the phrasebook.

    Raises
    ------
    UserError
        If the file is missing or has something else in it.
    """
    path = grammars_folder(settings) / f"{settings.language.phrasebook}.reading"
    reader = Reader(book, every_size=True)
    found: list[str] = []
    for n, line in enumerate(read_text(path).splitlines(), 1):
        if not (sentence := " ".join(line.split("#")[0].split())):
            continue
        if not reader.read(sentence):
            raise UserError(f"{path}: line {n}: {sentence!r} is no call-out of the phrasebook: change it")
        if sentence in found:
            raise UserError(f"{path}: line {n}: {sentence!r} stands there twice: take one out")
        found.append(sentence)
    return tuple(found)


class ReadAloud:
    """Listens to sentences that are read aloud.

    Parameters
    ----------
    blocks : callable
        The next block of sound and its start, or None if none came, as from a microphone.
    grammar : Grammar
        Of the sentences.
    folder : Path
        For files that are written and read on the way.
    """

    def __init__(
        self, blocks: Callable[[], tuple[Pcm, float] | None], grammar: Grammar, folder: Path
    ) -> None:
        self._blocks = blocks
        self._decoder = PocketSphinxDecoder(grammar)
        self._listening = Listening(pronunciations_of(grammar.words, grammar.pronunciations), folder)

    def listen(self, sentence: str) -> tuple[Pcm, Fault]:
        """Wait until somebody has read something, and say whether it can be kept.

        Parameters
        ----------
        sentence : str
            What is to be read.

        Raises
        ------
        UserError
            If nobody speaks, or no sound comes.
        """
        segmenter, meter = Segmenter(), Meter()
        heard_s, began_s = None, None
        while True:
            block = self._blocks()
            if block is None:
                continue
            pcm, start_s = block
            began_s = start_s if began_s is None else began_s
            meter.feed(pcm, start_s)
            for utterance in segmenter.feed(pcm, start_s):
                return utterance.pcm, self._fault(utterance.pcm, sentence, loud=meter.clipping)
            if segmenter.in_speech:
                heard_s = start_s
            if start_s - (began_s if heard_s is None else heard_s) > SILENT_S:
                raise UserError(
                    f"nobody was heard for {SILENT_S:.0f} s: see that the microphone hears with checkback setup, and go "
                    "on with the same command; what was read is kept"
                )

    def _fault(self, pcm: Pcm, sentence: str, *, loud: bool) -> Fault:
        if loud:
            return "too loud"
        heard = [word for found in self._decoder.decode(pcm) for word in found.words.split()]
        # whoever pauses is cut off, and of half a sentence nothing can be learnt
        whole = self._listening.states(pcm, sentence) is not None
        return "" if whole and heard_of(sentence.split(), heard) >= LEAST_HEARD else "something else"


def heard_of(sentence: Sequence[str], heard: Sequence[str]) -> float:
    """Return which share of the words of a sentence was heard, in order: 0 to 1."""
    blocks = SequenceMatcher(None, list(sentence), list(heard), autojunk=False).get_matching_blocks()
    return sum(block.size for block in blocks) / len(sentence)
