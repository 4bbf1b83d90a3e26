"""Speech through a reverberant room of invented dimensions, simulated by pyroomacoustics (MIT)."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from hearing_corpus import Side, generator

Sound = NDArray[np.float64]

#: Length, width and height in metres, and reverberation time in seconds.
ROOMS: dict[Side, tuple[tuple[float, float, float], float]] = {
    "dev": ((7.1, 5.6, 3.0), 0.50),
    "test": ((6.3, 6.0, 2.8), 0.60),
}
#: Places of the speaker in each room, with the microphone elsewhere each time.
PLACES = 6
_DISTANCE_M = (1.0, 2.5)
_WALL_M = 0.6
_MOUTH_M = 1.6
_MICROPHONE_M = 1.9


@cache
def response(side: Side, place: int) -> Sound:
    """Return the impulse response between a speaker and the microphone."""
    import pyroomacoustics

    size, reverberation_s = ROOMS[side]
    rng = generator("room", side, place)
    while True:
        mouth = np.array([*(rng.uniform(_WALL_M, edge - _WALL_M) for edge in size[:2]), _MOUTH_M])
        microphone = np.array([*(rng.uniform(_WALL_M, edge - _WALL_M) for edge in size[:2]), _MICROPHONE_M])
        if _DISTANCE_M[0] <= np.linalg.norm(mouth - microphone) <= _DISTANCE_M[1]:
            break
    absorption, order = pyroomacoustics.inverse_sabine(reverberation_s, size)
    room = pyroomacoustics.ShoeBox(
        size, fs=SAMPLE_RATE_HZ, materials=pyroomacoustics.Material(absorption), max_order=order
    )
    room.add_source(mouth)
    room.add_microphone(microphone)
    room.compute_rir()
    found = np.asarray(room.rir[0][0], np.float64)
    # From the direct sound on, so that speech begins where it began.
    return found[int(np.argmax(np.abs(found) > 0.5 * np.abs(found).max())) :]


def reverberant(sound: Sound, side: Side, place: int) -> Sound:
    """Return a sound as it is heard in the room, at its old level, longer by the reverberation."""
    heard = np.asarray(fftconvolve(sound, response(side, place % PLACES)))
    return heard * np.sqrt(np.sum(np.square(sound)) / np.sum(np.square(heard)))
