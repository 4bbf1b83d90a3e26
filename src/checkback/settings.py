"""All settings, typed, read from one TOML file; an error names the key."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from checkback.aloud import Verbosity
from checkback.errors import UserError
from checkback.hearing.pedals.bindings import DEFAULT_KEYS, Bindings, bindings_of
from checkback.hearing.pedals.gestures import Timing
from checkback.language.catalogue import parse_toml, read_text
from checkback.settings_faults import refused


class _Group(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Language(_Group):
    """Which phrasebook."""

    folder: Path | None = Field(
        default=None, description="Folder of the grammars; none: those that came along."
    )
    phrasebook: str = Field(default="english", pattern=r"^\p{L}[\p{L}\p{M}\p{N}_]*$")


class Hearing(_Group):
    """What hears."""

    recogniser: Literal["auto", "pocketsphinx", "vosk", "whisper"] = Field(
        default="auto", description="auto: Vosk if a model is set or found, else the built-in one."
    )
    vosk_model: Path | None = Field(
        default=None, description="Folder of the Vosk model, see models_download.md."
    )
    drop_unknown_words: bool = Field(
        default=False, description="Start with a Vosk model that lacks words; they are never heard."
    )
    whisper_model: Path | None = Field(
        default=None, description="Folder of the Whisper model, see models_download.md."
    )
    second: Literal["auto", "none", "whisper"] = Field(
        default="auto",
        description="Second opinion on what was heard; auto: Whisper if a model is set or found.",
    )
    tuned: bool = Field(
        default=True,
        description="Change the built-in model, and Whisper's base model, a little for call-outs in noise.",
    )
    voices: Path | None = Field(
        default=None,
        description="Folder of the voices that checkback enrol has learnt for the built-in model; none: nobody's.",
    )
    keep_dictation_sound: bool = Field(
        default=False, description="Keep the sound of dictated notes; without a dictation model always."
    )
    keep_unheard_sound: bool = Field(
        default=False, description="Keep the sound of speech that could not be decoded in time."
    )
    microphone: str | None = Field(
        default=None, description="Part of the device's name; none: the default device."
    )
    open_room: bool = Field(default=True, description="Hear call-outs with no pedal held too.")
    attention_word: str = Field(
        default="",
        # small letters, and those of scripts that have no capitals
        pattern=r"^[\p{Ll}\p{Lo}\p{M}' ]*$",
        description="With no pedal held, a call-out begins with it; empty: none is needed.",
    )


class Speaking(_Group):
    """What speaks."""

    voice: Literal["auto", "loudspeaker", "text", "silent"] = "auto"
    synthesiser: Literal["auto", "espeak", "pyttsx3"] = "auto"
    verbosity: Verbosity = Field(
        default="full", description="full, brief, or tones: how much of a check-back is heard."
    )
    speaker: str | None = Field(default=None, description="Voice name of the synthesiser.")
    rate_wpm: int = Field(default=165, ge=80, le=400)
    volume: float = Field(default=1.0, ge=0.0, le=1.0)
    loudspeaker: str | None = Field(default=None, description="Part of the device's name.")
    hold_off_s: float = Field(default=0.25, ge=0.0, le=2.0, description="Deaf time after the voice, s.")
    stops_for_speech: bool = Field(
        default=True, description="Fall silent when somebody speaks over the voice, with an open room."
    )


class Pedals(_Group):
    """The pedal, and what its keys do."""

    use: bool = False
    watch: Literal["auto", "evdev", "display"] = Field(
        default="auto",
        description="evdev: the pedal's own device (Linux); display: keys of the keyboard; "
        "auto: evdev if a device is named on Linux.",
    )
    device: str | None = Field(
        default=None,
        min_length=1,
        description="Vendor and product like 1a2b:00ff, or name or place, see checkback pedal --list.",
    )
    grab: bool = Field(default=True, description="Take the device away from all other programs.")
    double_s: float = Field(
        default=Timing.double_s, ge=0.2, le=1.5, description="From press to press of a double tap, s."
    )
    long_s: float = Field(default=Timing.long_s, ge=0.3, le=3.0, description="A longer press is long, s.")
    keys: dict[str, str | dict[str, str]] = Field(
        default={},
        description="Key to action, or to actions by hold, tap, double and long; none: f6 to f9.",
    )

    @field_validator("keys")
    @classmethod
    def _go_together(cls, keys: dict[str, str | dict[str, str]]) -> dict[str, str | dict[str, str]]:
        told = []
        for name, does in keys.items():
            try:
                bindings_of({name: does})
            except UserError as error:
                told.append(str(error).rstrip("."))
        if not told:
            try:
                # and one with the other
                bindings_of(keys)
            except UserError as error:
                told.append(str(error).rstrip("."))
        if told:
            raise ValueError("; ".join(told))
        return keys

    @property
    def bindings(self) -> Bindings:
        """What each key does."""
        return bindings_of(self.keys or DEFAULT_KEYS)

    @property
    def timing(self) -> Timing:
        """How fast a foot is."""
        return Timing(double_s=self.double_s, long_s=self.long_s)


class Display(_Group):
    """The page for a monitor in the room, and the one for the control room."""

    use: bool = Field(default=False, description="Serve it; needs the extra display.")
    host: str = Field(
        default="127.0.0.1",
        min_length=1,
        description="Address to serve at; any but this computer's own needs a token.",
    )
    port: int = Field(default=8470, ge=0, le=65535, description="0: one that is free.")
    address: str | None = Field(
        default=None,
        pattern=r"^https?://[A-Za-z0-9.\-\[\]:_]+$",
        description="Where browsers reach it through a proxy or a tunnel; none: at host and port themselves.",
    )
    token: str | None = Field(
        default=None,
        pattern=r"^[!-~]{12,200}$",
        description="What a page has to enter first; none: one is made up where it is needed.",
    )


class Reporting(_Group):
    """How reports are worded."""

    narrative: Path | None = Field(
        default=None, description="Template of the draft report (Jinja2); none: the one that came along."
    )


class Guiding(_Group):
    """Bailout cards."""

    regime: str = Field(
        default="aha_2020",
        pattern=r"^[a-z][a-z0-9_]*$",
        description="Regime of resuscitation, as named in resuscitation.toml.",
    )
    two_person: bool = Field(
        default=False, description="What cannot be taken back is chosen only once it is seconded."
    )


class Settings(_Group):
    """Everything that can be set."""

    cases: Path = Field(default=Path("cases"), description="Folder for new cases.")
    language: Language = Language()
    hearing: Hearing = Hearing()
    speaking: Speaking = Speaking()
    pedals: Pedals = Pedals()
    display: Display = Display()
    reporting: Reporting = Reporting()
    guiding: Guiding = Guiding()


def default_path() -> Path:
    """Return where settings are looked for if no file is named."""
    return Path(click.get_app_dir("checkback")) / "settings.toml"


def attention_of(settings: Settings) -> tuple[str, ...]:
    """Return the words that a call-out begins with when no pedal is held."""
    return tuple(settings.hearing.attention_word.split())


def vosk_model(settings: Settings) -> Path | None:
    """Return the folder of the Vosk model: the one that is set, or one found in a `models` folder.

    Looked for beside the current folder and beside the default settings, by the name
    ``vosk-model*``; of several the first by name.
    """
    return settings.hearing.vosk_model or _found_model("vosk-model*")


def whisper_model(settings: Settings) -> Path | None:
    """Return the folder of the Whisper model: the one that is set, or one found in a `models` folder.

    Looked for beside the current folder and beside the default settings, by the names ``whisper*``
    and ``faster-whisper*``; of several the first by name.
    """
    return settings.hearing.whisper_model or _found_model("whisper*", "faster-whisper*")


def second_whisper(settings: Settings) -> Path | None:
    """Return the folder of the Whisper model that gives a second opinion, or None for no such listener.

    Raises
    ------
    UserError
        If the settings ask for one and there is no model.
    """
    model = whisper_model(settings)
    if settings.hearing.second == "whisper" and model is None:
        raise UserError(
            "hearing.second is whisper, which needs a model folder: set hearing.whisper_model, see models_download.md"
        )
    return None if settings.hearing.second == "none" else model


def _found_model(*patterns: str) -> Path | None:
    for folder in (Path("models"), default_path().parent / "models"):
        found = sorted(path for pattern in patterns for path in folder.glob(pattern) if path.is_dir())
        if found:
            return found[0]
    return None


def load(path: Path | None) -> Settings:
    """Read the settings; with no path those in the default place, or the defaults.

    Raises
    ------
    UserError
        If the named file is missing, or keys are wrong; all of them are told.
    """
    if path is None:
        path = default_path()
        try:
            path.stat()
        except (FileNotFoundError, NotADirectoryError):
            return Settings()
        except OSError as error:
            raise UserError(
                f"The settings {path} cannot be looked at ({error.strerror}): change the permissions there, "
                "or name another file with --settings."
            ) from None
    text = read_text(path)
    try:
        return Settings.model_validate(parse_toml(path, text))
    except ValidationError as error:
        raise refused(path, text, error) from None


def grammars_folder(settings: Settings) -> Path:
    """Return the folder with phrasebook, catalogue and formulary.

    Raises
    ------
    UserError
        If there is none.
    """
    if settings.language.folder is not None:
        return settings.language.folder
    here = Path(__file__).resolve().parent
    for folder in (here / "grammars", here.parent.parent / "grammars"):
        if folder.is_dir():
            return folder
    raise UserError("the grammars folder is missing from the installation; install checkback again")
