"""Whatever a user gets wrong: one sentence with the place and the way out, exit code 2, nothing lost."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from checkback import app
from checkback.hearing.recording import Recording
from checkback.record.journal import JOURNAL, verify
from checkback.settings import Settings
from command_line import IN_A_PROCESS, PROJECT, Done, checkback, excerpt, here, quiet
from english import book
from invented_case import CASE, journal_lines

FIRST_LINE_S = 3.0
FIRST_LINE = "start the case"


def assert_one_sentence(done: Done, *parts: str) -> None:
    assert done.code == 2, done
    assert done.err.startswith("checkback: ")
    assert done.err.count("\n") == 1
    assert "Traceback" not in done.err
    for part in parts:
        assert part in done.err


def run(*words: str | Path, cwd: Path | None = None) -> Done:
    """Run a command here if it may; each has been started as a process too."""
    return (checkback if IN_A_PROCESS.intersection(words[:1]) else here)(*words, cwd=cwd)


def case_in(folder: Path, entries: int = 5) -> Path:
    folder.mkdir()
    (folder / JOURNAL).write_bytes(b"".join(journal_lines(CASE[:entries])))
    return folder


# --- words on the command line ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "parts"),
    [
        (["frobnicate"], ["No such command 'frobnicate'", "see checkback --help"]),
        (["show"], ["Missing argument 'CASE'", "see checkback show --help"]),
        (["replay", "a.wav", "--loud"], ["No such option", "--loud"]),
        (["phrasebook", "sample", "--count", "0"], ["--count", "0 is not in the range"]),
        (["phrasebook", "sample", "--family", "baloon"], ["no family 'baloon'", "balloon"]),
        (["--settings", "none.toml", "parse", "x"], ["none.toml: cannot be read", "check the path"]),
        (["listen", "--case"], ["--case", "requires an argument"]),
        (["listen", "--typed", "--case", ""], ["'--case': the name is empty", "'.' for the current folder"]),
        (["show", " "], ["'CASE': the name is empty"]),
        (["parse", " "], ["nothing to read: give a sentence"]),
    ],
)
def test_a_slip_on_the_command_line(words: list[str], parts: list[str]) -> None:
    assert_one_sentence(run(*words), *parts)


def test_no_words_at_all_show_the_help() -> None:
    done = checkback()
    assert (done.code, done.err) == (0, "")
    assert "Usage: checkback" in done.out
    assert "phrasebook" in done.out


# --- sound files -----------------------------------------------------------------------------------


def text(path: Path) -> None:
    path.write_text("no sound\n" * 100)


def truncated(path: Path) -> None:
    excerpt(path, 6.0)
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])


@pytest.mark.parametrize(
    ("name", "make", "parts"),
    [
        ("none.wav", lambda path: None, ["There is no sound file none.wav", "check the name"]),
        ("text.wav", text, ["text.wav cannot be read as sound", "give a WAV, FLAC or Ogg file"]),
        ("empty.wav", Path.touch, ["empty.wav is empty (0 bytes)", "record or copy it again"]),
        (
            "zero.wav",
            lambda path: soundfile.write(path, np.zeros(0), 16_000),
            ["length zero", "copy it again"],
        ),
        ("folder", Path.mkdir, ["folder is not a sound file but a folder", "name a WAV or FLAC file"]),
    ],
)
def test_what_is_no_sound(
    tmp_path: Path, name: str, make: Callable[[Path], object], parts: list[str]
) -> None:
    make(tmp_path / name)
    done = checkback("replay", name, "--case", "case", cwd=tmp_path)
    assert_one_sentence(done, *parts)
    assert not (tmp_path / "case").exists()


@pytest.mark.parametrize("name", ["cut.wav", "cut.flac"])
def test_a_sound_file_that_breaks_off_is_recorded_as_far_as_it_goes(tmp_path: Path, name: str) -> None:
    truncated(tmp_path / name)
    done = checkback("replay", name, "--case", "case", "--silent", "--json", cwd=tmp_path)
    assert_one_sentence(done, f"{name} breaks off after", "what came before was used", "copy the file again")
    assert json.loads(done.out.splitlines()[0])["heard"] == FIRST_LINE
    assert verify(tmp_path / "case").lines_ok >= 2
    assert FIRST_LINE in (tmp_path / "case" / "entries.csv").read_text()


def test_sound_of_six_channels_and_another_rate_is_heard(tmp_path: Path) -> None:
    path = tmp_path / "case.wav"
    sound, rate_hz = soundfile.read(excerpt(path, FIRST_LINE_S))
    front = soxr.resample(sound, rate_hz, 48_000)
    soundfile.write(path, np.tile(front[:, None], (1, 6)), 48_000)
    done = checkback("replay", path, "--json")
    assert (done.code, done.err) == (0, "")
    assert [json.loads(line)["heard"] for line in done.out.splitlines()] == [FIRST_LINE]


def test_every_usual_kind_of_sample_is_heard(tmp_path: Path) -> None:
    # in one process, for a recogniser takes seconds to start
    settings = Settings.model_validate({"hearing": {"recogniser": "pocketsphinx", "second": "none"}})
    heard: dict[str, list[str]] = {}
    recogniser = app.make_recogniser(settings, book())
    try:
        for kind in ("PCM_U8", "PCM_24", "FLOAT"):
            words = heard[kind] = []
            app.replay(
                Recording(excerpt(tmp_path / f"{kind}.wav", FIRST_LINE_S, subtype=kind)),
                tmp_path / kind,
                settings,
                book(),
                recogniser,
                start=datetime(2026, 3, 2, 8, tzinfo=UTC),
                sound=False,
                report=lambda each, words=words: words.append(each.outcome.words),
                show=lambda line: None,
            )
    finally:
        recogniser.close()
    assert list(heard.values()) == [[FIRST_LINE]] * 3


@pytest.mark.parametrize(
    ("options", "parts"),
    [
        (
            ["--start", "yesterday"],
            ["--start yesterday: not a time", "write it like 2026-03-02T08:00:00+01:00"],
        ),
        (["--start", ""], ["not a time", "write it like"]),
        (["--pedal", "none.txt"], ["none.txt cannot be read (No such file or directory): check its name"]),
        (["--pedal", "pedal.txt"], ["pedal.txt, line 2, is not understood", 'like "12.5 talk down"']),
        (["--case", "a.wav"], ["is not a folder", "choose another case folder"]),
        (["--case", "old"], ["old already holds a case", "give another folder with --case"]),
    ],
)
def test_a_replay_that_cannot_begin(tmp_path: Path, options: list[str], parts: list[str]) -> None:
    excerpt(tmp_path / "a.wav", 1.0)
    (tmp_path / "pedal.txt").write_text("1 talk down\n2 talk sideways\n")
    before = (case_in(tmp_path / "old") / JOURNAL).read_bytes()
    assert_one_sentence(checkback("replay", "a.wav", *options, cwd=tmp_path), *parts)
    assert (tmp_path / "old" / JOURNAL).read_bytes() == before


# --- settings and data files -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("settings", "parts"),
    [
        ("cases = x\n", ["settings.toml: not valid TOML", "line 1"]),
        ('casez = "x"', ["settings.toml: line 1: key casez: there is no such key"]),
        ("[hearing]\nmikrophone = 'USB'", ["key hearing.mikrophone: there is no such key"]),
        ("[speaking]\nrate_wpm = 'fast'", ["key speaking.rate_wpm: is to be a whole number, not 'fast'"]),
        ("cases = 5", ["line 1: key cases: is to be a path in quotes"]),
        ('[display]\ntoken = "short"', ["line 2: key display.token: is to be 12 to 200 letters"]),
        ('[pedals.keys]\nf6 = { long = "talk" }', ["key pedals.keys", "talk cannot be bound to long"]),
        (
            'cases = 5\n[display]\ntoken = "a b"\nport = 70000\n[hearing]\nopen_room = "maybe"',
            [
                "line 1: key cases",
                "line 3: key display.token",
                "line 4: key display.port: is to be at most 65535",
                "line 6: key hearing.open_room: is to be true or false, not 'maybe'; mend these keys",
            ],
        ),
        (
            "[hearing]\nrecogniser = 'magic'",
            ["key hearing.recogniser", "'pocketsphinx', 'vosk' or 'whisper'"],
        ),
        ("[language]\nfolder = 'nowhere'", ["nowhere/english.toml: cannot be read", "check the path"]),
        ("[language]\nphrasebook = '../../x'", ["key language.phrasebook"]),
    ],
)
def test_wrong_settings(tmp_path: Path, settings: str, parts: list[str]) -> None:
    assert_one_sentence(here("parse", "heart rate 70", cwd=tmp_path, settings=settings), *parts)


def test_help_needs_no_settings(tmp_path: Path) -> None:
    done = here("parse", "--help", cwd=tmp_path, settings="broken")
    assert done.code == 0
    assert "Example:" in done.out


@pytest.mark.parametrize(
    ("model", "parts"),
    [
        (None, ["needs a model folder", "set hearing.vosk_model"]),
        ("none", ["There is no Vosk model folder", "models_download.md"]),
        ("empty", ["not a usable Vosk model", "models_download.md"]),
        ("junk", ["junk cannot be loaded", "models_download.md"]),
    ],
)
def test_a_wrong_vosk_model(tmp_path: Path, model: str | None, parts: list[str]) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "junk" / "am").mkdir(parents=True)
    (tmp_path / "junk" / "graph").mkdir()
    for name in ("am/final.mdl", "graph/HCLr.fst", "graph/Gr.fst", "graph/words.txt"):
        (tmp_path / "junk" / name).write_bytes(np.random.default_rng(1).bytes(1000))
    excerpt(tmp_path / "a.wav", 1.0)
    settings = "[hearing]\nrecogniser = 'vosk'\n" + (f"vosk_model = '{model}'\n" if model else "")
    done = checkback("replay", "a.wav", "--case", "case", cwd=tmp_path, settings=settings)
    # the engine itself may have something to say before
    *_, ours = done.err.splitlines(keepends=True)
    assert_one_sentence(Done(done.code, done.out, ours), *parts)
    assert not (tmp_path / "case").exists()


@pytest.mark.parametrize(
    ("file", "old", "new", "parts"),
    [
        (
            "english.toml",
            "[up] [at | to] <pressure>",
            "[up] [at | to] <presure>",
            ["<presure> is not defined"],
        ),
        ("english.toml", 'unit = "atm"', 'unit = "bar"', ["unit 'bar' is unknown", "atm"]),
        ("english.toml", 'unit = "atm"', 'units = "atm"', ["units: there is no such key"]),
        ("formulary.toml", 'unit = "U"', 'unit = "drops"', ["unit 'drops' is unknown", "mL"]),
        ("catalogue.toml", 'device = "', 'device = "flying ', ["key stock.0.device", "balloon"]),
        ("english.pronunciations", "fentanyl ", "#fentanyl ", ["No pronunciation is known for 'fentanyl'"]),
        ("english.pronunciations", " EH ", " EX ", ["EX is no phone of the model"]),
    ],
)
def test_a_slip_in_a_data_file(tmp_path: Path, file: str, old: str, new: str, parts: list[str]) -> None:
    shutil.copytree(PROJECT / "grammars", tmp_path / "lab")
    content = (tmp_path / "lab" / file).read_text(encoding="utf-8")
    assert old in content
    changed = content.replace(old, new) if file.endswith("pronunciations") else content.replace(old, new, 1)
    (tmp_path / "lab" / file).write_text(changed, encoding="utf-8")
    done = here("phrasebook", "check", cwd=tmp_path, settings="[language]\nfolder = 'lab'\n")
    assert_one_sentence(done, *parts)


# --- case folders ----------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["show", "verify"])
@pytest.mark.parametrize("what", ["none", "folder", "file.txt"])
def test_what_is_no_case(tmp_path: Path, command: str, what: str) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file.txt").touch()
    done = here(command, what, cwd=tmp_path)
    assert_one_sentence(done, f"here is no {JOURNAL} in {what}", "name the folder of a case")


def test_a_line_changed_by_hand(tmp_path: Path) -> None:
    journal = case_in(tmp_path / "case") / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    assert b'"source":"speech"' in lines[2]
    lines[2] = lines[2].replace(b'"source":"speech"', b'"source":"typed"')
    journal.write_bytes(b"".join(lines))
    broken = journal.read_bytes()
    reason = "line 3 was changed after it was written"
    assert_one_sentence(here("verify", "case", cwd=tmp_path), reason, "2 lines before it are sound")
    assert_one_sentence(here("show", "case", cwd=tmp_path), reason, "--despite-breaks")
    assert_one_sentence(
        checkback("listen", "--typed", "--case", "case", cwd=tmp_path), reason, "start a new case folder"
    )
    shown = checkback("show", "case", "--despite-breaks", "--json", cwd=tmp_path)
    assert shown.code == 0
    assert reason in shown.err
    assert [json.loads(line)["n"] for line in shown.out.splitlines()] == [1, 2, 3, 4, 5]
    assert journal.read_bytes() == broken


def test_a_last_line_torn_by_a_power_cut(tmp_path: Path) -> None:
    journal = case_in(tmp_path / "case") / JOURNAL
    os.truncate(journal, journal.stat().st_size - 40)
    shown = checkback("show", "case", "--json", cwd=tmp_path)
    assert shown.code == 0
    assert "Line 5 of the journal in case was cut off" in shown.err
    assert [json.loads(line)["n"] for line in shown.out.splitlines()] == [1, 2, 3, 4]
    assert_one_sentence(here("verify", "case", cwd=tmp_path), "line 5 was cut off")
    went_on = checkback("listen", "--typed", "--case", "case", cwd=tmp_path, given="heart rate 70\n")
    assert went_on.code == 0
    assert "what was left of it is kept in" in went_on.err.replace("\n", " ")
    assert verify(tmp_path / "case").lines_ok == 6


def test_a_journal_of_a_newer_program(tmp_path: Path) -> None:
    journal = case_in(tmp_path / "case") / JOURNAL
    lines = journal.read_text().splitlines()
    content = json.loads(lines[-1])
    content |= {"schema_version": 99, "body": {"kind": "unheard of"}}
    prev = content.pop("prev")
    del content["hash"]
    body = json.dumps(content, separators=(",", ":"))[:-1] + f',"prev":"{prev}"'
    digest = hashlib.sha256(f"{body}}}".encode()).hexdigest()
    journal.write_text("\n".join([*lines[:-1], f'{body},"hash":"{digest}"}}']) + "\n")
    before = journal.read_bytes()
    for command in (["show", "case"], ["listen", "--typed", "--case", "case"]):
        done = run(*command, cwd=tmp_path)
        assert_one_sentence(done, "is newer than this program", "schema_version 99", "update the program")
    assert journal.read_bytes() == before


def test_a_journal_with_nothing_in_it_yet(tmp_path: Path) -> None:
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / JOURNAL).touch()
    assert here("show", "case", "--json", cwd=tmp_path) == Done(0, "", "")
    assert here("verify", "case", cwd=tmp_path).out.startswith("case: 0 lines, chain unbroken")


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "tmpfs", place], capture_output=True, check=False)
    if mounted.returncode:
        pytest.skip("only root may mount")
    case_in(place / "case")
    subprocess.run(["mount", "-o", "remount,ro", place], check=True)
    yield place
    subprocess.run(["umount", "--lazy", place], check=True)


def test_a_read_only_case_folder(read_only: Path) -> None:
    sound = excerpt(read_only.parent / "a.wav", 1.0)
    before = (read_only / "case" / JOURNAL).read_bytes()
    for words in (
        ["listen", "--typed", "--case", read_only / "case"],
        ["listen", "--typed", "--case", read_only / "new"],
        ["replay", sound, "--case", read_only / "new"],
    ):
        assert_one_sentence(checkback(*words), "may not be written to", "make it writable")
    done = here("show", read_only / "case", "--write")
    assert_one_sentence(done, "tables cannot be written into", "make room and leave to write there")
    assert checkback("show", read_only / "case", "--json").out.count("\n") == 5
    assert here("verify", read_only / "case").code == 0
    assert (read_only / "case" / JOURNAL).read_bytes() == before


def test_settings_that_may_not_be_looked_at(tmp_path: Path) -> None:
    if os.geteuid() != 0 or shutil.which("setpriv") is None:
        pytest.skip("only root may become somebody else")
    private = tmp_path / ".config"
    private.mkdir(mode=0o700)
    for folder in (tmp_path, tmp_path.parent, tmp_path.parent.parent):
        folder.chmod(0o755)
    program = (
        "from checkback.settings import load\nfrom checkback.errors import UserError\n"
        "try: load(None)\nexcept UserError as error: print(error)\n"
    )
    done = subprocess.run(
        ["setpriv", "--reuid=65534", "--clear-groups", sys.executable, "-c", program],
        env={**quiet(), "HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    if "checkback" in done.stderr:
        pytest.skip("this interpreter may not be used by everybody")
    assert "settings.toml cannot be looked at (Permission denied): change the permissions" in done.stdout
