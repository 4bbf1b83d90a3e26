"""The display joined to a case: a thread that folds what it is handed and keeps the pages current.

The loop hands over each entry after it is on disk, and each outcome; that is one `put` into a queue
and costs the same at any length of the case.  All else happens here, on a case of the display's own.
"""

from __future__ import annotations

import queue
import socket
import threading
import time
import traceback
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from checkback.board import Rules, Told, board, line, phrases
from checkback.errors import UserError
from checkback.extras import extra
from checkback.guiding import deck as decks
from checkback.language.card import phrase_card
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.loop import Outcome
from checkback.record.case import Case
from checkback.record.clock import SystemClock
from checkback.record.entry import CaseEnd, Entry, Moment
from checkback.record.journal import JOURNAL, Journal
from checkback.settings import Display as DisplaySettings
from checkback.settings import Settings, grammars_folder
from checkback.showing.plain import Board, Line, Room, RoomState, Row, Snapshot, as_json, level_step
from checkback.watching.limits import load as load_limits
from checkback.watching.status import moment_of

if TYPE_CHECKING:
    from checkback.listening import Listening
    from checkback.showing.server import Server

LOOK_S = 0.1
"""So often it is looked how the room is."""
LEVEL_S = 0.25
"""So often the level meter is set, to the highest that was seen since."""
ANEW_S = 5.0
"""So often the board is made anew though nothing happened: estimates change with time."""
SILENT_S = 3.0
"""The loop moves twice a second; if it has not for so long it hangs."""
FILES_S = 0.5
"""So often it is looked whether a journal that is only shown has grown."""
FAULT_S = 60.0
"""A fault of the display is told at most so often."""
NOTICE_S = 30.0
"""So long a line that needed attention stands on the wall."""
ERRORS = "display_errors.log"


