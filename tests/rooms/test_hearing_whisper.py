"""The Whisper listener with a real model, spoken to by synthetic voices (stand-ins for people)."""

from __future__ import annotations

import math
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from test_hearing_any_words import share_wrong

from checkback import doctor
from checkback.errors import UserError
from checkback.hearing.ctc import PhoneAligner
from checkback.hearing.log_mel import log_mel
from checkback.hearing.phonetic import PHONES
from checkback.hearing.pronunciations import every_pronunciation
from checkback.hearing.recogniser import Pcm, Utterance, worded
from checkback.hearing.whisper import Spelling, WhisperListener
from checkback.hearing.whisper_encoder import SoundEncoder
from checkback.hearing.whisper_engine import context_frames
from checkback.hearing.whisper_file import Array
from checkback.language.written import written_graph
from checkback.settings import Settings
from english import book
from speakers import needs_flite, silence, utterance
from whisper_weights import WEIGHTS, needs_weights

pytestmark = [*needs_weights, needs_flite]

PROMPT = "Balloon 2.5 x 12, 14 atmospheres. Heparin 5000 units."
SAID, WRITTEN = "balloon two five by twelve fourteen atmospheres", "Balloon 2.5 x 12, 14 atmospheres."


@pytest.fixture(scope="module")
def listener() -> Iterator[WhisperListener]:
    """The model as it came."""
    listener = WhisperListener(WEIGHTS, prompt=PROMPT, tuned=False)
    yield listener
    listener.close()


def test_it_writes_down_freely_and_says_how_sure_it_is(listener: WhisperListener) -> None:
    found = listener.listen(utterance(SAID).pcm)
    assert found is not None
    assert found.text == WRITTEN
    assert "".join(found.tokens).strip() == WRITTEN
    assert len(found.tokens) == len(found.logprobs)
    assert found.tokens[-1] == ""
    assert found.total_logprob > -2.0
    assert found.no_speech < 0.1
    assert found.is_speech


@pytest.fixture(scope="module")
def speller() -> Iterator[WhisperListener]:
    """The model tuned for call-outs, with the sentences of the phrasebook."""
    graph = written_graph(book().said_at_any_time)
    spelling = Spelling(graph.words, graph.arcs, graph.start, graph.finals)
    listener = WhisperListener(WEIGHTS, prompt=PROMPT, spelling=spelling)
    yield listener
    listener.close()


def test_it_finds_the_sentence_among_all_of_the_phrasebook(speller: WhisperListener) -> None:
    found = speller.find(utterance(SAID).pcm)
    assert found[0].text == "Balloon 2.5 by 12, 14 atmospheres."
    assert len({each.text for each in found}) == len(found) > 3
    totals = [sum(each.logprobs) - 0.4 * sum(each.blank_logprobs) for each in found]
    assert totals == sorted(totals, reverse=True)


@pytest.mark.outside
def test_what_is_written_on_the_way_of_the_search_is_what_the_library_writes(
    speller: WhisperListener,
) -> None:
    """Outside: CTranslate2's `generate`, with weights of 8 bits, which differ a little from those of 16."""
    for words, speaker in ((SAID, "slt"), ("heparin eight thousand units", "rms"), ("wire out", "awb")):
        pcm = utterance(words, speaker).pcm
        taken = speller.take(pcm)
        found, wrote = taken.found, taken.wrote
        library = speller.listen(pcm, "")
        assert wrote is not None and library is not None
        assert found == speller.find(pcm)
        # a comma more or less between two numbers is as probable
        assert wrote.text.replace(",", "") == library.text.replace(",", "")
        assert wrote.tokens[-1] == library.tokens[-1] == ""
        assert wrote.total_logprob == pytest.approx(library.total_logprob, abs=1.0)
        assert wrote.no_speech == pytest.approx(library.no_speech, abs=0.02)
        assert wrote.is_speech


def test_what_was_found_is_a_little_likelier_among_usual_pieces_than_among_all(
    speller: WhisperListener,
) -> None:
    pcm = utterance(SAID).pcm
    found = speller.find(pcm)
    for near, exact in zip(found, speller.judge(pcm, [each.text for each in found]), strict=True):
        assert len(near.logprobs) == len(exact.logprobs)
        for usual, among_all in zip(
            (near.logprobs, near.blank_logprobs), (exact.logprobs, exact.blank_logprobs), strict=True
        ):
            assert sum(among_all) - 0.01 < sum(usual) < sum(among_all) + 4.0


