"""What the hearing benchmark is made of: sides held apart, noise as stated, files as listed."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hearing_corpus import SIDES, Side, figures, generator
from hearing_corpus import corpus as corpora
from hearing_corpus.calibrate import Case, cases, fitted, lacking, lacking_cases
from hearing_corpus.chatter import talk
from hearing_corpus.corpus import CHATTER_FAMILY, Item
from hearing_corpus.measure import Piece, Trial
from hearing_corpus.noise import CONDITIONS, NO_SPEECH, babble, in_noise, noise, pink, ventilation
from hearing_corpus.room import PLACES, ROOMS, response, reverberant
from hearing_corpus.sentences import draw, on_both_sides, side_of
from hearing_corpus.voices import VOICES, phonemes, with_capital_letters
from scipy.signal import welch

from checkback.certainty import FOR_SENTENCES, NONE_PRIOR, Features, Weights, Worth, weigh
from checkback.errors import UserError
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Evidence, FreeText, Heard, Hypothesis, Utterance
from checkback.hearing.roughening import active_level, beeps
from checkback.language.reading import Reader
from english import book

SECOND = SAMPLE_RATE_HZ


def tone(seconds: float, pitch_hz: float = 300.0) -> np.ndarray:
    return 0.1 * np.sin(2 * np.pi * pitch_hz * np.arange(round(seconds * SECOND)) / SECOND)


def level_db(sound: np.ndarray) -> float:
    return float(10 * np.log10(np.mean(np.square(sound))))


class TestSentences:
    def test_no_sentence_is_on_both_sides_but_those_of_families_with_too_few(self) -> None:
        drawn = {side: draw(book(), side, 300) for side in SIDES}
        dev, test = ({s.words for s in drawn[side] if side_of(s.words) == side} for side in SIDES)
        assert len(dev) > 150 and len(test) > 150 and not dev & test
        lent = [family for side in SIDES for family in on_both_sides(drawn[side], side)]
        few = {s.words for side in SIDES for s in drawn[side] if s.family in lent}
        assert len(few) <= 3 * len(lent)

    @pytest.mark.parametrize("side", SIDES)
    def test_a_larger_corpus_holds_the_smaller_one(self, side: Side) -> None:
        assert set(draw(book(), side, 120)) < set(draw(book(), side, 240))

    def test_every_family_that_can_be_said_at_any_time_is_there(self) -> None:
        said_any_time = {
            name
            for role, name, _ in book().families()
            if role in ("event", "fragment", "dialogue", "question")
        }
        assert {s.family for s in draw(book(), "dev", 100)} == said_any_time

    def test_every_sentence_is_one_of_the_phrasebook(self) -> None:
        reader = Reader(book(), every_size=True)
        assert [s.words for s in draw(book(), "test", 150) if not reader.read(s.words)] == []

    @pytest.mark.parametrize("side", SIDES)
    def test_talk_holds_no_call_out(self, side: Side) -> None:
        reader = Reader(book(), every_size=True)
        lines = talk(side)
        assert len(lines) > 100
        assert [line for line in lines if reader.read(line.replace(",", ""))] == []

    def test_the_sides_talk_about_other_things(self) -> None:
        assert not set(talk("dev")) & set(talk("test"))


class TestVoices:
    def test_nobody_speaks_on_both_sides(self) -> None:
        dev, test = ({(v.engine, v.speaker) for v in VOICES[side]} for side in SIDES)
        assert not dev & test

    @pytest.mark.parametrize("side", SIDES)
    def test_there_are_three_speakers_a_side_and_neural_ones_among_them(self, side: Side) -> None:
        speakers = {(v.engine, v.speaker) for v in VOICES[side]}
        assert len(speakers) >= 3
        assert sum(v.neural for v in VOICES[side]) >= 2

    def test_letters_are_written_as_letters(self) -> None:
        assert with_capital_letters("guide a c t two") == "guide A C T two"
        assert with_capital_letters("two and a half") == "two and a half"
        assert with_capital_letters("type c dissection") == "type C dissection"

    def test_a_neural_voice_reads_letters_as_letters(self) -> None:
        pytest.importorskip("hibari", reason="the extra `benchmark` is not installed")
        assert phonemes("a c t two").startswith("A sˈi tˈi")


class TestNoise:
    def test_pink_noise_falls_by_three_decibels_an_octave(self) -> None:
        """Outside: the spectrum as scipy's Welch estimate finds it."""
        at_hz, power = welch(pink(30 * SECOND, generator("pink")), SECOND, nperseg=4096)
        octaves = [
            float(np.mean(power[(at_hz >= low) & (at_hz < 2 * low)])) for low in (125, 250, 500, 1000, 2000)
        ]
        assert np.diff(10 * np.log10(octaves)) == pytest.approx([-3.01] * 4, abs=0.3)

    def test_ventilation_is_a_rumble(self) -> None:
        at_hz, power = welch(ventilation(20 * SECOND, generator("air")), SECOND, nperseg=4096)
        assert np.sum(power[at_hz < 600]) > 0.9 * np.sum(power)

    def test_beeps_come_as_often_as_a_heart_beats_and_have_one_pitch(self) -> None:
        sound = beeps(60 * SECOND, generator("beeps"))
        loud = np.abs(sound) > 0.05 * np.abs(sound).max()
        gaps = np.diff(np.flatnonzero(loud))
        assert 50 <= 1 + np.sum(gaps > 0.2 * SECOND) <= 115
        at_hz, power = welch(sound, SECOND, nperseg=4096)
        assert 580 <= at_hz[np.argmax(power)] <= 1020

    def test_babble_is_made_of_four_talkers(self) -> None:
        talkers = [tone(9.0, pitch) for pitch in (300, 500, 700, 900, 1100)]
        at_hz, power = welch(babble(4 * SECOND, generator("babble"), talkers), SECOND, nperseg=8000)
        heard = [p for p in (300, 500, 700, 900, 1100) if power[np.argmin(np.abs(at_hz - p))] > 1e-6]
        assert len(heard) == 4

    @pytest.mark.parametrize("name", CONDITIONS)
    def test_the_noise_is_as_loud_as_stated(self, name: str) -> None:
        condition = CONDITIONS[name]
        speech = np.pad(tone(2.0), (SECOND, SECOND))
        talkers = [np.tile(tone(1.0, pitch), 9) for pitch in (310, 510, 710, 910)]
        around = noise(condition, len(speech), generator(name), talkers)
        mixed = in_noise(speech, active_level(speech), condition, around)
        assert level_db(tone(2.0)) - level_db(mixed - speech) == pytest.approx(condition.snr_db, abs=0.1)

    def test_pauses_do_not_make_speech_louder_or_softer(self) -> None:
        paused = np.concatenate([tone(1.0), np.zeros(3 * SECOND), tone(1.0)])
        assert active_level(paused) == pytest.approx(active_level(tone(2.0)), rel=0.02)


