"""What an entry costs in memory, and whether anything else grows: a long case, faster than real time.

    python benchmarks/memory.py [--entries 3000] [--every 500] [--spoken 0.25] [--trace]

The real parts of `checkback listen` run in this process: queue, loop, journal on disk, reminders, pages with
a reader, the grammar recogniser in its child process, the espeak voice in its own, whose sound is kept as in
a room and played to nobody.  Utterances of synthetic voices are replayed through the segmenter and the
recogniser as fast as they are taken; in between lines are typed and the mark pedal is pressed.

At every so many entries everything is let come to rest and counted:

rss         memory of this process as the system sees it, MB
malloc      in use in the C library's heaps, and free in them but not given back, MB
objects     Python objects that the collector follows
voice       sentences that are kept as sound, and how many MB they take

At the end: what each further entry costs, by type of object (with --trace also by line of the source); and
what `malloc_trim` gives back, which was no leak but fragmentation.  Needs `flite` and Linux.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import http.client
import random
import re
import sys
import tempfile
import threading
import time
import tracemalloc
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from checkback import app
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.pedals.events import PedalEvent
from checkback.hearing.recogniser import Pcm
from checkback.language.phrasing import Phrasing
from checkback.listening import Listening
from checkback.settings import Settings
from checkback.speaking.synthesis import ChildSynthesiser
from checkback.speaking.voice import Tone, Urgency
from checkback.speaking.voices import SilentVoice

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from soak import CALL_OUTS

from speakers import silence, spoken

TYPED = (
    "heart rate {n}",
    "contrast {n}",
    "bp 1{n}/{n}",
    "fentanyl {n} mcg",
    "balloon out",
    "wire across",
    "noted",
)
ANSWER_LIMIT_S = 3.0
VOICES = ("slt", "rms", "awb", "kal")


class Tape:
    """A microphone that gives what was put into it as fast as it is read, and hiss after that."""

    name = "tape"
    hearing = True
    overflows = reconnections = 0

    def __init__(self, _name: str | None = None) -> None:
        self._sound: Pcm = np.zeros(0, dtype=np.int16)
        self._lock = threading.Lock()
        self._hiss = silence(BLOCK_S)

    def put(self, sound: Pcm) -> None:
        """Add what is said next."""
        with self._lock:
            self._sound = np.concatenate([self._sound, sound])

    def read(self, timeout_s: float = 0.1) -> tuple[Pcm, float] | None:
        """Return the next block, with the time of now."""
        with self._lock:
            block, self._sound = self._sound[:BLOCK_SAMPLES], self._sound[BLOCK_SAMPLES:]
        if len(block) < BLOCK_SAMPLES:
            time.sleep(0.02)
            block = self._hiss
        return block.copy(), time.monotonic()

    def close(self) -> None:
        """Nothing is held."""


class _Mallinfo(ctypes.Structure):
    _fields_ = [
        (name, ctypes.c_size_t)
        for name in "arena ordblks smblks hblks hblkhd usmblks fsmblks uordblks fordblks keepcost".split()
    ]


class UnheardVoice(SilentVoice):
    """Makes every sentence into sound, as the loudspeaker's voice does, and plays it to nobody."""

    def __init__(self, synthesiser: ChildSynthesiser, prepared: Iterable[str]) -> None:
        self.synthesiser = synthesiser
        synthesiser.prepare(prepared)

    def say(self, text: str, urgency: Urgency = Urgency.CHECK_BACK, tone: Tone | None = None) -> None:
        """Make `text` into sound."""
        if text:
            self.synthesiser.synthesise(text)

    @property
    def kept(self) -> tuple[int, float]:
        """Sentences that are kept as sound, and their MB."""
        store = self.synthesiser._store
        kept = [*store._prepared.values(), *store._others.values()]
        return len(kept), sum(each.pcm.nbytes for each in kept) / 1e6


def heaps() -> tuple[float, float]:
    """Return MB in use in malloc's heaps (mapped blocks included), and MB that are free in them."""
    libc = ctypes.CDLL("libc.so.6")
    libc.mallinfo2.restype = _Mallinfo
    told = libc.mallinfo2()
    return (told.uordblks + told.hblkhd) / 1e6, told.fordblks / 1e6


def rss_mb() -> float:
    """Return what the system sees."""
    return int(re.search(r"VmRSS:\s+(\d+)", Path("/proc/self/status").read_text())[1]) / 1024  # type: ignore[index]


def types() -> Counter[str]:
    """Return the followed objects by type."""
    return Counter(f"{type(each).__module__}.{type(each).__qualname__}" for each in gc.get_objects())


