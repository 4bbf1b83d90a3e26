"""The port that every recogniser stands behind, and the plain data that passes through it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

SAMPLE_RATE_HZ = 16_000

Pcm = NDArray[np.int16]


@dataclass(frozen=True, slots=True)
class Grammar:
    """The compiled phrasebook, as plain data.

    Attributes
    ----------
    arcs : tuple of (int, int, str)
        Word graph of every legal sentence: from state, to state, word.  An empty word is a
        transition that is always free.
    start, final : int
        Its first and its only last state.
    pronunciations : mapping of str to tuple of str
        Phone strings ("EY T", ARPAbet) of the words that a recogniser's own dictionary lacks.
    phrases : tuple of str
        Phrase list for a recogniser that takes whole phrases.
    sha256 : str
        Digest of the files that it was compiled from.
    """

    arcs: tuple[tuple[int, int, str], ...]
    start: int
    final: int
    pronunciations: Mapping[str, tuple[str, ...]]
    phrases: tuple[str, ...]
    sha256: str

    @property
    def words(self) -> frozenset[str]:
        """Every word that the graph holds."""
        return frozenset(word for _, _, word in self.arcs if word)


@dataclass(frozen=True, slots=True)
class Utterance:
    """One stretch of speech, cut out of the microphone's stream.

    Attributes
    ----------
    pcm : ndarray of int16, shape (samples,)
        Mono sound at 16 kHz, with a little room before and after.
    started_s, ended_s : float
        Start and end of speech, in seconds on the monotonic clock (live) or from the start of
        the recording (replay).
    held : bool
        True if the talk pedal was held, so that it is known to be meant for the program.
    clipped : bool
        True if somebody was already speaking when hearing began again, so that the beginning of
        what was said is missing.
    expected : tuple of str
        Short answers to a question that the program has just asked; words of the grammar that
        alone are no sentence of it ("fifty").
    dictated : bool
        True while a note is dictated: it is to be written down freely, and only its end is a command.
    called : bool
        True if the attention word was said alone just before, so that this one needs none.
    """

    pcm: Pcm
    started_s: float
    ended_s: float
    held: bool = False
    clipped: bool = False
    expected: tuple[str, ...] = ()
    dictated: bool = False
    called: bool = False


Wordings = tuple[tuple[tuple[str, ...], ...], ...]
"""Ways to say a sentence: of each part in turn, the forms that it may have, each some words."""


def worded(sentence: str) -> Wordings:
    """Return a sentence that is said in one way only."""
    return tuple(((word,),) for word in sentence.split())


@dataclass(frozen=True, slots=True)
class Fit:
    """How well a sentence fits a sound.

    Attributes
    ----------
    words : str
        The wording that fits best.
    fit : float
        In the recogniser's own unit; larger is better.
    """

    words: str
    fit: float


ANYWAY = 0.5
"""Share of what is as probable on silence that is taken off the second listener's log probability."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """What speaks for one sentence, as far as each listener was asked.

    Attributes
    ----------
    chosen : bool
        The first listener, free to choose among all sentences, chose one of this meaning.
    first_fit : float or None
        How well the first listener finds that it fits, in the listener's own unit; larger is better.
    second_logprob : float or None
        Natural logarithm of the probability that the second listener writes exactly this.
    first_distance, second_distance : float or None
        Weighted phone edits between it and what each listener wrote; None if nothing was written.
    blank_logprob : float or None
        As `second_logprob`, on silence: how readily it is written anyway.
    worst_logprob : float or None
        The least of the differences between the two over the pieces of the text.
    found_by_first, found_by_second : bool
        Which listeners brought it to the list.
    phones : int
        How long it is; 0 if nobody counted.
    phones_per_s : float
        How fast it would have been said; 0 if nobody counted.
    phones_logprob : float or None
        How much less probable its phones are than the likeliest of all, on what the second listener hears frame by
        frame, or the network where the first one is alone, in natural logarithms; None if nobody tells, or the sentence
        is too long for the sound.
    """

    chosen: bool = False
    first_fit: float | None = None
    second_logprob: float | None = None
    first_distance: float | None = None
    second_distance: float | None = None
    blank_logprob: float | None = None
    worst_logprob: float | None = None
    found_by_first: bool = False
    found_by_second: bool = False
    phones_per_s: float = 0.0
    phones_logprob: float | None = None
    phones: int = 0

    @property
    def likely(self) -> float | None:
        """How probable the second listener finds it, and not anyway; None if it was not asked."""
        if self.second_logprob is None:
            return None
        return self.second_logprob - ANYWAY * (self.blank_logprob or 0.0)


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What one recogniser took an utterance for.

    Attributes
    ----------
    words : str
        Lower-case words with single spaces; empty if nothing was made out.
    score : float or None
        The recogniser's own score; larger is better, scales differ between recognisers.
    likely_speech_to_us : bool
        False if the sound fits the grammar so badly that it was probably not a call-out.
    evidence : Evidence or None
        None if nobody looked beyond the one sentence.
    """

    words: str
    score: float | None = None
    likely_speech_to_us: bool = True
    evidence: Evidence | None = None


@dataclass(frozen=True, slots=True)
class FreeText:
    """What a second listener wrote of the utterance as a whole.

    Attributes
    ----------
    text : str
        As it writes, with capitals, numerals and punctuation.
    logprob : float
        Natural logarithm of the probability of exactly this text.
    no_speech : float
        Probability that the sound holds no speech.
    phones : int
        Length of the text, in phones; 0 if nobody counted.
    writer : str
        Name of the listener.
    tuned : bool
        Whether it was tuned for call-outs.
    """

    text: str
    logprob: float
    no_speech: float
    phones: int = 0
    writer: str = "whisper"
    tuned: bool = False


@dataclass(frozen=True, slots=True)
class Heard:
    """An utterance with what a recogniser made of it, best first.

    `free_text` is what a second listener wrote, None without one; `called` tells that a search of its own
    found the attention word for sure; `stands_out_db` is how far the sound stands out of what is behind it, None
    if nobody measured it.  `given_up` tells that nobody decoded it, because too much waits.  `note` is what was
    written down of a dictated utterance, None where nobody could.
    """

    utterance: Utterance
    recogniser: str
    hypotheses: tuple[Hypothesis, ...] = field(default=())
    free_text: FreeText | None = None
    called: bool = False
    stands_out_db: float | None = None
    given_up: bool = False
    note: FreeText | None = None


class Recogniser(Protocol):
    """Turns sound into words of the grammar it was made with.

    One may also have `follow` and `prepare`, which take an utterance as far as it is known while somebody
    speaks, and as it will be if the pause is its end; both only spare time.
    """

    name: str

    def hear(self, utterance: Utterance) -> Heard:
        """Decode one utterance.

        Never raises on any sound; a failed worker is started again and the utterance tried
        once more, then returned with no hypothesis.
        """
        ...

    def close(self) -> None:
        """Let go of the model and its process."""
        ...
