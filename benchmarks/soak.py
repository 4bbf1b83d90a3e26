"""Hours at real pace: whether anything grows, hangs, or gets lost.

    python benchmarks/soak.py --minutes 120 [--out FOLDER] [--seed 1] [--settings FILE]

The program itself (`checkback listen`) runs as it does in a room, with a virtual sound card.  One
thing after the other is done to it: call-outs by synthetic voices with and without the talk pedal
(a key of a virtual display, if Xvfb and xdotool are there), typed lines, a press of the mark pedal,
and every so often the microphone and the loudspeaker are pulled out and put back, or the program is
ended or killed and started again on the same case.  A few clients read the events of its page, and one
connects and never reads.  Needs `flite` and `pulseaudio`.

Every ten seconds memory, threads and file handles of the program and of each of its processes go
into `samples.csv`.  At the end:

entries         typed lines and presses must each give their entry; of call-outs it is counted how many
                gave one, and how many gave the words that were said
not hearing     seconds from pulling the microphone out until that is shown (aim: 2), and from the
                moment at which it gives no more sound until that is heard (aim: 2)
memory          megabytes per hour, from the slope over the second half of each stretch between
                restarts, and only of stretches of ten minutes or more
hang            a typed line that is not answered within 20 s

Exit code 1: something hung, was lost, or the chain of the journal is broken.  **The voices are
stand-ins for people.**
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import re
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
import soundfile

from checkback.hearing.recogniser import SAMPLE_RATE_HZ
from checkback.record.journal import verify

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from sound_room import SoundRoom, missing
from speakers import silence, spoken

CALL_OUTS = (
    "heart rate seventy two",
    "balloon two five by twelve fourteen atmospheres",
    "contrast given twenty millilitres",
    "balloon down",
    "stent three by eighteen",
    "stent deployed fourteen atmospheres",
    "heparin five thousand units",
    "wire across",
    "pressure one twenty over eighty",
    "a c t two hundred eighty",
    "saturation ninety eight",
    "time out done",
)
CHATTER = (
    "could somebody turn the lights down a bit please",
    "the next patient is already waiting outside",
    "did you see the game on saturday evening",
)
TYPED = ("heart rate {n}", "contrast {n}", "bp 1{n}/{n}", "fentanyl {n} mcg")
VOICES = ("slt", "rms", "awb", "kal")
SAMPLE_EVERY_S = 10.0
ANSWER_LIMIT_S = 20.0
START_LIMIT_S = 120.0
LISTENING = "listening; Ctrl-C ends it"
CLIENTS = 3


class HungError(Exception):
    """The program does not do what it must within its time."""


def wait_for(ready: Callable[[], bool], what: str, limit_s: float) -> float:
    """Wait, and return how long it took."""
    began = time.monotonic()
    while not ready():
        if time.monotonic() - began > limit_s:
            raise HungError(f"{what} did not come within {limit_s:g} s")
        time.sleep(0.05)
    return time.monotonic() - began


# --- what its processes hold ---------------------------------------------------------------------


def processes(parent: int) -> list[tuple[str, int]]:
    """Return the program and its child processes as (part, process number)."""
    found = [("program", parent)]
    for status in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError, ValueError):
            number = int(status.parent.name)
            if int(status.read_text().rpartition(")")[2].split()[1]) == parent:
                words = (status.parent / "cmdline").read_bytes().decode(errors="replace")
                part = next((p for p in ("speaking.child", "speaking.player") if p in words), "listener")
                found.append((part, number))
    return found


def held(number: int) -> tuple[float, int, int] | None:
    """Return memory in MB (proportional share if the kernel tells), threads and file handles."""
    folder = Path(f"/proc/{number}")
    try:
        status = (folder / "status").read_text()
        threads = int(re.search(r"Threads:\s+(\d+)", status)[1])  # type: ignore[index]
        memory = int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1024  # type: ignore[index]
        return memory, threads, len(list((folder / "fd").iterdir()))
    except (OSError, TypeError):
        return None


@dataclass
class Samples:
    """What was held, in a thread of its own."""

    file: Path
    program: Callable[[], tuple[int, int] | None]
    rows: list[tuple[float, int, str, float, int, int]] = field(default_factory=list)
    _ended: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Sample until `end`."""
        began = time.monotonic()
        with self.file.open("w", newline="") as file:
            table = csv.writer(file)
            table.writerow(("second", "start", "part", "memory_mb", "threads", "file_handles"))
            while not self._ended.wait(SAMPLE_EVERY_S):
                if (running := self.program()) is None:
                    continue
                start, number = running
                for part, pid in processes(number):
                    if (now := held(pid)) is not None:
                        row = (round(time.monotonic() - began, 1), start, part, *now)
                        self.rows.append(row)
                        table.writerow(row)
                file.flush()

    def end(self) -> None:
        """Stop sampling."""
        self._ended.set()

    def growth(self, part: str) -> float | None:
        """Return MB per hour: the median slope over the second half of each long stretch."""
        slopes = []
        for start in {row[1] for row in self.rows}:
            mine = [(row[0], row[3]) for row in self.rows if row[1] == start and row[2] == part]
            if mine and mine[-1][0] - mine[0][0] >= 600:
                half = np.array(mine[len(mine) // 2 :])
                slopes.append(float(np.polyfit(half[:, 0] / 3600, half[:, 1], 1)[0]))
        return statistics.median(slopes) if slopes else None

    def highest(self, part: str) -> tuple[float, int, int]:
        """Return the most memory, threads and file handles that a part ever held."""
        mine = [row[3:] for row in self.rows if row[2] == part]
        return tuple(max(each) for each in zip(*mine, strict=True)) if mine else (0.0, 0, 0)  # type: ignore[return-value]


# --- the program in its room ---------------------------------------------------------------------


class Program:
    """`checkback listen` on one case, started as often as needed."""

    def __init__(self, env: dict[str, str], case: Path, settings: Path, screen: Path) -> None:
        self._env = env | {"PYTHONUNBUFFERED": "1"}
        self.case = case
        self._settings = settings
        self._screen = screen
        self.starts = 0
        self._from = 0
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> float:
        """Start it and wait until it listens; return how long that took."""
        self.starts += 1
        self._from = self._screen.stat().st_size if self._screen.exists() else 0
        with self._screen.open("a") as screen:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "checkback.cli", "--settings", str(self._settings),
                 "listen", "--case", str(self.case), "--display"],
                env=self._env, stdin=subprocess.PIPE, stdout=screen, stderr=subprocess.STDOUT, text=True,
            )  # fmt: skip
        return wait_for(lambda: LISTENING in self.shown(), f"start {self.starts}", START_LIMIT_S)

    def running(self) -> tuple[int, int] | None:
        """Return which start this is and the process number, or None."""
        process = self.process
        return (self.starts, process.pid) if process is not None and process.poll() is None else None

    def shown(self) -> str:
        """Return what it showed since it was started."""
        with self._screen.open() as screen:
            screen.seek(self._from)
            return screen.read()

    def entries(self) -> list[dict[str, object]]:
        """Return the lines of the journal that are complete."""
        found = []
        with suppress(FileNotFoundError):
            for line in (self.case / "journal.jsonl").read_text().splitlines():
                with suppress(ValueError):
                    found.append(json.loads(line))
        return found

    def called(self) -> list[dict[str, object]]:
        """Return the entries that are not the program's own."""
        return [each for each in self.entries() if each.get("source") not in ("program", "plan")]

    def type(self, line: str) -> None:
        """Type a line."""
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def end(self, how: signal.Signals) -> int:
        """End it and return its exit code."""
        assert self.process is not None
        self.process.send_signal(how)
        try:
            return self.process.wait(timeout=60)
        except subprocess.TimeoutExpired:
            self.process.kill()
            raise HungError(f"the program did not end after {how.name}") from None