def test_where_nobody_speaks_it_says_so_and_takes_no_words_for_speech(speller: WhisperListener) -> None:
    hiss = np.random.default_rng(3).normal(0, 200, 32_000).astype(np.int16)
    wrote = speller.take(hiss).wrote
    assert wrote is not None
    assert wrote.no_speech > 0.8
    assert not wrote.is_speech
    short = speller.take(hiss[:100])
    assert short.found == () and short.phones is None and short.wrote is not None and short.wrote.text == ""


@pytest.mark.parametrize(
    ("said", "others"),
    [
        ("heparin eight thousand units", ("heparin eight hundred units", "heparin eighteen thousand units")),
        ("balloon two five by twelve", ("balloon two five by twenty", "balloon two oh by twelve")),
        ("wire out", ("wire in", "guide out")),
    ],
)
def test_the_phones_that_it_hears_are_those_that_were_said(
    speller: WhisperListener, said: str, others: tuple[str, ...]
) -> None:
    pcm = utterance(said, "rms").pcm
    phones = speller.take(pcm).phones
    assert phones is not None
    assert phones.shape == (math.ceil(len(pcm) / 320), len(PHONES) + 1)
    assert np.exp(phones).sum(axis=1) == pytest.approx(1.0, abs=1e-4)
    aligner = PhoneAligner(every_pronunciation(book().pronunciations))
    right, *wrong = aligner.logprobs(phones, [worded(words) for words in (said, *others)])
    assert right is not None and right > -5.0
    assert all(each is None or each < right - 3.0 for each in wrong)


@pytest.mark.outside
def test_it_hears_most_phones_of_words_that_nobody_has_said_to_it(speller: WhisperListener) -> None:
    """Outside: the dictionary that comes with PocketSphinx has their phones."""

    def heard(pcm: Pcm) -> Array:
        phones = speller.take(pcm).phones
        assert phones is not None
        return phones

    # learnt with call-outs alone it had 36 % wrong
    assert share_wrong(heard) < 0.3


def test_only_the_tuned_model_tells_the_phones(listener: WhisperListener) -> None:
    assert listener.take(utterance(SAID).pcm).phones is None


def test_texts_are_judged_together_nearly_as_they_are_one_by_one(speller: WhisperListener) -> None:
    texts = ["Heparin 8000 units.", "Heparin 800 units.", "Heparin", "", "Wire out.", "Heparin 8000 units."]
    pcm = utterance("heparin eight thousand units", "awb").pcm
    together = speller.judge(pcm, texts)
    # what is known of a sound is kept for two
    for other in ("wire out", "balloon down"):
        speller.judge(utterance(other).pcm, texts[:1])
    for each, text in zip(together, texts, strict=True):
        (alone,) = speller.judge(pcm, [text])
        assert alone.text == each.text == text
        assert alone.logprobs == pytest.approx(each.logprobs, abs=0.03, rel=0.05)
        assert alone.blank_logprobs == pytest.approx(each.blank_logprobs, abs=0.03, rel=0.05)
    totals = [sum(each.logprobs) for each in together]
    assert totals[0] == totals[-1] == max(totals)


@pytest.mark.outside
def test_its_own_text_half_judges_as_the_library_does(speller: WhisperListener) -> None:
    """Outside: CTranslate2's `align`, with weights of 8 bits, which differ a little from those of 16."""
    pcm = utterance("heparin eight thousand units", "rms").pcm
    texts = ["Heparin 8000 units.", "Heparin 800 units.", "Fentanyl 8000 units.", "Wire out."]
    own, library = speller.judge(pcm, texts), speller.score(pcm, texts, "")
    assert library is not None
    for one, other in zip(own, library, strict=True):
        assert len(one.logprobs) == len(other.logprobs)
        assert sum(one.logprobs) == pytest.approx(other.total_logprob, abs=1.5, rel=0.05)


