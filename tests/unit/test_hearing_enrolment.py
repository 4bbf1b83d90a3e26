"""Readings for the enrolment of voices: what is kept, what is refused, and the noise that is made for them."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import welch

import english
from checkback import enrolling, listeners
from checkback.enrolling import SILENT_S, ReadAloud, heard_of, sentences_of
from checkback.errors import UserError
from checkback.hearing import roughening
from checkback.hearing.acoustic_model import read_model, write_change
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.enrolment import (
    CHANGE,
    LEAST_READINGS,
    LIST,
    forget,
    keep,
    learn,
    learnt_from,
    pcm_of,
    readings_of,
    voices_in,
)
from checkback.hearing.pocketsphinx import ACOUSTIC_MODEL
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Pcm
from checkback.hearing.roughening import Roughener, active_level, coloured, echo, rumble
from checkback.listeners import grammar_of
from checkback.settings import Hearing, Language, Settings
from speakers import hissing, needs_flite, silence, spoken

SECOND = SAMPLE_RATE_HZ

NUMBERS = frozenset(
    "zero oh one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen "
    "eighteen nineteen twenty thirty forty fifty sixty seventy eighty ninety hundred thousand point half quarter".split()
)


def tone(seconds: float, pitch_hz: float = 440.0) -> np.ndarray:
    return 0.3 * np.sin(2 * np.pi * pitch_hz * np.arange(round(seconds * SECOND)) / SECOND)


class TestWhatIsRead:
    def test_every_word_for_a_number_is_read(self) -> None:
        read = {word for sentence in sentences_of(Settings(), english.book()) for word in sentence.split()}
        assert read >= NUMBERS

    def test_it_is_short(self) -> None:
        sentences = sentences_of(Settings(), english.book())
        assert 20 <= len(sentences) <= 30
        assert max(len(sentence.split()) for sentence in sentences) <= 14

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("balloon down\nfrobnicate the wire\n", r"line 2: 'frobnicate the wire' is no call-out"),
            ("balloon down\n# again\nballoon  down\n", r"line 3: 'balloon down' stands there twice"),
        ],
    )
    def test_what_is_wrong_in_the_file_is_told_with_its_line(
        self, tmp_path: Path, text: str, told: str
    ) -> None:
        (tmp_path / "english.reading").write_text(text, encoding="utf-8")
        settings = Settings(language=Language(folder=tmp_path))
        with pytest.raises(UserError, match=told):
            sentences_of(settings, english.book())


class TestWhatIsKept:
    def test_other_programs_read_it(self, tmp_path: Path) -> None:
        """Outside: the csv module, and libsndfile."""
        pcm = hissing(tone(1.0))
        keep(tmp_path, "anna", "balloon down", pcm)
        keep(tmp_path, "anna", "wire out", silence(1.0))
        with (tmp_path / "anna" / LIST).open(newline="", encoding="utf-8") as lines:
            rows = list(csv.DictReader(lines))
        assert [row["said"] for row in rows] == ["balloon down", "wire out"]
        sound, rate_hz = soundfile.read(tmp_path / "anna" / rows[0]["path"], dtype="int16")
        assert rate_hz == SAMPLE_RATE_HZ
        np.testing.assert_array_equal(sound, pcm)
        assert {path.suffix for path in (tmp_path / "anna").iterdir()} == {".flac", ".csv"}

    def test_what_is_read_again_replaces_what_was_read(self, tmp_path: Path) -> None:
        keep(tmp_path, "anna", "balloon down", silence(1.0))
        keep(tmp_path, "anna", "balloon down", silence(2.0))
        (reading,) = readings_of(tmp_path / "anna")
        assert len(pcm_of(reading.path)) >= 2 * SECOND

    def test_a_voice_is_taken_out_with_its_sound(self, tmp_path: Path) -> None:
        keep(tmp_path, "anna", "balloon down", silence(1.0))
        keep(tmp_path, "ben", "balloon down", silence(1.0))
        forget(tmp_path, "anna")
        assert list(voices_in(tmp_path)) == ["ben"]
        assert not (tmp_path / "anna").exists()
        with pytest.raises(UserError, match=r"no voice 'anna' .*: there is ben"):
            forget(tmp_path, "anna")

    @pytest.mark.parametrize("name", ["", "../anna", "a/b", ".hidden", "anna smith"])
    def test_a_name_that_is_no_folder_name_is_refused(self, tmp_path: Path, name: str) -> None:
        with pytest.raises(UserError, match="cannot be the name of a voice"):
            keep(tmp_path / "voices", name, "balloon down", silence(1.0))
        assert not list(tmp_path.iterdir())

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("path,said\na.flac,balloon down\n", r"line 2 names a\.flac, which is missing"),
            ("path\na.flac\n", "line 2 lacks a path or what is said"),
            (
                "path,said\n\nreadings.csv,Wire out\nreadings.csv,wire  out\n",
                "line 4: 'wire out' stands there twice",
            ),
        ],
    )
    def test_a_list_that_cannot_be_used_is_told_with_its_line(
        self, tmp_path: Path, text: str, told: str
    ) -> None:
        (tmp_path / LIST).write_text(text, encoding="utf-8")
        with pytest.raises(UserError, match=told):
            readings_of(tmp_path)


class TestWhatIsLearnt:
    def test_of_too_few_readings_nothing_is_learnt(self, tmp_path: Path) -> None:
        for n in range(LEAST_READINGS - 1):
            keep(tmp_path, "anna", f"lesion {n}", silence(1.0))
        (tmp_path / CHANGE).write_bytes(b"of somebody who was taken out")
        assert learn(tmp_path, {}) == {}
        assert not (tmp_path / CHANGE).exists()

    def test_without_voices_nothing_stays(self, tmp_path: Path) -> None:
        (tmp_path / CHANGE).write_bytes(b"of somebody who was taken out")
        assert learn(tmp_path, {}) == {}
        assert not (tmp_path / CHANGE).exists()

    def test_a_change_of_the_model_that_is_installed_is_found(self, tmp_path: Path) -> None:
        write_change(ACOUSTIC_MODEL, read_model(ACOUSTIC_MODEL), tmp_path / CHANGE)
        assert learnt_from(tmp_path) == tmp_path / CHANGE

    @pytest.mark.parametrize(
        ("made", "told"),
        [
            (lambda path: None, "has no voice that was learnt: run checkback enrol NAME"),
            (lambda path: path.write_bytes(b"PK"), "cannot be read .*: run checkback enrol"),
            (lambda path: np.savez(path, other=np.zeros(1)), "cannot be read .*: run checkback enrol"),
            (lambda path: np.savez(path, of=np.array("another")), "learnt for another built-in model"),
        ],
    )
    def test_one_that_cannot_be_used_is_told(
        self, tmp_path: Path, made: Callable[[Path], object], told: str
    ) -> None:
        made(tmp_path / CHANGE)
        with pytest.raises(UserError, match=told):
            learnt_from(tmp_path)

    def test_a_sound_of_nothing_is_refused(self, tmp_path: Path) -> None:
        soundfile.write(tmp_path / "a.wav", np.zeros(SECOND, np.int16), SECOND)
        with pytest.raises(UserError, match="nobody speaks in it"):
            pcm_of(tmp_path / "a.wav")


# --- reading aloud --------------------------------------------------------------------------------


Heard = Callable[..., tuple[Pcm, str]]


@pytest.fixture
def heard(tmp_path: Path) -> Heard:
    """Let a sentence be shown and something be read, and return what is made of it."""

    def listen(sentence: str, *pieces: Pcm) -> tuple[Pcm, str]:
        return ReadAloud(as_blocks(*pieces), grammar_of(english.book()), tmp_path).listen(sentence)

    return listen


def as_blocks(*pieces: Pcm) -> Callable[[], tuple[Pcm, float] | None]:
    """Return what a microphone would give."""
    sound = np.concatenate(pieces)
    whole = len(sound) // BLOCK_SAMPLES
    blocks: Iterator[tuple[Pcm, float]] = iter(
        [(block, n * BLOCK_S) for n, block in enumerate(sound[: whole * BLOCK_SAMPLES].reshape(whole, -1))]
    )
    return lambda: next(blocks)


SENTENCE = "microcatheter did not cross"


@needs_flite
class TestReadAloud:
    def test_the_sentence_is_cut_out(self, heard: Heard) -> None:
        said = spoken(SENTENCE)
        pcm, fault = heard(SENTENCE, silence(1.0), said, silence(1.5))
        assert fault == ""
        assert len(said) - 0.2 * SECOND < len(pcm) < len(said) + 0.8 * SECOND

    def test_another_sentence_is_noticed(self, heard: Heard) -> None:
        _, fault = heard(SENTENCE, silence(1.0), spoken("rhythm atrial fibrillation"), silence(1.5))
        assert fault == "something else"

    def test_half_a_sentence_is_noticed(self, heard: Heard) -> None:
        """Whoever pauses is cut off there."""
        sentence = "blood pressure one sixteen over seventy four"
        half = spoken("blood pressure one sixteen")
        _, fault = heard(sentence, silence(1.0), half, silence(1.5))
        assert fault == "something else"
        assert heard(sentence, silence(1.0), spoken(sentence), silence(1.5))[1] == ""

    def test_what_is_too_loud_is_noticed(self, heard: Heard) -> None:
        said = np.clip(spoken(SENTENCE).astype(int) * 60, -32_768, 32_767).astype(np.int16)
        assert heard(SENTENCE, silence(1.0), said, silence(1.5))[1] == "too loud"

    def test_it_does_not_wait_for_ever(self, heard: Heard) -> None:
        with pytest.raises(UserError, match=f"nobody was heard for {SILENT_S:.0f} s.*what was read is kept"):
            heard(SENTENCE, silence(SILENT_S + 1))


@pytest.mark.parametrize(
    ("words", "share"),
    [
        ("wire out", 1.0),
        ("wire", 0.5),
        ("out wire", 0.5),
        ("a wire is out", 1.0),
        ("balloon", 0.0),
        ("", 0.0),
    ],
)
def test_which_share_of_a_sentence_was_heard(words: str, share: float) -> None:
    assert heard_of("wire out".split(), words.split()) == share


@pytest.mark.parametrize(("tuned", "used"), [(True, True), (False, False)])
def test_the_listeners_take_what_was_learnt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tuned: bool, used: bool
) -> None:
    write_change(ACOUSTIC_MODEL, read_model(ACOUSTIC_MODEL), tmp_path / CHANGE)
    taken: list[dict[str, object]] = []

    class TakenError(Exception):
        pass

    def take(_grammar: object, **given: object) -> None:
        taken.append(given)
        raise TakenError

    monkeypatch.setattr(listeners, "PocketSphinxRecogniser", take)
    settings = Settings(
        hearing=Hearing(recogniser="pocketsphinx", second="none", voices=tmp_path, tuned=tuned)
    )
    with pytest.raises(TakenError):
        listeners.make_recogniser(settings, english.book())
    assert taken[0]["tuned"] is tuned
    assert (taken[0]["change"] == tmp_path / CHANGE) is used


def test_voices_lie_beside_the_settings(tmp_path: Path) -> None:
    assert enrolling.default_voices(tmp_path / "settings.toml") == tmp_path / "voices"


# --- noise ----------------------------------------------------------------------------------------


class TestNoise:
    def test_coloured_noise_falls_evenly(self) -> None:
        """Outside: the spectrum as scipy's Welch estimate finds it; at most 6 dB an octave."""
        for seed in range(4):
            at_hz, power = welch(coloured(20 * SECOND, np.random.default_rng(seed)), SECOND, nperseg=4096)
            octaves = [
                10 * np.log10(np.mean(power[(at_hz >= f) & (at_hz < 2 * f)])) for f in (250, 500, 1000, 2000)
            ]
            steps = np.diff(octaves)
            assert -6.3 < steps.mean() < 0.3
            assert np.ptp(steps) < 0.6

    def test_a_rumble_is_low(self) -> None:
        at_hz, power = welch(rumble(10 * SECOND, np.random.default_rng(1)), SECOND, nperseg=4096)
        assert power[at_hz < 800].sum() > 0.9 * power.sum()

    @pytest.mark.outside
    def test_an_echo_dies_away(self) -> None:
        """Outside: Schroeder's backward integration, as pyroomacoustics measures it."""
        experimental = pytest.importorskip("pyroomacoustics.experimental")
        for seed in range(4):
            stated_s = np.random.default_rng(seed).uniform(0.2, 0.7)
            # what is behind the direct sound
            found_s = experimental.measure_rt60(echo(np.random.default_rng(seed))[400:], SECOND, decay_db=20)
            assert found_s == pytest.approx(stated_s, rel=0.25)

    def test_speech_stands_where_it_was_put(self, monkeypatch: pytest.MonkeyPatch) -> None:
        said = np.concatenate([tone(0.5), np.zeros(SECOND // 2), tone(0.5)])
        for seed in range(6):
            rough = Roughener([tone(2.0, 300), tone(1.0, 700)], np.random.default_rng(seed))
            # hardly any noise, with which it can be seen where the speech is
            monkeypatch.setattr(roughening, "NOISE_DB", roughening.QUIET_DB)
            pcm = rough(said, (1600, 3200))
            assert len(pcm) == len(said) + 4800
            power = np.square(pcm.astype(float))
            spoken_power = power[1600 : 1600 + SECOND // 2].mean()
            assert power[:1500].mean() < 0.01 * spoken_power
            assert power[1600 : 1600 + 800].mean() > 0.2 * spoken_power

    def test_the_noise_has_the_level_that_it_is_said_to_have(self) -> None:
        rough = Roughener([tone(2.0, 300)], np.random.default_rng(3))
        for _ in range(8):
            assert np.sqrt(np.mean(np.square(rough.noise(SECOND)))) == pytest.approx(1.0, rel=1e-3)

    def test_nobody_need_talk_beside(self) -> None:
        assert len(Roughener([], np.random.default_rng(3))(tone(1.0), (0, 0))) == SECOND

    def test_pauses_do_not_count_for_the_level(self) -> None:
        paused = np.concatenate([tone(1.0), np.zeros(3 * SECOND), tone(1.0)])
        assert active_level(paused) == pytest.approx(active_level(tone(2.0)), rel=0.02)


def test_the_ways_of_hearing_are_the_same_each_time() -> None:
    one, other = (Roughener([tone(1.0)], np.random.default_rng(7))(tone(1.0), (800, 800)) for _ in range(2))
    np.testing.assert_array_equal(one, other)
