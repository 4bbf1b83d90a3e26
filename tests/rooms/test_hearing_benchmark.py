"""The hearing benchmark itself: how call-outs are cut, judged and counted, and a small slice of it that guards."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hearing_corpus import digits, figures
from hearing_corpus.corpus import CHATTER_FAMILY, Corpus, Item, read
from hearing_corpus.measure import Piece, Trial, as_json, from_json, hear, judge, listener_processes
from hearing_corpus.sentences import Sentence
from hearing_corpus.trial import Room, cut, verdict
from hearing_corpus.voices import VOICES

from checkback.hearing.pocketsphinx import PocketSphinxRecogniser
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Evidence, FreeText, Heard, Hypothesis, Utterance
from checkback.listeners import grammar_of, language_of, make_recogniser
from checkback.settings import Settings
from english import book
from speakers import needs_flite, silence, spoken
from whisper_weights import WEIGHTS, needs_weights

PEOPLE = Path(__file__).parents[3] / "shared" / "speech"
"""Recordings of people, which are no part of the project."""

BENCHMARK = Path(__file__).parents[2] / "benchmarks" / "hearing.py"

SLICE = (
    "balloon two five by fifteen twelve atmospheres",
    "stent three point oh by eighteen",
    "balloon up",
    "guide a c t two eighty five",
    "give heparin five thousand units",
    "contrast total eighty",
    "stent deployed fourteen atmospheres",
    "blood pressure one twenty over seventy",
    "start the case",
    "disregard that",
)
"""A fixed slice, spoken by the flite voices of the development side."""


@pytest.fixture(scope="module")
def room() -> Room:
    return Room(book())


def heard(*words: str, held: bool = True) -> list[Heard]:
    nothing = Utterance(np.zeros(0, np.int16), 0.0, 1.0, held=held)
    return [Heard(nothing, "test", (Hypothesis(each, -10.0),)) for each in words]


class TestVerdict:
    def said(self, room: Room, words: str, *as_heard: str) -> str:
        goal = room.goal(words)
        return verdict(goal, room.outcomes(goal.context, heard(*as_heard)))

    def test_other_words_of_the_same_meaning_are_right(self, room: Room) -> None:
        assert self.said(room, "balloon two five by fifteen", "balloon two point five by one five") == "right"

    def test_one_slot_that_differs_is_wrong(self, room: Room) -> None:
        assert self.said(room, "balloon two five by fifteen", "balloon two five by twelve") == "wrong"

    def test_what_cannot_be_read_is_asked_about(self, room: Room) -> None:
        assert self.said(room, "balloon two five by fifteen", "balloon two five by") == "asked"

    def test_nothing_heard_is_ignored(self, room: Room) -> None:
        assert self.said(room, "balloon up") == "ignored"

    def test_a_right_piece_beside_a_wrong_one_is_wrong(self, room: Room) -> None:
        assert self.said(room, "blood pressure one twenty over seventy", "heart rate seventy",
                         "blood pressure one twenty over seventy") == "wrong"  # fmt: skip

    def test_another_time_is_wrong(self, room: Room) -> None:
        assert self.said(room, "two minutes ago balloon up", "three minutes ago balloon up") == "wrong"

    def test_the_answer_to_another_question_is_wrong(self, room: Room) -> None:
        assert self.said(room, "last a c t", "how much heparin") == "wrong"

    def test_a_call_out_that_needs_something_before_it_finds_it(self, room: Room) -> None:
        for words, context in (
            ("balloon down", "balloon"),
            ("stent deployed", "stent in"),
            ("affirm", "asked"),
        ):
            goal = room.goal(words)
            assert goal.clear and context in goal.context

    def test_what_is_ambiguous_is_told_apart(self, room: Room) -> None:
        assert not room.goal("contrast eighty").clear


@needs_flite
class TestCut:
    def item(self, sound: np.ndarray) -> Item:
        end_s = 1.0 + (len(sound) - 2 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
        return Item("dev", "a-000", "", "quiet", "a", "a.flac", "event", "act", 1.0, end_s)

    def speech(self) -> np.ndarray:
        """Two call-outs with a pause between them that no end-pointer bridges."""
        rng = np.random.default_rng(1)
        said = np.concatenate([spoken("balloon down"), silence(1.2), spoken("guide wire out")]) / 32768
        return np.pad(said, SAMPLE_RATE_HZ) + rng.standard_normal(len(said) + 2 * SAMPLE_RATE_HZ) * 1e-4

    def test_while_the_pedal_is_held_a_long_pause_divides_nothing(self) -> None:
        sound = self.speech()
        (found,) = cut(self.item(sound), sound, "pedal")
        assert found.utterance.held
        assert found.at_s > self.item(sound).end_s

    def test_in_an_open_room_it_does(self) -> None:
        sound = self.speech()
        found = cut(self.item(sound), sound, "open room")
        assert [each.utterance.held for each in found] == [False, False]


class TestFigures:
    @pytest.mark.outside
    def test_intervals_are_those_of_the_literature(self) -> None:
        """Outside: R. G. Newcombe, Statistics in Medicine 17 (1998), 857-872, Table I, method 3."""
        assert figures.interval(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
        assert figures.interval(15, 148) == pytest.approx((0.0624, 0.1605), abs=5e-5)
        assert figures.interval(0, 20) == pytest.approx((0.0, 0.1611), abs=5e-5)
        assert figures.interval(1, 29) == pytest.approx((0.0061, 0.1718), abs=5e-5)

    def trial(self, room: Room, said: str, words: str, *, family: str = "balloon") -> Trial:
        item = Item("dev", "balloon-000", "slt", "mix5", said, "a.flac", "event", family, 1.0, 2.0)
        goal = room.goal(said)
        trial = Trial(item, "pedal", goal.context, goal.clear, [], 3.0)
        trial.outcomes = []
        return replace(trial, verdict=verdict(goal, room.outcomes(goal.context, heard(words))))

    def test_a_condition_is_counted_with_its_interval(self, room: Room) -> None:
        said = "balloon two five by fifteen"
        trials = [self.trial(room, said, said)] * 3 + [self.trial(room, said, "balloon two five by twelve")]
        table = figures.call_outs(trials).splitlines()
        assert table[2].startswith("| mix5 | 4 | 75.0% (30.1-95.4) | 0.0% (0.0-49.0) | 25.0% (4.6-69.9) |")

    def test_the_ambiguous_and_the_digits_of_people_stand_apart(self, room: Room) -> None:
        trials = [
            self.trial(room, "contrast eighty", "contrast eighty"),
            self.trial(room, "balloon up", "balloon up", family="human digits"),
        ]
        table = figures.call_outs(trials)
        assert "| mix5 | 0 | - |" in table
        assert "| human digits, mix5 | 1 | 100.0%" in table
        assert "asking is right: 1 asked, 0 wrong" in table


class TestKeptOnDisk:
    def test_what_was_heard_can_be_judged_again(self, room: Room) -> None:
        item = Item(
            "dev", "balloon-000", "slt", "mix5", "balloon up", "a.flac", "event", "inflation", 1.0, 2.0
        )
        (found,) = heard("balloon up")
        evidence = Evidence(chosen=True, first_fit=-1.0, second_logprob=-2.0, second_distance=0.5)
        weighed = (
            replace(found.hypotheses[0], evidence=evidence),
            Hypothesis(
                "balloon down", evidence=Evidence(first_fit=-9.0, second_logprob=-30.0, second_distance=3.0)
            ),
        )
        found = replace(
            found, hypotheses=weighed, free_text=FreeText("Balloon up.", -0.5, 0.01, 7), called=True
        )
        goal = room.goal(item.said)
        trial = Trial(item, "pedal", goal.context, goal.clear, [Piece(found, 1.0, 0.3, 0.2, 0.1)], 3.0)
        judge(trial, room)
        data = as_json(trial, language_of(book()).meaning)
        assert [each["right"] for each in data["pieces"][0]["heard"]["hypotheses"]] == [True, False]
        again = from_json(data)
        judge(again, room)
        assert (again.verdict, again.outcomes) == (trial.verdict, trial.outcomes)
        assert again.pieces[0].heard.hypotheses == weighed
        assert again.pieces[0].heard.free_text == found.free_text
        assert again.pieces[0].heard.called


class TestCalibrate:
    """The command, on evidence that was made up: of one voice the phones tell what was said, of the other the text."""

    def kept(self, folder: Path, room: Room, voices: tuple[str, ...] = ("slt", "awb")) -> Path:
        trials = []
        for voice in voices:
            for said, other in (("balloon up", "balloon down"), ("lesion two", "lesion three")) * 8:
                text, phones = (-9.0, -1.0) if voice == "slt" else (-0.5, -25.0)
                usual = Evidence(first_fit=-5.0, found_by_second=True, phones_per_s=12.5, blank_logprob=-30.0)
                right = replace(usual, second_logprob=text, phones_logprob=phones)
                wrong = replace(usual, second_logprob=-9.5 - text, phones_logprob=-26.0 - phones)
                (found,) = heard(said)
                found = replace(
                    found,
                    hypotheses=(Hypothesis(said, evidence=right), Hypothesis(other, evidence=wrong)),
                    free_text=FreeText("", -0.5, 0.0, 7, tuned=True),
                )
                item = Item("dev", "a-000", voice, "quiet", said, "a.flac", "event", "inflation", 1.0, 2.0)
                goal = room.goal(said)
                pieces = [Piece(found, 1.0, 0.3, 0.2, 0.1)]
                trials.append(Trial(item, "pedal", goal.context, goal.clear, pieces, 3.0))
                judge(trials[-1], room)
        path = folder / "both.json"
        meaning = language_of(book()).meaning
        path.write_text(json.dumps({"one and another": [as_json(trial, meaning) for trial in trials]}))
        return path

    def run(self, *arguments: object, code: int = 0) -> str:
        ran = subprocess.run(
            [sys.executable, BENCHMARK, "calibrate", *map(str, arguments)],
            check=False,
            capture_output=True,
            text=True,
        )
        assert ran.returncode == code, ran.stderr
        return ran.stdout + ran.stderr

    def test_each_voice_is_judged_with_the_weights_of_the_others(self, tmp_path: Path, room: Room) -> None:
        # who has learnt from the one is wrong about the other
        told = self.run(self.kept(tmp_path, room), "--apart", "--lacking-weight", 0, "--show", 1)
        assert "each voice with weights of the others" in told
        assert "| quiet | 32 | 0.0%" in told
        assert "'up' heard as 'down'" in told

    @pytest.mark.parametrize("talk", [False, True])
    def test_one_voice_is_not_enough(self, tmp_path: Path, room: Room, talk: bool) -> None:
        path = self.kept(tmp_path, room, ("slt",))
        if talk:
            data = json.loads(path.read_text())
            data["one and another"][0]["item"]["family"] = CHATTER_FAMILY
            path.write_text(json.dumps(data))
        told = self.run(path, "--apart", code=2)
        assert told.count("\n") == 1 and "give files with more voices" in told

    @pytest.mark.parametrize("content", [None, "", "[1]", '{"one": [{"item": 3}]}', '{"one": 3}'])
    def test_a_file_that_it_cannot_use_is_named(self, tmp_path: Path, content: str | None) -> None:
        path = tmp_path / "heard.json"
        if content is not None:
            path.write_text(content)
        told = self.run(path, code=2)
        assert told.count("\n") == 1 and told.startswith(str(path))

    def test_what_the_phrasebook_lacks_is_learnt_from(self, tmp_path: Path, room: Room) -> None:
        path = self.kept(tmp_path, room, ("slt",))
        line = "#   quiet, as if it were not in the phrasebook: {} of 16 have the certainty that most entries need"
        assert line.format("100%") in self.run(path, "--lacking-weight", 0)
        assert line.format("0%") in self.run(path, "--lacking-weight", 1)


@pytest.fixture(scope="module")
def recogniser() -> Iterator[PocketSphinxRecogniser]:
    recogniser = PocketSphinxRecogniser(grammar_of(book()))
    yield recogniser
    recogniser.close()


def with_weights(test: Callable[..., None]) -> Callable[..., None]:
    for mark in needs_weights:
        test = mark(test)
    return test


@needs_flite
class TestSlice:
    """The guard against getting worse; the whole benchmark is for figures."""

    def corpus(self, folder: Path, condition: str, most: int = len(SLICE)) -> list[Item]:
        corpus = Corpus(folder, "dev")
        voices = [voice for voice in VOICES["dev"] if voice.engine == "flite"]
        items = []
        for n, words in enumerate(SLICE[:most]):
            voice = voices[n % len(voices)]
            sentence = Sentence(f"slice-{n:03d}", "event", "slice", words)
            sound = corpus.clean(voice, words)
            items.append(
                corpus.in_condition(sentence, voice.name, condition, lambda sound=sound: sound, words)
            )
        return items

    @pytest.mark.parametrize(("condition", "least_right", "most_wrong"), [("quiet", 9, 1), ("pink20", 7, 2)])
    def test_pocketsphinx_hears_what_it_heard_before(
        self,
        tmp_path: Path,
        room: Room,
        recogniser: PocketSphinxRecogniser,
        condition: str,
        least_right: int,
        most_wrong: int,
    ) -> None:
        trials = hear(tmp_path, self.corpus(tmp_path, condition), "pedal", recogniser, room)
        verdicts = [trial.verdict for trial in trials]
        assert verdicts.count("wrong") <= most_wrong, figures.errors(trials, ("wrong",), 3)
        assert verdicts.count("right") >= least_right, figures.errors(trials, ("asked", "ignored"), 3)

    def test_with_the_decision_the_first_listener_asks_instead(self, tmp_path: Path, room: Room) -> None:
        self.decided(tmp_path, room, "pink20", least_right=6, most_wrong=1, second="none")

    @with_weights
    def test_with_the_decision_both_listeners_are_never_wrong(self, tmp_path: Path, room: Room) -> None:
        self.decided(
            tmp_path, room, "pink20", least_right=7, most_wrong=0, second="whisper", whisper_model=WEIGHTS
        )

    def decided(
        self,
        folder: Path,
        room: Room,
        condition: str,
        *,
        least_right: int,
        most_wrong: int,
        **hearing: object,
    ) -> None:
        settings = Settings.model_validate({"hearing": {"recogniser": "pocketsphinx", **hearing}})
        recogniser = make_recogniser(settings, book())
        try:
            trials = hear(folder, self.corpus(folder, condition), "pedal", recogniser, room)
        finally:
            recogniser.close()
        verdicts = [trial.verdict for trial in trials]
        assert verdicts.count("wrong") <= most_wrong, figures.errors(trials, ("wrong",), 3)
        assert verdicts.count("right") >= least_right, figures.errors(trials, ("asked", "ignored"), 3)

    def test_a_listener_that_was_started_again_is_noticed(self, recogniser: PocketSphinxRecogniser) -> None:
        first = recogniser.worker_pid
        before = listener_processes()
        assert first is not None and first in before
        os.kill(first, signal.SIGKILL)
        recogniser.hear(Utterance(np.zeros(16_000, np.int16), 0.0, 1.0))
        assert before - listener_processes() == {first}

    def test_the_same_sound_is_made_again(self, tmp_path: Path) -> None:
        first, second = (self.corpus(tmp_path / name, "pink10", most=2) for name in ("a", "b"))
        assert first == second
        for item in first:
            assert np.array_equal(read(tmp_path / "a" / item.path), read(tmp_path / "b" / item.path))


@needs_flite
def test_digits_of_people_become_sentences(tmp_path: Path) -> None:
    folder = PEOPLE / "digits"
    if not folder.is_dir():
        pytest.skip(f"no recordings of people in {folder}")
    corpus = Corpus(tmp_path, "dev")
    said = digits.sentences(book(), 12)
    assert all(not set("oh twelve".split()) & set(words.split()) for words in said)
    words = next(each for each in said if sum(word in digits.DIGITS for word in each.split()) >= 3)
    with pytest.MonkeyPatch.context() as patch:
        flite = tuple(voice for voice in VOICES["dev"] if voice.engine == "flite")
        patch.setitem(VOICES, "dev", flite)
        sound = digits.joined(corpus, folder, words, "jackson", 0)
    assert 0.2 * len(words.split()) < len(sound) / SAMPLE_RATE_HZ < 1.2 * len(words.split())
