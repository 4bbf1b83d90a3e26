"""Voices are learnt: what it brings, what the command says, and with a real microphone in a virtual room."""

from __future__ import annotations

import csv
import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from test_cli_mistakes import assert_one_sentence
from test_language_pocketsphinx import DIGITS, SPEAKERS, people, sizes_and_pressures, spoken_digits

import english
from checkback.enrolling import sentences_of
from checkback.hearing.acoustic_model import read_model, write_change
from checkback.hearing.enrolment import CHANGE, LEAST_READINGS, keep, learn, learnt_from, voices_in
from checkback.hearing.pocketsphinx import ACOUSTIC_MODEL, TUNING, PocketSphinxDecoder
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar, Pcm
from checkback.language.expression import Table
from checkback.language.reading import match
from checkback.language.wordgraph import word_graph
from checkback.listeners import grammar_of
from checkback.settings import Settings
from command_line import checkback
from sound_room import SoundRoom, missing
from speakers import needs_flite, silence, spoken

VOICE = "awb"
"""With which no listener is tuned."""

HEARD = (
    "balloon three point oh by fifteen up twelve atmospheres",
    "a c t two forty seven",
    "give heparin three thousand units",
    "drug eluting stent two point five by twenty eight in",
    "contrast given sixty millilitres",
    "blood pressure ninety over fifty five",
    "residual forty percent mid circumflex",
    "guide clotting time three one nine",
    "lesion two mid left anterior descending",
    "heart rate one oh four",
    "give fentanyl twenty five micrograms",
    "hydrophilic wire did not cross",
    "no reflow in the distal l a d",
    "air kerma one thousand two hundred",
)
"""None of them is read."""


def read_aloud(folder: Path, count: int | None = None) -> Path:
    """Write a list of what the voice has read, with its sound."""
    sentences = sentences_of(Settings(), english.book())[:count]
    folder.mkdir(parents=True)
    for n, sentence in enumerate(sentences):
        said = np.concatenate([silence(0.2), spoken(sentence, VOICE), silence(0.2)])
        soundfile.write(folder / f"{n}.wav", said, SAMPLE_RATE_HZ)
    with (folder / "list.csv").open("w", newline="", encoding="utf-8") as lines:
        csv.writer(lines).writerows([("path", "said"), *((f"{n}.wav", s) for n, s in enumerate(sentences))])
    return folder / "list.csv"


def in_noise(pcm: Pcm, above_db: float, seed: int) -> Pcm:
    """Add pink noise; the level is that of the whole sound."""
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(len(pcm)))
    noise = np.fft.irfft(spectrum / np.sqrt(np.arange(len(spectrum)).clip(1)), len(pcm))
    level = np.sqrt(np.mean(np.square(pcm.astype(float)))) * 10 ** (-above_db / 20)
    return (pcm + noise / noise.std() * level).clip(-32_768, 32_767).astype(np.int16)


def right(change: Path, above_db: float) -> int:
    """Count how many call-outs a model hears rightly in noise."""
    decoder = PocketSphinxDecoder(grammar_of(english.book()), change=change)
    reader = english.reader()
    count = 0
    for n, sentence in enumerate(HEARD):
        said = np.concatenate([silence(0.3), spoken(sentence, VOICE), silence(0.3)])
        heard = decoder.decode(in_noise(said, above_db, n), held=True)
        readings = reader.read(heard[0].words) if heard else ()
        count += bool({str(each) for each in readings} & {str(each) for each in reader.read(sentence)})
    return count


