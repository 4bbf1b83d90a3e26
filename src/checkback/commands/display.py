"""`checkback display`: the pages of a case that another program keeps, or that is finished."""

from __future__ import annotations

import signal
import threading
from pathlib import Path

import click

from checkback import app
from checkback.commands.common import NOT_A_DEVICE, SettingsFile, attention, case_argument, out, pass_settings
from checkback.display import show_files


@click.command()
@case_argument
@click.option("--port", type=click.IntRange(0, 65535), help="Serve at this port; 0: one that is free.")
@pass_settings
def display(settings: SettingsFile, case: Path, port: int | None) -> None:
    """Serve the pages of CASE from its files, finished or still running; Ctrl-C ends it.

    Nothing can be typed into these pages.  In a live case use checkback listen --display.

    Example: checkback display demo-case
    """
    loaded = settings.load()
    if port is not None:
        loaded = loaded.model_copy(update={"display": loaded.display.model_copy(update={"port": port})})
    pages = show_files(loaded, app.load_book(loaded), case, show=attention)
    out.print(f"[dim]{NOT_A_DEVICE}[/]", soft_wrap=True)
    over = threading.Event()
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: over.set())
    try:
        pages.start(())
        # in short waits, because elsewhere than on Linux a long one takes no signal
        while not over.wait(0.5):
            pass
    finally:
        pages.close()