class Keeper:
    """Keeps the board of one case current, in a thread of its own.

    Parameters
    ----------
    rules : Rules
    folder : Path
        Of the case; its name is shown, and faults are noted there.
    put : callable
        Takes each new snapshot.
    show : callable
        Is given one line if the board cannot be made.

    Attributes
    ----------
    on_fault : callable
        Is called when that is told, from the thread of the keeper.
    """

    def __init__(
        self, rules: Rules, folder: Path, put: Callable[[Snapshot], None], show: Callable[[str], None]
    ) -> None:
        self._rules = rules
        self._folder = folder
        self._put = put
        self._show = show
        self._news: queue.SimpleQueue[Entry | tuple[Entry, ...] | Told | str | None] = queue.SimpleQueue()
        self._case = Case()
        self._entries: list[Entry] = []
        #: Whether the case has all the entries; if not, it is folded anew.
        self._whole = True
        self._session = 1
        self._told: Told | None = None
        self._notice, self._noticed_s = "", float("-inf")
        self._lines: dict[int, Line] = {}
        self._rows: dict[int, Row] = {}
        self._revision = 0
        self._board: Board | None = None
        self._failed = self._blind = False
        self._faulted_s = float("-inf")
        self.on_fault: Callable[[], None] = lambda: None
        self.room: Callable[[], Room] = Room
        self.level: Callable[[], int | None] = lambda: None
        self.put_level: Callable[[int | None], None] = lambda level: None
        self._peak: int | None = None
        self._levelled_s = float("-inf")
        self.question: Callable[[], int | None] = lambda: None
        self.typing = False
        self._thread = threading.Thread(target=self._keep, name="board", daemon=True)

    # --- for the thread of the loop: each is one `put` ------------------------------------------

    def entry(self, entry: Entry) -> None:
        """Take an entry that is on disk."""
        self._news.put(entry)

    def told(self, outcome: Outcome) -> None:
        """Take an outcome; what was ignored was not meant for the program and is not shown."""
        if outcome.result != "ignored":
            self._news.put(
                Told(outcome.result, outcome.words, outcome.reply, outcome.entries, time.monotonic())
            )

    def notice(self, text: str) -> None:
        """Take a line that needs attention."""
        self._news.put(text)

    # --- its own thread -------------------------------------------------------------------------

    def start(self, entries: Iterable[Entry]) -> None:
        """Begin with the entries so far."""
        self._news.put(tuple(entries))
        self._thread.start()

    def close(self) -> None:
        """Show that the program ended, and end."""
        self._news.put(None)
        if self._thread.ident is not None:
            self._thread.join(timeout=2.0)

    def _keep(self) -> None:
        # whatever fails, this goes on to the end: else what it is handed would pile up
        room, made_s = Room(), float("-inf")
        ended = False
        while not ended:
            changed, ended = self._take_news()
            now_room = Room("ended") if ended else self._look()
            old = time.monotonic() - made_s >= ANEW_S
            if changed or old or ended or (self._board is None and not self._failed):
                room, made_s = now_room, time.monotonic()
                self._guarded(room)
            elif self._board is not None and now_room != room and not self._failed:
                # only the room has changed: what stands on the board goes on counting from when it was made
                room = now_room
                self._publish(replace(self._board, room=room), made_s)

    def _look(self) -> Room:
        """Look how the room is, and how loud."""
        try:
            room = self.room()
            self._follow_level(self.level())
        except Exception:
            if not self._blind:
                self._tell_of_fault()
            self._blind = True
            return Room("failed")
        self._blind = False
        return room

    def _follow_level(self, level: int | None) -> None:
        """Put out the highest level of the last while; nothing is owed to who does not look."""
        self._peak = level if level is None or self._peak is None else max(level, self._peak)
        now_s = time.monotonic()
        if now_s - self._levelled_s >= LEVEL_S:
            self.put_level(self._peak)
            self._levelled_s, self._peak = now_s, None

    def _take_news(self) -> tuple[bool, bool]:
        """Take all that is there; return whether there was something, and whether it is the end."""
        changed = ended = False
        with suppress(queue.Empty):
            news = self._news.get(timeout=LOOK_S)
            while True:
                changed = True
                if news is None:
                    ended = True
                elif isinstance(news, tuple):
                    self._entries, self._whole = list(news), False
                    self._session = max((each.session for each in news), default=1)
                elif isinstance(news, Entry):
                    self._entries.append(news)
                    self._session = news.session
                    self._apply(news)
                elif isinstance(news, Told):
                    self._told = news
                else:
                    self._notice, self._noticed_s = news, time.monotonic()
                news = self._news.get_nowait()
        return changed, ended

    def _apply(self, entry: Entry) -> None:
        if not self._whole:
            return
        try:
            self._case.apply(entry)
        except Exception:
            # it may have got halfway; `make` tries again from the first entry, and tells if that fails too
            self._whole = False
            self._note_details()

    def _fold_anew(self) -> None:
        if not self._whole:
            self._case = Case(self._entries)
            self._whole = True

    def _guarded(self, room: Room) -> None:
        try:
            self.make(SystemClock().now(), self._session, room)
        except Exception:
            if not self._failed:
                self._tell_of_fault()
            self._failed = True
            if self._board is not None:
                # what stands there is old, and has to be seen to be
                seen = room if room.state == "ended" else Room("failed")
                self._publish(replace(self._board, room=seen), time.monotonic())
        else:
            self._failed = False

    def _tell_of_fault(self) -> None:
        """Tell that the board cannot be made, and keep the details."""
        if time.monotonic() - self._faulted_s < FAULT_S:
            return
        self._faulted_s = time.monotonic()
        self._note_details()
        # a terminal that is gone must not end the display too
        with suppress(Exception):
            self._show(
                f"the display cannot show this case; details are in {self._folder / ERRORS}, recording goes on"
            )
        self.on_fault()

    def _note_details(self) -> None:
        with suppress(OSError), (self._folder / ERRORS).open("a", encoding="utf-8") as file:
            file.write(f"{traceback.format_exc()}\n")

    def make(self, now: Moment, session: int, room: Room) -> None:
        """Make the board as it is at a moment, and put it out."""
        self._fold_anew()
        self._follow_lines()
        noticed = time.monotonic() - self._noticed_s < NOTICE_S
        self._board = board(
            self._case,
            self._rules,
            now,
            session,
            name=self._folder.resolve().name,
            room=room,
            told=self._told,
            question=self.question(),
            typing=self.typing,
            notice=self._notice if noticed else "",
            revision=self._revision,
        )
        self._publish(self._board, time.monotonic())

    def _publish(self, made: Board, made_s: float) -> None:
        self._put(Snapshot(as_json(made), made_s, tuple(self._rows.values()), self._revision))

    def _follow_lines(self) -> None:
        """Find out which lines of the log are new or have become something else."""
        revision = self._revision + 1
        for entry in self._case.entries:
            known = self._lines.get(entry.n)
            if known is not None and (known.standing, known.by) == self._case.standing(entry):
                continue
            self._revision = revision
            self._lines[entry.n] = made = line(self._case, self._rules.phrasing, entry)
            self._rows[entry.n] = Row(revision, as_json(made))


class Display:
    """The pages of one case, served.

    Parameters
    ----------
    keeper : Keeper
    server : Server
    """

    def __init__(self, keeper: Keeper, server: Server) -> None:
        self.keeper = keeper
        self.server = server

    def start(self, entries: Iterable[Entry]) -> None:
        """Begin to serve, with the entries so far; those that come later are handed to `keeper`."""
        self.keeper.start(entries)
        self.server.start()

    def follow(self, room: Listening) -> None:
        """Show how a live room is."""
        self.keeper.room = lambda: room_of(room)
        self.keeper.level = lambda: level_of(room)
        self.keeper.question = lambda: room.question
        self.keeper.on_fault = room.display_fault

    def close(self) -> None:
        """End the pages, then the server."""
        self.keeper.close()
        self.server.close()


