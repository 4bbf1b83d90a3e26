"""`checkback setup`: the few questions that matter, each tried on the spot, and one file written at the end."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click
import tomlkit
from pydantic import ValidationError

from checkback import app, doctor
from checkback.commands.common import SettingsFile, attention, pass_settings, visible
from checkback.commands.pedal import ask_afresh
from checkback.errors import UserError
from checkback.extras import extra
from checkback.hearing.microphone import microphone_names
from checkback.hearing.pedals.bindings import in_words
from checkback.hearing.pedals.learning import learn
from checkback.hearing.vosk import check_model_folder as check_vosk
from checkback.hearing.whisper import check_model_folder, check_packages
from checkback.language.phrasing import Phrasing
from checkback.settings import Settings, grammars_folder, second_whisper, vosk_model, whisper_model
from checkback.settings_file import update
from checkback.speaking.sound_cards import loudspeaker_names
from checkback.tryout import SPEAK_S, try_microphone, try_room, try_voice

NONE = "-"
"""Typed for "none", or for the computer's own choice."""

Changes = dict[str, Any]


@click.command()
@click.option(
    "--yes", is_flag=True, help="Take what is set, or the default, everywhere; ask and try nothing."
)
@click.option("--preview", is_flag=True, help="Show what would be written, and write nothing.")
@pass_settings
def setup(settings: SettingsFile, yes: bool, preview: bool) -> None:
    """Ask the few questions that matter, try the answers on the spot, and write the settings.

    Language, microphone, voice, pedal, second listener, how call-outs begin, folder for cases, display.
    Enter keeps what stands in brackets.  All else in the settings stays as it is.  Ctrl-C leaves, and
    then nothing is written.

    Example: checkback setup --yes --preview
    """
    path = settings.path
    # a file that is named here may be one that is to be made
    before = settings.load() if path.exists() else Settings()
    if not yes and not sys.stdin.isatty():
        raise UserError(
            "checkback setup asks, and there is no terminal to answer in: run it in a terminal, or take the "
            "defaults with --yes"
        )
    if not preview:
        # found out before anything is asked
        doctor.check_writable(path.parent, "name another settings file with --settings")
    asking = Asking(before)
    try:
        if not yes:
            asking.all()
        changes = asking.changes()
        click.echo(f"\n{path}:\n\n{_as_toml(changes)}")
        if preview:
            click.echo("Only shown: nothing is written.")
            return
        if not yes and not click.confirm("Write this?", default=True):
            click.echo("Nothing is written.")
            return
    except (click.Abort, KeyboardInterrupt):
        click.echo()
        raise UserError("setup was stopped, and nothing is written: run checkback setup again") from None
    update(path, changes)
    click.echo(f"{path}: written. See what works with: checkback doctor. Begin with: checkback listen")


