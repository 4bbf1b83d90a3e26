"""A sound file as a stream of blocks, just like the microphone's."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from checkback.errors import UserError
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm

_FULL_SCALE = 32_768.0

_PIPED_LENGTH = 0x7FFF_0000


def to_pcm(sound: NDArray[np.float32]) -> Pcm:
    """Turn floating-point sound (full scale 1.0) into 16-bit samples, clipped at full scale."""
    scaled: NDArray[np.float32] = np.clip(np.rint(sound * _FULL_SCALE), -_FULL_SCALE, _FULL_SCALE - 1)
    return scaled.astype(np.int16)


def _missing_bytes(path: Path) -> int:
    """Return how many bytes a WAV file lacks at its end; 0 for other files.

    The library takes a cut-off WAV file for a short one.
    """
    with path.open("rb") as file:
        head = file.read(12)
        actual = file.seek(0, 2)
    if head[:4] != b"RIFF" or head[8:] != b"WAVE":
        return 0
    claimed = int.from_bytes(head[4:8], "little")
    # Programs that write into a pipe cannot know the length; they leave nothing or the largest number.
    if not 0 < claimed < _PIPED_LENGTH:
        return 0
    # An odd byte at the end is often left out.
    return max(0, claimed + 8 - actual - 1)


class Recording:
    """A WAV, FLAC or Ogg file, any rate and number of channels, as 16 kHz mono blocks.

    Parameters
    ----------
    path : Path
        The file; whatever libsndfile reads.

    Attributes
    ----------
    duration_s : float
        Length in seconds, as far as the file tells; of a WAV file that was cut off, what is left.

    Raises
    ------
    UserError
        If the file is missing, is no sound file or holds no sound.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        if not path.exists():
            raise UserError(f"There is no sound file {path}: check the name.")
        if not path.is_file():
            raise UserError(f"{path} is not a sound file but a folder or device: name a WAV or FLAC file.")
        try:
            if path.stat().st_size == 0:
                raise UserError(f"The sound file {path} is empty (0 bytes): record or copy it again.")
            with soundfile.SoundFile(path) as file:
                self._rate_hz, frames = file.samplerate, file.frames
        except PermissionError as error:
            raise UserError(f"The sound file {path} may not be read: change its permissions.") from error
        except soundfile.LibsndfileError as error:
            raise UserError(
                f"{path} cannot be read as sound ({error.error_string.rstrip('.')}): "
                "give a WAV, FLAC or Ogg file."
            ) from error
        if frames == 0:
            raise UserError(
                f"The sound file {path} holds no sound that can be read (length zero): copy it again."
            )
        self.duration_s = frames / self._rate_hz
        self._cut_off = _missing_bytes(path) > 0

    def blocks(self) -> Iterator[tuple[Pcm, float]]:
        """Yield (block, start) with blocks of 30 ms and their start in seconds.

        The channels are averaged; the last block is filled up with silence.

        Raises
        ------
        UserError
            If the file breaks off, after every block before that place.
        """
        resampler = soxr.ResampleStream(self._rate_hz, SAMPLE_RATE_HZ, 1, dtype="float32")
        rest = np.zeros(0, dtype=np.int16)
        n = 0
        for mono, last in self._mono():
            rest = np.concatenate([rest, to_pcm(resampler.resample_chunk(mono, last=last))])
            if last:
                rest = np.pad(rest, (0, -len(rest) % BLOCK_SAMPLES))
            whole = len(rest) // BLOCK_SAMPLES
            for block in rest[: whole * BLOCK_SAMPLES].reshape(whole, BLOCK_SAMPLES):
                yield block, n * BLOCK_S
                n += 1
            rest = rest[whole * BLOCK_SAMPLES :]
        if self._cut_off:
            raise UserError(
                f"The sound file {self.path} breaks off after {self.duration_s:.1f} s, before the end that it "
                "tells of: what came before was used; copy the file again for the rest."
            )
        if (n + 1) * BLOCK_S < self.duration_s:
            raise UserError(
                f"The sound file {self.path} breaks off after {n * BLOCK_S:.1f} s of "
                f"{self.duration_s:.1f} s: what came before was used; copy the file again for the rest."
            )

    def _mono(self) -> Iterator[tuple[NDArray[np.float32], bool]]:
        """Yield (sound, is it the last) in short pieces, the channels averaged."""
        piece = np.zeros(0, dtype=np.float32)
        try:
            with soundfile.SoundFile(self.path) as file:
                while len(sound := file.read(self._rate_hz // 10 + 1, dtype="float32", always_2d=True)):
                    if len(piece):
                        yield piece, False
                    # Floating-point files may hold values that are no numbers.
                    piece = np.nan_to_num(sound.mean(axis=1), posinf=1.0, neginf=-1.0)
        except (soundfile.LibsndfileError, OSError):
            # `blocks` sees that the file is shorter than it says, once this piece is used.
            pass
        yield piece, True