class TestRoom:
    @pytest.mark.outside
    @pytest.mark.parametrize("side", SIDES)
    def test_sound_dies_away_as_fast_as_stated(self, side: Side) -> None:
        """Outside: Schroeder's backward integration, as pyroomacoustics measures it."""
        experimental = pytest.importorskip("pyroomacoustics.experimental")
        stated_s = ROOMS[side][1]
        found_s = [experimental.measure_rt60(response(side, n), SECOND, decay_db=30) for n in range(2)]
        assert found_s == pytest.approx([stated_s] * 2, rel=0.35)

    def test_speech_is_longer_and_as_loud_as_before(self) -> None:
        pytest.importorskip("pyroomacoustics")
        dry = tone(1.0)
        wet = reverberant(dry, "dev", PLACES + 1)
        assert len(wet) > len(dry) + 0.2 * SECOND
        assert np.sum(np.square(wet)) == pytest.approx(np.sum(np.square(dry)))


class TestManifest:
    def test_what_is_written_is_read_again(self, tmp_path: Path) -> None:
        item = corpora.Item(
            "dev", "act-000", "slt", "mix5", "a c t two fifty", "a.flac", "event", "act", 1.0, 2.5
        )
        corpora.write_manifest(tmp_path / "dev.csv", [item])
        assert corpora.read_manifest(tmp_path / "dev.csv") == [item]

    def test_two_columns_are_enough(self, tmp_path: Path) -> None:
        path = tmp_path / "own.csv"
        path.write_text("path,said\nfirst.wav,balloon down\n", encoding="utf-8")
        (item,) = corpora.read_manifest(path)
        assert (item.path, item.said, item.condition, item.end_s) == (
            "first.wav", "balloon down", "as recorded", 0.0,
        )  # fmt: skip

    def test_a_missing_column_is_told_with_its_line(self, tmp_path: Path) -> None:
        path = tmp_path / "own.csv"
        path.write_text("path\nfirst.wav\n", encoding="utf-8")
        with pytest.raises(UserError, match=r"own\.csv: line 2 lacks .* path,said"):
            corpora.read_manifest(path)

    def test_a_missing_sound_file_is_named(self, tmp_path: Path) -> None:
        with pytest.raises(UserError, match=r"none\.wav cannot be read"):
            corpora.read(tmp_path / "none.wav")

    def test_sound_at_another_rate_and_with_two_channels_is_read(self, tmp_path: Path) -> None:
        import soundfile

        soundfile.write(tmp_path / "own.wav", np.column_stack([tone(1.0), tone(1.0)]), 2 * SECOND)
        assert len(corpora.read(tmp_path / "own.wav")) == SECOND // 2