class Asking:
    """Asks one thing after the other, and holds the settings as they are so far.

    Parameters
    ----------
    settings : Settings
        What is set at present.
    """

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self._more: dict[str, Changes] = {}

    def all(self) -> None:
        """Ask everything."""
        click.echo(f"Enter keeps what stands in brackets; {NONE} means none; Ctrl-C leaves, nothing written.")
        for question in (
            self.language,
            self.microphone,
            self.voice,
            self.pedal,
            self.second_listener,
            self.room,
            self.cases,
            self.display,
        ):
            click.echo()
            question()

    def changes(self) -> Changes:
        """Return what is to be written: the answers, and what is set already where they are the same."""
        now = self.settings
        found: Changes = {
            "cases": now.cases.expanduser().absolute(),
            "language": {"phrasebook": now.language.phrasebook},
            "hearing": {
                "microphone": now.hearing.microphone,
                "open_room": now.hearing.open_room,
                "attention_word": now.hearing.attention_word,
            },
            "speaking": {
                "voice": now.speaking.voice,
                "loudspeaker": now.speaking.loudspeaker,
                "hold_off_s": now.speaking.hold_off_s,
            },
            "display": {"use": now.display.use},
        }
        for group, values in self._more.items():
            found[group] = found.get(group, {}) | values
        return found

    # --- the questions -------------------------------------------------------------------------------

    def language(self) -> None:
        """Which phrasebook."""
        names = phrasebooks(grammars_folder(self.settings))
        now = self.settings.language.phrasebook
        if now not in names:
            attention(f"The phrasebook {now} that is set is not there: choose one of these.")
        name = click.prompt("Language", type=click.Choice(names), default=now if now in names else names[0])
        self._set("language", phrasebook=name)
        book = app.load_book(self.settings)
        if "pocketsphinx" not in book.file.recognisers and "vosk" in book.file.recognisers:
            click.echo(f"{name} is heard by a Vosk model only: see models_download.md for one that fits.")
            now_model = vosk_model(self.settings)
            folder = self._model("Folder of the Vosk model", now_model, check_vosk)
            if folder != now_model:
                self._also("hearing", vosk_model=folder)

    def microphone(self) -> None:
        """Which microphone, and whether it hears."""
        names = _listed("Microphones", microphone_names)
        while True:
            now = self.settings.hearing.microphone
            self._set("hearing", microphone=_name("Microphone", now, names))
            if not names:
                return
            click.echo(f"Speak for {SPEAK_S:.0f} seconds, as you would in the room.")
            try:
                found = try_microphone(self.settings.hearing.microphone, _over)
            except UserError as error:
                _trouble(error)
                if click.confirm("Set it all the same?", default=True):
                    return
                continue
            click.echo(f"\n{found.verdict[0].upper()}{found.verdict[1:]}.")
            if found.heard or click.confirm("Set it all the same?", default=False):
                return

    def voice(self) -> None:
        """Ask what speaks, whether it is heard, and for how long after its end."""
        choices = click.Choice(["auto", "loudspeaker", "text", "silent"])
        click.echo("Voice: auto is the loudspeaker if there is one, else text on the screen.")
        self._set("speaking", voice=click.prompt("Voice", type=choices, default=self.settings.speaking.voice))
        if self.settings.speaking.voice in ("text", "silent"):
            return
        names = _listed("Loudspeakers", loudspeaker_names)
        sentence = Phrasing(app.load_book(self.settings)).reply("say_again")
        while True:
            now = self.settings.speaking.loudspeaker
            self._set("speaking", loudspeaker=_name("Loudspeaker", now, names))
            if not names:
                return
            try:
                try_voice(self.settings, sentence, attention)
            except UserError as error:
                _trouble(error)
                if click.confirm("Set it all the same?", default=True):
                    return
                continue
            if click.confirm(f'It said "{sentence}". Did you hear it?', default=True):
                break
            click.echo("Check its plug and volume, or name another.")
            if not click.confirm("Try again?", default=True):
                return
        if not click.confirm(
            "Measure for how long the microphone hears the voice after its end (12 s, quiet room)?",
            default=False,
        ):
            return
        try:
            found = try_room(self.settings, attention)
        except UserError as error:
            _trouble(error)
            return
        click.echo(f"{found.verdict[0].upper()}{found.verdict[1:]}.")
        if found.heard:
            self._set("speaking", hold_off_s=found.hold_off_s)
            click.echo(f"The program will be deaf for {found.hold_off_s} s after its voice.")

    def pedal(self) -> None:
        """Learn a pedal, keep the one that is set, or do without."""
        pedals = self.settings.pedals
        if pedals.use:
            click.echo(f"Pedal, as it is set: {in_words(pedals.bindings)}.")
        choice = click.prompt(
            "Pedal: learn one by pressing it, keep what is set, or none",
            type=click.Choice(["learn", "keep", "none"]),
            default="keep" if pedals.use else "none",
        )
        if choice == "none":
            if pedals.use:
                self._also("pedals", use=False)
        elif choice == "learn":
            try:
                learned = learn(ask_afresh, click.echo)
            except UserError as error:
                _trouble(error)
                return
            if learned is None:
                attention("Nothing was pressed: the pedal stays as it was.")
                return
            self._more["pedals"] = learned.settings()
            self._set("pedals", **{k: v for k, v in self._more["pedals"].items() if v is not None})
            click.echo(f"Learned: {learned}.")

    def second_listener(self) -> None:
        """Whether a Whisper model gives a second opinion."""
        if "whisper" not in app.load_book(self.settings).file.recognisers:
            click.echo("Second listener: none hears this language.")
            if self.settings.hearing.second == "whisper":
                self._also("hearing", second="auto")
            return
        try:
            now = second_whisper(self.settings)
        except UserError as error:
            _trouble(error)
            now = None
        folder = self._model("Second listener, folder of a Whisper model", now, _check_whisper)
        asked_for = self.settings.hearing.second
        if folder is not None:
            if folder != now:
                self._also("hearing", whisper_model=folder)
            if asked_for == "none":
                self._also("hearing", second="auto")
        elif whisper_model(self.settings) is not None:
            # one that is there would be taken all the same
            self._also("hearing", second="none")
        elif asked_for == "whisper":
            self._also("hearing", second="auto")

    def room(self) -> None:
        """How a call-out begins with no pedal held."""
        hearing = self.settings.hearing
        click.echo(
            "With no pedal held: open hears call-outs at any time; word hears those behind an attention word; "
            "pedal hears none."
        )
        now = "pedal" if not hearing.open_room else "word" if hearing.attention_word else "open"
        while True:
            choice = click.prompt("No pedal held", type=click.Choice(["open", "word", "pedal"]), default=now)
            if choice != "pedal" or self.settings.pedals.use:
                break
            click.echo("No pedal is set, so nothing would be heard: choose open or word.")
            now = "open"
        if choice == "open":
            self._set("hearing", open_room=True, attention_word="")
        elif choice == "pedal":
            self._set("hearing", open_room=False)
        else:
            default = hearing.attention_word or ("check back" if self._english() else None)
            while True:
                word = " ".join(click.prompt("Attention word", default=default).casefold().split())
                try:
                    self._set("hearing", open_room=True, attention_word=word)
                except UserError:
                    click.echo("Letters, apostrophes and spaces only.")
                    continue
                if word:
                    return

    def cases(self) -> None:
        """Where cases are kept."""
        while True:
            # from wherever it is started later, the cases go to the same place
            now = self.settings.cases.expanduser().absolute()
            typed = click.prompt("Folder for cases", default=str(now))
            folder = now if typed == str(now) else Path(typed).expanduser().absolute()
            try:
                doctor.check_writable(folder, "name another folder")
            except UserError as error:
                _trouble(error)
                continue
            self.settings = self.settings.model_copy(update={"cases": folder})
            return

    def display(self) -> None:
        """Whether pages for a monitor are served."""
        use = click.confirm(
            "Wall display, a page for a monitor in the room", default=self.settings.display.use
        )
        self._set("display", use=use)
        if use:
            try:
                for package in ("starlette", "uvicorn"):
                    extra(package, of="display", purpose="The display")
            except UserError as error:
                _trouble(error)

    # --- how they are asked --------------------------------------------------------------------------

    def _english(self) -> bool:
        return app.load_book(self.settings).file.language == app.OWN_LANGUAGE

    def _model(self, question: str, now: Path | None, check: Callable[[Path], None]) -> Path | None:
        """Ask for the folder of a model until it holds one or none is wanted; `now` comes back as it is set."""
        while True:
            typed = click.prompt(question, default=NONE if now is None else str(now)).strip()
            if typed == NONE:
                return None
            folder = now if now is not None and typed == str(now) else Path(typed).expanduser().absolute()
            try:
                check(folder)
            except UserError as error:
                _trouble(error)
                continue
            return folder

    def _also(self, group: str, **values: Any) -> None:
        """Change keys that are written only if they were changed here."""
        self._set(group, **values)
        self._more[group] = self._more.get(group, {}) | values

    def _set(self, group: str, **values: Any) -> None:
        """Change a group of the settings.

        Raises
        ------
        UserError
            If a value cannot be set.
        """
        old = getattr(self.settings, group)
        try:
            new = type(old).model_validate(old.model_dump() | values)
        except ValidationError as error:
            raise UserError(f"{group}: {error.errors()[0]['msg']}") from None
        self.settings = self.settings.model_copy(update={group: new})


