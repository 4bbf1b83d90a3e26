"""Two real listeners and the loop, on sound: synthetic voices are stand-ins for people."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from test_loop import Room

import english
from checkback import certainty
from checkback.hearing import agreement
from checkback.hearing.phone_network import PhoneNetwork
from checkback.hearing.recogniser import Evidence, Heard, Hypothesis, Recogniser, Utterance
from checkback.listeners import make_recogniser
from checkback.settings import Hearing, Settings
from speakers import needs_flite, silence, spoken
from whisper_weights import WEIGHTS, needs_weights

pytestmark = needs_flite

ATTENTION = "check back"

IN_LOUD_NOISE = (
    "heparin five thousand units",
    "stent three by eighteen",
    "balloon two five by twelve fourteen atmospheres",
    "nitroglycerin two hundred micrograms",
    "act two eight five",
    "wire crossed",
    "contrast fifty",
    "midazolam one milligram",
    "blood pressure one twenty over seventy",
    "ventricular fibrillation",
)


def listeners(**hearing: object) -> Recogniser:
    return make_recogniser(Settings(hearing=Hearing.model_validate(hearing)), english.book())


@pytest.fixture(scope="module")
def one() -> Iterator[Recogniser]:
    recogniser = listeners(recogniser="pocketsphinx", second="none", attention_word=ATTENTION)
    yield recogniser
    recogniser.close()


@pytest.fixture(scope="module")
def two() -> Iterator[Recogniser]:
    recogniser = listeners(recogniser="pocketsphinx", second="whisper", whisper_model=WEIGHTS)
    yield recogniser
    recogniser.close()


@cache
def said(sentence: str, voice: str = "rms", snr_db: float | None = None) -> Utterance:
    """Return a sentence, in pink noise if a signal to noise ratio is given."""
    pcm = np.concatenate([silence(0.24), spoken(sentence, voice), silence(0.2)]).astype(np.float64)
    if snr_db is not None:
        white = np.fft.rfft(np.random.default_rng(len(sentence)).standard_normal(len(pcm)))
        pink = np.fft.irfft(white / np.sqrt(np.arange(1, len(white) + 1)), len(pcm))
        pcm += pink * np.sqrt(np.mean(pcm**2) / np.mean(pink**2)) * 10 ** (-snr_db / 20)
    return Utterance(pcm.clip(-32_768, 32_767).astype(np.int16), 0.0, len(pcm) / 16_000, held=True)


def words(heard: Heard) -> list[str]:
    return [hypothesis.words for hypothesis in heard.hypotheses]


def listed(recogniser: Recogniser, heard: list[tuple[str, Utterance]]) -> list[Evidence | None]:
    """Return the evidence for what was said, each with its sound; None where it is not on the list."""
    read = english.reader().read
    return [
        next((h.evidence for h in recogniser.hear(sound).hypotheses if read(h.words) == read(sentence)), None)
        for sentence, sound in heard
    ]


class TestOneListener:
    def test_what_was_chosen_is_listed_with_what_sounds_like_it(self, one: Recogniser) -> None:
        heard = one.hear(said("act two fifteen"))
        assert words(heard)[0] == "act two fifteen"
        assert "act two fifty" in words(heard)
        first, *others = [h.evidence for h in heard.hypotheses]
        assert first is not None and first.chosen and first.first_fit is not None
        fits = [e.first_fit for e in others if e is not None and e.first_fit is not None]
        assert len(fits) >= 2 and max(fits) < first.first_fit

    def test_the_network_tells_how_well_each_fits_its_phones(self, one: Recogniser) -> None:
        for sentence in ("act two fifteen", "heparin five thousand units", "balloon down", "card close"):
            evidence = [h.evidence for h in one.hear(said(sentence)).hypotheses if h.evidence is not None]
            fits = [e.phones_logprob for e in evidence if e.phones_logprob is not None]
            right = evidence[0].phones_logprob
            assert len(fits) > 1 and right is not None and right == max(fits) and right > -15.0

    def test_what_it_did_not_hear_is_listed_for_the_phones_of_the_network(
        self, one: Recogniser, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        noisy = [(sentence, said(sentence, "slt", 0.0)) for sentence in IN_LOUD_NOISE]
        with_phones = listed(one, noisy)
        monkeypatch.setattr(agreement, "FITS_PHONES", -math.inf)
        without = listed(one, noisy)
        new = [more for more, less in zip(with_phones, without, strict=True) if more and not less]
        assert len(new) >= 2
        assert all(less is None or more is not None for more, less in zip(with_phones, without, strict=True))
        # and the first listener judges them like others
        assert any(e.first_fit is not None for e in new)

    def test_of_two_wordings_the_first_listener_finds_the_one_that_was_said(
        self, one: Recogniser, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        listeners = one.inner.inner  # type: ignore[attr-defined]
        sound, other = said("act one oh five"), "act one hundred five"
        meaning = english.reader().read(other)
        assert meaning and meaning == english.reader().read("act one oh five")
        candidate = agreement._Candidate(other)
        listed = agreement._List({listeners._language.meaning(other): candidate})
        monkeypatch.setattr(agreement, "FITS_PHONES", math.inf)
        listeners._hear_phones(PhoneNetwork()(sound.pcm), Hypothesis("wire out", -40.0), listed)
        assert {" ".join(form) for form in candidate.wordings[0]} == {other, "act one oh five"}
        (fit,) = listeners._fits(sound, [candidate.wordings])
        assert fit is not None and fit.words == "act one oh five"

    def test_where_it_does_not_answer_the_network_lists_nothing_by_itself(
        self, one: Recogniser, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        first = one.inner.inner._first  # type: ignore[attr-defined]
        monkeypatch.setattr(first, "hear", lambda utterance: Heard(utterance, first.name, ()))
        assert one.hear(said("heparin five thousand units")).hypotheses == ()

    def test_no_two_of_the_list_mean_the_same(self, one: Recogniser) -> None:
        heard = one.hear(said("balloon two five by twelve fourteen atmospheres"))
        meanings = [repr(english.reader().read(each)) for each in words(heard)]
        assert len(set(meanings)) == len(meanings) > 2

    def test_an_answer_that_is_waited_for_is_listed_though_it_is_no_sentence(self, one: Recogniser) -> None:
        assert not english.reader().read("off")
        heard = one.hear(replace(said("off"), expected=("on", "off")))
        fits = {h.words: h.evidence.first_fit for h in heard.hypotheses if h.evidence is not None}
        assert fits["off"] is not None and fits["on"] is not None
        assert fits["off"] == max(fit for fit in fits.values() if fit is not None)

    def test_silence_and_a_click_bring_nothing_that_is_taken(self, one: Recogniser, tmp_path: Path) -> None:
        room = Room(english.book(), tmp_path / "case")
        for pcm in (silence(1.0), np.zeros(800, np.int16), silence(0.02)):
            outcome = room.loop.heard(one.hear(Utterance(pcm, 0.0, 1.0)))
            assert outcome.result == "ignored"
        rng = np.random.default_rng(12)
        for seconds, loud, expected in (
            (0.3, 300, ()),
            (0.5, 3_000, ("fifty", "fifteen")),
            (0.8, 10_000, ()),
        ):
            burst = np.round(rng.standard_normal(round(seconds * 16_000)) * loud).clip(-32_768, 32_767)
            pressed = Utterance(burst.astype(np.int16), 0.0, seconds, held=True, expected=expected)
            outcome = room.loop.heard(one.hear(pressed))
            assert outcome.result == "asked" and {e.body.kind for e in outcome.entries} <= {"unclear"}
        room.journal.close()


class TestAttentionWord:
    @pytest.fixture
    def room(self, tmp_path: Path) -> Iterator[Room]:
        class Called(Room):
            def open(self) -> None:
                super().open()
                self.loop._attention = tuple(ATTENTION.split())

        room = Called(english.book(), tmp_path / "case")
        yield room
        room.journal.close()

    def hear(self, room: Room, one: Recogniser, sentence: str, voice: str = "rms") -> str:
        now = room.clock.now().monotonic_s
        room.clock.set(now + 3.0)
        called = room.loop.called(now)
        utterance = replace(
            said(sentence, voice), held=False, started_s=now, ended_s=now + 2.5, called=called
        )
        return room.loop.heard(one.hear(utterance)).result

    @pytest.mark.parametrize("voice", ["rms", "slt"])
    def test_a_call_out_behind_it_is_taken(self, room: Room, one: Recogniser, voice: str) -> None:
        assert self.hear(room, one, "check back heparin five thousand units", voice) == "accepted"
        assert room.loop.case.last().body.kind == "drug"  # type: ignore[union-attr]

    def test_the_same_without_it_leaves_no_trace(self, room: Room, one: Recogniser) -> None:
        before = len(room.loop.case.entries)
        assert self.hear(room, one, "heparin five thousand units") == "ignored"
        assert len(room.loop.case.entries) == before

    def test_alone_it_opens_the_next_utterance(self, room: Room, one: Recogniser) -> None:
        assert self.hear(room, one, "check back") == "accepted"
        assert room.last_said == "go ahead"
        assert self.hear(room, one, "heparin five thousand units") == "accepted"
        assert self.hear(room, one, "heparin two thousand units") == "ignored"


@pytest.mark.usefixtures("two")
class TestTwoListeners:
    pytestmark = needs_weights

    def test_what_the_search_gave_up_is_listed_for_its_phones(
        self, two: Recogniser, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """In loud noise, a rare sentence is lost where it begins to be written."""
        sentences = ["atropine point six milligrams", "ulnar closed with plug closure"]
        noisy = [(sentence, said(sentence, "awb", snr_db)) for sentence in sentences for snr_db in (3.0, 0.0)]
        with_phones = listed(two, noisy)
        monkeypatch.setattr(agreement, "FITS_PHONES", -math.inf)
        without = listed(two, noisy)
        assert sum(each is not None for each in with_phones) > sum(each is not None for each in without)
        # and they are judged like others
        assert all(e.second_logprob is not None for e in with_phones if e is not None)

    def test_the_second_judges_what_it_found_and_what_the_first_chose(self, two: Recogniser) -> None:
        heard = two.hear(said("heparin five thousand units"))
        assert heard.free_text is not None and "5000" in heard.free_text.text.replace(",", "")
        judged = {}
        for hypothesis in heard.hypotheses:
            evidence = hypothesis.evidence
            assert evidence is not None
            assert (evidence.second_logprob is not None) == (evidence.found_by_second or evidence.chosen)
            if evidence.second_logprob is not None:
                judged[hypothesis] = evidence.second_logprob
        assert len(judged) >= 3
        best = max(judged, key=lambda h: judged[h])
        assert best.words == "heparin five thousand units"

    def test_what_means_the_same_fits_the_phones_in_whichever_way_it_was_said(self) -> None:
        alone = listeners(recogniser="whisper", whisper_model=WEIGHTS)
        for sentence in (
            "balloon three point zero by twelve",
            "balloon three by twelve",
            "stent two oh by eighteen",
            "stent four zero by twelve",
        ):
            goal = english.reader().read(sentence)
            heard = alone.hear(said(sentence, "slt"))
            fits = {h.words: h.evidence.phones_logprob for h in heard.hypotheses if h.evidence is not None}
            right = [fit for words, fit in fits.items() if english.reader().read(words) == goal]
            assert len(right) == 1 and right[0] is not None
            assert right[0] > -8.0 and right[0] == max(fit for fit in fits.values() if fit is not None)
        alone.close()

    def test_what_was_begun_in_the_pause_is_what_would_be_heard_without(self, two: Recogniser) -> None:
        utterance, other = said("heparin five thousand units"), said("balloon down", "slt")
        plain = two.hear(utterance)
        two.prepare(utterance)  # type: ignore[attr-defined]
        two.prepare(utterance)  # type: ignore[attr-defined]
        begun = two.hear(replace(utterance, ended_s=9.0))
        assert begun == replace(plain, utterance=begun.utterance) and begun.utterance.ended_s == 9.0
        two.prepare(utterance)  # type: ignore[attr-defined]
        assert words(two.hear(other))[0] == "balloon down"
        # an answer is waited for since: it has to be on the list
        two.prepare(utterance)  # type: ignore[attr-defined]
        assert "fifty" in words(two.hear(replace(utterance, expected=("fifty",))))

    @pytest.mark.parametrize("voice", ["rms", "slt"])
    @pytest.mark.parametrize("answer", ["fifty", "fifteen", "option one"])
    def test_an_answer_that_is_a_sentence_too_is_listed_once_and_surely(
        self, two: Recogniser, answer: str, voice: str
    ) -> None:
        heard = two.hear(replace(said(answer, voice), expected=("fifty", "fifteen", "option one")))
        assert words(heard).count(answer) == 1
        probabilities, _ = certainty.judge(heard, [1.0] * len(heard.hypotheses))
        best = max(range(len(probabilities)), key=lambda n: probabilities[n])
        assert heard.hypotheses[best].words == answer
        # shared out between two of the same words it would be half of it
        assert probabilities[best] > 0.65

    @pytest.mark.parametrize(
        ("sentence", "kind"),
        [
            ("balloon two five by twelve fourteen atmospheres", "device"),
            ("heparin five thousand units", "drug"),
            ("act two fifty five", "act"),
            ("blood pressure one twenty over seventy", "blood_pressure"),
            ("wire out", "device_event"),
        ],
    )
    @pytest.mark.parametrize("snr_db", [None, 10.0])
    def test_call_outs_in_quiet_and_in_noise_are_never_wrong(
        self, two: Recogniser, tmp_path: Path, sentence: str, kind: str, snr_db: float | None
    ) -> None:
        room = Room(english.book(), tmp_path / "case")
        room.loop.typed("workhorse wire in")
        goal = [r.body for r in english.reader().read(sentence)]
        outcome = room.loop.heard(two.hear(said(sentence, "rms", snr_db)))
        assert outcome.result == "accepted" or snr_db is not None
        if outcome.result == "accepted":
            assert outcome.entries[0].body.kind == kind
            assert outcome.entries[0].body in goal
            assert outcome.entries[0].certainty is not None
        room.journal.close()

    def test_talk_with_numbers_in_it_is_no_entry(self, two: Recogniser, tmp_path: Path) -> None:
        room = Room(english.book(), tmp_path / "case")
        for talk in ("we had twelve people at the table", "did you see the game last night"):
            utterance = replace(said(talk), held=False)
            outcome = room.loop.heard(two.hear(utterance))
            assert outcome.result == "ignored" and outcome.entries == ()
        room.journal.close()

    def test_without_the_second_listener_the_first_goes_on(self, tmp_path: Path) -> None:
        pair = listeners(recogniser="pocketsphinx", second="whisper", whisper_model=WEIGHTS)
        try:
            pair.inner._second.close()  # type: ignore[attr-defined]
            heard = pair.hear(said("heparin five thousand units"))
            assert heard.free_text is None
            room = Room(english.book(), tmp_path / "case")
            assert room.loop.heard(heard).result == "accepted"
            # talk does not become an entry for want of it
            for talk in ("did you see the game last night", "the parking lot is full on mondays"):
                for held in (False, True):
                    unheard = pair.hear(replace(said(talk), held=held))
                    evidence = [h.evidence for h in unheard.hypotheses if h.evidence is not None]
                    assert evidence and any(e.phones_logprob is not None for e in evidence)
                    assert room.loop.heard(unheard).result == ("asked" if held else "ignored")
            room.journal.close()
        finally:
            pair.close()

    def test_whisper_alone_hears_too(self, tmp_path: Path) -> None:
        alone = listeners(recogniser="whisper", whisper_model=WEIGHTS)
        try:
            room = Room(english.book(), tmp_path / "case")
            outcome = room.loop.heard(alone.hear(said("heparin five thousand units")))
            assert outcome.result == "accepted" and outcome.entries[0].body.kind == "drug"
            room.journal.close()
        finally:
            alone.close()
