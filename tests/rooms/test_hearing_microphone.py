"""The microphone for real: a virtual sound card, unplugged and plugged in again."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import sound_room
from sound_room import SoundRoom, wait_until

pytestmark = [
    pytest.mark.sound,
    pytest.mark.skipif(bool(sound_room.missing()), reason=f"virtual sound card {sound_room.missing()}"),
]

LISTENER = """
import json, sys, time
import numpy as np
from checkback.errors import UserError
from checkback.hearing.microphone import Microphone, microphone_names
try:
    microphone = Microphone(json.loads(sys.argv[1]))
except UserError as error:
    print(json.dumps({"error": str(error)}), flush=True)
    sys.exit()
print(json.dumps({"name": microphone.name, "names": microphone_names()}), flush=True)
hearing = False
while True:
    block = microphone.read()
    told = {}
    if microphone.hearing != hearing:
        hearing = told["hearing"] = microphone.hearing
    if block is not None:
        pcm, start_s = block
        told |= {"start_s": start_s, "now_s": time.monotonic(), "samples": len(pcm), "kind": str(pcm.dtype),
                 "peak": int(np.abs(pcm.astype(int)).max()), "pitch": int(np.abs(np.fft.rfft(pcm)).argmax())}
    if told:
        told |= {"overflows": microphone.overflows, "reconnections": microphone.reconnections}
        print(json.dumps(told), flush=True)
"""


class Listener:
    """A program in the room that reports every block that it hears."""

    def __init__(self, room: SoundRoom, name: str | None = None) -> None:
        self.told: list[dict[str, Any]] = []
        self._process = subprocess.Popen(
            [sys.executable, "-c", LISTENER, json.dumps(name)],
            env=room.env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as lines:
            self.told.extend(map(json.loads, lines))

    def wait_for(self, wanted: Callable[[dict[str, Any]], bool], what: str) -> dict[str, Any]:
        """Wait for a report, or fail; return it."""
        wait_until(lambda: any(map(wanted, tuple(self.told))), what, limit_s=25)
        return next(filter(wanted, self.told))

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._reader.join()


@pytest.fixture
def room() -> Iterator[SoundRoom]:
    with SoundRoom() as room:
        yield room


@pytest.fixture
def tone(tmp_path: Path) -> Path:
    """One second of 1 kHz: in a block of 30 ms that is the thirtieth line of the spectrum."""
    path = tmp_path / "tone.wav"
    soundfile.write(path, 0.5 * np.sin(2 * np.pi * 1_000 * np.arange(44_100) / 44_100), 44_100)
    return path


def is_tone(told: dict[str, Any]) -> bool:
    return bool(told.get("peak", 0) > 8_000 and told["pitch"] == 30)


def test_what_sounds_in_the_room_arrives_at_its_time(room: SoundRoom, tone: Path) -> None:
    listener = Listener(room)
    try:
        opened = listener.wait_for(lambda told: "names" in told, "the microphone")
        assert opened["name"] in opened["names"]
        listener.wait_for(lambda told: "start_s" in told, "the first block")
        began_s = time.monotonic()
        room.play(tone)
        ended_s = time.monotonic()
        listener.wait_for(lambda told: told.get("start_s", 0) > ended_s, "the silence after the tone")
    finally:
        listener.close()
    blocks = [told for told in listener.told if "start_s" in told]
    assert {(block["samples"], block["kind"]) for block in blocks} == {(480, "int16")}
    # on a busy computer one may be read late, but none before it was over
    delays_s = sorted(block["now_s"] - block["start_s"] for block in blocks)
    assert delays_s[0] > 0 and delays_s[len(delays_s) // 2] < 0.3
    starts = [block["start_s"] for block in blocks if is_tone(block)]
    # The tone begins within its first block.
    assert began_s - 0.03 < starts[0] < starts[-1] < ended_s
    assert starts[-1] - starts[0] == pytest.approx(1.0, abs=0.1)
    assert blocks[-1]["overflows"] == 0


def test_an_unplugged_microphone_is_noticed_and_comes_back(room: SoundRoom, tone: Path) -> None:
    listener = Listener(room)
    try:
        listener.wait_for(lambda told: told.get("hearing") is True, "the first block")
        # With another source left, the sound server would silently move the program there.
        room.unplug("voice")
        room.unplug("room")
        listener.wait_for(lambda told: told.get("hearing") is False, "the loss")
        room.plug("room")
        back = listener.wait_for(lambda told: told.get("reconnections") == 1, "the microphone again")
        assert back["hearing"] is True
        room.play(tone)
        listener.wait_for(
            lambda told: told["reconnections"] == 1 and is_tone(told) if "peak" in told else False, "the tone"
        )
    finally:
        listener.close()


def test_the_device_is_found_by_a_part_of_its_name_and_a_wrong_name_lists_what_there_is(
    room: SoundRoom,
) -> None:
    listener = Listener(room, "DEFAU")
    try:
        assert listener.wait_for(lambda told: "name" in told, "the microphone")["name"] == "default"
    finally:
        listener.close()
    listener = Listener(room, "headset")
    try:
        error = listener.wait_for(lambda told: "error" in told, "the error")["error"]
    finally:
        listener.close()
    assert error.startswith("The microphone 'headset' is not there: name one of ")
    assert "'default'" in error
