"""The process that plays sentences through a sound card.

It is a process of its own so that a driver that hangs takes nothing else with it, so that a busy
program cannot make the voice stutter, and so that the list of sound cards, which PortAudio makes
only once, is made anew after a sound card was lost: the process ends and is started again.

The parent sends `{"play": 7}` with samples, `{"stop": 8}`, which silences every number below 8, and
`{"cut": 7, "sample": 4410}`, which ends that sentence there.
The first answer is `{"rate_hz": 48000}` or `{"error": "..."}`.  Of each sentence that is not
silenced, `{"play": 7, "begins_s": ...}` tells when it begins to be heard, and
`{"play": 7, "ended": true}` that it has been; `ended` is false if the sound card swallowed it.
Times are seconds of `time.monotonic`, which all processes share.

Run as `python -m checkback.speaking.player '{"device": null}'`.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import sys
import time
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.speaking.pipes import Message, attach, send

# Asked of the sound card.  With 0.04 s PulseAudio ran dry all the time and swallowed the sound; with
# 0.08 s it never did.
OUTPUT_LATENCY_S = 0.1
# Virtual sound cards pause for up to a second; one that is silent for longer is gone.
STALL_S = 1.5
# A sentence that is over sooner than it lasts, by more than this, was not played.
SWALLOWED_S = 0.2


class Playback:
    """One sentence on its way through the audio callback.

    Parameters
    ----------
    number : int
        The parent's number of the sentence.
    pcm : ndarray of int16, shape (samples,)
        Its samples.
    rate_hz : int
        Their rate.
    """

    def __init__(self, number: int, pcm: NDArray[np.int16], rate_hz: int) -> None:
        self.number = number
        self.begins_s: float | None = None
        self.ends_s: float | None = None
        self._pcm = pcm
        self._rate_hz = rate_hz
        self._position = 0
        self._end = len(pcm)

    def cut(self, sample: int) -> None:
        """End it before `sample`, or at once if that was played; for any thread."""
        self._end = min(self._end, max(0, sample))

    @property
    def swallowed(self) -> bool:
        """True if it is over much sooner than it lasts."""
        if self.begins_s is None or self.ends_s is None:
            return False
        return self.ends_s - self.begins_s < min(self._end, self._position) / self._rate_hz - SWALLOWED_S

    def fill(self, out: NDArray[np.int16], heard_s: float) -> None:
        """Write the next samples to silent `out`, shape (frames, channels), heard at `heard_s`."""
        if self.ends_s is not None:
            return
        if self.begins_s is None:
            self.begins_s = heard_s
        end = self._end
        piece = self._pcm[self._position : max(self._position, min(self._position + len(out), end))]
        out[: len(piece)] = piece[:, np.newaxis]
        self._position += len(piece)
        if self._position >= end:
            self.ends_s = heard_s + len(piece) / self._rate_hz


class Player:
    """An open sound card.

    Parameters
    ----------
    device : str or None
        Its name, or a part of it that no other has; None takes the system's choice.

    Raises
    ------
    UserError
        If there is no PortAudio, no sound card, or none of that name.
    """

    def __init__(self, device: str | None) -> None:
        # Not at the top of the module: the import fails on a computer without PortAudio.
        try:
            import sounddevice
        except (ImportError, OSError) as error:
            raise UserError(
                f"The loudspeaker cannot be used ({error}): install PortAudio (on Debian and Ubuntu the "
                "package libportaudio2), or choose the text voice."
            ) from error
        self._last_block_s = time.monotonic()
        self._playback: Playback | None = None
        self._silenced = 0
        try:
            description = sounddevice.query_devices(device, "output")
            self.rate_hz = int(description["default_samplerate"])
            self._stream = sounddevice.OutputStream(
                device=device,
                samplerate=self.rate_hz,
                # Two channels where there are two: not every sound card plays mono.
                channels=min(2, description["max_output_channels"]),
                dtype="int16",
                latency=OUTPUT_LATENCY_S,
                callback=self._fill,
            )
            self._stream.start()
        except (sounddevice.PortAudioError, ValueError) as error:
            names = [each["name"] for each in sounddevice.query_devices() if each["max_output_channels"]]
            if not names:
                raise UserError(
                    "There is no loudspeaker on this computer: connect one, or choose the text voice."
                ) from error
            wanted = "The system's loudspeaker" if device is None else f'The loudspeaker "{device}"'
            raise UserError(
                f"{wanted} cannot be used ({error}): choose one of {', '.join(names)}, or the text voice."
            ) from error

    @property
    def dead(self) -> bool:
        """True if the sound card does not ask for samples any more."""
        return not self._stream.active or time.monotonic() - self._last_block_s > STALL_S

    def silence(self, number: int) -> None:
        """Let no sentence below `number` be heard any more; for any thread."""
        self._silenced = max(self._silenced, number)

    def cut(self, number: int, sample: int) -> None:
        """End a sentence before `sample`, if it is the one that is played; for any thread."""
        playback = self._playback
        if playback is not None and playback.number == number:
            playback.cut(sample)

    def play(self, number: int, pcm: NDArray[np.int16], answer: Any) -> bool:
        """Play a sentence to its end; False if the sound card is gone.

        Parameters
        ----------
        number : int
            The parent's number of the sentence.
        pcm : ndarray of int16, shape (samples,)
            Its samples, at `rate_hz`.
        answer : callable
            Sends a header to the parent.
        """
        playback = self._playback = Playback(number, pcm, self.rate_hz)
        reported = False
        while number >= self._silenced:
            if self.dead:
                return False
            if playback.begins_s is not None and not reported:
                reported = True
                answer({"play": number, "begins_s": playback.begins_s})
            if playback.ends_s is not None and playback.ends_s <= time.monotonic():
                answer({"play": number, "ended": not playback.swallowed})
                return True
            time.sleep(0.002)
        self._playback = None
        # Samples that the sound card holds already would still be heard.
        self._stream.abort()
        self._stream.start()
        return True

    def _fill(self, out: NDArray[np.int16], _frames: int, times: Any, _status: Any) -> None:
        """Audio callback: copies samples and notes the time, nothing else."""
        now_s = time.monotonic()
        self._last_block_s = now_s
        out.fill(0)
        playback = self._playback
        if playback is not None and playback.number >= self._silenced:
            delay_s = times.outputBufferDacTime - times.currentTime
            # Not every driver tells the time of a block.
            playback.fill(out, now_s + (delay_s if 0 <= delay_s < 1 else OUTPUT_LATENCY_S))


def main() -> None:
    """Play what the parent process sends, until it closes the pipe or the sound card is gone."""
    sentences: queue.Queue[Message] = queue.Queue()
    players: list[Player] = []

    def take(message: Message) -> None:
        if "stop" in message[0]:
            players[0].silence(message[0]["stop"])
        elif "cut" in message[0]:
            players[0].cut(message[0]["cut"], message[0]["sample"])
        else:
            sentences.put(message)

    with contextlib.suppress(BrokenPipeError):
        answers = attach(take)
        try:
            players.append(Player(**json.loads(sys.argv[1])))
        except UserError as error:
            send(answers, {"error": str(error)})
            os._exit(0)
        player = players[0]
        send(answers, {"rate_hz": player.rate_hz})
        while not player.dead:
            with contextlib.suppress(queue.Empty):
                header, pcm = sentences.get(timeout=0.25)
                samples = np.frombuffer(pcm, np.int16)
                if not player.play(header["play"], samples, lambda answer: send(answers, answer)):
                    break
    # Without closing the sound card: a driver may hang on a lost one.
    os._exit(0)


if __name__ == "__main__":
    main()