@needs_flite
def test_what_is_learnt_is_used_and_helps_in_noise(tmp_path: Path) -> None:
    """A synthetic voice, which stands in for a person, reads; other sentences of it are then heard in noise."""
    listed = read_aloud(tmp_path / "read")
    assert not set(sentences_of(Settings(), english.book())) & set(HEARD)
    done = checkback(
        "enrol", VOICE, "--readings", listed, cwd=tmp_path, settings="[speaking]\nvolume = 0.5\n"
    )
    assert (done.code, done.err) == (0, "")
    assert f"learnt from {VOICE} (26 of 26 readings)" in done.out
    settings = (tmp_path / "settings.toml").read_text(encoding="utf-8")
    assert "volume = 0.5" in settings
    assert f'voices = "{tmp_path / "voices"}"' in settings
    change = learnt_from(tmp_path / "voices")
    before, after = right(TUNING, 2.0), right(change, 2.0)
    print(f"{VOICE}, pink noise at 2 dB: {before} right before, {after} after, of {len(HEARD)}")
    assert after > before
    # the doctor says whose voice it is, and what is not learnt yet
    told = checkback("doctor", cwd=tmp_path, settings=settings).out
    assert f"tuned for call-outs and for the voices of {VOICE}" in told
    listed_voices = checkback("enrol", "--list", cwd=tmp_path, settings=settings)
    assert listed_voices.out.splitlines()[0] == f"{VOICE}: 26 readings"
    later = checkback("enrol", "ben", "--readings", listed, "--later", cwd=tmp_path, settings=settings)
    assert (later.code, later.err) == (0, "")
    assert (
        "not learnt yet: ben, run checkback enrol" in checkback("doctor", cwd=tmp_path, settings=settings).out
    )
    # what ben has read is too little by now, and keeps nobody else from being learnt or taken out
    read = tmp_path / "voices" / "ben" / "readings.csv"
    read.write_text("\n".join(read.read_text(encoding="utf-8").splitlines()[:4]) + "\n", encoding="utf-8")
    done = checkback("enrol", VOICE, "--forget", cwd=tmp_path, settings=settings)
    assert done.code == 0
    assert "ben: the words can be found in too few of 3 readings" in done.err
    assert list(voices_in(tmp_path / "voices")) == ["ben"]
    assert not change.exists()
    assert "voices" not in (tmp_path / "settings.toml").read_text(encoding="utf-8")


def test_a_voice_whose_folder_was_deleted_is_forgotten(tmp_path: Path) -> None:
    (tmp_path / "voices").mkdir()
    write_change(ACOUSTIC_MODEL, read_model(ACOUSTIC_MODEL), tmp_path / "voices" / CHANGE)
    done = checkback("enrol", cwd=tmp_path, settings=f'[hearing]\nvoices = "{tmp_path / "voices"}"\n')
    assert (done.code, done.err) == (0, "")
    assert not (tmp_path / "voices" / CHANGE).exists()
    assert "voices" not in (tmp_path / "settings.toml").read_text(encoding="utf-8")


@needs_flite
@pytest.mark.parametrize(
    ("hearing", "why"),
    [
        ("tuned = false", "hearing.tuned is false"),
        ('recogniser = "whisper"', "hearing.recogniser is whisper"),
    ],
)
def test_who_would_not_hear_what_was_learnt_is_told(tmp_path: Path, hearing: str, why: str) -> None:
    listed = read_aloud(tmp_path / "read", count=LEAST_READINGS)
    done = checkback("enrol", "anna", "--readings", listed, cwd=tmp_path, settings=f"[hearing]\n{hearing}\n")
    assert done.code == 0
    assert done.err.count("\n") == 1
    assert f"is left out: {why}" in done.err
    assert learnt_from(tmp_path / "voices").is_file()


def test_voices_elsewhere_stay_in_use(tmp_path: Path) -> None:
    """Taking a voice out of another folder changes nothing for the one that is set."""
    keep(tmp_path / "trial", "ben", "wire out", silence(1.0))
    settings = f'[hearing]\nvoices = "{tmp_path / "team"}"\n'
    done = checkback(
        "enrol", "ben", "--forget", "--folder", tmp_path / "trial", cwd=tmp_path, settings=settings
    )
    assert (done.code, done.err) == (0, "")
    assert (tmp_path / "settings.toml").read_text(encoding="utf-8") == settings
    assert not voices_in(tmp_path / "trial")


