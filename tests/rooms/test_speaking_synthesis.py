"""The voice's child process really speaks, really dies, and really comes back."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from checkback.errors import UserError
from checkback.speaking.sound import Sound
from checkback.speaking.synthesis import Espeak, Pyttsx3, SynthesisError, VoiceSettings

linux_only = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="espeakng-loader is for Linux")
SENTENCE = "Balloon three point five by fifteen, twelve atmospheres."


@pytest.fixture
def espeak() -> Iterator[Espeak]:
    synthesiser = Espeak()
    yield synthesiser
    synthesiser.close()


@pytest.fixture
def pyttsx3() -> Iterator[Pyttsx3]:
    try:
        synthesiser = Pyttsx3()
    except UserError as error:
        pytest.skip(f"no speech engine of the system here: {error}")
    yield synthesiser
    synthesiser.close()


def loudness(sound: Sound) -> float:
    return float(np.sqrt(np.mean(sound.pcm.astype(float) ** 2)))


def is_alive(pid: int) -> bool:
    """True unless the process is gone, or is a corpse that nobody has collected yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


def wait_until_dead(pid: int) -> bool:
    deadline = time.monotonic() + 60
    while is_alive(pid) and time.monotonic() < deadline:
        time.sleep(0.02)
    return not is_alive(pid)


@linux_only
def test_espeak_says_a_sentence_of_plausible_length_and_loudness(espeak: Espeak) -> None:
    sound = espeak.synthesise(SENTENCE)
    assert sound.pcm.dtype == np.int16
    assert sound.pcm.ndim == 1
    assert 2.0 < sound.duration_s < 5.0
    assert loudness(sound) > 500


@linux_only
def test_two_sentences_sound_different(espeak: Espeak) -> None:
    twelve, fourteen = espeak.synthesise("Twelve atmospheres."), espeak.synthesise("Fourteen atmospheres.")
    assert not np.array_equal(twelve.pcm, fourteen.pcm)


@linux_only
def test_fifty_sentences_in_sequence_come_from_one_child(espeak: Espeak) -> None:
    pid = espeak.child_pid
    durations = [espeak.synthesise(f"Entry number {n}.").duration_s for n in range(50)]
    assert min(durations) > 0.5
    assert espeak.child_pid == pid


@linux_only
def test_a_sentence_said_before_comes_from_the_cache(espeak: Espeak) -> None:
    espeak.prepare([SENTENCE])
    pid = espeak.child_pid or 0
    os.kill(pid, signal.SIGSTOP)  # a stopped child could not answer, and would be replaced
    assert espeak.synthesise(SENTENCE).duration_s > 2
    assert espeak.child_pid == pid and is_alive(pid)


@linux_only
def test_a_killed_child_is_replaced_and_the_sentence_is_still_said(espeak: Espeak) -> None:
    espeak.synthesise("Before.")
    killed = espeak.child_pid or 0
    os.kill(killed, signal.SIGKILL)
    assert espeak.synthesise("After the child was killed.").duration_s > 0.5
    assert espeak.child_pid != killed


@linux_only
def test_a_child_that_hangs_is_killed_after_its_time_limit() -> None:
    synthesiser = Espeak(time_limit_s=1.0)
    hanging = synthesiser.child_pid or 0
    os.kill(hanging, signal.SIGSTOP)
    assert synthesiser.synthesise("Still here.").duration_s > 0.3
    assert not is_alive(hanging)
    synthesiser.close()


@linux_only
def test_a_sentence_that_fails_twice_is_an_error_with_its_reason() -> None:
    synthesiser = Espeak(time_limit_s=0.001)
    with pytest.raises(SynthesisError, match=r"did not answer within 0\.001 s"):
        synthesiser.synthesise("say " * 450)
    synthesiser.close()
    with pytest.raises(SynthesisError, match="closed"):
        synthesiser.synthesise("After closing.")


@linux_only
def test_closing_ends_the_child(espeak: Espeak) -> None:
    pid = espeak.child_pid or 0
    assert is_alive(pid)
    espeak.close()
    espeak.close()
    assert not is_alive(pid)


