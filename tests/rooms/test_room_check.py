"""The voice is played and listened to, in virtual rooms of which the answer is known."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from checkback.room_check import LONGEST_S, SHORTEST_S, RoomSound
from sound_room import SoundRoom, missing

PROGRAM = """
import dataclasses, json
from checkback.hearing.microphone import Microphone
from checkback.room_check import listen_to_voice
from checkback.speaking.loudspeaker import LoudspeakerVoice
from checkback.speaking.synthesis import Espeak
microphone = Microphone()
voice = LoudspeakerVoice(Espeak())
print(json.dumps(dataclasses.asdict(listen_to_voice(voice, microphone))))
voice.close()
microphone.close()
"""


def measured(room: SoundRoom) -> RoomSound:
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], env=room.env, capture_output=True, text=True, timeout=90, check=True
    )
    return RoomSound(**json.loads(done.stdout))


@pytest.mark.sound
@pytest.mark.skipif(bool(missing()), reason=missing())
def test_how_long_the_voice_is_heard_after_its_end_is_the_delay_of_the_room() -> None:
    with SoundRoom() as room:
        deaf = measured(room)
        assert not deaf.heard
        assert "headset" in deaf.verdict
        room._pactl("load-module", "module-loopback", "source=voice.monitor", "sink=room", "latency_msec=400")
        late = measured(room)
    assert late.heard
    assert late.level_dbfs > late.background_dbfs + 20
    # the sound server adds a little of its own
    assert 0.3 < late.tail_s < 0.75
    assert late.hold_off_s > late.tail_s


@pytest.mark.parametrize(
    ("tail_s", "hold_off_s"), [(0.0, SHORTEST_S), (0.11, 0.25), (0.15, 0.25), (0.62, 0.75), (5.0, LONGEST_S)]
)
def test_the_hold_off_is_the_tail_and_a_margin_in_steps(tail_s: float, hold_off_s: float) -> None:
    assert RoomSound(True, -30.0, -60.0, tail_s).hold_off_s == hold_off_s


def test_what_is_wrong_comes_with_what_to_do() -> None:
    assert "turn the loudspeaker up" in RoomSound(False, -62.0, -60.0, 0.0).verdict
    assert "turn one of them down" in RoomSound(True, -3.0, -60.0, 0.1).verdict
    assert "for 0.10 s after its end" in RoomSound(True, -30.0, -60.0, 0.1).verdict
