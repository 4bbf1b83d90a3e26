"""The microphone as a stream of blocks, through PortAudio.

PortAudio does not tell that a device was unplugged: blocks just stop.  So the absence of blocks
is what is watched, and the device is looked for again by its name.
"""

from __future__ import annotations

import queue
import subprocess
import sys
import time
from contextlib import suppress
from types import ModuleType
from typing import Any

import numpy as np
import soxr

from checkback.errors import UserError
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm
from checkback.hearing.recording import to_pcm

#: Sound that is kept while the reader is busy; what comes after that is lost and counted.
QUEUE_S = 30.0
#: Without a block for so long, the microphone is lost.
LOST_AFTER_S = 1.0
#: A device that was just opened may need longer for its first block.
FIRST_BLOCK_S = 4.0
#: One that gave nothing for so long gives no sound, for whoever waits for it.
NO_SOUND_S = 5.0
#: Pauses between attempts to open it again: the first, doubled up to the last.
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 4.0

#: A block that arrives so far from its expected time shows a gap; nearer ones are jitter.
_GAP_S = 0.2
#: Share of the lateness of blocks that the running clock follows, for clocks that drift apart.
_FOLLOW = 0.005


def _portaudio() -> ModuleType:
    """Import sounddevice when it is needed: typed words and recordings work without it."""
    # With a broken sound configuration PortAudio ends the whole process; better a child's than ours.
    if subprocess.run([sys.executable, "-c", "import sounddevice"], capture_output=True).returncode < 0:
        raise UserError(
            "The sound system of this computer fails when it is looked at: install it again (Debian, Ubuntu: "
            "apt-get install --reinstall libasound2-data libportaudio2), or use a recording or typed words."
        )
    try:
        import sounddevice
    except OSError as error:
        raise UserError(
            "The microphone needs PortAudio, which is not installed: apt-get install libportaudio2 "
            "(Debian, Ubuntu), or use a recording or typed words."
        ) from error
    module: ModuleType = sounddevice
    return module


def _inputs(portaudio: ModuleType) -> dict[str, Any]:
    """Return the input devices by name; of two with one name the first."""
    found: dict[str, Any] = {}
    for device in portaudio.query_devices():
        if device["max_input_channels"] > 0:
            found.setdefault(device["name"], device)
    return found


def microphone_names() -> tuple[str, ...]:
    """List the names of all input devices.

    Raises
    ------
    UserError
        If PortAudio is not installed.
    """
    return tuple(_inputs(_portaudio()))


class BlockClock:
    """Start times of blocks, from the times at which they arrived.

    Blocks were recorded evenly and arrive late by different amounts, never early: the time runs on
    by the length of each block, goes back at once to a block that came sooner than thought, and
    follows late ones slowly.
    """

    def __init__(self) -> None:
        self._next_s: float | None = None

    def start_of(self, arrived_s: float, duration_s: float) -> float:
        """Return the start of a block of `duration_s` that arrived at `arrived_s`."""
        latest_s = arrived_s - duration_s
        if self._next_s is None or abs(latest_s - self._next_s) > _GAP_S:
            start_s = latest_s
        else:
            start_s = min(latest_s, self._next_s + _FOLLOW * (latest_s - self._next_s))
        self._next_s = start_s + duration_s
        return start_s


