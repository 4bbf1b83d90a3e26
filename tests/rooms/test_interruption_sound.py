"""The running program in the virtual room: somebody speaks over its voice."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from command_line import PROJECT
from sound_room import missing
from speakers import needs_flite


@pytest.mark.sound
@pytest.mark.skipif(bool(missing()), reason=missing())
@needs_flite
@pytest.mark.timeout(180)
def test_a_call_out_over_the_voice_stops_it_and_the_voice_does_not_stop_itself() -> None:
    words = ["--sentences", "0", "--live", "2", "--echo", "-30", "--noise", "-40"]
    done = subprocess.run(
        [sys.executable, str(PROJECT / "benchmarks" / "interruption.py"), *words],
        capture_output=True, text=True, timeout=170, check=True,
    )  # fmt: skip
    told = re.search(r"false (\d+) in (\d+) +stopped (\d+) of (\d+)", done.stdout)
    assert told is not None, done.stdout
    assert told.groups() == ("0", "5", "1", "1")
