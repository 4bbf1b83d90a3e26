"""How fast the whole loop is: reading, hearing, writing, speaking; and how much memory it takes.

    python benchmarks/loop.py [--quick] [--seed 1]

Sentences of the phrasebook are spoken by synthetic voices into a virtual sound card, where the
program listens and answers: once with an open room, once with the talk pedal held.  Needs the
programs `flite` and `pulseaudio`; nothing is heard on this computer.

What is measured from where:

end of speech   the last block of 30 ms that sounds, at the time at which the sound system delivered it
press           the record of the pedal's key is written into the socket from which the program reads it
listening       from here on everything heard is one utterance, whatever it is
release         the moment at which the talk pedal comes up, here as soon as the player has played out;
                30 ms of it are the wait for a bounce
on disk         the entry was written and synced, and its check-back queued
first sound     the first sample of the check-back leaves the sound card, as far as that tells

**The voices are stand-ins for people**, and a real sound card has delays of its own.
"""

from __future__ import annotations

import argparse
import os
import queue
import random
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from evdev import ecodes

from checkback import app
from checkback import listening as live
from checkback.hearing.endpointing import Segmenter
from checkback.hearing.pedals.records import RECORD
from checkback.hearing.pocketsphinx import PocketSphinxDecoder
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Heard, Pcm, Recogniser, Utterance
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.listening import Listening
from checkback.loop import Outcome
from checkback.settings import Settings
from checkback.speaking.loudspeaker import Sounding
from checkback.speaking.voice import Voice

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "tests"))

from parse import measure, vocabulary  # noqa: E402
from rejection import FLITE_VOICES, in_room, speak  # noqa: E402

from sound_room import SoundRoom, missing, wait_until  # noqa: E402

QUIET_DB = 60.0
"""Speech over the room's noise."""

ANSWER_LIMIT_S = 6.0
PARSE_AIM_MS = 1.0
DISK_AIM_MS = 300.0
SOUND_AIM_MS = 600.0
DECISION_AIM_MS = 300.0


@dataclass(frozen=True)
class Sentence:
    """A call-out as a file: speech to the last sample, so that its end is the player's end."""

    words: str
    file: Path


@dataclass
class Course:
    """What happened to one call-out; times are seconds of `time.monotonic`."""

    sentence: Sentence
    utterance: Utterance | None = None
    pressed_s: float | None = None
    listening_s: float | None = None
    released_s: float | None = None
    asked_s: float | None = None
    heard_s: float | None = None
    decoded_early: bool = False
    disk_s: float | None = None
    outcome: Outcome | None = None
    sounding_s: float | None = None


@dataclass
class TimedRecogniser:
    """The recogniser of the program, with a note of when it was asked and when it answered."""

    inner: Recogniser
    name: str = "pocketsphinx"
    notes: queue.Queue[tuple[float, float, bool]] = field(default_factory=queue.Queue)
    _prepared: list[Pcm] = field(default_factory=list)

    def follow(self, so_far: Utterance) -> None:
        """Pass it on."""
        self.inner.follow(so_far)  # type: ignore[attr-defined]

    def prepare(self, utterance: Utterance) -> None:
        """Pass it on, and keep what was offered."""
        if not any(pcm is utterance.pcm for pcm in self._prepared):
            self._prepared.append(utterance.pcm)
        self.inner.prepare(utterance)  # type: ignore[attr-defined]

    def hear(self, utterance: Utterance) -> Heard:
        """Pass it on, and note the times."""
        asked_s = time.monotonic()
        heard = self.inner.hear(utterance)
        early = any(pcm is utterance.pcm for pcm in self._prepared)
        self._prepared.clear()
        self.notes.put((asked_s, time.monotonic(), early))
        return heard

    def close(self) -> None:
        """Close the recogniser."""
        self.inner.close()


