"""`checkback pedal`: learn a pedal by pressing it, and show which there are."""

from __future__ import annotations

import sys
from contextlib import suppress

import click

from checkback.commands.common import SettingsFile, attention, pass_settings
from checkback.errors import UserError
from checkback.hearing.pedals.devices import devices, may_be_read
from checkback.hearing.pedals.learning import learn
from checkback.hearing.pedals.opening import How
from checkback.settings_file import update


@click.command()
@click.option("--list", "only_list", is_flag=True, help="Show the devices that have keys, and ask nothing.")
@click.option(
    "--watch",
    type=click.Choice(["auto", "evdev", "display"]),
    default="auto",
    show_default=True,
    help="evdev: as a device (Linux); display: as keys of the keyboard.",
)
@click.option("--device", help="Learn this device only: vendor:product, name, place or path.")
@pass_settings
def pedal(settings: SettingsFile, only_list: bool, watch: How, device: str | None) -> None:
    """Learn a pedal by pressing it, and write what it does into the settings.

    Asks for each action whether a pedal shall do it, and waits for the press: held, tapped, tapped
    twice, or pressed long.  All else in the settings stays as it is.

    Example: checkback pedal --list
    """
    if only_list:
        _list()
        return
    # before anything is asked: what is wrong in the file would be found out only at the end
    if settings.path.exists():
        settings.load()
    if not sys.stdin.isatty():
        raise UserError(
            "checkback pedal asks, and there is no terminal to answer in: run it in a terminal, or write the "
            "keys into the settings, see docs/pedals.md"
        )
    learned = learn(ask_afresh, click.echo, watch=watch, device=device)
    if learned is None:
        raise UserError("nothing was pressed, and nothing is written: run checkback pedal again")
    update(settings.path, {"pedals": learned.settings()})
    click.echo(f"{settings.path}: written: {learned}. Try it with: checkback listen")


def ask_afresh(question: str) -> bool:
    """Ask in the terminal, without what a pedal may have typed into it."""
    with suppress(ImportError, OSError):
        import termios

        termios.tcflush(sys.stdin, termios.TCIFLUSH)
    return click.confirm(question)


def _list() -> None:
    found = devices()
    if not found:
        click.echo("No device with keys is seen here; a pedal is watched through the display, as keys.")
    for device in found:
        click.echo(f"{device}{'' if may_be_read(device) else '  (may not be read)'}")
    if not all(map(may_be_read, found)):
        attention("Rights to read a pedal: sudo usermod -aG input USER, or a udev rule, see docs/pedals.md")