class Display:
    """A virtual display whose keys are pedals."""

    def __init__(self) -> None:
        reading, writing = os.pipe()
        self._server = subprocess.Popen(
            ["Xvfb", "-displayfd", str(writing), "-screen", "0", "640x480x24", "-nolisten", "tcp"],
            pass_fds=(writing,), stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(writing)
        with os.fdopen(reading) as answer:
            self.name = f":{answer.readline().strip()}"

    def key(self, how: str, key: str) -> None:
        """Let a key go "keydown" or "keyup", or press it shortly ("key")."""
        subprocess.run(["xdotool", how, key], env=os.environ | {"DISPLAY": self.name}, check=True, timeout=20)

    def close(self) -> None:
        """End it."""
        self._server.terminate()
        self._server.wait()


class Clients:
    """Readers of the page's events, and one that connects and never reads."""

    def __init__(self) -> None:
        self.events = 0
        self.connections = 0
        self._sockets: list[socket.socket] = []

    def connect(self, shown: str) -> None:
        """Connect anew to the address that the program showed, if it did."""
        self.close()
        found = re.search(r"http://(?:127\.0\.0\.1|localhost):\d+\S*", shown)
        if found is None:
            return
        address = urlsplit(found[0])
        query = f"?{address.query}" if address.query else ""
        for n in range(CLIENTS + 1):
            with suppress(OSError):
                link = socket.create_connection((address.hostname or "", address.port or 0), timeout=10)
                host = f"{address.hostname}:{address.port}"
                link.sendall(f"GET /events{query} HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
                self._sockets.append(link)
                self.connections += 1
                if n < CLIENTS:
                    threading.Thread(target=self._read, args=(link,), daemon=True).start()

    def _read(self, link: socket.socket) -> None:
        link.settimeout(None)
        with suppress(OSError):
            while got := link.recv(65_536):
                self.events += got.count(b"data:")

    def close(self) -> None:
        """Let go of all connections."""
        for link in self._sockets:
            link.close()
        self._sockets.clear()


@dataclass
class Told:
    """What was done and what came of it."""

    done: Counter[str] = field(default_factory=Counter)
    called_out: int = 0
    gave_entry: int = 0
    gave_words: int = 0
    chatter_entries: int = 0
    lost: list[str] = field(default_factory=list)
    deaf_after_s: list[float] = field(default_factory=list)
    spoken_after_s: list[float] = field(default_factory=list)
    back_after_s: list[float] = field(default_factory=list)
    start_s: list[float] = field(default_factory=list)
    exit_codes: Counter[int] = field(default_factory=Counter)
    troubles: list[str] = field(default_factory=list)


class Soak:
    """One thing after the other."""

    def __init__(
        self, room: SoundRoom, program: Program, display: Display | None, folder: Path, seed: int
    ) -> None:
        self._room = room
        self._program = program
        self._display = display
        self._folder = folder
        self._random = random.Random(seed)
        self._files: dict[tuple[str, str], Path] = {}
        self._clients = Clients()
        self.told = Told()

    @property
    def events_read(self) -> tuple[int, int]:
        """Connections made and events read by the clients of the page."""
        return self._clients.connections, self._clients.events

    def run(self, duration_s: float, *, unplug_every_s: float, restart_every_s: float) -> None:
        """Go on until the time is over."""
        self._start()
        began = time.monotonic()
        unplug_s, restart_s = began + unplug_every_s, began + restart_every_s
        turns: list[tuple[Callable[[], None], int]] = [
            (self._call_out, 6),
            (self._type, 3),
            (self._chatter, 1),
        ]
        if self._display is not None:
            turns += [(self._call_out_held, 4), (self._mark, 1)]
        while (now_s := time.monotonic()) < began + duration_s:
            if now_s >= restart_s:
                self._restart()
                restart_s += restart_every_s
            elif now_s >= unplug_s:
                # by turns: pulled out, and silent without being pulled out
                pulled, stalled = len(self.told.deaf_after_s), len(self.told.spoken_after_s)
                (self._unplug if pulled <= stalled else self._stall)()
                unplug_s += unplug_every_s
            else:
                turn = self._random.choices([turn for turn, _ in turns], [weight for _, weight in turns])[0]
                turn()
                self.told.done[turn.__name__.strip("_")] += 1
        code = self._program.end(signal.SIGINT)
        self.told.exit_codes[code] += 1
        self._clients.close()

    def _start(self) -> None:
        self.told.start_s.append(self._program.start())
        self._clients.connect(self._program.shown())

    def _file(self, words: str) -> Path:
        voice = self._random.choice(VOICES)
        if (words, voice) not in self._files:
            file = self._folder / f"said-{len(self._files)}.wav"
            sound = np.concatenate([silence(0.4), spoken(words, voice), silence(0.4)])
            soundfile.write(file, sound, SAMPLE_RATE_HZ)
            self._files[words, voice] = file
        return self._files[words, voice]

    def _said(self, words: str, before: int) -> None:
        """Count what came of a call-out, once the check-back is over."""
        self.told.called_out += 1
        with suppress(HungError):
            wait_for(lambda: len(self._program.called()) > before, "the entry", 8.0)
        new = self._program.called()[before:]
        self.told.gave_entry += bool(new)
        self.told.gave_words += any(each.get("words") == words for each in new)
        # the voice answers, and would be spoken into
        time.sleep(self._random.uniform(3.0, 7.0))

    def _call_out(self) -> None:
        words = self._random.choice(CALL_OUTS)
        file = self._file(words)
        before = len(self._program.called())
        self._room.play(file)
        self._said(words, before)

    def _call_out_held(self) -> None:
        assert self._display is not None
        words = self._random.choice(CALL_OUTS)
        file = self._file(words)
        before = len(self._program.called())
        self._display.key("keydown", "F6")
        try:
            self._room.play(file)
        finally:
            self._display.key("keyup", "F6")
        self._said(words, before)

    def _chatter(self) -> None:
        file = self._file(self._random.choice(CHATTER))
        before = len(self._program.called())
        self._room.play(file)
        time.sleep(4.0)
        self.told.chatter_entries += len(self._program.called()) - before

    def _type(self) -> None:
        line = self._random.choice(TYPED).format(n=self._random.randint(50, 98))
        self._expect(lambda: self._program.type(line), f"typed {line!r}", words=line)

    def _mark(self) -> None:
        display = self._display
        assert display is not None
        self._expect(lambda: display.key("key", "F9"), "a press of the mark pedal", source="pedal")

    def _expect(self, do: Callable[[], None], what: str, **wanted: str) -> None:
        """Do something that must give one entry."""
        before = len(self._program.called())

        def there() -> bool:
            new = self._program.called()[before:]
            return any(all(each.get(key) == value for key, value in wanted.items()) for each in new)

        do()
        try:
            wait_for(there, what, ANSWER_LIMIT_S)
        except HungError:
            self.told.lost.append(what)
            raise
        time.sleep(self._random.uniform(1.0, 3.0))

    def _unplug(self) -> None:
        """Pull microphone and loudspeaker out, and put them back after a while."""
        shown = self._program.shown().count("not hearing")
        again = self._program.shown().count("hearing again")
        # with one of them left, the sound server would silently move the program there
        self._room.unplug("voice")
        self._room.unplug("room")
        took_s = wait_for(lambda: self._program.shown().count("not hearing") > shown, "not hearing", 30.0)
        self.told.deaf_after_s.append(took_s)
        self._expect(lambda: self._program.type("heart rate 61"), "typed while deaf", words="heart rate 61")
        time.sleep(self._random.uniform(0.0, 8.0))
        self._room.plug("voice")
        self._room.plug("room")
        back_s = wait_for(lambda: self._program.shown().count("hearing again") > again, "hearing again", 60.0)
        self.told.back_after_s.append(back_s)
        time.sleep(5.0)

    def _stall(self) -> None:
        """Let the microphone give no blocks for a while, with a loudspeaker that still works."""
        time.sleep(5.0)
        shown = self._program.shown().count("not hearing")
        again = self._program.shown().count("hearing again")
        tape = self._room.record(self._folder / "stall.wav")
        began = time.monotonic()
        self._room._pactl("suspend-sink", "room", "1")
        stalled_s = time.monotonic() - began
        try:
            wait_for(lambda: self._program.shown().count("not hearing") > shown, "not hearing", 30.0)
            time.sleep(2.0)
        finally:
            tape.stop()
            self._room._pactl("suspend-sink", "room", "0")
        sound, rate_hz = soundfile.read(tape.file)
        loud = np.flatnonzero(np.abs(sound) > 0.02)
        if loud.size:
            self.told.spoken_after_s.append(loud[0] / rate_hz - stalled_s)
        else:
            self.told.troubles.append('"not hearing" was not spoken')
        wait_for(lambda: self._program.shown().count("hearing again") > again, "hearing again", 60.0)
        time.sleep(5.0)

    def _restart(self) -> None:
        """End or kill the program, and start it again on the same case."""
        how = self._random.choice([signal.SIGINT, signal.SIGKILL])
        before = len(self._program.entries())
        code = self._program.end(how)
        if how is signal.SIGINT:
            self.told.exit_codes[code] += 1
        self._start()
        if len(self._program.entries()) < before:
            self.told.lost.append(f"{before - len(self._program.entries())} entries by {how.name}")


def report(soak: Soak, samples: Samples, program: Program, minutes: float) -> bool:
    """Print what came of it; return whether it was well."""
    told = soak.told
    rows: list[tuple[str, str]] = [
        ("time", f"{minutes:.0f} min, {program.starts} starts, start took up to {max(told.start_s):.1f} s"),
        ("done", ", ".join(f"{name} {count}" for name, count in sorted(told.done.items()))),
        (
            "call-outs",
            f"{told.called_out}: {told.gave_entry} gave an entry, {told.gave_words} with the words said",
        ),
        ("chatter", f"{told.chatter_entries} entries"),
        ("lost", "; ".join(told.lost) or "none"),
        ("exit codes", ", ".join(f"{code}: {count}" for code, count in told.exit_codes.items())),
    ]
    if told.deaf_after_s:
        rows.append(
            (
                "not hearing",
                f"shown after {statistics.median(told.deaf_after_s):.1f} s (longest {max(told.deaf_after_s):.1f} s), "
                f"hearing again after up to {max(told.back_after_s):.1f} s, {len(told.deaf_after_s)} times",
            )
        )
    if told.spoken_after_s:
        rows.append(
            (
                "not hearing, aloud",
                f"first sound after {statistics.median(told.spoken_after_s):.1f} s (longest "
                f"{max(told.spoken_after_s):.1f} s), {len(told.spoken_after_s)} times",
            )
        )
    for part in sorted({row[2] for row in samples.rows}):
        memory, threads, handles = samples.highest(part)
        growth = samples.growth(part)
        slope = "too short to tell growth" if growth is None else f"{growth:+.2f} MB/h"
        rows.append(
            (part, f"at most {memory:.0f} MB, {threads} threads, {handles} file handles; memory {slope}")
        )
    lost_sound = re.findall(r"sound was lost (\d+) times", program.shown())
    rows.append(("overruns, last start", lost_sound[-1] if lost_sound else "0"))
    connections, events = soak.events_read
    rows.append(
        ("page", f"{connections} connections, {events} events read" if connections else "none served")
    )
    check = verify(program.case)
    rows.append(("journal", f"{len(program.entries())} entries, chain {'whole' if check.ok else 'BROKEN'}"))
    errors = program.case / "errors.log"
    rows.append(("errors.log", f"{errors.stat().st_size} bytes" if errors.exists() else "none"))
    rows += [("TROUBLE", trouble) for trouble in told.troubles]
    for name, value in rows:
        print(f"{name:22} {value}")
    return (
        check.ok
        and not told.lost
        and not told.troubles
        and not errors.exists()
        and set(told.exit_codes) <= {0}
    )


def main() -> None:
    """Run it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--minutes", type=float, default=120.0)
    options.add_argument("--out", type=Path, help="folder for case, screen and samples; none: one is made")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument(
        "--settings", type=Path, help="TOML to use instead of the defaults of this benchmark"
    )
    options.add_argument("--unplug-every", type=float, default=4.0, metavar="MINUTES")
    options.add_argument("--restart-every", type=float, default=25.0, metavar="MINUTES")
    chosen = options.parse_args()
    absent = missing() or ("" if shutil.which("flite") else "not installed: flite")
    if absent:
        sys.exit(f"soak: {absent}")
    folder = chosen.out or Path(tempfile.mkdtemp(prefix="soak-"))
    folder.mkdir(parents=True, exist_ok=True)
    print(f"case, screen and samples: {folder}", flush=True)
    with ExitStack() as stack:
        room = stack.enter_context(SoundRoom())
        env = dict(room.env)
        display = None
        if shutil.which("Xvfb") and shutil.which("xdotool"):
            display = Display()
            stack.callback(display.close)
            env["DISPLAY"] = display.name
        settings = chosen.settings
        if settings is None:
            settings = folder / "settings.toml"
            settings.write_text(f"[pedals]\nuse = {'true' if display else 'false'}\n")
        program = Program(env, folder / "case", settings, folder / "screen.txt")
        samples = Samples(folder / "samples.csv", program.running)
        sampling = threading.Thread(target=samples.run, daemon=True)
        sampling.start()
        soak = Soak(room, program, display, folder, chosen.seed)
        began = time.monotonic()
        try:
            soak.run(
                60 * chosen.minutes,
                unplug_every_s=60 * chosen.unplug_every,
                restart_every_s=60 * chosen.restart_every,
            )
        except (HungError, subprocess.SubprocessError, OSError) as error:
            soak.told.troubles.append(f"{type(error).__name__}: {error}")
            if program.process is not None:
                program.process.kill()
        samples.end()
        sampling.join()
        well = report(soak, samples, program, (time.monotonic() - began) / 60)
    sys.exit(0 if well else 1)


if __name__ == "__main__":
    main()