class TestAsIfThePhrasebookLackedIt:
    FIRST = Hypothesis("stent four", -40.0, True, Evidence(chosen=True, first_fit=-4.0, second_logprob=-1.0))
    NEAR = Hypothesis("stent five", None, True, Evidence(first_fit=-5.0, second_logprob=-4.0))
    FAR = Hypothesis("balloon four", None, True, Evidence(first_fit=None, second_logprob=-3.0))

    def heard(self, *hypotheses: Hypothesis) -> Heard:
        return Heard(Utterance(np.zeros(0, np.int16), 0.0, 1.0), "both", hypotheses)

    def test_the_first_listener_would_have_chosen_what_fits_it_best_of_the_others(self) -> None:
        left = lacking(self.heard(self.FIRST, self.FAR, self.NEAR), 0)
        assert left is not None
        assert [each.words for each in left.hypotheses] == ["balloon four", "stent five"]
        assert [each.evidence is not None and each.evidence.chosen for each in left.hypotheses] == [
            False,
            True,
        ]
        assert [each.score for each in left.hypotheses] == [None, -40.0]

    def test_its_choice_stays_if_that_was_another(self) -> None:
        fits_better = replace(self.NEAR, evidence=Evidence(first_fit=-3.0, second_logprob=-4.0))
        left = lacking(self.heard(self.FIRST, self.FAR, fits_better), 1)
        assert left is not None and left.hypotheses == (self.FIRST, fits_better)

    def trial(self, family: str, held: bool) -> Trial:
        item = Item("dev", "a-000", "slt", "mix5", "stent four", "a.flac", "event", family, 1.0, 2.0)
        heard = self.heard(self.FIRST, self.NEAR)
        heard = replace(
            heard,
            utterance=replace(heard.utterance, held=held),
            free_text=FreeText("", -1.0, 0.0, 0, tuned=True),
        )
        return Trial(item, "pedal", (), True, [Piece(heard, 1.0, 0.0, 0.0, 0.0)], 1.0)

    def test_it_counts_as_none_of_these_with_a_weight_of_its_own(self) -> None:
        trials = [self.trial("deployment", held=True), self.trial(CHATTER_FAMILY, held=False)]
        said, talk = cases(trials, lambda words: [words], None, 0.5)
        assert (said.right, said.weight, said.none_prior) == (0, 1.0, NONE_PRIOR["second"].held)
        assert (talk.right, talk.weight, talk.none_prior) == (-1, 0.5, NONE_PRIOR["second"].open_room)
        # of talk nothing is left out
        (lacks,) = lacking_cases(trials, lambda words: [words], None, 0.05)
        assert (lacks.right, lacks.weight, lacks.none_prior) == (-1, 0.05, NONE_PRIOR["second"].held)
        assert (lacks.condition, len(lacks.features.sentences)) == ("mix5", 1)

    @pytest.mark.parametrize("right", [-1, 0])
    def test_nothing_would_be_listed(self, right: int) -> None:
        assert lacking(self.heard(self.FIRST), right) is None


