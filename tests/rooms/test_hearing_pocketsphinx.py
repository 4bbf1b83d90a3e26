"""The embedded recogniser on synthetic speech, which stands in for people."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

import english
from checkback import doctor
from checkback.errors import UserError
from checkback.hearing.endpointing import Segmenter
from checkback.hearing.pocketsphinx import PocketSphinxDecoder, PocketSphinxRecogniser, accepts_jsgf
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar, Pcm, Utterance, worded
from checkback.hearing.recording import Recording
from checkback.listeners import make_recogniser
from checkback.settings import Settings
from hearing_grammar import cathlab, grammar_of
from speakers import needs_flite, silence, utterance

HUMAN_SPEECH = Path(__file__).parents[3] / "shared" / "speech"

CALL_OUTS = (
    "case start",
    "balloon two five by twelve fourteen atmospheres",
    "up to sixteen",
    "stent three oh by eighteen deployed at twelve atmospheres",
    "heparin seven thousand units",
    "pressure one hundred twenty over eighty",
    "proximal circumflex ninety percent stenosis",
    "fluoro time twenty four minutes",
    "disregard",
)


@pytest.fixture(scope="module")
def decoder() -> PocketSphinxDecoder:
    return PocketSphinxDecoder(cathlab())


@pytest.fixture
def recogniser() -> Iterator[PocketSphinxRecogniser]:
    recogniser = PocketSphinxRecogniser(cathlab())
    yield recogniser
    recogniser.close()


@needs_flite
@pytest.mark.parametrize("voice", ["rms", "awb"])
def test_call_outs_are_heard_word_by_word(decoder: PocketSphinxDecoder, voice: str) -> None:
    heard = [decoder.decode(utterance(sentence, voice).pcm) for sentence in CALL_OUTS]
    assert [best[0].words for best in heard] == list(CALL_OUTS)
    assert all(best[0].likely_speech_to_us for best in heard)


@needs_flite
def test_the_model_is_tuned_unless_the_settings_say_no(decoder: PocketSphinxDecoder) -> None:
    said, sentence = utterance(CALL_OUTS[1], "awb"), [worded(CALL_OUTS[1])]
    tuned, plain = (
        decoder.weigh(said.pcm, sentence),
        PocketSphinxDecoder(cathlab(), tuned=False).weigh(said.pcm, sentence),
    )
    assert tuned != plain
    for settings, fit in ((Settings(), tuned), (Settings(hearing={"tuned": False}), plain)):
        recogniser = make_recogniser(settings, english.book())
        try:
            heard = recogniser.hear(said)
        finally:
            recogniser.close()
        own = next(h.evidence for h in heard.hypotheses if h.words == CALL_OUTS[1])
        assert own is not None and fit[0] is not None and own.first_fit == fit[0].fit


def test_doctor_tells_whether_the_model_is_tuned(monkeypatch: pytest.MonkeyPatch) -> None:
    alone = Settings(hearing={"recogniser": "pocketsphinx", "second": "none"})
    assert doctor._recogniser(alone) == "pocketsphinx decodes, tuned for call-outs"
    monkeypatch.setattr(doctor, "can_be_tuned", lambda: False)
    assert "as it came" in doctor._recogniser(alone)
    as_it_came = alone.model_copy(update={"hearing": alone.hearing.model_copy(update={"tuned": False})})
    assert doctor._recogniser(as_it_came) == "pocketsphinx decodes"


@needs_flite
@pytest.mark.parametrize("voice", ["slt", "rms", "awb"])
def test_chatter_is_told_from_call_outs(decoder: PocketSphinxDecoder, voice: str) -> None:
    for sentence in (
        "the weather is supposed to be nice tomorrow",
        "let me know when you are ready for lunch",
        "who is on call this weekend",
    ):
        heard = decoder.decode(utterance(sentence, voice).pcm)
        assert not any(each.likely_speech_to_us for each in heard), heard


@needs_flite
def test_what_was_said_before_does_not_matter(decoder: PocketSphinxDecoder) -> None:
    said = utterance("balloon two five by twelve fourteen atmospheres").pcm
    first = decoder.decode(said)
    decoder.decode((utterance("the weather is nice", "rms").pcm // 8).astype(np.int16))
    assert decoder.decode(said) == first


@needs_flite
@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize("piece", [480, 1_920, 7_000, 50_000])
def test_what_was_followed_is_heard_as_if_it_came_at_once(
    decoder: PocketSphinxDecoder, piece: int, held: bool
) -> None:
    """With the same score too: when it is learnt from a sound depends on its length and on the pedal alone."""
    for said in (
        "up to sixteen",
        "balloon two five by twelve fourteen atmospheres",
        "pressure one hundred twenty over eighty",
        "stent three point two five by eighteen deployed at twelve atmospheres for thirty seconds",
    ):
        pcm = utterance(said, "rms").pcm
        at_once = decoder.decode(pcm, held=held)
        for until in range(piece, len(pcm), piece):
            decoder.follow(pcm[:until], held=held)
        assert decoder.decode(pcm, held=held) == at_once
        # it was not the end: begun in a pause, and gone on
        decoder.follow(pcm[: len(pcm) // 2], held=held)
        decoder.decode(pcm[: len(pcm) // 2], held=held)
        decoder.follow(pcm[: 3 * len(pcm) // 4], held=held)
        assert decoder.decode(pcm, held=held) == at_once
        # what was followed without the pedal is searched afresh with it
        decoder.follow(pcm, held=not held)
        assert decoder.decode(pcm, held=held) == at_once
        # something else came of it
        decoder.follow(pcm, held=held)
        other = decoder.decode(utterance("disregard", "rms").pcm)
        assert [each.words for each in other] == ["disregard"]


@pytest.mark.parametrize(
    "pcm",
    [
        np.zeros(0, dtype=np.int16),
        np.zeros(1, dtype=np.int16),
        np.zeros(1_599, dtype=np.int16),
        np.zeros(16_000, dtype=np.int16),
        np.full(16_000, 32_767, dtype=np.int16),
        np.tile(np.array([32_767, -32_768], dtype=np.int16), 8_000),
        np.zeros(20 * SAMPLE_RATE_HZ, dtype=np.int16),
        np.tile(np.arange(-9_000, 9_000, 7, dtype=np.int16), 120),
    ],
    ids=["empty", "one sample", "short", "silent", "stuck", "clipped", "long", "buzzing"],
)
def test_no_sound_is_too_odd(decoder: PocketSphinxDecoder, pcm: Pcm) -> None:
    for until in range(0, len(pcm), 30_000):
        decoder.follow(pcm[:until])
    assert len(decoder.decode(pcm)) <= 1
    assert decoder.weigh(pcm, [worded("balloon")])[0] is None or len(pcm) >= 16_000


def test_human_digits_are_heard_and_human_chatter_is_not_taken_for_call_outs(
    decoder: PocketSphinxDecoder,
) -> None:
    if not HUMAN_SPEECH.is_dir():
        pytest.skip("the human recordings beside the project are not there")
    digits = ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
    listener = PocketSphinxDecoder(grammar_of(("or", *digits)))
    right = total = 0
    for n, word in enumerate(digits, 1):
        for path in sorted((HUMAN_SPEECH / "digits").glob(f"{n}_*_0.wav")):
            sound, rate_hz = soundfile.read(path, dtype="float32")
            pcm = (soxr.resample(sound, rate_hz, SAMPLE_RATE_HZ) * 32_767).astype(np.int16)
            heard = listener.decode(np.concatenate([silence(0.24), pcm, silence(0.2)]))
            total += 1
            right += bool(heard) and heard[0].words == word
    assert total >= 27
    assert right / total > 0.6
    for path in sorted((HUMAN_SPEECH / "chatter").glob("*.*")):
        segmenter = Segmenter()
        cut = [u for block, start_s in Recording(path).blocks() for u in segmenter.feed(block, start_s)]
        for each in [*cut, *segmenter.flush()]:
            assert not any(found.likely_speech_to_us for found in decoder.decode(each.pcm))


def test_a_word_without_pronunciation_stops_the_start_with_its_name() -> None:
    with pytest.raises(UserError, match="No pronunciation is known for 'clopidoxyz', 'zzballoon'"):
        PocketSphinxDecoder(grammar_of(("or", "zzballoon up", "clopidoxyz given")))


@pytest.mark.parametrize("phones", ["EY1 T", "EY QQ", ""])
def test_a_pronunciation_that_the_model_cannot_use_is_named(phones: str) -> None:
    grammar = replace(grammar_of("kerma"), pronunciations={"kerma": (phones,)})
    with pytest.raises(UserError, match="of 'kerma' is not usable"):
        PocketSphinxDecoder(grammar)


@needs_flite
def test_own_pronunciations_are_further_variants() -> None:
    grammar = replace(
        grammar_of(("or", "balloon", "stent")), pronunciations={"stent": ("K EY S S T AA R T",)}
    )
    decoder = PocketSphinxDecoder(grammar)
    assert [decoder.decode(utterance(said).pcm)[0].words for said in ("case start", "stent", "balloon")] == [
        "stent",
        "stent",
        "balloon",
    ]


@needs_flite
def test_chains_of_arcs_without_a_word_are_free() -> None:
    arcs = (
        (0, 1, ""),
        (1, 2, ""),
        (2, 3, "balloon"),
        (3, 4, ""),
        (4, 5, ""),
        (5, 6, "out"),
        (4, 6, ""),
        (6, 7, ""),
    )
    grammar = Grammar(arcs, 0, 7, {}, (), "")
    decoder = PocketSphinxDecoder(grammar)
    assert decoder.decode(utterance("balloon").pcm)[0].words == "balloon"
    assert decoder.decode(utterance("balloon out").pcm)[0].words == "balloon out"


def test_pocketsphinx_itself_judges_a_jsgf_grammar() -> None:
    own = {"kerma": ("K ER M AH",)}
    header = "#JSGF V1.0;\ngrammar room;\n"
    assert accepts_jsgf(header + "public <room> = air kerma <n>;\n<n> = (one | two) [hundred];\n", own)
    assert not accepts_jsgf(header + "public <room> = air kerma (;\n", own)
    assert not accepts_jsgf(header + "public <room> = air kerma;\n", {})


@needs_flite
def test_the_worker_hears_what_the_decoder_hears(
    decoder: PocketSphinxDecoder, recogniser: PocketSphinxRecogniser
) -> None:
    said = utterance("heparin seven thousand units")
    heard = recogniser.hear(said)
    assert heard.utterance is said
    assert heard.recogniser == "pocketsphinx"
    assert heard.hypotheses == decoder.decode(said.pcm)


@needs_flite
def test_a_prepared_utterance_is_decoded_once_and_another_one_afresh(
    recogniser: PocketSphinxRecogniser,
) -> None:
    said, other = utterance("heparin seven thousand units"), utterance("balloon out")
    recogniser.prepare(said)
    assert recogniser._prepared is not None
    recogniser._prepared[1].result()
    recogniser.prepare(said)
    pid = recogniser.worker_pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)  # a stopped child could not decode it again, and would be replaced
    assert recogniser.hear(said).hypotheses[0].words == "heparin seven thousand units"
    assert (recogniser.worker_pid, recogniser.failures) == (pid, 0)
    os.kill(pid, signal.SIGCONT)
    recogniser.prepare(said)
    assert recogniser.hear(other).hypotheses[0].words == "balloon out"
    assert recogniser.hear(said).hypotheses[0].words == "heparin seven thousand units"


@needs_flite
def test_sentences_are_weighed_one_by_one_as_they_are_together() -> None:
    """What is learnt from a sound is kept while the same sound is asked about, and not after another one."""
    said, other = utterance("pressure one hundred twenty over eighty").pcm, utterance("wire out", "rms").pcm
    sentences = [
        worded("pressure one hundred twenty over eighty"),
        worded("pressure one hundred ten over eighty"),
    ]
    decoder = PocketSphinxDecoder(cathlab())
    together = [fit.fit for fit in decoder.weigh(said, sentences) if fit is not None]
    assert len(together) == 2 and together[0] > together[1]
    alone = []
    for sentence in sentences:
        decoder.weigh(other, [worded("wire out")])
        decoder.decode(other)
        for _ in range(2):
            (fit,) = decoder.weigh(said, [sentence])
            assert fit is not None
            alone.append(fit.fit)
    assert alone == pytest.approx([together[0], together[0], together[1], together[1]], abs=0.01)


def test_two_children_weigh_as_one_does_and_one_may_die() -> None:
    said = utterance("pressure one hundred twenty over eighty")
    sentences = [
        worded(each)
        for each in (
            "pressure one hundred twenty over eighty",
            "no words of it",
            "pressure one hundred ten over eighty",
            "wire out",
            "pressure one hundred twenty over ninety",
        )
    ]
    one, two = PocketSphinxRecogniser(cathlab()), PocketSphinxRecogniser(cathlab(), children=2)
    try:
        fits = one.weigh(said, sentences)
        assert [fit is not None for fit in fits] == [True, False, True, True, True]
        assert two.weigh(said, sentences) == fits
        for share in (0, 1):
            assert two.weigh(said, sentences[:share]) == fits[:share]
        pid = two._workers[1].pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        assert two.weigh(said, sentences) == fits
        assert two.failures == 1
    finally:
        one.close()
        two.close()


@needs_flite
def test_a_second_child_weighs_and_does_not_search() -> None:
    said = utterance("pressure one hundred twenty over eighty")
    sentences = [
        worded(f"pressure one hundred {number} over eighty") for number in ("twenty", "ten", "thirty")
    ]
    one, two = PocketSphinxRecogniser(cathlab()), PocketSphinxRecogniser(cathlab(), children=2)
    try:
        two.follow(said)
        two.prepare(said)
        assert two.hear(said).hypotheses == one.hear(said).hypotheses
        fits = one.weigh(said, sentences)
        # begun with one sentence, and the others when they are known: in turn, so that no child has three of four
        assert two.weigh(said, sentences[:1]) == fits[:1]
        assert two.weigh(said, sentences) == fits
        assert two.weigh(said, sentences) == fits
        two._workers[1].close()
        assert two.weigh(said, sentences) == (None, fits[1], None)
    finally:
        one.close()
        two.close()


@needs_flite
@pytest.mark.parametrize("tuned", [True, False])
def test_two_children_hear_what_one_does_tuned_or_not(tuned: bool) -> None:
    said = utterance("pressure one hundred twenty over eighty")
    nothing = replace(said, pcm=np.zeros(800, np.int16))
    one = PocketSphinxRecogniser(cathlab(), tuned=tuned)
    two = PocketSphinxRecogniser(cathlab(), children=2, tuned=tuned)
    by_hand = PocketSphinxDecoder(cathlab(), tuned=tuned)
    try:
        assert two.hear(said).hypotheses == one.hear(said).hypotheses == by_hand.decode(said.pcm)
        assert two.hear(nothing).hypotheses == ()
        two.follow(said)
        two.prepare(said)
        assert two.hear(said).hypotheses == by_hand.decode(said.pcm)
        # the one that searches may die
        pid = two.worker_pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        assert two.hear(said).hypotheses == by_hand.decode(said.pcm)
        assert two.failures == 1
    finally:
        one.close()
        two.close()


@needs_flite
def test_following_returns_at_once_and_never_queues_up(recogniser: PocketSphinxRecogniser) -> None:
    said = utterance("pressure one hundred twenty over eighty")
    plain = recogniser.hear(said)
    pid = recogniser.worker_pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    for until in range(4_800, len(said.pcm), 480):
        recogniser.follow(replace(said, pcm=said.pcm[:until]))
    # the child can take nothing, and one request waits for it
    assert recogniser._worker._thread._work_queue.qsize() <= 1
    os.kill(pid, signal.SIGCONT)
    assert recogniser.hear(said).hypotheses == plain.hypotheses
    assert recogniser.failures == 0


@needs_flite
def test_a_killed_worker_costs_nothing_but_time(recogniser: PocketSphinxRecogniser) -> None:
    pid = recogniser.worker_pid
    assert pid is not None
    os.kill(pid, signal.SIGKILL)
    assert recogniser.hear(utterance("balloon out")).hypotheses[0].words == "balloon out"
    assert recogniser.failures == 1


def test_sound_that_is_nothing_is_heard_as_nothing(recogniser: PocketSphinxRecogniser) -> None:
    assert recogniser.hear(Utterance(np.zeros(0, dtype=np.int16), 0.0, 0.0)).hypotheses == ()
    recogniser.close()
    assert recogniser.hear(Utterance(silence(1.0), 0.0, 1.0)).hypotheses == ()