@pytest.mark.outside
def test_its_own_other_half_hears_as_the_library_does() -> None:
    """Outside: CTranslate2's `encode` in 32 bits."""
    import ctranslate2

    library = ctranslate2.models.Whisper(str(WEIGHTS), device="cpu", compute_type="float32")
    own = SoundEncoder((WEIGHTS / "model.bin").read_bytes(), 1)
    for words, speaker in ((SAID, "slt"), ("wire out", "awb")):
        pcm = utterance(words, speaker).pcm
        for least_s in (5.0, 10.0):
            features = log_mel(pcm, context_frames(len(pcm), least_s), 80)
            right = np.array(library.encode(ctranslate2.StorageView.from_array(features[None]), to_cpu=True))[
                0
            ]
            found = own(features)
            assert found.shape == right.shape == (features.shape[1] // 2, 512)
            apart = float(np.sqrt(np.mean(np.square(found - right)) / np.mean(np.square(right))))
            assert apart < 0.06


def test_on_silence_a_common_text_comes_more_readily_than_a_rare_one(speller: WhisperListener) -> None:
    pcm = utterance(SAID).pcm
    common, rare = speller.judge(pcm, ["Wire out.", "Eptifibatide out."])
    assert sum(common.blank_logprobs) > sum(rare.blank_logprobs) + 3.0
    assert speller.judge(pcm, []) == ()


def test_without_a_spelling_it_finds_nothing_and_judges_as_the_library_does(
    listener: WhisperListener,
) -> None:
    pcm = utterance(SAID).pcm
    assert listener.find(pcm) == ()
    (judged,) = listener.judge(pcm, [WRITTEN])
    scored = listener.score(pcm, [WRITTEN], "")
    assert scored is not None and judged.logprobs == scored[0].logprobs and judged.blank_logprobs == ()


def test_what_was_said_scores_best_and_the_end_counts(listener: WhisperListener) -> None:
    pcm = utterance("heparin eight thousand units", "rms").pcm
    texts = [
        "Heparin 8000 units.",
        "Heparin 8000.",
        "Heparin 8000 units intravenous.",
        "Heparin 800 units.",
        "Fentanyl 8000 units.",
        "Heparin 5000 units.",
        "",
        "Wire out.",
        "Contrast 80.",
    ]
    scored = listener.score(pcm, texts)
    assert scored is not None
    assert [each.text for each in scored] == texts
    best = max(scored, key=lambda each: each.total_logprob)
    assert best.text == "Heparin 8000 units."
    # more than an accident: the half of the sentence and the longer one are clearly worse
    assert all(best.total_logprob - each.total_logprob > 3 for each in scored[1:3])


def test_a_score_is_the_probability_with_which_the_text_is_written(listener: WhisperListener) -> None:
    # two ways through the model: the search that writes, and the scoring of a given text
    pcm = utterance(SAID, "awb").pcm
    found = listener.listen(pcm)
    assert found is not None
    scored = listener.score(pcm, [found.text])
    assert scored is not None
    assert scored[0].tokens == found.tokens
    assert scored[0].logprobs == pytest.approx(found.logprobs, abs=0.15)
    assert scored[0].total_logprob == pytest.approx(found.total_logprob, abs=0.3)


@pytest.mark.outside
def test_the_usual_library_writes_the_same(listener: WhisperListener) -> None:
    # faster-whisper over the same files, in a process of its own because of what it imports
    script = (
        "import sys, json, numpy as np\n"
        "from faster_whisper import WhisperModel\n"
        "model = WhisperModel(sys.argv[1], device='cpu', compute_type='int8')\n"
        "pcm = np.frombuffer(sys.stdin.buffer.read(), dtype='<i2').astype(np.float32) / 32768\n"
        "segments, _ = model.transcribe(pcm, language='en', beam_size=5, initial_prompt=sys.argv[2],\n"
        "    without_timestamps=True, temperature=0.0, condition_on_previous_text=False)\n"
        "print(json.dumps([s.text.strip() for s in segments]))\n"
    )
    pytest.importorskip("ctranslate2")
    pcm = utterance(SAID).pcm
    run = subprocess.run(
        [sys.executable, "-c", script, str(WEIGHTS), PROMPT],
        input=pcm.tobytes(),
        capture_output=True,
        check=True,
        env={**os.environ, "HF_HUB_OFFLINE": "1"},
    )
    found = listener.listen(pcm, beam=5)
    assert found is not None
    assert run.stdout.decode().strip() == f'["{found.text}"]'


def test_further_texts_can_be_had(listener: WhisperListener) -> None:
    found = listener.listen(utterance(SAID).pcm, alternatives=3)
    assert found is not None
    assert found.text.endswith("x 12, 14 atmospheres.")
    assert found.alternatives
    assert all(text != found.text and total < found.total_logprob for text, total in found.alternatives)


def test_as_a_recogniser_it_gives_lower_case_words(listener: WhisperListener) -> None:
    (best,) = listener.hear(utterance("wire out")).hypotheses
    assert best.words == "wire out."
    assert best.likely_speech_to_us


PASSAGE = "the patient was anxious and was given some time"


def test_a_dictated_passage(listener: WhisperListener) -> None:
    written = listener.write(utterance(PASSAGE).pcm)
    assert written is not None
    assert written.text.lower().startswith(PASSAGE)
    assert written.writer == "whisper"


def test_what_is_dictated_is_written_by_the_model_as_it_came(
    listener: WhisperListener, speller: WhisperListener
) -> None:
    pcm = utterance(PASSAGE).pcm
    assert speller.write(pcm) == listener.write(pcm)
    plain, tuned = speller.listen(pcm, plain=True), speller.listen(pcm)
    assert plain is not None and not plain.tuned
    assert tuned is not None and tuned.tuned and tuned.logprobs != plain.logprobs


def test_tuned_it_writes_as_the_phrasebook_does(listener: WhisperListener, speller: WhisperListener) -> None:
    pcm = utterance(SAID).pcm
    came, tuned = listener.listen(pcm), speller.listen(pcm)
    assert came is not None and "2.5 x 12" in came.text
    assert tuned is not None and "2.5 by 12" in tuned.text


@pytest.mark.parametrize("loudness", [0, 3, 300, 3_000])
@pytest.mark.parametrize("model", ["listener", "speller"])
def test_no_dose_is_made_of_noise(request: pytest.FixtureRequest, model: str, loudness: int) -> None:
    listener: WhisperListener = request.getfixturevalue(model)
    # the model is apt to go on with the doses of its prompt
    pcm = (np.random.default_rng(loudness).standard_normal(32_000) * loudness).astype(np.int16)
    written = listener.write(pcm)
    assert written is not None
    assert written.text == ""
    assert not any(each.likely_speech_to_us for each in listener.hear(Utterance(pcm, 0, 2)).hypotheses)


@pytest.mark.parametrize("samples", [0, 1, 1_000, 16_000 * 31])
def test_no_sound_is_too_odd(listener: WhisperListener, samples: int) -> None:
    pcm = np.full(samples, 32_767, dtype=np.int16)
    assert listener.listen(pcm) is not None
    scored = listener.score(pcm, ["Wire out.", "word " * 600])
    assert scored is not None
    assert len(scored) == 2
    assert listener.score(pcm, []) == ()
    assert listener.failures == 0


def test_a_child_that_is_killed_costs_nothing_but_time() -> None:
    listener = WhisperListener(WEIGHTS, prompt=PROMPT)
    try:
        pid = listener.worker_pid
        assert pid is not None
        killer = threading.Timer(0.05, os.kill, (pid, signal.SIGKILL))
        killer.start()
        # sound for some hundred milliseconds of work: the child is in the middle of it when it dies
        long = np.concatenate([utterance("wire out").pcm, silence(20.0)])
        found = listener.listen(long)
        killer.join()
        assert found is not None
        assert "ire out" in found.text
        assert listener.failures == 1
        assert listener.worker_pid not in (None, pid)
    finally:
        listener.close()


def test_a_damaged_model_is_an_error_and_no_crash(tmp_path: Path) -> None:
    folder = tmp_path / "model"
    shutil.copytree(WEIGHTS, folder)
    with (folder / "model.bin").open("r+b") as file:
        file.truncate(30_000_000)
    with pytest.raises(UserError, match=r"models_download\.md"):
        WhisperListener(folder)


def test_another_language_than_the_model_has_is_told() -> None:
    with pytest.raises(UserError, match=r"does not know <\|xx\|>"):
        WhisperListener(WEIGHTS, language="xx")


def test_the_child_imports_nothing_that_could_fetch_or_decode_files(listener: WhisperListener) -> None:
    assert listener.hear(Utterance(silence(0.5), 0.0, 0.5)).recogniser == "whisper"
    maps = Path(f"/proc/{listener.worker_pid}/maps")
    if not maps.exists():
        pytest.skip("no /proc here")
    loaded = maps.read_text(encoding="utf-8")
    assert "libctranslate2" in loaded
    assert not any(name in loaded for name in ("libavcodec", "libx264", "hf_xet"))


def test_closing_takes_no_time(listener: WhisperListener) -> None:
    other = WhisperListener(WEIGHTS)
    since = time.monotonic()
    other.close()
    assert time.monotonic() - since < 5
    assert other.listen(silence(1.0)) is None


def test_doctor_tells_whether_the_model_is_tuned() -> None:
    def told(**hearing: object) -> str:
        return doctor._whisper(Settings.model_validate({"hearing": {"whisper_model": WEIGHTS, **hearing}}))

    assert told().endswith("loads, and is tuned for call-outs")
    assert told(tuned=False).endswith("loads")
