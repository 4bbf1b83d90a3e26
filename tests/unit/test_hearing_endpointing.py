"""Utterances begin and end where people begin and end to speak, or where the pedal says so."""

from __future__ import annotations

import numpy as np
import pytest

from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES, LONGEST_S, Segmenter
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm, Utterance
from speakers import hissing, needs_flite, silence, spoken

pytestmark = needs_flite


class Stream:
    """Sound that is fed to a segmenter piece by piece, with its clock."""

    def __init__(self, starts_at_s: float = 0.0) -> None:
        self.segmenter = Segmenter()
        self.now_s = starts_at_s
        self.utterances: list[Utterance] = []

    def hear(self, pcm: Pcm) -> tuple[float, float]:
        """Feed whole blocks; return the time before and after."""
        before_s = self.now_s
        pcm = np.concatenate([pcm, silence(BLOCK_S)])[: -(-len(pcm) // BLOCK_SAMPLES) * BLOCK_SAMPLES]
        for block in pcm.reshape(-1, BLOCK_SAMPLES):
            self.utterances += self.segmenter.feed(block, self.now_s)
            self.now_s += BLOCK_S
        return before_s, self.now_s


@pytest.mark.parametrize("voice", ["slt", "rms", "awb"])
def test_three_call_outs_are_three_utterances_at_their_times(voice: str) -> None:
    stream = Stream(starts_at_s=100.0)
    stream.hear(silence(1.0))
    spans = []
    for sentence in (
        "balloon two five by twelve fourteen atmospheres",
        "down",
        "heparin five thousand units",
    ):
        sound = spoken(sentence, voice)
        begin_s, _ = stream.hear(sound)
        spans.append((begin_s, begin_s + len(sound) / SAMPLE_RATE_HZ))
        stream.hear(silence(1.0))
    assert len(stream.utterances) == 3
    for utterance, (begin_s, end_s) in zip(stream.utterances, spans, strict=True):
        assert utterance.started_s == pytest.approx(begin_s, abs=0.06)
        assert utterance.ended_s == pytest.approx(end_s, abs=0.06)
        assert not utterance.held
        assert len(utterance.pcm) / SAMPLE_RATE_HZ == pytest.approx(end_s - begin_s, abs=0.6)


def test_a_pause_for_thought_does_not_cut_a_size_in_two() -> None:
    stream = Stream()
    for piece in (
        silence(0.6), spoken("balloon two five by twelve"), silence(0.45), spoken("fourteen atmospheres"), silence(1.0),
    ):  # fmt: skip
        stream.hear(piece)
    assert len(stream.utterances) == 1


def test_a_quiet_room_and_a_beeping_monitor_are_no_speech() -> None:
    stream = Stream()
    sound = np.zeros(20 * SAMPLE_RATE_HZ)
    for start in range(SAMPLE_RATE_HZ, len(sound), round(0.8 * SAMPLE_RATE_HZ)):  # 75 a minute
        beep = sound[start : start + SAMPLE_RATE_HZ // 10]
        beep += 0.1 * np.sin(2 * np.pi * 880 * np.arange(len(beep)) / SAMPLE_RATE_HZ)
    stream.hear(silence(3.0))
    stream.hear(hissing(sound))
    assert stream.utterances + stream.segmenter.flush() == []


def test_the_pending_utterance_is_the_one_that_comes_out() -> None:
    stream = Stream()
    stream.hear(silence(0.6))
    stream.hear(spoken("heparin five thousand units"))
    assert stream.segmenter.pending is None
    stream.hear(silence(0.3))
    pending = stream.segmenter.pending
    assert pending is not None
    assert stream.utterances == []
    stream.hear(silence(0.5))
    assert len(stream.utterances) == 1
    assert stream.utterances[0] is pending
    assert stream.segmenter.pending is None


def test_what_is_known_while_somebody_speaks_is_the_beginning_of_what_comes_out() -> None:
    stream = Stream()
    stream.hear(silence(0.6))
    assert stream.segmenter.so_far is None
    known = []
    for piece in np.array_split(spoken("balloon two five by twelve fourteen atmospheres"), 8):
        stream.hear(piece)
        known.append(stream.segmenter.so_far)
    stream.hear(silence(1.0))
    (utterance,) = stream.utterances
    lengths = [len(each.pcm) for each in known if each is not None]
    assert len(lengths) >= 5 and lengths == sorted(lengths)
    for each in known:
        assert each is None or np.array_equal(each.pcm, utterance.pcm[: len(each.pcm)])


def test_a_pending_utterance_is_withdrawn_when_the_speaker_goes_on() -> None:
    stream = Stream()
    for piece in (silence(0.6), spoken("balloon two five by twelve"), silence(0.36)):
        stream.hear(piece)
    first = stream.segmenter.pending
    stream.hear(spoken("fourteen atmospheres"))
    stream.hear(silence(1.0))
    assert first is not None
    assert len(stream.utterances) == 1
    assert len(stream.utterances[0].pcm) > len(first.pcm)


def test_releasing_the_pedal_ends_the_utterance_at_once() -> None:
    stream = Stream()
    stream.hear(silence(1.0))
    stream.segmenter.press()
    sound = spoken("stent three oh by eighteen")
    begin_s, _ = stream.hear(sound)
    assert stream.segmenter.held
    assert stream.utterances == []
    (utterance,) = stream.segmenter.release()
    assert utterance.held
    assert utterance.started_s == pytest.approx(begin_s, abs=0.06)
    assert utterance.ended_s == pytest.approx(begin_s + len(sound) / SAMPLE_RATE_HZ, abs=0.06)
    assert stream.segmenter.release() == []


def test_a_word_begun_just_before_the_press_is_whole() -> None:
    sound = spoken("stent three oh by eighteen")
    early = round(0.21 * SAMPLE_RATE_HZ / BLOCK_SAMPLES) * BLOCK_SAMPLES
    stream = Stream()
    stream.hear(silence(1.0))
    begin_s, _ = stream.hear(sound[:early])
    stream.segmenter.press()
    stream.hear(sound[early:])
    (utterance,) = stream.segmenter.release()
    assert utterance.held
    assert utterance.started_s == pytest.approx(begin_s, abs=0.06)


def test_while_the_pedal_is_held_a_long_pause_does_not_end_the_utterance() -> None:
    stream = Stream()
    stream.segmenter.press()
    for piece in (
        spoken("balloon two five by twelve"),
        silence(1.5),
        spoken("fourteen atmospheres"),
        silence(1.0),
    ):
        stream.hear(piece)
    assert stream.utterances == []
    assert len(stream.segmenter.release()) == 1


def test_a_press_without_a_word_is_no_utterance() -> None:
    stream = Stream()
    stream.hear(silence(0.6))
    stream.segmenter.press()
    stream.hear(silence(1.0))
    assert stream.segmenter.release() == []


def test_speech_that_does_not_end_is_cut_and_nothing_of_it_is_lost() -> None:
    stream = Stream()
    talk = np.concatenate([spoken("the quick brown fox jumps over the lazy dog") for _ in range(13)])
    stream.hear(silence(0.6))
    begin_s, end_s = stream.hear(talk)
    stream.hear(silence(1.0))
    assert end_s - begin_s > 2 * LONGEST_S
    assert len(stream.utterances) == 3
    assert all(len(utterance.pcm) / SAMPLE_RATE_HZ < LONGEST_S + 0.5 for utterance in stream.utterances)
    for one, next_one in zip(stream.utterances, stream.utterances[1:], strict=False):
        assert 0 <= next_one.started_s - one.ended_s < 0.3


def test_the_voice_of_the_tool_is_never_part_of_an_utterance() -> None:
    stream = Stream()
    stream.hear(silence(0.6))
    assert stream.segmenter.mute() == []
    stream.hear(spoken("balloon two five by twelve, fourteen", "awb"))
    stream.segmenter.unmute(stream.now_s, hold_off_s=0.3)
    stream.hear(spoken("echo")[: round(0.27 * SAMPLE_RATE_HZ / BLOCK_SAMPLES) * BLOCK_SAMPLES])
    stream.hear(silence(1.0))
    assert stream.utterances == []
    begin_s, _ = stream.hear(spoken("balloon out"))
    stream.hear(silence(1.0))
    assert [utterance.started_s for utterance in stream.utterances] == [pytest.approx(begin_s, abs=0.06)]


def test_what_was_being_said_when_the_tool_began_to_speak_comes_out() -> None:
    stream = Stream()
    stream.hear(silence(0.6))
    stream.hear(spoken("heparin five thousand units"))
    assert len(stream.segmenter.mute()) == 1


def test_speech_that_began_under_the_voice_of_the_tool_is_marked_as_clipped() -> None:
    stream = Stream()
    stream.hear(silence(0.5))
    stream.segmenter.mute()
    sentence = spoken("balloon two five by twelve fourteen atmospheres")
    stream.hear(sentence[: SAMPLE_RATE_HZ // 2])
    stream.segmenter.unmute(stream.now_s, hold_off_s=0.0)
    stream.hear(sentence[SAMPLE_RATE_HZ // 2 :])
    stream.hear(silence(1.0))
    stream.hear(spoken("heart rate sixty"))
    stream.hear(silence(1.0))
    assert [utterance.clipped for utterance in stream.utterances] == [True, False]


def test_speech_that_the_voice_of_the_tool_cut_off_is_marked_as_clipped() -> None:
    stream = Stream()
    stream.hear(silence(0.5))
    stream.hear(spoken("balloon two five by twelve fourteen atmospheres")[: 3 * SAMPLE_RATE_HZ // 2])
    assert [utterance.clipped for utterance in stream.segmenter.mute()] == [True]


def test_the_pedal_is_heard_through_the_voice_of_the_tool() -> None:
    stream = Stream()
    stream.segmenter.mute()
    stream.hear(silence(0.6))
    stream.segmenter.press()
    stream.hear(spoken("disregard"))
    (utterance,) = stream.segmenter.release()
    assert utterance.held
    stream.hear(spoken("and this is the tool again"))
    assert stream.utterances + stream.segmenter.flush() == []


def test_the_end_of_a_recording_ends_the_last_utterance() -> None:
    stream = Stream()
    stream.hear(silence(0.6))
    stream.hear(spoken("case end"))
    assert stream.utterances == []
    assert len(stream.segmenter.flush()) == 1
    assert stream.segmenter.flush() == []
