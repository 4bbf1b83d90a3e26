"""What was said and could not be decoded in time: on record that it was said, and its sound if that is wanted."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import soundfile

from checkback.dictation import SoundFile
from checkback.hearing.recogniser import Utterance

FOLDER = "unheard"
"""Of the sound, in the case folder."""

ONE_STRETCH_S = 60.0
"""What is lost within so long of the first loss belongs to the same stretch, which is one entry."""


class Unheard:
    """Keeps stretches of speech apart that were given up, and their sound.

    Parameters
    ----------
    case_folder : Path
    keep_sound : bool
        Keep the sound, in a file that has the number of the entry.

    Attributes
    ----------
    number : int or None
        Of the entry of the latest stretch.
    """

    def __init__(self, case_folder: Path, *, keep_sound: bool) -> None:
        self._case_folder = case_folder
        self._keep_sound = keep_sound
        self._began_s = float("-inf")
        self._sound: SoundFile | None = None
        self.number: int | None = None
        # of a program that did not come to its end
        for left in sorted((case_folder / FOLDER).glob("????.pcm")):
            if left.stem.isdecimal():
                _pack(SoundFile(case_folder, int(left.stem), FOLDER))

    def goes_on(self, utterance: Utterance) -> bool:
        """Whether an utterance belongs to the stretch that is on record."""
        return utterance.started_s < self._began_s + ONE_STRETCH_S

    def begin(self, number: int, utterance: Utterance) -> None:
        """Begin a stretch with its first utterance and the number of its entry."""
        self.finish()
        self.number, self._began_s = number, utterance.started_s
        self._sound = SoundFile(self._case_folder, number, FOLDER) if self._keep_sound else None

    def add(self, utterance: Utterance) -> None:
        """Add an utterance to the stretch."""
        if self._sound is not None:
            self._sound.append(utterance.pcm)

    def finish(self) -> None:
        """End the stretch; if its sound cannot be packed, it stays as it is, and is tried again at the next start."""
        sound, self._sound = self._sound, None
        if sound is not None and sound.holds_sound:
            _pack(sound)


def _pack(sound: SoundFile) -> None:
    with suppress(OSError, soundfile.LibsndfileError):
        sound.finish()
        sound.drop_parts()
