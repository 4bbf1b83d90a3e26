"""The loudspeaker voice, heard on a virtual sound card."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from checkback.errors import UserError
from checkback.speaking.loudspeaker import LoudspeakerVoice, Sounding
from checkback.speaking.synthesis import Espeak, Pyttsx3
from checkback.speaking.voice import Sentence, Urgency
from sound_room import SoundRoom, missing

pytestmark = [
    pytest.mark.sound,
    pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the virtual sound card is for Linux"),
    pytest.mark.skipif(bool(missing()), reason=missing()),
]

SENTENCE = "Balloon three point five by fifteen, twelve atmospheres."
RATE_HZ = 48_000
BLOCK_S = 0.005


class Ear:
    """Somebody who stands before the loudspeaker of a sound room."""

    def __init__(self, room: SoundRoom) -> None:
        self._recorder = subprocess.Popen(
            ["parec", "-d", "voice.monitor", "--latency-msec=10", f"--rate={RATE_HZ}", "--channels=1"],
            env=room.env,
            stdout=subprocess.PIPE,
        )
        #: when each block was read, and whether it was loud
        self.heard: list[tuple[float, bool]] = []
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()
        wait_for(lambda: len(self.heard) > 50)

    def _listen(self) -> None:
        assert self._recorder.stdout is not None
        while block := self._recorder.stdout.read(2 * round(BLOCK_S * RATE_HZ)):
            loud = int(np.abs(np.frombuffer(block, np.int16).astype(int)).max()) > 200
            self.heard.append((time.monotonic(), loud))

    def close(self) -> None:
        self._recorder.kill()
        self._thread.join()
        self._recorder.communicate()

    def sound_between(self, start_s: float, end_s: float) -> list[float]:
        """Return the times of the blocks in which there was sound.

        A block that was read late, on a busy computer, came no later than those behind it show.
        """
        read_s, loud = map(np.array, zip(*list(self.heard), strict=True))
        place_s = np.arange(len(read_s)) * BLOCK_S
        came_s = place_s + np.minimum.accumulate((read_s - place_s)[::-1])[::-1]
        return [float(at_s) for at_s in came_s[loud & (start_s <= came_s) & (came_s < end_s)]]

    def seconds_of_sound_between(self, start_s: float, end_s: float) -> float:
        return len(self.sound_between(start_s, end_s)) * BLOCK_S


class Listener:
    """Somebody who notes what the voice reports."""

    def __init__(self) -> None:
        self.failures: list[tuple[str, str]] = []
        self.soundings: list[Sounding] = []

    def failed(self, text: str, why: str) -> None:
        self.failures.append((text, why))


def wait_for(condition: Callable[[], bool], limit_s: float = 20.0) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.005)


def enter(room: SoundRoom, patch: pytest.MonkeyPatch) -> None:
    """Let the programs that this process starts be in the room."""
    for name, value in room.env.items():
        patch.setenv(name, value)


@pytest.fixture(scope="module")
def room() -> Iterator[SoundRoom]:
    with SoundRoom() as room, pytest.MonkeyPatch.context() as patch:
        enter(room, patch)
        yield room


@pytest.fixture(scope="module")
def ear(room: SoundRoom) -> Iterator[Ear]:
    ear = Ear(room)
    yield ear
    ear.close()


@pytest.fixture
def listener() -> Listener:
    return Listener()


@pytest.fixture
def voice(room: SoundRoom, listener: Listener) -> Iterator[LoudspeakerVoice]:
    voice = LoudspeakerVoice(Espeak(), on_failure=listener.failed, on_sounding=listener.soundings.append)
    yield voice
    voice.close(timeout_s=0.0)


def test_a_sentence_is_heard_from_the_reported_moment_until_the_voice_says_that_it_is_done(
    voice: LoudspeakerVoice, ear: Ear, listener: Listener
) -> None:
    said_s = time.monotonic()
    voice.say(SENTENCE)
    assert voice.speaking and not listener.soundings, "it waited for the sound"
    wait_for(lambda: not voice.speaking)
    done_s = time.monotonic()
    time.sleep(0.3)
    (sounding,) = listener.soundings
    assert sounding.text == SENTENCE
    heard = ear.sound_between(said_s, time.monotonic())
    assert heard[0] == pytest.approx(sounding.sounding_s, abs=0.06)
    assert heard[-1] == pytest.approx(done_s, abs=0.1)
    assert 2.0 < heard[-1] - heard[0] < 5.0
    assert listener.failures == []


def test_sentences_are_said_in_turn(voice: LoudspeakerVoice, listener: Listener) -> None:
    texts = ["Twelve atmospheres.", "Deflated.", "Say again."]
    for text in texts:
        voice.say(text)
    wait_for(lambda: not voice.speaking)
    assert [sounding.text for sounding in listener.soundings] == texts
    gaps = np.diff([sounding.sounding_s for sounding in listener.soundings])
    assert gaps.min() > 0.4


def test_barging_in_is_silence_within_a_block_and_an_empty_queue(
    voice: LoudspeakerVoice, ear: Ear, listener: Listener
) -> None:
    after_s = []
    for count in (1, 2, 3):
        voice.say(SENTENCE)
        voice.say("This must not be heard.")
        wait_for(lambda count=count: len(listener.soundings) == count)
        time.sleep(0.4 + 0.1 * count)
        stopped_s = time.monotonic()
        voice.stop()
        time.sleep(0.5)
        assert not voice.speaking
        assert ear.sound_between(stopped_s - 0.5, stopped_s)
        after_s.append(max(ear.sound_between(stopped_s, time.monotonic()), default=stopped_s) - stopped_s)
        assert len(listener.soundings) == count
    # 30 ms for the voice; the rest is the way through the sound server and this test's ear
    assert min(after_s) < 0.03 + 0.03
    # what else this computer does may delay one of them; the sentence would go on for two seconds
    assert max(after_s) < 0.3
    assert listener.failures == []


def test_after_barging_in_the_next_sentence_is_heard(
    voice: LoudspeakerVoice, ear: Ear, listener: Listener
) -> None:
    voice.say(SENTENCE)
    wait_for(lambda: len(listener.soundings) == 1)
    voice.stop()
    said_s = time.monotonic()
    voice.say("Correction.")
    wait_for(lambda: not voice.speaking)
    assert listener.soundings[1].text == "Correction."
    assert ear.seconds_of_sound_between(said_s + 0.1, time.monotonic()) > 0.3


def test_a_critical_sentence_cuts_in_at_a_word_and_what_it_cut_is_said_again(
    voice: LoudspeakerVoice, ear: Ear, listener: Listener
) -> None:
    voice.say(SENTENCE)
    wait_for(lambda: len(listener.soundings) == 1)
    time.sleep(0.4)
    voice.say("Wire across.")
    voice.say("A c t is due.", Urgency.REMINDER)
    said_s = time.monotonic()
    voice.say("Not saved to disk.", Urgency.CRITICAL)
    wait_for(lambda: not voice.speaking)
    assert [sounding.text for sounding in listener.soundings] == [
        SENTENCE,
        "Not saved to disk.",
        SENTENCE,
        "Wire across.",
        "A c t is due.",
    ]
    # it began within a word of being said, while the sentence it cut would have gone on for seconds
    assert listener.soundings[1].sounding_s - said_s < 1.0
    assert listener.failures == []


def test_a_sentence_that_is_nearly_said_is_not_cut(voice: LoudspeakerVoice, listener: Listener) -> None:
    voice.say("Down.")
    wait_for(lambda: len(listener.soundings) == 1)
    voice.say("Not saved to disk.", Urgency.CRITICAL)
    wait_for(lambda: not voice.speaking)
    assert [sounding.text for sounding in listener.soundings] == ["Down.", "Not saved to disk."]


def test_stop_returns_what_was_not_heard_to_its_end(voice: LoudspeakerVoice, listener: Listener) -> None:
    voice.say(SENTENCE)
    wait_for(lambda: len(listener.soundings) == 1)
    voice.say("Not saved to disk.", Urgency.CRITICAL)
    wait_for(lambda: len(listener.soundings) == 2)
    assert set(voice.stop()) == {Sentence(SENTENCE), Sentence("Not saved to disk.", Urgency.CRITICAL)}
    assert voice.stop() == ()


def test_a_tone_is_heard_alone_and_before_words(
    voice: LoudspeakerVoice, ear: Ear, listener: Listener
) -> None:
    said_s = time.monotonic()
    voice.say("", tone="accepted")
    wait_for(lambda: not voice.speaking)
    time.sleep(0.3)
    assert 0.03 < ear.seconds_of_sound_between(said_s, time.monotonic()) < 0.12
    said_s = time.monotonic()
    voice.say("Down.", tone="attention")
    wait_for(lambda: not voice.speaking)
    time.sleep(0.3)
    assert ear.seconds_of_sound_between(said_s, time.monotonic()) > 0.6


def test_stopping_a_silent_voice_changes_nothing(voice: LoudspeakerVoice, listener: Listener) -> None:
    voice.stop()
    voice.say("Deflated.")
    wait_for(lambda: not voice.speaking)
    assert [sounding.text for sounding in listener.soundings] == ["Deflated."]


def test_closing_finishes_what_is_queued(voice: LoudspeakerVoice, listener: Listener) -> None:
    voice.say("Twelve atmospheres.")
    voice.say("Case closed.")
    voice.close()
    assert [sounding.text for sounding in listener.soundings] == ["Twelve atmospheres.", "Case closed."]
    voice.say("Too late.")
    assert listener.failures == [("Too late.", "the voice is closed")]


def test_closing_in_a_hurry_reports_what_was_not_said(voice: LoudspeakerVoice, listener: Listener) -> None:
    voice.say(SENTENCE)
    voice.say("Case closed.")
    wait_for(lambda: len(listener.soundings) == 1)
    started_s = time.monotonic()
    voice.close(timeout_s=0.1)
    assert time.monotonic() - started_s < 1.0
    why = "the program ended before it was said"
    assert listener.failures == [(SENTENCE, why), ("Case closed.", why)]


def test_a_sentence_cut_off_by_a_killed_player_is_said_again(
    voice: LoudspeakerVoice, ear: Ear, listener: Listener
) -> None:
    voice.say(SENTENCE)
    wait_for(lambda: len(listener.soundings) == 1)
    time.sleep(0.3)
    killed_s = time.monotonic()
    os.kill(voice.player_pid or 0, signal.SIGKILL)
    wait_for(lambda: len(listener.soundings) == 2)
    wait_for(lambda: not voice.speaking)
    assert [sounding.text for sounding in listener.soundings] == [SENTENCE, SENTENCE]
    assert ear.seconds_of_sound_between(killed_s + 0.2, time.monotonic()) > 1.5
    assert listener.failures == []
    assert not voice.lost


def test_a_player_that_hangs_is_replaced(voice: LoudspeakerVoice, listener: Listener) -> None:
    os.kill(voice.player_pid or 0, signal.SIGSTOP)
    voice.say("Deflated.")
    wait_for(lambda: len(listener.soundings) == 1)
    wait_for(lambda: not voice.speaking)
    assert [sounding.text for sounding in listener.soundings] == ["Deflated."]
    assert listener.failures == []


def test_without_a_loudspeaker_sentences_are_reported_until_it_is_back(
    listener: Listener, monkeypatch: pytest.MonkeyPatch
) -> None:
    with SoundRoom() as room:
        enter(room, monkeypatch)
        voice = LoudspeakerVoice(Espeak(), on_failure=listener.failed, on_sounding=listener.soundings.append)
    voice.say("Twelve atmospheres.")
    wait_for(lambda: len(listener.failures) == 1)
    assert voice.lost
    said_s = time.monotonic()
    voice.say("Deflated.")
    assert not voice.speaking, "nothing is heard, so nobody has to be deaf for it"
    wait_for(lambda: len(listener.failures) == 2)
    # less than its patience of three seconds
    assert time.monotonic() - said_s < 2.5, "the loss is known, so that nothing waits for it"
    assert [text for text, _ in listener.failures] == ["Twelve atmospheres.", "Deflated."]
    assert all("loudspeaker" in why for _, why in listener.failures)
    with SoundRoom() as room:
        enter(room, monkeypatch)
        wait_for(lambda: not voice.lost)
        voice.say("Say again.")
        voice.close()
    assert listener.soundings[-1].text == "Say again."


def test_a_killed_child_of_the_voice_does_not_cost_a_sentence(room: SoundRoom, listener: Listener) -> None:
    synthesiser = Espeak()
    voice = LoudspeakerVoice(synthesiser, on_failure=listener.failed, on_sounding=listener.soundings.append)
    os.kill(synthesiser.child_pid or 0, 9)
    voice.say("Twelve atmospheres.")
    voice.close()
    assert [sounding.text for sounding in listener.soundings] == ["Twelve atmospheres."]
    assert listener.failures == []


def test_a_loudspeaker_that_does_not_exist_is_named_with_those_that_do(room: SoundRoom) -> None:
    with (
        Espeak() as synthesiser,
        pytest.raises(UserError, match=r'loudspeaker "trumpet" cannot be used .* choose one of .*default'),
    ):
        LoudspeakerVoice(synthesiser, device="trumpet")


def in_another_process(environment: dict[str, str]) -> str:
    program = (
        "from checkback.errors import UserError\n"
        "from checkback.speaking.loudspeaker import LoudspeakerVoice\n"
        "from checkback.speaking.synthesis import Espeak\n"
        "with Espeak() as synthesiser:\n"
        "    try: LoudspeakerVoice(synthesiser)\n"
        "    except UserError as error: print(error)\n"
    )
    return subprocess.run(
        [sys.executable, "-c", program],
        env={**os.environ, **environment},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        check=True,
    ).stdout


def test_a_computer_without_portaudio_is_one_clear_sentence(tmp_path: Path) -> None:
    (tmp_path / "libportaudio.so.2").write_bytes(b"")
    said = in_another_process({"LD_LIBRARY_PATH": str(tmp_path)})
    assert said.startswith("The loudspeaker cannot be used (")
    assert said.endswith("install PortAudio (on Debian and Ubuntu the package libportaudio2), "
                         "or choose the text voice.\n")  # fmt: skip


@pytest.mark.skipif(
    any("[" in line for line in Path("/proc/asound/cards").read_text().splitlines())
    if Path("/proc/asound/cards").exists()
    else False,
    reason="this computer has a sound card",
)
def test_a_computer_without_sound_card_is_one_clear_sentence() -> None:
    said = in_another_process({"PULSE_SERVER": "unix:/nowhere"})
    assert said == "There is no loudspeaker on this computer: connect one, or choose the text voice.\n"


@pytest.mark.parametrize("make", [Espeak, Pyttsx3])
def test_a_prepared_sentence_is_heard_soon(
    make: type[Espeak | Pyttsx3], room: SoundRoom, listener: Listener
) -> None:
    try:
        synthesiser = make()
    except UserError as error:
        pytest.skip(str(error))
    synthesiser.prepare(["Say again."])
    voice = LoudspeakerVoice(synthesiser, on_sounding=listener.soundings.append)
    pid = synthesiser.child_pid
    os.kill(pid or 0, signal.SIGSTOP)  # a stopped child could not answer, and would be replaced
    voice.say("Say again.")
    wait_for(lambda: not voice.speaking)
    assert synthesiser.child_pid == pid
    voice.close()
    (sounding,) = listener.soundings
    # beyond the way through the sound server nothing is to be waited for
    assert sounding.sounding_s - sounding.said_s < 1.0