def phrasebooks(folder: Path) -> list[str]:
    """Return the names of the phrasebooks in a folder of grammars.

    Raises
    ------
    UserError
        If there is none.
    """
    found = []
    for path in sorted(folder.glob("*.toml")):
        try:
            about = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        if about.get("name") == path.stem and isinstance(about.get("language"), str):
            found.append(path.stem)
    if not found:
        raise UserError(f"{folder} holds no phrasebook: mend language.folder in the settings")
    return found


def _check_whisper(folder: Path) -> None:
    check_model_folder(folder)
    check_packages()


def _listed(what: str, names: Callable[[], tuple[str, ...]]) -> tuple[str, ...]:
    """Show the names of devices; none if they cannot be had, which is told."""
    try:
        found = names()
    except UserError as error:
        _trouble(error)
        return ()
    click.echo(f"{what}:" if found else f"{what}: none is there now; a name can be set all the same.")
    for name in found:
        click.echo(f"  {visible(name)}")
    return found


def _name(question: str, now: str | None, names: tuple[str, ...]) -> str | None:
    """Ask for a part of a device's name that fits one of them; any, if there are none."""
    while True:
        typed = click.prompt(
            f"{question}, part of its name ({NONE}: the default one)", default=now or NONE
        ).strip()
        if typed in (NONE, ""):
            return None
        alike = [name for name in names if typed.casefold() in name.casefold()]
        if not names or typed in names or len(alike) == 1 or typed == now:
            return str(typed)
        click.echo(f"{len(alike) or 'None'} of these {'fit' if alike else 'fits'} {typed!r}: one must.")


def _trouble(error: UserError) -> None:
    """Tell what cannot be done here; the questions go on."""
    attention(str(error))


def _over(line: str) -> None:
    click.echo(f"\r{line}", nl=False)


def _as_toml(changes: Mapping[str, Any]) -> str:
    """Return what will be set, as it will stand in the file."""
    document = tomlkit.document()
    for key, value in changes.items():
        if isinstance(value, Mapping):
            document[key] = _plain(value)
        else:
            document[key] = str(value) if isinstance(value, Path) else value
    return tomlkit.dumps(document).strip() + "\n"


def _plain(values: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: _plain(value) if isinstance(value, Mapping) else str(value) if isinstance(value, Path) else value
        for key, value in values.items()
        if value is not None
    }