class Microphone:
    """An input device of this computer.

    Parameters
    ----------
    name : str or None
        Name of the device or a part that is found in one name only; None for the default device.

    Attributes
    ----------
    overflows : int
        How often sound was lost because the computer was too slow.
    reconnections : int
        How often a lost device came back.

    Raises
    ------
    UserError
        If PortAudio or the device is missing, or it cannot be opened.

    Notes
    -----
    Looking for a lost device starts PortAudio anew, which ends other streams of this process.
    """

    def __init__(self, name: str | None = None) -> None:
        self._portaudio = _portaudio()
        self._stream: Any = None
        self._resampler: soxr.ResampleStream | None = None
        self._queue: queue.Queue[tuple[bytes, float]] = queue.Queue(int(QUEUE_S / BLOCK_S))
        self.overflows = 0
        self.reconnections = 0
        self.name = self._find(name)
        self._hearing = False
        self._was_heard = False
        #: Since when `read_or_tell` waits.
        self._waiting_since_s: float | None = None
        self._pause_s = FIRST_PAUSE_S
        self._try_again_s = 0.0
        self._open()

    @property
    def hearing(self) -> bool:
        """True while blocks arrive."""
        return self._hearing

    def read(self, timeout_s: float = 0.1) -> tuple[Pcm, float] | None:
        """Return the next block.

        Parameters
        ----------
        timeout_s : float
            How long to wait for it, in seconds.

        Returns
        -------
        (ndarray of int16, shape (480,), float) or None
            A block of 30 ms at 16 kHz and the start of it in seconds of `time.monotonic`, or None
            if none came.  While the device is lost, calls also try to open it again.
        """
        if block := self._next_block():
            return block
        try:
            self._take(*self._queue.get(timeout=timeout_s))
        except queue.Empty:
            self._watch(time.monotonic())
            return None
        return self._next_block()

    def read_or_tell(self) -> tuple[Pcm, float] | None:
        """Do what `read` does, while somebody waits for what will be heard.

        Raises
        ------
        UserError
            If no block came for `NO_SOUND_S`.
        """
        if (found := self.read()) is not None:
            self._waiting_since_s = None
            return found
        now_s = time.monotonic()
        self._waiting_since_s = self._waiting_since_s or now_s
        if now_s - self._waiting_since_s > NO_SOUND_S:
            raise self.without_sound()
        return None

    def without_sound(self) -> UserError:
        """Return the error of a device that gives no sound."""
        return UserError(f"{self.name} gives no sound: check its plug and the sound settings")

    def close(self) -> None:
        """Let go of the device."""
        stream, self._stream = self._stream, None
        self._hearing = False
        self._resampler = None
        if stream is not None:
            # The device may be gone already.
            with suppress(self._portaudio.PortAudioError):
                stream.abort()
            with suppress(self._portaudio.PortAudioError):
                stream.close()

    def _find(self, name: str | None) -> str:
        """Return the full name of the device."""
        inputs = _inputs(self._portaudio)
        if not inputs:
            raise UserError(
                "No microphone was found: plug one in, check the sound settings of this computer, or type "
                "the call-outs (listen --typed)."
            )
        listed = ", ".join(repr(each) for each in inputs)
        if name is None:
            try:
                return str(self._portaudio.query_devices(kind="input")["name"])
            except self._portaudio.PortAudioError as error:
                raise UserError(f"No default microphone is set: name one of {listed}.") from error
        if name in inputs:
            return name
        alike = [each for each in inputs if name.casefold() in each.casefold()]
        if len(alike) != 1:
            raise UserError(
                f"The microphone {name!r} is {'not there' if not alike else 'not the only one of that name'}: "
                f"name one of {listed}."
            )
        return alike[0]

    def _open(self) -> None:
        """Open the device, at 16 kHz if it will, else at its own rate."""
        portaudio = self._portaudio
        device = _inputs(portaudio).get(self.name)
        if device is None:
            raise UserError(f"The microphone {self.name!r} is not there: plug it in again.")
        reason = ""
        for rate_hz in (SAMPLE_RATE_HZ, int(device["default_samplerate"])):
            for channels in (1, 2):
                try:
                    stream = portaudio.RawInputStream(
                        device=device["index"],
                        samplerate=rate_hz,
                        channels=channels,
                        dtype="int16",
                        blocksize=round(rate_hz * BLOCK_S),
                        callback=self._copy,
                    )
                    stream.start()
                except portaudio.PortAudioError as error:
                    reason = str(error)
                    continue
                self._stream, self._rate_hz, self._channels = stream, rate_hz, channels
                self._clock = BlockClock()
                if rate_hz != SAMPLE_RATE_HZ:
                    self._resampler = soxr.ResampleStream(rate_hz, SAMPLE_RATE_HZ, 1, dtype="float32")
                self._rest: Pcm = np.zeros(0, dtype=np.int16)
                self._rest_ends_s = 0.0
                self._lost_s = time.monotonic() + FIRST_BLOCK_S
                return
        raise UserError(
            f"The microphone {self.name!r} cannot be opened ({reason}): check that it is plugged in and "
            "that no other program holds it."
        )

    def _copy(self, data: Any, _frames: int, _times: Any, status: Any) -> None:
        """Keep a block; runs in PortAudio's thread, so nothing else is done here."""
        if status.input_overflow:
            self.overflows += 1
        try:
            self._queue.put_nowait((bytes(data), time.monotonic()))
        except queue.Full:
            self.overflows += 1

    def _take(self, data: bytes, arrived_s: float) -> None:
        """Bring what the device gave to 16 kHz mono."""
        self._lost_s = time.monotonic() + LOST_AFTER_S
        if not self._hearing:
            self.reconnections += self._was_heard
            self._hearing = self._was_heard = True
            self._pause_s = FIRST_PAUSE_S
        sound = np.frombuffer(data, dtype=np.int16)
        duration_s = len(sound) / self._channels / self._rate_hz
        start_s = self._clock.start_of(arrived_s, duration_s)
        if self._channels > 1:
            sound = np.rint(sound.reshape(-1, self._channels).mean(axis=1)).astype(np.int16)
        if self._resampler is not None:
            sound = to_pcm(self._resampler.resample_chunk(sound.astype(np.float32) / 32_768))
        self._rest = np.concatenate([self._rest, sound])
        self._rest_ends_s = start_s + duration_s

    def _next_block(self) -> tuple[Pcm, float] | None:
        if len(self._rest) < BLOCK_SAMPLES:
            return None
        start_s = self._rest_ends_s - len(self._rest) / SAMPLE_RATE_HZ
        block, self._rest = self._rest[:BLOCK_SAMPLES], self._rest[BLOCK_SAMPLES:]
        return block, start_s

    def _watch(self, now_s: float) -> None:
        """Note that no block came, and look for the device again when it is time to."""
        if self._stream is not None:
            if now_s > self._lost_s:
                self.close()
                self._try_again_s = now_s + self._pause_s
        elif now_s >= self._try_again_s:
            # The list of devices is made only once, at the start of PortAudio.
            self._portaudio._terminate()
            self._portaudio._initialize()
            with suppress(UserError):
                self._open()
            # Even a device that opens may stay mute: only a block makes the next pause short again.
            self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)
            self._try_again_s = time.monotonic() + self._pause_s
