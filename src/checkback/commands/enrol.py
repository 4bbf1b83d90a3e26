"""`checkback enrol`: somebody reads call-outs aloud, and the built-in recogniser learns how they sound."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import click

from checkback import app, doctor
from checkback.commands.common import SettingsFile, attention, given_path, pass_settings
from checkback.enrolling import TRIES, ReadAloud, check_language, default_voices, sentences_of
from checkback.errors import UserError
from checkback.hearing.enrolment import (
    CHANGE,
    LEAST_READINGS,
    forget,
    keep,
    learn,
    learnt_from,
    pcm_of,
    read_list,
    readings_of,
    voice_folder,
    voices_in,
)
from checkback.hearing.microphone import Microphone
from checkback.hearing.pronunciations import pronunciations_of
from checkback.hearing.recogniser import Pcm
from checkback.language.phrasebook import Phrasebook
from checkback.listeners import grammar_of
from checkback.settings import Settings, vosk_model
from checkback.settings_file import update


@click.command()
@click.argument("voice", required=False)
@click.option(
    "--folder", type=given_path, help="Folder of the voices; default: hearing.voices, or beside the settings."
)
@click.option(
    "--readings",
    type=given_path,
    help="Take recordings instead of the microphone: a CSV file with the columns path,said.",
)
@click.option("--later", is_flag=True, help="Keep what was read, and learn from it another time.")
@click.option("--forget", "out", is_flag=True, help="Take VOICE out, with its recordings.")
@click.option("--list", "only_list", is_flag=True, help="Show the voices, and learn nothing.")
@pass_settings
def enrol(
    settings: SettingsFile,
    voice: str | None,
    folder: Path | None,
    readings: Path | None,
    later: bool,
    out: bool,
    only_list: bool,
) -> None:
    """Learn how VOICE sounds, from some two dozen call-outs read aloud in a quiet room, about two minutes.

    Everybody who calls out in a room may be learnt, one after the other; without VOICE all are learnt
    anew.  It is for the built-in recogniser.  The recordings stay in the folder, on this computer.

    Example: checkback enrol --list
    """
    if only_list and (voice is not None or readings is not None or later or out):
        raise UserError("--list goes with no voice and no other option but --folder")
    if out and (readings is not None or later):
        raise UserError("--forget goes with neither --readings nor --later: do one after the other")
    if voice is None and (readings is not None or later or out):
        raise UserError("name the voice: checkback enrol NAME")
    loaded = settings.load() if settings.path.exists() else Settings()
    set_now = None if loaded.hearing.voices is None else loaded.hearing.voices.expanduser().absolute()
    voices = default_voices(settings.path) if set_now is None else set_now
    voices = voices if folder is None else folder.expanduser().absolute()
    if voice is not None:
        # a name that cannot be one is told before anything is done
        voice_folder(voices, voice)
    if only_list:
        _list(voices)
        return
    book = app.load_book(loaded)
    doctor.check_writable(voices, "name another one with --folder")
    if voice is not None and out:
        forget(voices, voice)
        click.echo(f"{voices}: {voice} is taken out.")
    else:
        check_language(book)
        if voice is not None and readings is not None:
            _take(voices, voice, readings, book)
        elif voice is not None:
            _read(voices, voice, loaded, book)
        elif not voices_in(voices) and not (voices / CHANGE).exists():
            raise UserError(f"{voices} holds no voice: name one to begin with, checkback enrol NAME")
    if later:
        click.echo("Learn from it with: checkback enrol")
        return
    learnt = _learn(voices, book, None if out else voice)
    if learnt and (why := _left_out(loaded)):
        attention(f"what was learnt is for the built-in recogniser as it is tuned, and is left out: {why}")
    if learnt and set_now != voices:
        update(settings.path, {"hearing": {"voices": voices}})
    elif not learnt and set_now == voices:
        update(settings.path, {"hearing": {"voices": None}})
    else:
        return
    click.echo(f"{settings.path}: written (hearing.voices).")


def _left_out(settings: Settings) -> str:
    """Return why voices are not used with these settings; empty if they are."""
    hearing = settings.hearing
    if not hearing.tuned:
        return "hearing.tuned is false"
    if hearing.recogniser == "auto" and vosk_model(settings) is not None:
        return "a Vosk model is set or found, and hearing.recogniser is auto"
    return (
        ""
        if hearing.recogniser in ("auto", "pocketsphinx")
        else f"hearing.recogniser is {hearing.recogniser}"
    )


def _list(voices: Path) -> None:
    found = voices_in(voices)
    for name, some in found.items():
        click.echo(f"{name}: {len(some)} readings")
    if not found:
        click.echo(f"{voices}: no voice")
        return
    learnt = learnt_from(voices) if (voices / CHANGE).exists() else "nothing yet, run checkback enrol"
    click.echo(f"learnt: {learnt}")


def _take(voices: Path, voice: str, path: Path, book: Phrasebook) -> None:
    """Keep recordings that are there already."""
    given = read_list(path)
    if len(given) < LEAST_READINGS:
        raise UserError(
            f"{path} has {len(given)} readings, and at least {LEAST_READINGS} are needed: add more lines"
        )
    # all of it is looked at before any is kept
    pronunciations_of({word for each in given for word in each.said.split()}, book.pronunciations)
    sounds = [(each.said, pcm_of(each.path)) for each in given]
    for said, pcm in sounds:
        keep(voices, voice, said, pcm)
    click.echo(f"{voice_folder(voices, voice)}: {len(sounds)} readings")


def _read(voices: Path, voice: str, settings: Settings, book: Phrasebook) -> None:
    """Let somebody read what they have not read yet, and keep each sentence at once."""
    sentences = sentences_of(settings, book)
    known = {each.said for each in readings_of(voice_folder(voices, voice))}
    left = [each for each in sentences if each not in known]
    if not left:
        click.echo(f"{voice} has read everything; to read again, first: checkback enrol {voice} --forget")
        return
    kept = 0
    microphone = Microphone(settings.hearing.microphone)
    try:
        with TemporaryDirectory() as folder:
            listening = ReadAloud(microphone.read_or_tell, grammar_of(book), Path(folder))
            click.echo("Read each line aloud, as you would call it out, in a quiet room.")
            click.echo("Ctrl-C leaves; what was read is kept.")
            for n, sentence in enumerate(left, len(sentences) - len(left) + 1):
                click.echo(f"[{n}/{len(sentences)}]  {sentence}")
                if (pcm := _understood(listening, sentence)) is not None:
                    keep(voices, voice, sentence, pcm)
                    kept += 1
    finally:
        microphone.close()
    if kept + len(known) < LEAST_READINGS:
        raise UserError(
            f"{kept + len(known)} readings were understood, and at least {LEAST_READINGS} are needed: read again with "
            f"checkback enrol {voice}, nearer to the microphone or where it is quieter"
        )


def _understood(listening: ReadAloud, sentence: str) -> Pcm | None:
    """Listen until a sentence was read as it is shown; None if it was not, as often as it is tried."""
    for _ in range(TRIES):
        pcm, fault = listening.listen(sentence)
        if not fault:
            return pcm
        click.echo(f"  that was {fault}: once more")
    click.echo("  left out")
    return None


def _learn(voices: Path, book: Phrasebook, voice: str | None) -> bool:
    """Learn from all voices, and tell of which; return whether there were any.

    Raises
    ------
    UserError
        If the one that was named could not be learnt.
    """
    known = voices_in(voices)
    wanted = sum(len(some) for some in known.values() if len(some) >= LEAST_READINGS)
    with click.progressbar(length=wanted, label="Learning" if wanted else "") as bar:
        counts = learn(voices, book.pronunciations, lambda _done, _of: bar.update(1))
    if counts:
        told = ", ".join(f"{name} ({count} of {len(known[name])} readings)" for name, count in counts.items())
        click.echo(f"{voices}: learnt from {told}. See what works with: checkback doctor")
    for name in known.keys() - counts.keys():
        sentence = (
            f"{voices / name}: the words can be found in too few of {len(known[name])} readings, at least "
            f"{LEAST_READINGS} are needed, and it is not learnt: go on with checkback enrol {name}, or take it out "
            "with --forget and read again nearer to the microphone"
        )
        if name == voice:
            raise UserError(sentence)
        attention(sentence)
    return bool(counts)
