"""Whether echo cancellation lets the program listen while it speaks, against being deaf meanwhile.

    python benchmarks/echo.py [--count 12]

In the virtual room the loudspeaker is heard by the microphone after 30 ms and a short reverberation.
Check-backs of the program's own voice are played, each of which is a legal call-out: alone, and with
somebody calling out over them.  What the microphone gives is recorded as it is and behind PulseAudio's
echo cancellation (the WebRTC canceller), and recognised as the program does it.

own voice       check-backs alone that became a call-out: each would be a false entry
over it         call-outs spoken over a check-back that were heard word for word

A delay that never changes and a short reverberation are easy for a canceller: a real room is harder.
**The voices are stand-ins for people.**
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from checkback import app
from checkback.hearing.endpointing import Segmenter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.hearing.recording import Recording
from checkback.language.reading import Reader
from checkback.settings import Settings

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from sound_room import SoundRoom
from speakers import silence, spoken

CHECK_BACKS = (
    "heart rate seventy two",
    "balloon two point five by twelve, one four, fourteen atmospheres",
    "contrast given twenty",
    "heparin, five thousand units",
    "stent three point zero by eighteen",
    "saturation ninety eight",
)
CALL_OUTS = (
    "balloon down",
    "heart rate eighty one",
    "stent deployed fourteen atmospheres",
    "contrast given forty millilitres",
    "wire across",
    "time out done",
)
BEGINS_AFTER_S = 0.7


def echo(sound: np.ndarray) -> np.ndarray:
    """Return what comes back from the room: later, weaker, with a tail of 0.2 s."""
    tail_s = 0.2
    decay = np.random.default_rng(3).standard_normal(round(tail_s * SAMPLE_RATE_HZ))
    decay *= np.exp(-6.9 * np.arange(len(decay)) / len(decay)) * 0.02
    decay[0] = 0.35
    delayed = np.concatenate([np.zeros(round(0.03 * SAMPLE_RATE_HZ)), np.convolve(sound, decay)])
    return delayed


def main() -> None:
    """Run it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--count", type=int, default=12)
    count = options.parse_args().count
    settings = Settings()
    book = app.load_book(settings)
    decoder = PocketSphinxDecoder(app.grammar_of(book))
    reader = Reader(book, every_size=True)
    voice = app.make_synthesiser(settings)

    def heard(file: Path) -> list[str]:
        segmenter = Segmenter()
        cut = [u for block, at_s in Recording(file).blocks() for u in segmenter.feed(block, at_s)]
        found = []
        for utterance in cut + segmenter.flush():
            hypotheses = decoder.decode(utterance.pcm)
            if hypotheses and hypotheses[0].likely_speech_to_us and reader.read(hypotheses[0].words):
                found.append(hypotheses[0].words)
        return found

    with tempfile.TemporaryDirectory() as name, SoundRoom() as room:
        folder = Path(name)
        room._pactl(
            "load-module", "module-echo-cancel", "source_name=cancelled", "sink_name=reference",
            "source_master=room.monitor", "sink_master=voice", "aec_method=webrtc", "use_master_format=1",
        )  # fmt: skip

        def record(source: str, file: Path) -> subprocess.Popen[bytes]:
            return subprocess.Popen(
                ["parec", f"--device={source}", "--file-format=wav", "--format=s16le", "--rate=16000",
                 "--channels=1", "--latency-msec=30", str(file)],
                env=room.env,
            )  # fmt: skip

        counts = {(way, what): 0 for way in ("as it is", "cancelled") for what in ("own voice", "over it")}
        for n in range(count):
            said = voice.synthesise(CHECK_BACKS[n % len(CHECK_BACKS)]).at_rate(SAMPLE_RATE_HZ).pcm
            pause = silence(1.5)
            back = np.concatenate([pause, said, pause]).astype(np.float64) / 32_768
            call = CALL_OUTS[(n * 5 + 1) % len(CALL_OUTS)]
            over = spoken(call, ("slt", "rms", "awb")[n % 3]).astype(np.float64) / 32_768
            for what in ("own voice", "over it"):
                in_room = echo(back)
                if what == "over it":
                    begins = len(pause) + round(BEGINS_AFTER_S * SAMPLE_RATE_HZ)
                    in_room = np.pad(in_room, (0, max(0, begins + len(over) + SAMPLE_RATE_HZ - len(in_room))))
                    in_room[begins : begins + len(over)] += over
                played, returned = folder / "played.wav", folder / "returned.wav"
                soundfile.write(played, back, SAMPLE_RATE_HZ)
                soundfile.write(returned, np.clip(in_room, -1, 1), SAMPLE_RATE_HZ)
                files = {"as it is": folder / "raw.wav", "cancelled": folder / "cancelled.wav"}
                recorders = [
                    record("room.monitor", files["as it is"]),
                    record("cancelled", files["cancelled"]),
                ]
                time.sleep(0.5)
                player = room.start_playing(played, sink="reference")
                room.play(returned)
                player.wait(timeout=60)
                for recorder in recorders:
                    recorder.terminate()
                    recorder.wait(timeout=20)
                for way, file in files.items():
                    words = heard(file)
                    right = call in [w.replace("milliliters", "millilitres") for w in words]
                    counts[way, what] += bool(words) if what == "own voice" else right
                    print(f"{n:2} {way:10} {what:10} {words}", flush=True)
    voice.close()
    for way in ("as it is", "cancelled"):
        print(
            f"{way:10} own voice {counts[way, 'own voice']} of {count}, over it {counts[way, 'over it']} of {count}"
        )


if __name__ == "__main__":
    main()