def test_weights_are_found_by_which_what_happened_is_most_probable() -> None:
    rng = np.random.default_rng(8)
    names = list(Weights.__dataclass_fields__)
    free = ("phones", "likely", "none", "none_phones")
    true = Worth(Weights(phones=0.6, likely=0.9, none=-1.0, none_phones=0.8), Weights(phones=0.3))

    def case() -> Case:
        rows = np.zeros((4, len(names)))
        rows[:, [names.index(name) for name in ("phones", "likely")]] = -rng.exponential(2.0, (4, 2))
        none = np.zeros(len(names))
        none[[names.index(name) for name in ("none", "none_phones")]] = 1.0, rng.exponential(1.5)
        found = Features(
            tuple(tuple(row[:FOR_SENTENCES]) for row in rows),
            tuple(none[FOR_SENTENCES:]),
            float(rng.uniform(-1.0, 2.0)),
        )
        shares, nothing = weigh(found, true, [1.0] * 4)
        return Case(found, int(rng.choice([0, 1, 2, 3, -1], p=[*shares, nothing])), (1.0,) * 4)

    drawn = [case() for _ in range(1500)]
    learnt = fitted(drawn, frozenset(names) - {*free, "none_no_speech"})

    def improbable(worth: Worth) -> float:
        each = (weigh(one.features, worth, one.priors) for one in drawn)
        return -float(
            np.mean([np.log([*p, none][one.right]) for one, (p, none) in zip(drawn, each, strict=True)])
        )

    assert improbable(learnt) < improbable(true) + 1e-3
    assert improbable(learnt) < improbable(Worth(Weights(phones=0.3, likely=0.3))) - 0.1
    for name in free:
        assert getattr(learnt.usual, name) == pytest.approx(getattr(true.usual, name), abs=0.3), name
    assert learnt.usual.chosen == 0.0
    # one that counts three times is as good as three
    more = [replace(one, weight=3.0) if n < 200 else one for n, one in enumerate(drawn)]
    thrice = fitted(more, frozenset(names) - {*free, "none_no_speech"})
    repeated = fitted([*drawn, *drawn[:200], *drawn[:200]], frozenset(names) - {*free, "none_no_speech"})
    assert thrice.usual != learnt.usual
    for each in fields(Weights):
        assert getattr(thrice.usual, each.name) == pytest.approx(getattr(repeated.usual, each.name), abs=0.01)


def test_sounds_without_speech_are_heard_with_the_pedal_held_and_nothing_in_them_is_right(
    tmp_path: Path,
) -> None:
    corpus = corpora.Corpus(tmp_path, "dev")
    made = [item for kind in NO_SPEECH for item in corpus.no_speech(kind, 2)]
    assert len({item.path for item in made}) == 2 * len(NO_SPEECH) > 10
    for item in made:
        sound = corpora.read(tmp_path / item.path)
        assert 0.4 <= len(sound) / SAMPLE_RATE_HZ <= 2.5 and np.abs(sound).max() > 0.002
        trial = Trial(item, "pedal", (), True, [], len(sound) / SAMPLE_RATE_HZ)
        assert trial.chatter and "no speech, " + item.condition + ", pedal" in figures.talk([trial])
    # the same again, and others on the other side
    again, other = (
        next(corpus.no_speech("thump", 1)),
        next(corpora.Corpus(tmp_path, "test").no_speech("thump", 1)),
    )
    assert again in made and not np.array_equal(
        *(corpora.read(tmp_path / each.path)[:4_000] for each in (again, other))
    )