@linux_only
def test_a_parent_that_dies_leaves_no_child_behind() -> None:
    program = (
        "from checkback.speaking.synthesis import Espeak; import time;"
        "voice = Espeak(); voice.synthesise('Hello.'); print(voice.child_pid, flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    assert is_alive(child)
    parent.kill()
    parent.communicate()
    assert wait_until_dead(child)


@linux_only
def test_the_library_is_not_in_the_programs_own_process(espeak: Espeak) -> None:
    espeak.synthesise(SENTENCE)
    assert "libespeak" in Path(f"/proc/{espeak.child_pid}/maps").read_text()
    assert "libespeak" not in Path("/proc/self/maps").read_text()


@linux_only
def test_rate_volume_and_voice_are_heard() -> None:
    variants = {
        "plain": VoiceSettings(),
        "fast": VoiceSettings(rate_wpm=300),
        "quiet": VoiceSettings(volume=0.3),
        "british": VoiceSettings(voice="en"),
    }
    sounds = {}
    for name, settings in variants.items():
        synthesiser = Espeak(settings)
        sounds[name] = synthesiser.synthesise(SENTENCE)
        synthesiser.close()
    assert sounds["fast"].duration_s < 0.75 * sounds["plain"].duration_s
    assert loudness(sounds["quiet"]) < 0.5 * loudness(sounds["plain"])
    assert not np.array_equal(sounds["british"].pcm, sounds["plain"].pcm)


@linux_only
def test_a_voice_that_does_not_exist_is_one_clear_sentence() -> None:
    with pytest.raises(UserError, match='no espeak voice named "nobody": use for example "en-us"'):
        Espeak(VoiceSettings(voice="nobody"))


@linux_only
def test_a_pronunciation_changes_the_sound(espeak: Espeak) -> None:
    respelling = Espeak(pronunciations={"eptifibatide": "ep tiff ih bah tide"})
    plain, respelled = (each.synthesise("Eptifibatide in.") for each in (espeak, respelling))
    respelling.close()
    assert not np.array_equal(plain.pcm, respelled.pcm)


@linux_only
@pytest.mark.parametrize("text", ["", "...", "a\x01b\x00c\n\n5", "日本", "<speak>&amp;</speak>", "%s %n {}"])
def test_odd_texts_are_answered(espeak: Espeak, text: str) -> None:
    pid = espeak.child_pid
    sound = espeak.synthesise(text)
    assert bool(sound.pcm.size) == any(c.isalnum() for c in text)
    assert espeak.child_pid == pid


@linux_only
def test_an_endless_text_is_refused(espeak: Espeak) -> None:
    with pytest.raises(SynthesisError, match="longer than 2000"):
        espeak.synthesise("x" * 2001)


@linux_only
def test_a_long_installation_path_does_not_silence_espeak(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import espeakng_loader

    folder = tmp_path / ("x" * 200)
    folder.mkdir()
    (folder / "espeakng_loader").symlink_to(Path(espeakng_loader.__file__).parent)
    monkeypatch.setenv("PYTHONPATH", str(folder), prepend=os.pathsep)
    synthesiser = Espeak()
    assert synthesiser.synthesise(SENTENCE).duration_s > 2
    synthesiser.close()


def test_the_systems_own_voice_says_sentences(pyttsx3: Pyttsx3) -> None:
    durations = [pyttsx3.synthesise(f"Entry number {n}.").duration_s for n in range(5)]
    assert all(0.4 < duration < 4 for duration in durations)
    assert loudness(pyttsx3.synthesise(SENTENCE)) > 500
    assert 2.0 < pyttsx3.synthesise(SENTENCE).duration_s < 5.0


def test_the_systems_own_voice_can_be_chosen_by_name(pyttsx3: Pyttsx3) -> None:
    with pytest.raises(UserError, match='no voice named "nobody"'):
        Pyttsx3(VoiceSettings(voice="nobody"))


@linux_only
def test_a_linux_without_speech_library_is_one_clear_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A file of that name that is no library, found first, makes it as good as missing.
    for name in ("libespeak-ng.so.1", "libespeak.so.1"):
        (tmp_path / name).write_bytes(b"")
    monkeypatch.setenv("LD_LIBRARY_PATH", str(tmp_path))
    with pytest.raises(UserError, match="install the system's library libespeak-ng"):
        Pyttsx3()