def sentences(book: Phrasebook, count: int, seed: int, folder: Path) -> list[Sentence]:
    """Speak `count` random events of the phrasebook into files, with half a second of silence before."""
    rng = random.Random(seed)
    families = [name for role, name, _ in book.families() if role == "event"]
    made = []
    for n in range(count):
        words = book.sample(rng, rng.choice(families)).words
        sound = np.pad(speak(FLITE_VOICES[n % len(FLITE_VOICES)], words), (SAMPLE_RATE_HZ // 2, 0))
        hiss = np.random.default_rng(n).standard_normal(len(sound)) * 5e-5
        file = folder / f"{n:02}.wav"
        soundfile.write(file, sound + hiss, SAMPLE_RATE_HZ)
        made.append(Sentence(words, file))
    return made


def quantiles(values: Sequence[float]) -> tuple[float, float]:
    """Return the median and the 95th percentile."""
    return statistics.median(values), float(np.percentile(values, 95))


Row = tuple[str, str, str]


def in_ms(name: str, values_s: Iterable[float | None], aim_ms: float | None = None) -> Row:
    """Return a row with median and 95th percentile in milliseconds."""
    values = [1e3 * value for value in values_s if value is not None]
    if not values:
        return name, "nothing measured", ""
    median, p95 = quantiles(values)
    return name, f"median {median:4.0f} ms, p95 {p95:4.0f} ms", f"< {aim_ms:.0f} ms" if aim_ms else ""


# --- without sound -------------------------------------------------------------------------------


def parsing(book: Phrasebook, count: int, seed: int) -> list[Row]:
    """Measure the time to find every reading of a sentence."""
    rng = random.Random(seed)
    words = vocabulary(book)
    drawn = [book.sample(rng).words for _ in range(count)]
    drawn += [" ".join(rng.choices(words, k=rng.randint(1, 12))) for _ in range(count // 2)]
    rows = []
    for name, reader in (
        ("spoken", Reader(book, every_size=True)),
        ("typed", Reader(book, typed=True)),
    ):
        taken_ms, _ = measure(reader, drawn)
        p99 = statistics.quantiles(taken_ms, n=100)[98]
        rows.append(
            (
                f"parse, {name}",
                f"median {statistics.median(taken_ms):.3f} ms, p99 {p99:.3f} ms",
                f"p99 < {PARSE_AIM_MS:.0f} ms",
            )
        )
    return rows


def decoding(book: Phrasebook, said: Sequence[Sentence]) -> list[Row]:
    """Measure the decoder's processor time against the length of the sound."""
    grammar = app.grammar_of(book)
    began = time.process_time()
    decoder = PocketSphinxDecoder(grammar)
    loaded_s = time.process_time() - began
    noise = np.random.default_rng(0)
    spent_s, heard_s, factors = 0.0, 0.0, []
    for sentence in said:
        sound, _ = soundfile.read(sentence.file)
        pcm = in_room(sound[SAMPLE_RATE_HZ // 2 :], QUIET_DB, noise)
        began = time.process_time()
        decoder.decode(pcm)
        spent_s += (took_s := time.process_time() - began)
        heard_s += len(pcm) / SAMPLE_RATE_HZ
        factors.append(took_s * SAMPLE_RATE_HZ / len(pcm))
    return [
        ("decoder start (processor time)", f"{loaded_s:.2f} s, {len(grammar.arcs)} arcs", ""),
        (
            "real-time factor (processor time)",
            f"{spent_s / heard_s:.3f} over {heard_s:.0f} s of sound, highest {max(factors):.3f}",
            "",
        ),
    ]


# --- in the virtual room -------------------------------------------------------------------------


class TimedSegmenter(Segmenter):
    """The end-pointer of the program, with a note of when it took the press of the pedal."""

    presses: queue.Queue[float] = queue.Queue()

    def press(self) -> None:
        """Take the press, and note the time."""
        super().press()
        self.presses.put(time.monotonic())


class Foot:
    """A pedal on a socket, that the program reads as a device."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._server.bind(str(path))
        self._server.listen(1)

    def connected(self) -> None:
        """Wait until the program has opened the pedal."""
        self._line, _ = self._server.accept()

    def move(self, down: bool) -> float:
        """Press or release, and return the time."""
        at_s = time.monotonic()
        stamp = int(at_s), int(at_s % 1 * 1e6)
        self._line.sendall(
            RECORD.pack(*stamp, ecodes.EV_KEY, ecodes.KEY_B, int(down))
            + RECORD.pack(*stamp, ecodes.EV_SYN, ecodes.SYN_REPORT, 0)
        )
        return at_s

    def close(self) -> None:
        """Unplug it."""
        self._line.close()
        self._server.close()


class LiveRoom:
    """The program, listening in the virtual room, in this process."""

    def __init__(self, sound_room: SoundRoom, book: Phrasebook, folder: Path, *, open_room: bool) -> None:
        self._sound_room = sound_room
        self._reports: queue.Queue[tuple[float, Outcome, Utterance | None]] = queue.Queue()
        self._soundings: queue.Queue[Sounding] = queue.Queue()
        self._voice: Voice | None = None
        self._open_room = open_room
        # the path of a socket must be short
        self._foot = Foot(Path(tempfile.mkdtemp(prefix="foot-")) / "pedal")
        settings = Settings.model_validate(
            {
                "hearing": {"open_room": open_room},
                "speaking": {"voice": "loudspeaker"},
                "pedals": {"use": True, "device": str(self._foot.path), "keys": {"b": "talk"}},
            }
        )
        make_recogniser, make_voice = app.make_recogniser, app.make_voice
        self.recogniser = TimedRecogniser(make_recogniser(settings, book))

        def keep_voice(*args: object, **kwargs: object) -> Voice:
            self._voice = make_voice(*args, **kwargs)  # type: ignore[arg-type]
            return self._voice

        # The program makes its parts itself; here they are made by it too, and then watched.
        app.make_recogniser = lambda *_: self.recogniser  # type: ignore[assignment]
        app.make_voice = keep_voice  # type: ignore[assignment]
        try:
            self._context = app.listening(
                folder,
                settings,
                book,
                report=lambda outcome, utterance: self._reports.put((time.monotonic(), outcome, utterance)),
                show=lambda line: print(f"  {line}"),
                on_sounding=self._soundings.put,
            )
            self._room: Listening = self._context.__enter__()
            self._foot.connected()
        finally:
            app.make_recogniser, app.make_voice = make_recogniser, make_voice

    def run(self, work: Callable[[], list[Course]]) -> list[Course]:
        """Run the loop in this thread while `work` speaks to it from another one."""
        from concurrent.futures import ThreadPoolExecutor

        def then_stop() -> list[Course]:
            try:
                return work()
            finally:
                self._room.stop()

        with ThreadPoolExecutor(1) as pool:
            working = pool.submit(then_stop)
            self._room.run()
        self._context.__exit__(None, None, None)
        self._foot.close()
        shutil.rmtree(self._foot.path.parent)
        return working.result()

    def say(self, sentence: Sentence, *, still_holding_s: float) -> Course:
        """Say one call-out, and follow it until its check-back sounds."""
        course = Course(sentence)
        for old in (self._reports, self._soundings, self.recogniser.notes, TimedSegmenter.presses):
            while not old.empty():
                old.get()
        if not self._open_room:
            course.pressed_s = self._foot.move(True)
            course.listening_s = TimedSegmenter.presses.get(timeout=ANSWER_LIMIT_S)
            time.sleep(0.1)
        self._sound_room.play(sentence.file)
        if not self._open_room:
            time.sleep(still_holding_s)
            course.released_s = self._foot.move(False)
        try:
            course.disk_s, course.outcome, course.utterance = self._reports.get(timeout=ANSWER_LIMIT_S)
            course.asked_s, course.heard_s, course.decoded_early = self.recogniser.notes.get_nowait()
            if course.outcome.reply:
                course.sounding_s = self._soundings.get(timeout=ANSWER_LIMIT_S).sounding_s
        except queue.Empty:
            pass
        if self._voice is not None:
            # The rest of the sentence would only cost time.
            self._voice.stop()
        time.sleep(0.8)
        return course


def followed(
    sound_room: SoundRoom,
    book: Phrasebook,
    said: Sequence[Sentence],
    folder: Path,
    *,
    open_room: bool,
    still_holding_s: float = 0.0,
) -> list[Course]:
    """Say every sentence in a new case."""
    room = LiveRoom(sound_room, book, folder, open_room=open_room)

    def work() -> list[Course]:
        time.sleep(1.0)
        return [room.say(sentence, still_holding_s=still_holding_s) for sentence in said]

    return room.run(work)


def less(later_s: float | None, earlier_s: float | None) -> float | None:
    """Return the difference of two times, None if one is missing."""
    return None if later_s is None or earlier_s is None else later_s - earlier_s


def live_rows(name: str, courses: Sequence[Course]) -> list[Row]:
    """Return the rows of one way to listen."""
    kept = [c for c in courses if c.outcome is not None and c.outcome.entries]
    exact = sum(c.outcome is not None and c.outcome.words == c.sentence.words for c in courses)
    early = sum(c.decoded_early for c in kept)

    def ended_s(course: Course) -> float | None:
        return course.utterance.ended_s if course.utterance else None

    with_pedal = any(c.released_s for c in courses)
    origin = "release" if with_pedal else "end of speech"
    rows = [
        (
            f"{name}: call-outs",
            f"{len(courses)} said, {len(kept)} became entries or questions, {exact} word for word",
            "",
        )
    ]
    if with_pedal:
        rows.append(in_ms("  press to listening", (less(c.listening_s, c.pressed_s) for c in courses)))
        rows.append(in_ms("  end of speech to release", (less(c.released_s, ended_s(c)) for c in kept)))

    def since(course: Course, later_s: float | None) -> float | None:
        return less(later_s, course.released_s if with_pedal else ended_s(course))

    waits = "wait for the block" if with_pedal else "wait of the end-pointer"
    return [
        *rows,
        in_ms(f"  {origin} to cut ({waits})", (since(c, c.asked_s) for c in kept)),
        in_ms("  cut to words (rest of the decoding)", (less(c.heard_s, c.asked_s) for c in kept)),
        ("  decoded ahead", f"{early} of {len(kept)}", ""),
        in_ms("  words to disk", (less(c.disk_s, c.heard_s) for c in kept)),
        in_ms(f"  {origin} to disk", (since(c, c.disk_s) for c in kept), DISK_AIM_MS),
        in_ms("  disk to first sound", (less(c.sounding_s, c.disk_s) for c in kept), DECISION_AIM_MS),
        in_ms(f"  {origin} to first sound", (since(c, c.sounding_s) for c in kept), SOUND_AIM_MS),
    ]


# --- memory --------------------------------------------------------------------------------------


def memory_of(pid: int) -> tuple[float, float]:
    """Return the resident memory of a process in MB, and its share if what it shares is divided."""
    rollup = dict(
        line.split(":", 1) for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()[1:]
    )
    return tuple(int(rollup[key].split()[0]) * 1024 / 1e6 for key in ("Rss", "Pss"))  # type: ignore[return-value]


def family_of(pid: int) -> list[tuple[str, int]]:
    """Return what each of the program's processes does, and its id."""
    roles = {"hearing.worker": "recogniser", "speaking.child": "synthesiser", "speaking.player": "player"}
    found = [("main process", pid)]
    # Each thread lists the processes that it started.
    for children in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in children.read_text().split():
            command = Path(f"/proc/{child}/cmdline").read_text()
            found += [(role, int(child)) for mark, role in roles.items() if mark in command]
    return found


def memory(sound_room: SoundRoom, said: Sequence[Sentence], folder: Path) -> list[Row]:
    """Start `checkback listen`, say some call-outs and look at its processes."""
    screen = folder / "screen.txt"
    with screen.open("w") as file:
        program = subprocess.Popen(
            [sys.executable, "-m", "checkback.cli", "listen", "--case", str(folder / "case")],
            env=sound_room.env | {"PYTHONUNBUFFERED": "1"},
            stdin=subprocess.PIPE,
            stdout=file,
            stderr=subprocess.STDOUT,
        )
    try:
        wait_until(lambda: "Ctrl-C ends it" in screen.read_text(), "the program", limit_s=60.0)
        for sentence in said:
            sound_room.play(sentence.file)
            time.sleep(4.0)
        rows = []
        total_rss = total_pss = 0.0
        for role, pid in family_of(program.pid):
            rss, pss = memory_of(pid)
            total_rss, total_pss = total_rss + rss, total_pss + pss
            rows.append((f"memory, {role}", f"RSS {rss:.0f} MB", ""))
        rows.append(("memory, sum", f"RSS {total_rss:.0f} MB; shared pages once {total_pss:.0f} MB", ""))
        program.send_signal(signal.SIGINT)
        program.wait(timeout=30)
    finally:
        program.kill()
        program.wait()
    return rows


def show(rows: Iterable[Row]) -> None:
    """Print a part of the table as soon as it is measured."""
    for what, measured, aim in rows:
        print(f"{what:52}  {measured:62}  {aim and 'aim ' + aim}".rstrip(), flush=True)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--quick", action="store_true", help="fewer sentences: about a minute")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--each", action="store_true", help="also one line for each call-out")
    options = parser.parse_args()
    if lacking := missing():
        sys.exit(f"{lacking}: run tools/install_test_packages.sh")
    live.Segmenter = TimedSegmenter  # type: ignore[misc]
    count = 6 if options.quick else 30
    with tempfile.TemporaryDirectory(prefix="checkback-loop-") as temporary, SoundRoom() as sound_room:
        folder = Path(temporary)
        book = app.load_book(Settings())
        said = sentences(book, count, options.seed, folder)
        print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, Python {sys.version.split()[0]}")
        show(parsing(book, 500 if options.quick else 5000, options.seed))
        show(decoding(book, said))
        show(memory(sound_room, said[:2], folder))
        # The sound libraries look for the room when they are first used in this process.
        os.environ.update(sound_room.env)
        for name, open_room, still_holding_s in (
            ("open room", True, 0.0),
            ("pedal, released at once", False, 0.0),
            ("pedal, held 0.3 s longer", False, 0.3),
        ):
            courses = followed(
                sound_room,
                book,
                said,
                folder / name.replace(" ", "-"),
                open_room=open_room,
                still_holding_s=still_holding_s,
            )
            show(live_rows(name, courses))
            for course in courses if options.each else ():
                outcome = course.outcome
                became = f"{outcome.words!r}, {outcome.result} {outcome.reason}" if outcome else "nothing"
                print(f"    {course.sentence.words!r} -> {became}")
        print(f"load at the end {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
