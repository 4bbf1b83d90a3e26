"""What a Whisper model makes of a sound if it may write sentences of the phrasebook only.

Each sentence is judged twice: on the sound, and on silence.  The second tells how readily the model writes it
anyway, which says nothing about the sound: "balloon 2.5 by 12" comes to it more easily than
"eptifibatide", and so has to be heard the better.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.legal_search import FreeLine, LegalSearch
from checkback.hearing.whisper import Judged, Spelling
from checkback.hearing.whisper_decoder import Start, TextDecoder
from checkback.hearing.whisper_file import UnknownModelError

WIDEST = 768
"""Larger models take too long here: a sentence has to be judged while somebody waits."""

BEAM = 12
"""Beginnings of sentences that are followed at once."""

MOST_FOUND = 16

WITHIN = 14.0
"""A sentence is left out that is so much less probable than the likeliest one, in natural logarithms."""

BEHIND = 14.0
"""A beginning is given up that is so much less probable than the likeliest one as long, in natural logarithms."""

SHARE = 0.4
"""How much of the readiness to write a sentence anyway is taken off in the search."""

SILENT_FRAMES = 50
"""Length of the silence on which that readiness is found: one second."""

MOST_KNOWN = 4000
"""What was found on silence is kept for the next sound, 25 kB each; with more it is forgotten."""

KEPT_SOUNDS = 2


@dataclass(frozen=True)
class Written:
    """What the model writes freely: its pieces, how probable each is, and how probable that nobody speaks."""

    pieces: tuple[int, ...]
    logprobs: tuple[float, ...]
    no_speech: float


class LegalJudge:
    """A model's other half with the sentences of a phrasebook.

    Parameters
    ----------
    data : bytes
        The contents of model.bin.
    words : int
        How many entries of the vocabulary take part in the probabilities; the next one says that nobody speaks.
    spelling : Spelling
    encode : callable
        Pieces of a text, as the model cuts it.
    prompt : sequence of int
        What stands before every text.
    end : int
        The piece that ends a text.
    barred, barred_first : sequence of int
        Pieces that are never written freely, and those that are not written first.
    silence : callable
        Returns the output of the model's first half for silence, shape (frames, width).

    Raises
    ------
    UnknownModelError
        If the model's file cannot be read, or the model is too large.
    """

    def __init__(
        self,
        data: bytes,
        words: int,
        spelling: Spelling,
        encode: Callable[[str], Sequence[int]],
        prompt: Sequence[int],
        end: int,
        barred: Sequence[int],
        barred_first: Sequence[int],
        silence: Callable[[], NDArray[np.float32]],
    ) -> None:
        self._search = LegalSearch(
            spelling.words, spelling.arcs, spelling.start, spelling.finals, encode, end
        )
        self._decoder = TextDecoder(data, words, self._search.pieces, range(end + 1, words + 1))
        if self._decoder.width > WIDEST:
            raise UnknownModelError(f"a width of {self._decoder.width} is more than {WIDEST}")
        self._prompt, self._end, self._encode = prompt, end, encode
        # the marks cannot be written anyway
        self._barred = tuple(
            np.array([piece for piece in some if piece < words], np.int64) for some in (barred, barred_first)
        )
        self._silence = silence()[:SILENT_FRAMES]
        self._blank = self._begin_blank()
        self._sounds: OrderedDict[bytes, Start] = OrderedDict()

    def _begin_blank(self) -> Start:
        return self._decoder.begin(self._silence, self._prompt)

    def _start(self, digest: bytes, encoded: NDArray[np.float32]) -> Start:
        if digest not in self._sounds:
            self._sounds[digest] = self._decoder.begin(encoded, self._prompt)
            if len(self._sounds) > KEPT_SOUNDS:
                self._sounds.popitem(last=False)
        if len(self._blank.known) > MOST_KNOWN:
            self._blank = self._begin_blank()
        return self._sounds[digest]

    def find(self, digest: bytes, encoded: NDArray[np.float32]) -> tuple[Judged, ...]:
        """Return the likeliest sentences on a sound, likeliest first."""
        return self._find(self._start(digest, encoded), None)

    def take(
        self, digest: bytes, encoded: NDArray[np.float32], longest: int
    ) -> tuple[tuple[Judged, ...], Written]:
        """Return the likeliest sentences on a sound, and what is written of it freely.

        Parameters
        ----------
        digest : bytes
        encoded : ndarray of float32, shape (frames, width)
        longest : int
            So many pieces are written at most.
        """
        start = self._start(digest, encoded)
        never, not_first = self._barred
        free = FreeLine(start, self._end, never, not_first, longest)
        found = self._find(start, free)
        ((logprobs,),) = self._decoder.score([(start, [free.steps])])
        return found, Written(free.pieces, logprobs, start.no_speech)

    def _find(self, start: Start, free: FreeLine | None) -> tuple[Judged, ...]:
        found = self._search.find(
            self._decoder,
            start,
            self._blank,
            share=SHARE,
            beam=BEAM,
            most=MOST_FOUND,
            within=WITHIN,
            behind=BEHIND,
            free=free,
        )
        return tuple(
            Judged(each.text, _rounded(each.logprobs), _rounded(each.blank_logprobs), each.ways)
            for each in found
        )

    def judge(self, digest: bytes, encoded: NDArray[np.float32], texts: Sequence[str]) -> tuple[Judged, ...]:
        """Return how probable given texts are on a sound."""
        start = self._start(digest, encoded)
        pieces = [[*self._encode(text), self._end] for text in texts]
        both = (start, self._blank)
        ways = self._decoder.ways([(on, pieces) for on in both])
        here, anyway = self._decoder.score(list(zip(both, ways, strict=True)))
        return tuple(
            Judged(text, _rounded(on_sound), _rounded(on_silence))
            for text, on_sound, on_silence in zip(texts, here, anyway, strict=True)
        )


def _rounded(values: Sequence[float]) -> tuple[float, ...]:
    return tuple(round(value, 3) for value in values)