def read_events(address: tuple[str, int], ended: threading.Event) -> None:
    """Be a page that follows the events."""
    link = http.client.HTTPConnection(*address, timeout=5)
    link.request("GET", "/events")
    answer = link.getresponse()
    while not ended.is_set():
        try:
            if not answer.read1(65_536):
                return
        except OSError:
            return


class Case:
    """One long case."""

    def __init__(
        self, room: Listening, tape: Tape, voice: UnheardVoice, seed: int, spoken_share: float
    ) -> None:
        self._room, self._tape, self._voice, self._spoken_share = room, tape, voice, spoken_share
        self._random = random.Random(seed)
        self.answers = 0

    @property
    def entries(self) -> int:
        """How many there are."""
        return len(self._room._loop.case.entries)

    def go_on(self, until: int) -> None:
        """Do one thing after the other until there are so many entries, and let everything come to rest."""
        while self.entries < until:
            before = self.answers
            self._one()
            deadline_s = time.monotonic() + ANSWER_LIMIT_S
            while self.answers == before and time.monotonic() < deadline_s:
                time.sleep(0.002)
        time.sleep(1.0)
        gc.collect()

    def _one(self) -> None:
        chance = self._random.random()
        if chance < self._spoken_share:
            said = spoken(self._random.choice(CALL_OUTS), self._random.choice(VOICES))
            self._tape.put(np.concatenate([silence(0.4), said, silence(0.6)]))
        elif chance < self._spoken_share + 0.05:
            self._room.press(PedalEvent("mark", True, time.monotonic()))
        else:
            self._room.type(self._random.choice(TYPED).format(n=self._random.randint(50, 98)))

    def measure(self) -> float:
        """Print what is held; return what the system sees, MB."""
        in_use, free = heaps()
        sentences, sound = self._voice.kept
        now = rss_mb()
        print(
            f"{self.entries:6} entries  rss {now:6.1f} MB  malloc {in_use:6.1f} in use {free:5.1f} free  "
            f"objects {len(gc.get_objects()):7}  voice {sentences:4} {sound:4.1f} MB",
            flush=True,
        )
        return now


def main() -> None:
    """Run it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    options.add_argument("--entries", type=int, default=3000)
    options.add_argument("--every", type=int, default=500)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--spoken", type=float, default=0.25, help="share of what is spoken")
    options.add_argument("--trace", action="store_true")
    chosen = options.parse_args()
    settings = Settings.model_validate(
        {"hearing": {"recogniser": "pocketsphinx"}, "display": {"use": True, "port": 0}}
    )
    book = app.load_book(settings)
    tape = Tape()
    voice = UnheardVoice(app.make_synthesiser(settings), Phrasing(book).fixed())  # type: ignore[arg-type]
    app.Microphone = lambda _name: tape  # type: ignore[assignment,misc]
    app.make_voice = lambda *_, **__: voice  # type: ignore[assignment]
    lines: list[str] = []
    ended = threading.Event()
    case: Case | None = None

    def report(*_: object) -> None:
        if case is not None:
            case.answers += 1

    with (
        tempfile.TemporaryDirectory() as name,
        app.listening(Path(name) / "case", settings, book, report=report, show=lines.append) as room,
    ):
        address = next(found for line in lines if (found := re.search(r"http://([\d.]+):(\d+)/", line)))
        case = Case(room, tape, voice, chosen.seed, chosen.spoken)
        runner = threading.Thread(target=room.run, daemon=True)
        runner.start()
        reader = threading.Thread(
            target=read_events, args=((address[1], int(address[2])), ended), daemon=True
        )
        reader.start()
        half = chosen.entries // 2
        steps = sorted({*range(chosen.every, chosen.entries, chosen.every), half, chosen.entries})
        before_mb = 0.0
        before: Counter[str] = Counter()
        snapshot = None
        for until in steps:
            case.go_on(until)
            lines.clear()
            now_mb = case.measure()
            if until == half:
                before, before_mb = types(), now_mb
                if chosen.trace:
                    tracemalloc.start()
                    snapshot = tracemalloc.take_snapshot()
        more = chosen.entries - half
        print(
            f"\neach of the last {more} entries: {1000 * (now_mb - before_mb) / more:.1f} kB of rss, and objects"
        )
        for kind, count in (types() - before).most_common(20):
            print(f"{count / more:8.2f}  {kind}")
        if snapshot is not None:
            print("\nbytes per entry by line")
            for each in tracemalloc.take_snapshot().compare_to(snapshot, "lineno")[:30]:
                print(f"{each.size_diff / more:8.0f}  {each.traceback[-1]}")
        now_mb = rss_mb()
        ctypes.CDLL("libc.so.6").malloc_trim(0)
        print(f"\nmalloc_trim gave back {now_mb - rss_mb():.1f} MB")
        ended.set()
        room.stop()
        runner.join(timeout=10)


if __name__ == "__main__":
    main()
