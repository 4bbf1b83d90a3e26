"""Whether speech over the voice stops it, how soon, and that the voice never stops itself.

    python benchmarks/interruption.py [--sentences 120] [--live 12] [--echo DB ...] [--noise DB ...] [--seed 1]

Check-backs of the program's own voice come back to the microphone after 30 ms with 0.2 s of reverberation, so
many dB below the level at which people are heard there (-26 dB of full scale, give or take 3); with faint or
with pink noise 10 dB below them.  Over every other one somebody calls out.

mixed   the sounds are added up and given to `checkback.hearing.interruption` block by block
live    microphone, loudspeaker and `Listening` in the virtual room, where the loudspeaker is heard by the
        microphone through a loopback of PulseAudio

false       stops with nobody speaking: each would be a sentence that nobody cut
stopped     call-outs over the voice that stopped it, and how long after their beginning (live: after the
            player was started)

**The voices are stand-ins for people.**  Needs `flite`, and `pulseaudio` for live.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from echo import CHECK_BACKS as SHORT_CHECK_BACKS

from checkback import app
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.interruption import LEARNED_FROM, Interruption
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Heard, Utterance
from checkback.settings import Settings

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from sound_room import SoundRoom
from speakers import spoken

CHECK_BACKS = (
    *SHORT_CHECK_BACKS,
    "a clotting time is due, the last bolus was thirty minutes ago",
    "pressure one twenty over eighty",
    "corrected, contrast thirty five",
    "contrast is near the limit, thirty millilitres are left",
)
CALL_OUTS = (
    "stop",
    "balloon down",
    "heart rate eighty one",
    "stent deployed fourteen atmospheres",
    "contrast given forty millilitres",
    "wire across",
    "say again please",
    "no that was wrong",
)
SPEAKERS = ("slt", "rms", "awb")
SPEECH_DBFS = -26.0
SPREAD_DB = 3.0
ECHOES_DB = (-60, -30, -20, -15, -12, -9, -6, 0)
NOISES_DB = (-40, -10)
FIRST_S = 0.7
VOICE_STOPS_S = 0.06
LEARNING = 10

Sound = np.ndarray


def at_level(sound: Sound, dbfs: float) -> Sound:
    """Return a sound at a level (RMS)."""
    return sound / np.sqrt(np.mean(np.square(sound))) * 10 ** (dbfs / 20)


def returned(sound: Sound) -> Sound:
    """Return what comes back from the room."""
    count = round(0.2 * SAMPLE_RATE_HZ)
    tail = np.random.default_rng(3).standard_normal(count) * np.exp(-6.9 * np.arange(count) / count) * 0.06
    tail[0] = 1.0
    return np.concatenate([np.zeros(round(0.03 * SAMPLE_RATE_HZ)), np.convolve(sound, tail)])


def pink(count: int, rng: np.random.Generator) -> Sound:
    """Return pink noise."""
    spectrum = np.fft.rfft(rng.standard_normal(count))
    return np.fft.irfft(spectrum / np.sqrt(np.maximum(1, np.arange(len(spectrum)))), count)


@dataclass
class Tally:
    """What came of one condition."""

    sentences: int = 0
    over: int = 0
    false: int = 0
    after_s: list[float] = field(default_factory=list)

    def __str__(self) -> str:
        after = (
            f"after {statistics.median(self.after_s):.2f} s (longest {max(self.after_s):.2f})"
            if self.after_s
            else ""
        )
        return f"false {self.false} in {self.sentences}   stopped {len(self.after_s)} of {self.over} {after}"


def mixed(
    sentences: int, echo_db: float, noise_db: float, voices: list[Sound], calls: list[Sound], seed: int
) -> Tally:
    """Add the sounds up, and give them to the detector."""
    chance, rng = random.Random(seed), np.random.default_rng(seed)
    detector, tally = Interruption(), Tally()
    for n in range(sentences):
        over = n >= LEARNING and n % 2 == 1
        voice = np.concatenate(
            [
                np.zeros(round(0.15 * SAMPLE_RATE_HZ)),
                at_level(returned(chance.choice(voices)), SPEECH_DBFS + echo_db),
            ]
        )
        length = len(voice) + SAMPLE_RATE_HZ
        call = np.zeros(0)
        begins = 0
        if over:
            call = at_level(chance.choice(calls), SPEECH_DBFS + chance.uniform(-SPREAD_DB, SPREAD_DB))
            latest_s = max(FIRST_S + 0.05, len(voice) / SAMPLE_RATE_HZ - 0.9)
            begins = round(chance.uniform(FIRST_S, latest_s) * SAMPLE_RATE_HZ)
            length = max(length, begins + len(call) + SAMPLE_RATE_HZ)
        voice_s = len(voice) / SAMPLE_RATE_HZ
        noise = at_level(pink(length + SAMPLE_RATE_HZ, rng), SPEECH_DBFS + noise_db)
        voice = np.pad(voice, (0, length - len(voice)))
        somebody = np.zeros(length)
        somebody[begins : begins + len(call)] = call
        room = np.concatenate([np.zeros(SAMPLE_RATE_HZ), somebody]) + noise
        stopped_s: float | None = None
        speaking = False
        for place in range(0, len(room) - BLOCK_SAMPLES, BLOCK_SAMPLES):
            at_s = place / SAMPLE_RATE_HZ - 1.0
            if at_s >= 0 and not speaking and at_s < BLOCK_S:
                detector.begin(in_speech=False)
                speaking = True
            ends_s = voice_s if stopped_s is None else stopped_s + VOICE_STOPS_S
            block = room[place : place + BLOCK_SAMPLES].copy()
            if speaking and at_s < ends_s:
                start = place - SAMPLE_RATE_HZ
                block += voice[start : start + BLOCK_SAMPLES]
            elif speaking:
                detector.end()
                speaking = False
            if not speaking and at_s > 0 and np.any(somebody[round(at_s * SAMPLE_RATE_HZ) :]):
                continue  # an utterance of its own by then
            pcm = (np.clip(block, -1, 1) * 32_767).astype(np.int16)
            if detector.feed(pcm) and stopped_s is None:
                stopped_s = at_s + BLOCK_S
        if speaking:
            detector.end()
        tally.sentences += 1
        tally.over += over
        if stopped_s is not None and over and stopped_s > begins / SAMPLE_RATE_HZ:
            tally.after_s.append(stopped_s - begins / SAMPLE_RATE_HZ)
        elif stopped_s is not None:
            tally.false += 1
    return tally


class Nobody:
    """A recogniser that understands nothing: here it is only told whether the voice stops."""

    name = "none"

    def hear(self, utterance: Utterance) -> Heard:
        """Understand nothing."""
        return Heard(utterance, self.name)

    def close(self) -> None:
        """Nothing is held."""


def live(sentences: int, echo_db: float, noise_db: float, calls: list[Sound], seed: int) -> Tally:
    """Let the program speak in the virtual room, and call out over it."""
    chance, rng = random.Random(seed), np.random.default_rng(seed)
    tally = Tally()
    settings = Settings.model_validate({"speaking": {"voice": "loudspeaker"}})
    book = app.load_book(settings)
    before = dict(os.environ)
    with tempfile.TemporaryDirectory() as name, SoundRoom() as room:
        os.environ.update(room.env)
        folder = Path(name)
        synthesiser = app.make_synthesiser(settings)
        levels = [np.mean(np.square(synthesiser.synthesise(each).pcm / 32_768)) for each in CHECK_BACKS]
        synthesiser.close()
        gain_db = SPEECH_DBFS + echo_db - 10 * float(np.log10(np.mean(levels)))
        room._pactl("load-module", "module-loopback", "source=voice.monitor", "sink=room", "latency_msec=30")
        looped = room._pactl("list", "short", "sink-inputs").splitlines()[-1].split()[0]
        room._pactl("set-sink-input-volume", looped, f"{gain_db:.1f}dB")
        noise = folder / "noise.wav"
        soundfile.write(
            noise, at_level(pink(600 * SAMPLE_RATE_HZ, rng), SPEECH_DBFS + noise_db), SAMPLE_RATE_HZ
        )
        hum = room.start_playing(noise)
        stops: list[float] = []
        made = app.make_recogniser
        app.make_recogniser = lambda *_: Nobody()  # type: ignore[assignment]
        try:
            with app.listening(
                folder / "case", settings, book, report=lambda *_: None, show=lambda line: None
            ) as program:
                voice = program._voice
                give_way = voice.give_way
                voice.give_way = lambda: (stops.append(time.monotonic()), give_way())[1]  # type: ignore[method-assign]
                threading.Thread(target=program.run, daemon=True).start()
                time.sleep(4.0)
                for n in range(sentences + LEARNED_FROM):
                    over = n >= LEARNED_FROM and n % 2 == 0
                    stops.clear()
                    voice.say(chance.choice(CHECK_BACKS))
                    began_s = None
                    if over:
                        said = folder / "call.wav"
                        level = SPEECH_DBFS + chance.uniform(-SPREAD_DB, SPREAD_DB)
                        soundfile.write(said, at_level(chance.choice(calls), level), SAMPLE_RATE_HZ)
                        time.sleep(chance.uniform(FIRST_S, 1.1))
                        spoken_over = voice.speaking
                        began_s = time.monotonic()
                        room.play(said)
                        tally.over += spoken_over
                    deadline_s = time.monotonic() + 12
                    while voice.speaking and time.monotonic() < deadline_s:
                        time.sleep(0.02)
                    tally.sentences += 1
                    if stops and began_s is not None and stops[0] > began_s:
                        tally.after_s.append(stops[0] - began_s)
                    elif stops:
                        tally.false += 1
                    # nothing is said again meanwhile
                    voice.stop()
                    time.sleep(1.0)
                program.stop()
        finally:
            app.make_recogniser = made
            hum.kill()
            hum.wait()
    os.environ.clear()
    os.environ.update(before)
    return tally


def main() -> None:
    """Run it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--sentences", type=int, default=120, help="mixed, each condition")
    options.add_argument("--live", type=int, default=0, help="sentences in the virtual room, each condition")
    options.add_argument("--echo", type=float, nargs="*", default=ECHOES_DB, metavar="DB")
    options.add_argument("--noise", type=float, nargs="*", default=NOISES_DB, metavar="DB")
    options.add_argument("--seed", type=int, default=1)
    chosen = options.parse_args()
    synthesiser = app.make_synthesiser(Settings())
    voices = [synthesiser.synthesise(each).at_rate(SAMPLE_RATE_HZ).pcm / 32_768 for each in CHECK_BACKS]
    synthesiser.close()
    calls = [spoken(words, who) / 32_768 for words in CALL_OUTS for who in SPEAKERS]
    for echo_db in chosen.echo:
        for noise_db in chosen.noise:
            where = f"voice {echo_db:4.0f} dB, noise {noise_db:4.0f} dB of people"
            if chosen.sentences:
                print(
                    f"mixed  {where}   {mixed(chosen.sentences, echo_db, noise_db, voices, calls, chosen.seed)}",
                    flush=True,
                )
            if chosen.live:
                print(
                    f"live   {where}   {live(chosen.live, echo_db, noise_db, calls, chosen.seed)}", flush=True
                )


if __name__ == "__main__":
    main()
