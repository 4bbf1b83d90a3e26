"""Speaks demo/script.toml into demo/case.flac.

    python demo/make_recording.py [--output FILE]

Needs the programs `flite` and `text2wave` with the voices that the script names; on Debian:

    apt-get install flite festival festvox-us-slt-hts

The same programs give the same samples every time: the room's noise comes from a fixed seed.
**The voices are stand-ins for people.**
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.recording import to_pcm
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader

HERE = Path(__file__).parent
SCRIPT = HERE / "script.toml"
RECORDING = HERE / "case.flac"
GRAMMARS = HERE.parent / "grammars"

#: Root mean square of each line, full scale 1.0.
SPEECH_LEVEL = 0.05
#: How far the room's noise lies under the speech.
NOISE_DB = -40.0
NOISE_SEED = 20_260
#: Above this the noise of a ventilated room falls off faster.
NOISE_KNEE_HZ = 400.0
#: Silence after the last line.
END_S = 2.0

Sound = NDArray[np.float64]


@dataclass(frozen=True)
class Speaker:
    """One of the script's voices.

    Attributes
    ----------
    program : {"flite", "text2wave"}
        What speaks.
    name : str
        The name of the voice there.
    """

    program: Literal["flite", "text2wave"]
    name: str


@dataclass(frozen=True)
class Line:
    """One line of the script.

    Attributes
    ----------
    voice : str
        Who says it.
    pause_s : float
        Silence before it, in seconds.
    text : str
        The words.
    talk : bool
        True for talk at the table, which is no call-out.
    """

    voice: str
    pause_s: float
    text: str
    talk: bool = False


@dataclass(frozen=True)
class Script:
    """The whole script: its voices by role, and its lines in order."""

    voices: dict[str, Speaker]
    lines: tuple[Line, ...]

    @classmethod
    def load(cls, path: Path = SCRIPT) -> Script:
        """Read the script."""
        content = tomllib.loads(path.read_text(encoding="utf-8"))
        return cls(
            {role: Speaker(**voice) for role, voice in content["voices"].items()},
            tuple(Line(**line) for line in content["line"]),
        )


def check(script: Script, reader: Reader) -> None:
    """Check that every call-out is a sentence of the phrasebook, and that the talk is none.

    Raises
    ------
    UserError
        If a line is wrong.
    """
    for line in script.lines:
        if line.voice not in script.voices:
            raise UserError(
                f"The line {line.text!r} has the unknown voice {line.voice!r}: add it to [voices]."
            )
        legal = bool(reader.read(line.text))
        if legal == line.talk:
            problem = (
                "is talk, but the phrasebook can read it" if legal else "is no sentence of the phrasebook"
            )
            raise UserError(f"The line {line.text!r} of the script {problem}: choose other words.")


def _run(command: list[str], text: str = "") -> str:
    """Run one of the speaking programs and return what it prints."""
    try:
        return subprocess.run(command, input=text, text=True, capture_output=True, check=True).stdout
    except FileNotFoundError as error:
        raise UserError(
            f"The program {command[0]} is missing: install Debian's packages flite, festival and "
            "festvox-us-slt-hts, or use demo/case.flac as it is."
        ) from error
    except subprocess.CalledProcessError as error:
        raise UserError(
            f"The program {command[0]} failed ({error.stderr.strip() or 'no message'}): install it again."
        ) from error


def speak(speaker: Speaker, text: str) -> Sound:
    """Return `text` spoken, at 16 kHz and `SPEECH_LEVEL`, without silence around it.

    Raises
    ------
    UserError
        If the program or its voice is missing, or it fails.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "line.wav"
        if speaker.program == "flite":
            command = ["flite", "-voice", speaker.name, "-t", text, "-o", str(path)]
        else:
            command = ["text2wave", "-eval", f"(voice_{speaker.name})", "-o", str(path)]
        # Without the voice flite takes another one, and text2wave writes no file; both leave with 0.
        unknown = speaker.program == "flite" and speaker.name not in _run(["flite", "-lv"]).split()
        if not unknown:
            _run(command, text)
        if unknown or not path.exists():
            raise UserError(
                f"{speaker.program} has no voice {speaker.name!r}: install it or name another in {SCRIPT.name}."
            )
        sound, rate_hz = soundfile.read(path)
    sound = soxr.resample(sound, rate_hz, SAMPLE_RATE_HZ)
    loud = np.flatnonzero(np.abs(sound) > 0.02 * np.abs(sound).max())
    sound = sound[loud[0] : loud[-1] + 1]
    level: Sound = sound * (SPEECH_LEVEL / np.sqrt(np.mean(np.square(sound))))
    return level


def room_tone(samples: int) -> Sound:
    """Return the noise of a quiet room: pink, and falling off above `NOISE_KNEE_HZ`."""
    spectrum = np.fft.rfft(np.random.default_rng(NOISE_SEED).standard_normal(samples))
    frequencies_hz = np.fft.rfftfreq(samples, 1 / SAMPLE_RATE_HZ).clip(20.0)
    spectrum /= np.sqrt(frequencies_hz) * (1 + frequencies_hz / NOISE_KNEE_HZ)
    noise = np.fft.irfft(spectrum, samples)
    level: Sound = noise * (SPEECH_LEVEL * 10 ** (NOISE_DB / 20) / np.std(noise))
    return level


def record(script: Script) -> Sound:
    """Return the whole case, at 16 kHz."""
    parts: list[Sound] = []
    for line in script.lines:
        parts += [
            np.zeros(round(line.pause_s * SAMPLE_RATE_HZ)),
            speak(script.voices[line.voice], line.text),
        ]
    case = np.concatenate([*parts, np.zeros(round(END_S * SAMPLE_RATE_HZ))])
    recorded: Sound = case + room_tone(len(case))
    return recorded


def main() -> int:
    """Make the recording."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--output", type=Path, default=RECORDING)
    options = parser.parse_args()
    try:
        script = Script.load()
        check(script, Reader(Phrasebook.load(GRAMMARS)))
        case = record(script)
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    soundfile.write(options.output, to_pcm(case.astype(np.float32)), SAMPLE_RATE_HZ, subtype="PCM_16")
    print(
        f"{options.output}: {len(script.lines)} lines, {len(case) / SAMPLE_RATE_HZ:.0f} s, "
        f"{options.output.stat().st_size / 1e6:.1f} MB"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