# --- what can be got wrong ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--forget"], ["name the voice: checkback enrol NAME"]),
        ([], ["holds no voice: name one to begin with"]),
        (["anna", "--forget"], ["There is no voice 'anna'", "there is none"]),
        (["../anna", "--readings", "list.csv"], ["'../anna' cannot be the name of a voice"]),
        (["anna", "--readings", "none.csv"], ["none.csv cannot be read"]),
        (["anna", "--readings", "list.csv"], ["No pronunciation is known for '0'"]),
        (
            ["anna", "--forget", "--readings", "list.csv"],
            ["--forget goes with neither --readings nor --later"],
        ),
        (["anna", "--list"], ["--list goes with no voice"]),
    ],
)
def test_a_slip_is_told_in_one_sentence(tmp_path: Path, words: list[str], told: list[str]) -> None:
    sound = tmp_path / "a.wav"
    soundfile.write(sound, silence(1.0), SAMPLE_RATE_HZ)
    rows = "".join(f"a.wav,lesion {n}\n" for n in range(LEAST_READINGS))
    (tmp_path / "list.csv").write_text(f"path,said\n{rows}", encoding="utf-8")
    assert_one_sentence(checkback("enrol", *words, cwd=tmp_path, settings=""), *told)
    assert not voices_in(tmp_path / "voices")


