"""The running program with pedals: keys on a virtual display, a voice in a virtual room.

The speaker is a flite voice, a stand-in for a person.
"""

from __future__ import annotations

import os
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from test_live_room import listening
from test_pedal import keyboard_missing, virtual_display

from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.record.entry import Device, HeartRate, Mark, Withdrawal
from sound_room import SoundRoom, missing
from speakers import needs_flite, silence, spoken

pytestmark = [
    pytest.mark.sound,
    pytest.mark.display,
    pytest.mark.skipif(bool(missing() or keyboard_missing()), reason=missing() or keyboard_missing()),
    needs_flite,
    pytest.mark.timeout(180),
]

SETTINGS = "[hearing]\nopen_room = false\n\n[pedals]\nuse = true\n"


def press(*words: str) -> None:
    subprocess.run(["xdotool", *words], check=True)


def test_only_what_is_said_while_the_talk_key_is_held_counts(tmp_path: Path) -> None:
    settings = tmp_path / "settings.toml"
    settings.write_text(SETTINGS)
    said = tmp_path / "said.wav"
    soundfile.write(
        said, np.concatenate([silence(0.4), spoken("heart rate seventy two"), silence(0.4)]), SAMPLE_RATE_HZ
    )
    with SoundRoom() as room, virtual_display():
        room.env["DISPLAY"] = os.environ["DISPLAY"]
        with listening(room, tmp_path / "case", settings=settings) as program:
            room.play(said)
            time.sleep(1.0)  # a pause, as the end of what was said

            with room.until_said():
                press("keydown", "F6")
                room.play(said)
                press("keyup", "F6")
            program.wait_for_entries(1)

            press("key", "F9")
            program.wait_for_entries(2)
            press("key", "F8")  # withdraws the last event
            program.wait_for_entries(3)

            assert program.process.stdin is not None
            program.process.stdin.write("balloon 2.5 by 13\n")
            program.process.stdin.flush()
            program.wait_for_entries(4)
            press("key", "F7")  # affirms the size that is not stocked
            program.wait_for_entries(5)
            room.play(said)
            # all that sounded before is recorded then, or left out
            assert program.end() == 0
    spoken_, mark, withdrawal, question, settled = program.entries()
    assert isinstance(spoken_.body, HeartRate)
    assert (spoken_.source, spoken_.words) == ("speech", "heart rate seventy two")
    assert (mark.source, mark.body) == ("pedal", Mark())
    assert (withdrawal.source, isinstance(withdrawal.body, Withdrawal)) == ("pedal", True)
    assert question.standing == "questioned"
    assert isinstance(settled.body, Device)
    assert (settled.source, settled.amends, settled.standing) == ("pedal", question.n, "stands")
