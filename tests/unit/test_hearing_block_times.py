"""Times of blocks, and what is said where there is no microphone."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from checkback.hearing.microphone import BlockClock


def test_blocks_that_arrive_in_bursts_were_recorded_evenly() -> None:
    clock = BlockClock()
    rng = np.random.default_rng(1)
    true = 50.0 + 0.03 * np.arange(1_000)
    # A block is handed over up to 60 ms after it is complete.
    starts = [clock.start_of(start_s + 0.03 + rng.uniform(0, 0.06), 0.03) for start_s in true]
    late = np.array(starts)[200:] - true[200:]
    assert late.min() >= 0
    assert late.max() < 0.02
    assert np.abs(np.diff(starts[200:]) - 0.03).max() < 0.01


def test_a_late_first_block_does_not_make_all_others_late() -> None:
    clock = BlockClock()
    clock.start_of(10.03 + 0.15, 0.03)
    assert clock.start_of(10.06, 0.03) == pytest.approx(10.03)


def test_a_gap_in_the_sound_is_a_gap_in_time() -> None:
    clock = BlockClock()
    assert clock.start_of(10.03, 0.03) == pytest.approx(10.0)
    assert clock.start_of(10.06, 0.03) == pytest.approx(10.03)
    assert clock.start_of(15.03, 0.03) == pytest.approx(15.0)


def run(script: str, folder: Path) -> str:
    """Run a script with `folder` before the packages; return what it prints."""
    program = f"import sys; sys.path.insert(0, {str(folder)!r})\n" + script
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True
    )
    return done.stdout


OPEN = """
from checkback.errors import UserError
from checkback.hearing.microphone import Microphone
try:
    Microphone({name})
except UserError as error:
    print(error)
"""


def test_without_portaudio_the_user_is_told_what_to_install(tmp_path: Path) -> None:
    # This is what the package does where the library is missing.
    (tmp_path / "sounddevice.py").write_text("raise OSError('PortAudio library not found')\n")
    assert "apt-get install libportaudio2" in run(OPEN.format(name=""), tmp_path)


def test_without_a_device_the_user_is_told_so(tmp_path: Path) -> None:
    told = run(OPEN.format(name=""), tmp_path)
    if not told:
        pytest.skip("this computer has a microphone")
    assert told.startswith("No microphone was found: plug one in")