def test_readings_without_their_words_are_told(tmp_path: Path) -> None:
    """Of a noise that is too short for the words nothing is learnt."""
    hiss = np.random.default_rng(1).normal(0, 300, SAMPLE_RATE_HZ // 4).astype(np.int16)
    soundfile.write(tmp_path / "a.wav", hiss, SAMPLE_RATE_HZ)
    said = "drug eluting stent two point seven five by thirty three in lesion"
    rows = "".join(f"a.wav,{said} {n}\n" for n in DIGITS) + f"a.wav,{said}\na.wav,{said} ten\n"
    (tmp_path / "list.csv").write_text(f"path,said\n{rows}", encoding="utf-8")
    done = checkback("enrol", "anna", "--readings", "list.csv", cwd=tmp_path, settings="")
    assert_one_sentence(done, "the words can be found in too few of 12 readings", "--forget")
    assert not (tmp_path / "voices" / CHANGE).exists()


def test_a_reading_that_was_damaged_later_is_told(tmp_path: Path) -> None:
    for sentence in HEARD[:LEAST_READINGS]:
        keep(tmp_path / "voices", "anna", sentence, silence(1.0))
    damaged = next((tmp_path / "voices" / "anna").glob("*.flac"))
    damaged.write_bytes(damaged.read_bytes()[:40])
    done = checkback("enrol", cwd=tmp_path, settings="")
    assert_one_sentence(done, damaged.name)


@pytest.mark.parametrize(
    ("made", "told"), [(None, "has no voice that was learnt"), (b"PK", "cannot be read")]
)
def test_nothing_begins_with_a_folder_that_cannot_be_used(
    tmp_path: Path, made: bytes | None, told: str
) -> None:
    (tmp_path / "voices").mkdir()
    if made is not None:
        (tmp_path / "voices" / CHANGE).write_bytes(made)
    settings = '[hearing]\nvoices = "voices"\n'
    soundfile.write(tmp_path / "a.wav", silence(1.0), SAMPLE_RATE_HZ)
    assert_one_sentence(checkback("replay", "a.wav", cwd=tmp_path, settings=settings), told)
    found = checkback("doctor", cwd=tmp_path, settings=settings)
    assert found.code == 2
    assert told in found.out


# --- with a microphone ----------------------------------------------------------------------------


@pytest.mark.sound
@needs_flite
@pytest.mark.skipif(bool(missing()), reason=missing())
def test_somebody_reads_into_a_microphone(tmp_path: Path) -> None:
    """The sentences are played into a virtual room when they are shown; one of them is first read wrongly."""
    grammars = tmp_path / "grammars"
    grammars.mkdir()
    for path in english.GRAMMARS.iterdir():
        (grammars / path.name).symlink_to(path)
    (grammars / "english.reading").unlink()
    # the shortest, because each is heard as long as it lasts
    sentences = sorted(sentences_of(Settings(), english.book()), key=len)[:LEAST_READINGS]
    (grammars / "english.reading").write_text("\n".join(sentences) + "\n", encoding="utf-8")
    (tmp_path / "settings.toml").write_text(f'[language]\nfolder = "{grammars}"\n', encoding="utf-8")
    wrong = tmp_path / "wrong.wav"
    soundfile.write(wrong, spoken(sentences[-1], VOICE), SAMPLE_RATE_HZ)
    command = [sys.executable, "-W", "error", "-u", "-m", "checkback.cli", "--settings", "settings.toml"]
    shown: list[str] = []
    with (
        SoundRoom() as room,
        subprocess.Popen(
            [*command, "enrol", "anna"],
            cwd=tmp_path, env=room.env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        ) as reading,
    ):  # fmt: skip
        assert reading.stdout is not None
        assert reading.stderr is not None
        try:
            for line in reading.stdout:
                shown.append(line.rstrip("\n"))
                if line.startswith("[") and "]  " in line:
                    sentence = line.split("]  ")[1].strip()
                    said = tmp_path / "said.wav"
                    soundfile.write(said, spoken(sentence, VOICE), SAMPLE_RATE_HZ)
                    room.play(wrong if sentence == sentences[2] else said)
                elif line.startswith("  that was"):
                    room.play(said)
            assert reading.wait(timeout=60) == 0, reading.stderr.read()
        finally:
            reading.kill()
    assert shown.count("  that was something else: once more") == 1
    assert f"[1/{LEAST_READINGS}]  {sentences[0]}" in shown
    assert [each.said for each in voices_in(tmp_path / "voices")["anna"]] == list(sentences)
    assert learnt_from(tmp_path / "voices").is_file()


# --- people ---------------------------------------------------------------------------------------


@pytest.mark.outside
@people
def test_people_are_heard_better_once_their_voices_are_learnt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Outside: digits by telephone; learnt are half of the takes, as strings of five, and heard the others."""
    rng = random.Random(5)
    for speaker in SPEAKERS:
        for _ in range(24):
            words = tuple(rng.choice(DIGITS) for _ in range(5))
            keep(tmp_path, speaker, " ".join(words), spoken_digits(words, speaker, rng, takes=range(4)))
    assert learn(tmp_path, {}) == dict.fromkeys(sorted(SPEAKERS), 24)
    tree = sizes_and_pressures()
    arcs, start, final = word_graph(tree).flat()
    forms = sorted({form for option in tree.options if isinstance(option, Table) for form in option.by_form})
    found: dict[str, list[bool]] = {}
    for name, change in (("before", TUNING), ("after", learnt_from(tmp_path))):
        decoder = PocketSphinxDecoder(Grammar(arcs, start, final, {}, (), ""), change=change)
        rng = random.Random(31)
        for speaker in SPEAKERS:
            for n, form in enumerate(forms):
                pcm = spoken_digits(form, speaker, rng, takes=range(4, 8))
                for heard_pcm in (pcm, in_noise(pcm, 12.0, n)):
                    heard = decoder.decode(heard_pcm)
                    words = tuple(heard[0].words.split()) if heard else ()
                    found.setdefault(name, []).append(bool(set(match(tree, words)) & set(match(tree, form))))
    with capsys.disabled():
        print(
            f"\nPeople, telephone sound, {len(found['before'])} sizes and pressures in digits, half of them in pink noise "
            f"at 12 dB: number right {np.mean(found['before']):.0%} before their voices are learnt, "
            f"{np.mean(found['after']):.0%} after"
        )
    assert np.mean(found["after"]) > np.mean(found["before"])