def room_of(room: Listening) -> Room:
    """Return how a live room is; may be called from any thread."""
    if time.monotonic() - room.ticked_s > SILENT_S:
        return Room("silent")
    now = room.room_state
    trouble: Literal["", "clipping", "behind", "disk"] = (
        "disk" if room.disk_trouble else "behind" if now.behind else "clipping" if now.clipping else ""
    )
    if now.speaking and not now.held:
        return Room("speaking", trouble=trouble)
    if now.why_deaf == "no microphone":
        return Room("typed", now.held, trouble)
    if now.in_speech or (now.held and now.hearing):
        return Room("hearing", now.held, trouble)
    return Room(_DEAF[now.why_deaf] if not now.hearing else "listening", now.held, trouble)


def level_of(room: Listening) -> int | None:
    """Return the step of the level meter of a live room, None without a microphone; for any thread."""
    now = room.room_state
    return None if now.why_deaf == "no microphone" else level_step(now.level_dbfs)


_DEAF: Mapping[str, RoomState] = {
    "": "listening",
    "lost": "deaf",
    "silent": "deaf",
    "speaking": "speaking",
    "pedal": "pedal",
}


def rules_of(settings: Settings, book: Phrasebook) -> Rules:
    """Return what the board needs of the grammars; faulty cards are left out, and do no other harm."""
    folder = grammars_folder(settings)
    try:
        deck = decks.load(folder)
    except UserError:
        deck = None
    return Rules(load_limits(folder), book.catalogue, Phrasing(book), deck)


def open_display(
    settings: Settings,
    book: Phrasebook,
    folder: Path,
    *,
    typed: Callable[[str], None] | None,
    show: Callable[[str], None],
    kind: type[Keeper] = Keeper,
) -> Display:
    """Open the pages of a case; nothing is served before `Server.start`.

    Parameters
    ----------
    settings : Settings
    book : Phrasebook
    folder : Path
        Case folder.
    typed : callable or None
        Takes a line that was typed into a page, from any thread; None: nothing is taken.
    show : callable
        Is given lines that need attention.
    kind : type
        Of the keeper.

    Raises
    ------
    UserError
        If a package is lacking, or the address cannot be bound to.
    """
    extra("starlette", of="display", purpose="The display")
    extra("uvicorn", of="display", purpose="The display")
    from checkback.showing.feed import Feed
    from checkback.showing.guard import is_loopback, new_token, reached_by_others
    from checkback.showing.pages import Words
    from checkback.showing.server import Server

    wanted = settings.display
    open_to_others = not is_loopback(wanted.host)
    others = reached_by_others(wanted.host, wanted.address)
    token = wanted.token or (new_token() if others else None)
    feed = Feed()
    server = Server(
        feed,
        Words(book.file.language, book.file.pages, phrases(phrase_card(book))),
        typed,
        host=wanted.host,
        port=wanted.port,
        token=token,
        address=wanted.address,
        show=show,
    )
    keeper = kind(rules_of(settings, book), folder, feed.put, show)
    keeper.typing = typed is not None
    keeper.put_level = feed.put_level
    show(_address(wanted, server.port, token, open_to_others))
    return Display(keeper, server)


def _address(wanted: DisplaySettings, port: int, token: str | None, open_to_others: bool) -> str:
    host = socket.gethostname() if wanted.host in ("0.0.0.0", "::", "") else wanted.host
    address = f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"
    said = f"The display is at {address} (wall) and {address}desk (control room)."
    if not open_to_others:
        if wanted.address is None or token is None:
            return said
        return (
            f"{said} At {wanted.address} too: whoever has the token {token} sees this patient's data and can "
            "type call-outs."
        )
    return (
        f"{said} It is open to the network: whoever has the token {token} sees this patient's data and can type "
        "call-outs, and nothing is encrypted (no TLS), so use it in a network of your own only."
    )


class FilesKeeper(Keeper):
    """Shows a case from its files, whether or not another program is writing them."""

    def _keep(self) -> None:
        seen: object = None
        made_s = float("-inf")
        while True:
            with suppress(queue.Empty):
                if self._news.get(timeout=FILES_S) is None:
                    return
            try:
                found = (self._folder / JOURNAL).stat()
                stamp: object = (found.st_size, found.st_mtime_ns)
                changed = stamp != seen
                if changed:
                    self._entries, self._whole = list(Journal.read(self._folder, despite_breaks=True)), False
                    seen = stamp
            except (OSError, UserError) as error:
                self._notice, self._noticed_s, changed = str(error), time.monotonic(), seen is not None
                seen = None
            if changed or time.monotonic() - made_s >= ANEW_S:
                made_s = time.monotonic()
                self._guarded(Room("files"))

    def make(self, now: Moment, session: int, room: Room) -> None:
        """Make the board as it is now, or as it was at the end of a case that ended."""
        self._fold_anew()
        wall: datetime = now.wall
        if self._case.latest(CaseEnd) is not None:
            wall = self._case.entries[-1].recorded.wall
        super().make(*moment_of(self._case, wall), room)


def show_files(settings: Settings, book: Phrasebook, folder: Path, *, show: Callable[[str], None]) -> Display:
    """Open the pages of a case that is only shown.

    Raises
    ------
    UserError
        If there is no case, or as in `open_display`.
    """
    Journal.read(folder, despite_breaks=True)
    return open_display(settings, book, folder, typed=None, show=show, kind=FilesKeeper)
