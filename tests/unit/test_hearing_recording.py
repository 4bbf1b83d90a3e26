"""Sound files of every kind become the same blocks, or one sentence says why not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from checkback.errors import UserError
from checkback.hearing.recogniser import Pcm
from checkback.hearing.recording import Recording, to_pcm

TONE_HZ = 440.0


def write(
    path: Path, *, rate_hz: int = 16_000, channels: int = 1, subtype: str = "PCM_16", seconds: float = 2.0
) -> Path:
    tone = 0.5 * np.sin(2 * np.pi * TONE_HZ * np.arange(round(seconds * rate_hz)) / rate_hz)
    soundfile.write(path, np.tile(tone[:, None], (1, channels)), rate_hz, subtype=subtype)
    return path


def whole(recording: Recording) -> Pcm:
    return np.concatenate([block for block, _ in recording.blocks()])


@pytest.mark.parametrize(
    ("name", "rate_hz", "channels", "subtype"),
    [
        ("plain.wav", 16_000, 1, "PCM_16"),
        ("eight_bit.wav", 16_000, 1, "PCM_U8"),
        ("telephone.wav", 8_000, 1, "PCM_16"),
        ("twenty_four_bit.wav", 44_100, 2, "PCM_24"),
        ("float.wav", 48_000, 1, "FLOAT"),
        ("five_point_one.wav", 48_000, 6, "PCM_16"),
        ("high.flac", 96_000, 2, "PCM_24"),
        ("lossy.ogg", 44_100, 2, "VORBIS"),
    ],
)
def test_the_tone_comes_out_of_every_format(
    tmp_path: Path, name: str, rate_hz: int, channels: int, subtype: str
) -> None:
    recording = Recording(write(tmp_path / name, rate_hz=rate_hz, channels=channels, subtype=subtype))
    assert recording.duration_s == pytest.approx(2.0)
    pcm = whole(recording)
    assert len(pcm) == 67 * 480  # 2 s, the last block filled up
    spectrum = np.abs(np.fft.rfft(pcm[8_000:24_000]))
    assert int(spectrum.argmax()) == TONE_HZ  # a second has bins of 1 Hz
    assert np.abs(pcm[8_000:24_000]).max() == pytest.approx(16_384, rel=0.03)


def test_blocks_are_30_ms_and_know_their_time(tmp_path: Path) -> None:
    blocks = list(Recording(write(tmp_path / "a.wav", rate_hz=44_100)).blocks())
    assert {block.shape for block, _ in blocks} == {(480,)}
    assert {block.dtype for block, _ in blocks} == {np.dtype(np.int16)}
    assert [start for _, start in blocks] == pytest.approx([n * 0.03 for n in range(67)])


def test_resampling_does_not_move_a_click(tmp_path: Path) -> None:
    sound = np.zeros(48_000)
    sound[24_000] = 0.9
    soundfile.write(tmp_path / "click.wav", sound, 48_000)
    assert abs(int(np.abs(whole(Recording(tmp_path / "click.wav"))).argmax()) - 8_000) <= 1


def test_channels_are_averaged(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.tile([0.5, -0.25], (16_000, 1)), 16_000)
    assert np.unique(whole(Recording(tmp_path / "a.wav"))[:16_000]) == pytest.approx(0.125 * 32_768, abs=1)


def test_a_wave_file_cut_by_a_power_failure_gives_what_there_is_and_then_says_so(tmp_path: Path) -> None:
    path = write(tmp_path / "a.wav")
    path.write_bytes(path.read_bytes()[: 44 + 16_000])
    before = []
    with pytest.raises(UserError, match=r"a\.wav breaks off after 0\.5 s, before the end"):
        before.extend(Recording(path).blocks())
    assert len(before) == 17


@pytest.mark.parametrize("length", [0x7FFF_FFFF, 0xFFFF_FFFF])
def test_a_wave_file_that_was_written_into_a_pipe_is_whole(tmp_path: Path, length: int) -> None:
    path = write(tmp_path / "a.wav")
    sound = bytearray(path.read_bytes())
    sound[4:8] = sound[40:44] = length.to_bytes(4, "little")
    path.write_bytes(sound)
    assert len(whole(Recording(path))) == 67 * 480


def test_a_flac_file_that_breaks_off_gives_what_there_is_and_then_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    noise = np.random.default_rng(1).standard_normal(64_000) * 0.1
    soundfile.write(path, noise, 16_000)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    before = []
    with pytest.raises(UserError, match=r"a\.flac breaks off after 1\.\d s of 4\.0 s"):
        before.extend(Recording(path).blocks())
    assert len(before) > 40


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (b"", r"is empty \(0 bytes\)"),
        (b"not a sound at all" * 10, "cannot be read as sound"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "cannot be read as sound"),
    ],
)
def test_what_is_no_sound_is_named(tmp_path: Path, content: bytes, complaint: str) -> None:
    path = tmp_path / "case.wav"
    path.write_bytes(content)
    with pytest.raises(UserError, match=f"case.wav.*{complaint}"):
        Recording(path)


def test_a_missing_file_a_folder_and_zero_length(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"There is no sound file .*none\.wav"):
        Recording(tmp_path / "none.wav")
    with pytest.raises(UserError, match="not a sound file but a folder"):
        Recording(tmp_path)
    soundfile.write(tmp_path / "zero.wav", np.zeros(0), 16_000)
    with pytest.raises(UserError, match="length zero"):
        Recording(tmp_path / "zero.wav")


def test_loud_and_impossible_samples_are_clipped(tmp_path: Path) -> None:
    assert to_pcm(np.array([1.5, -1.5, 0.0], dtype=np.float32)).tolist() == [32_767, -32_768, 0]
    soundfile.write(tmp_path / "a.wav", np.array([np.nan, np.inf, -np.inf, 0.0]), 16_000, subtype="FLOAT")
    assert whole(Recording(tmp_path / "a.wav"))[:4].tolist() == [0, 32_767, -32_768, 0]
