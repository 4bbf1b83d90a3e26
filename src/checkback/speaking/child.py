"""The process that turns sentences into sound, and that may be killed at any time.

The espeak library is under the GPL.  It is loaded here and only here, in a process of its own
that is spoken to through pipes, and never in the process of the program itself.  A speech engine
that hangs or crashes takes this process with it and nothing else.

`{"text": "..."}` asks for one sentence; the answer is `{"rate_hz": 22050, "words": [0, 7012]}` (where
words begin, as far as the engine tells) with samples, or `{"error": "..."}`.  The first answer, before any request, is `{"ready": true}` or an error.

Run as `python -m checkback.speaking.child '{"engine": "espeak", "voice": null, "rate_wpm": 165,
"volume": 1.0}'`.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib
import json
import os
import queue
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from checkback.errors import UserError
from checkback.speaking.pipes import Message, attach, send

Engine = Callable[[str], tuple[bytes, int, list[int]]]
"""Takes a sentence, returns its mono 16-bit samples, their rate in Hz and where words begin."""

# From the library's public header, speak_lib.h.
_SYNCHRONOUS = 2
_DO_NOT_EXIT = 0x8000
_CHARS_UTF8 = 1
_PHONEMES = 0x100  # what stands between [[ and ]] is in phonemes
_POSITION_IN_CHARACTERS = 1
_PARAMETER_RATE = 1
_PARAMETER_VOLUME = 2
_WORD_EVENT = 1


class _Event(ctypes.Structure):
    _fields_ = (
        ("type", ctypes.c_int),
        ("identifier", ctypes.c_uint),
        ("text_position", ctypes.c_int),
        ("length", ctypes.c_int),
        ("audio_position_ms", ctypes.c_int),
        ("sample", ctypes.c_int),
        ("user_data", ctypes.c_void_p),
        ("value", ctypes.c_char * 8),
    )


_CALLBACK = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_int, ctypes.POINTER(_Event))


class EspeakEngine:
    """The library of the package espeakng-loader.

    Parameters
    ----------
    voice : str or None
        Name of an espeak voice; None takes "en-us".
    rate_wpm : int
        Words per minute.
    volume : float
        0 to 1.

    Raises
    ------
    UserError
        If the package is missing, cannot be loaded or does not know the voice.
    """

    def __init__(self, voice: str | None, rate_wpm: int, volume: float) -> None:
        try:
            import espeakng_loader

            self._library = ctypes.CDLL(espeakng_loader.get_library_path())
        except (ImportError, OSError) as error:
            raise UserError(
                f"The espeak voice cannot be loaded ({error}): install the package espeakng-loader, "
                "or choose the pyttsx3 voice."
            ) from error
        # The library cuts off long paths, so it is given a relative one.
        folder = Path(espeakng_loader.get_data_path()).parent
        os.chdir(folder)
        self._rate_hz = self._library.espeak_Initialize(_SYNCHRONOUS, 0, b".", _DO_NOT_EXIT)
        if self._rate_hz <= 0:
            raise UserError(
                f"The espeak voice finds no speech data in {folder}: "
                "install the package espeakng-loader again."
            )
        if self._library.espeak_SetVoiceByName((voice or "en-us").encode()) != 0:
            raise UserError(
                f'There is no espeak voice named "{voice}": use for example "en-us", or "en" for British English.'
            )
        self._library.espeak_SetParameter(_PARAMETER_RATE, rate_wpm, 0)
        self._library.espeak_SetParameter(_PARAMETER_VOLUME, round(volume * 100), 0)
        self._pieces: list[bytes] = []
        self._words: list[int] = []
        self._collector = _CALLBACK(self._collect)  # kept, because the library calls it
        self._library.espeak_SetSynthCallback(self._collector)

    def _collect(self, samples: int | None, count: int, events: Any) -> int:
        if samples and count > 0:
            self._pieces.append(ctypes.string_at(samples, 2 * count))
        n = 0
        while events and events[n].type != 0:  # the list ends with an event of type 0
            if events[n].type == _WORD_EVENT:
                self._words.append(events[n].audio_position_ms * self._rate_hz // 1000)
            n += 1
        return 0

    def __call__(self, text: str) -> tuple[bytes, int, list[int]]:
        """Return the samples of `text`, their rate in Hz, and where words begin."""
        self._pieces.clear()
        self._words.clear()
        encoded = text.encode() + b"\0"
        status = self._library.espeak_Synth(
            encoded, len(encoded), 0, _POSITION_IN_CHARACTERS, 0, _CHARS_UTF8 | _PHONEMES, None, None
        )
        if status != 0:
            raise RuntimeError(f"espeak_Synth returned {status}")
        return b"".join(self._pieces), self._rate_hz, self._words


def pyttsx3_engine(voice: str | None, rate_wpm: int, volume: float) -> Engine:
    """Use the speech engine of the operating system, through pyttsx3.

    Parameters
    ----------
    voice : str or None
        Identifier or name of one of the system's voices; None takes the system's own choice.
    rate_wpm : int
        Words per minute.
    volume : float
        0 to 1.

    Raises
    ------
    UserError
        If the system has no speech engine or does not know the voice.
    """

    def fresh() -> Any:
        # `pyttsx3.init` would hand out the engine of the sentence before, which may hang.
        engine = importlib.import_module("pyttsx3.engine").Engine()
        engine.setProperty("rate", rate_wpm)
        engine.setProperty("volume", volume)
        return engine

    try:
        first = fresh()
    except (ImportError, OSError, RuntimeError, AttributeError) as error:
        remedy = (
            "install the system's library libespeak-ng (on Debian and Ubuntu the package libespeak-ng1)"
            if sys.platform.startswith("linux")
            else "switch on the speech output of the operating system"
        )
        raise UserError(
            f"The pyttsx3 voice finds no speech engine: {remedy}, or choose the text voice."
        ) from error
    identifier = None
    if voice is not None:
        known = {name: each.id for each in first.getProperty("voices") for name in (each.name, each.id)}
        if voice not in known:
            raise UserError(f'The system has no voice named "{voice}": take the name of an installed one.')
        identifier = known[voice]
    del first
    import soundfile

    def synthesise(text: str) -> tuple[bytes, int, list[int]]:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / ("sentence.aiff" if sys.platform == "darwin" else "sentence.wav")
            engine = fresh()
            if identifier is not None:
                engine.setProperty("voice", identifier)
            engine.save_to_file(text, str(path))
            engine.runAndWait()
            samples, rate_hz = soundfile.read(path, dtype="int16", always_2d=True)
        return samples[:, 0].tobytes(), int(rate_hz), []

    return synthesise


ENGINES: dict[str, Callable[[str | None, int, float], Engine]] = {
    "espeak": EspeakEngine,
    "pyttsx3": pyttsx3_engine,
}


def main() -> None:
    """Serve the parent process until it closes the pipe."""
    requests: queue.Queue[Message] = queue.Queue()
    with contextlib.suppress(BrokenPipeError):
        answers = attach(requests.put)
        settings = json.loads(sys.argv[1])
        try:
            make = ENGINES[settings["engine"]]
            synthesise = make(settings["voice"], settings["rate_wpm"], settings["volume"])
        except UserError as error:
            send(answers, {"error": str(error)})
            os._exit(0)  # the listening thread still waits for input
        send(answers, {"ready": True})
        while True:
            header, _ = requests.get()
            try:
                pcm, rate_hz, words = synthesise(header["text"])
            except Exception as error:  # whatever an engine raises, the sentence is answered
                send(answers, {"error": f"{type(error).__name__}: {error}"})
            else:
                send(answers, {"rate_hz": rate_hz, "words": words}, pcm)


if __name__ == "__main__":
    main()
