"""How well call-outs are heard in a noisy room, and what becomes of them.

    python benchmarks/hearing.py corpus --side dev --count 400
    python benchmarks/hearing.py measure --side dev
    python benchmarks/hearing.py measure --manifest my_recordings.csv

Sentences are drawn from the phrasebook, spoken by synthetic voices and put into noise.  **The voices
are stand-ins for people: the figures compare versions of the program, and do not foretell what
people get.**  Sentences, voices, noises and rooms of the side `dev` are for choosing settings, those
of the side `test` for the figures that are quoted.
"""

from __future__ import annotations

import argparse
import json
import os
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import NamedTuple

from hearing_corpus import SIDES, Side, digest, digits, figures, told_plainly
from hearing_corpus.calibrate import (
    as_constant,
    best_of_first,
    best_of_second,
    cases,
    certainties,
    fitted,
    lacking_cases,
    reliability_plot,
    without_first,
)
from hearing_corpus.corpus import DIGITS_FAMILY, NOT_MEANT, Corpus, Item, read_manifest, write_manifest
from hearing_corpus.measure import Trial, as_json, from_json, hear, judge, listener_processes, memory
from hearing_corpus.noise import CONDITIONS, FIRST_FOUR, NO_SPEECH
from hearing_corpus.sentences import Sentence, draw, on_both_sides, side_of
from hearing_corpus.setups import SETUPS, Models, usable
from hearing_corpus.trial import WAYS, Room
from hearing_corpus.tuning_sound import SENTENCES
from hearing_corpus.voices import FURTHER, HELD_BACK, VOICES, Voice

from checkback import app, certainty
from checkback.call_outs import risk_of
from checkback.enrolling import sentences_of
from checkback.errors import UserError
from checkback.hearing import worker
from checkback.hearing.recogniser import Heard
from checkback.language.phrasebook import Phrasebook
from checkback.language.reading import Reader
from checkback.listeners import language_of
from checkback.settings import Settings

PEOPLE = Path(__file__).parent.parent.parent / "shared" / "speech"
"""Recordings of people, which are no part of the project."""

DIGITS = 60
"""Sentences with digits spoken by people."""

DOSES_AMONG = 24_000
"""Sentences among which doses are looked for."""


_OF_SECOND = frozenset("likely likely_root distance none_likely none_far none_no_speech none_worst".split())
_OF_TWO = frozenset("both none_disagree".split())
_OF_FIRST = frozenset("chosen fit fit_root none_score".split()) | _OF_TWO


class Calibrated(NamedTuple):
    """A constant of `checkback.certainty` that is fitted."""

    constant: str
    what: str
    """What it is for."""
    both: bool
    """Whether it needs what both listeners found."""
    reduced: Callable[[Heard], Heard] | None
    """Leaves out some of it."""
    left_out: frozenset[str]
    """Weights that are 0."""


CALIBRATED = (
    Calibrated("ONE_LISTENER", "first listener alone", False, None, _OF_SECOND | _OF_TWO),
    Calibrated("SECOND_ALONE", "second listener alone", True, without_first, _OF_FIRST),
    Calibrated("TWO_LISTENERS", "both listeners", True, None, frozenset()),
)
"""The first listener alone is no part of both: with a second one it judges fewer sentences."""


REDUCED = {
    "both, decision": lambda heard, _: heard,
    "second alone, decision": lambda heard, _: without_first(heard),
    "first alone, its best sentence": lambda heard, _: best_of_first(heard),
    "second alone, its text read as it is": best_of_second,
}
"""What would have been decided with less; the times that are printed are those of both."""


def default_cache() -> Path:
    """Return where corpora are kept."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "checkback-hearing"


def _made(folder: Path, side: Side, conditions: tuple[str, ...], sentences: list[Sentence]) -> list[Item]:
    corpus = Corpus(folder, side)
    return [corpus.call_out(sentence, condition) for sentence in sentences for condition in conditions]


def make_corpus(
    folder: Path,
    side: Side,
    count: int,
    conditions: tuple[str, ...],
    others: int,
    book: Phrasebook,
    jobs: int,
) -> None:
    """Make what is missing of a corpus, and its manifest."""
    sentences = draw(book, side, count)
    few = [sentence for _, sentence in zip(range(others), _mixed(sentences), strict=False)]
    rest = tuple(name for name in CONDITIONS if name not in conditions)
    if both := on_both_sides(sentences, side):
        print(f"Too few sentences to hold the sides apart: {', '.join(both)}")
    corpus = Corpus(folder, side)
    # By voice, so that each process needs few of the models.
    by_voice: dict[str, list[Sentence]] = {}
    for sentence in sentences:
        by_voice.setdefault(corpus.voice_of(sentence).name, []).append(sentence)
    # The talk from which babble is cut, before several processes want it.
    items: list[Item] = []
    with ProcessPoolExecutor(jobs) as pool:
        make = partial(_made, folder, side)
        futures = [pool.submit(make, conditions, each) for each in by_voice.values()]
        futures += [
            pool.submit(make, rest, [s for s in few if s in each]) for each in by_voice.values() if few
        ]
        for future in futures:
            items += future.result()
    for condition in ("quiet", "mix10"):
        items += corpus.chatter(condition)
        if side == "test" and PEOPLE.is_dir():
            items += corpus.read_aloud(PEOPLE / "chatter", condition)
    if side == "test" and PEOPLE.is_dir():
        for condition in ("quiet", "mix15"):
            items += digits.items(corpus, PEOPLE / "digits", book, DIGITS, condition)
    elif side == "test":
        print(f"No recordings of people in {PEOPLE}: their digits and their reading are left out.")
    write_manifest(folder / f"{side}.csv", sorted(items, key=lambda item: (item.id, item.condition)))
    spoken = [item for item in items if item.said]
    print(
        f"{folder / f'{side}.csv'}: {len(items)} files of {len({item.id for item in spoken})} call-outs "
        f"by {', '.join(sorted({item.voice for item in spoken}))}"
    )


def make_called(
    folder: Path, side: Side, count: int, conditions: tuple[str, ...], attention: str, book: Phrasebook
) -> None:
    """Make call-outs that begin with the attention word, in a manifest of their own."""
    corpus = Corpus(folder, side)
    voices = [voice for voice in VOICES[side] if voice.engine != "kokoro"]
    items: list[Item] = []
    drawn = [sentence for sentence in draw(book, side, 4 * count) if sentence.role == "event"]
    for n, sentence in enumerate(sorted(drawn, key=lambda each: digest("called", each.id))[:count]):
        words = f"{attention} {sentence.words}"
        voice = voices[n % len(voices)]
        for condition in conditions:
            called = replace(sentence, words=words)
            # a short pause where the program's name ends, as people make it
            said = partial(corpus.clean, voice, f"{attention}, {sentence.words}")
            items.append(corpus.in_condition(called, voice.name, condition, said, words))
    _listed(folder / f"{side}-called-{attention.replace(' ', '-')}.csv", items)


def make_more(
    folder: Path, side: Side, count: int, conditions: tuple[str, ...], names: list[str], book: Phrasebook
) -> None:
    """Let some voices in turn say the sentences that the others say in the corpus, in a manifest of its own."""
    corpus = Corpus(folder, side)
    voices = _named(side, names)
    others = [each for each in draw(book, side, count) if corpus.voice_of(each).name not in names]
    items = [
        corpus.call_out(each, condition, voice)
        for n, each in enumerate(_mixed(others))
        for voice in (voices[n % len(voices)],)
        for condition in conditions
    ]
    _listed(folder / f"{side}-{'-'.join(names)}.csv", items)


def _named(side: Side, names: Sequence[str]) -> list[Voice]:
    speakers = (*VOICES[side], *FURTHER[side])
    voices = [voice for voice in speakers if voice.name in names]
    if len(voices) < len(names):
        known = ", ".join(voice.name for voice in speakers)
        raise UserError(f"Of {', '.join(names)}, not all speak on the side {side!r}: {known} do.")
    return voices


def make_doses(folder: Path, side: Side, count: int, conditions: tuple[str, ...], book: Phrasebook) -> None:
    """Make doses with a number that sounds like another, in a manifest of its own.

    On the development side no tuning has heard the sentences or the speakers.
    """
    reader, twins = Reader(book, every_size=True), book.file.numbers.confusable_words
    tuned = {each.words for each in draw(book, side, SENTENCES)} if side == "dev" else set()
    doses = {
        each.words: each
        for each in draw(book, side, DOSES_AMONG)
        if side_of(each.words) == side
        and each.words not in tuned
        and not twins.isdisjoint(each.words.split())
        and risk_of(tuple(reader.read(each.words)), twin=True) == "twin"
    }
    said = sorted(doses.values(), key=lambda each: digest("doses", each.words))[:count]
    near = [each for each in VOICES[side] if side == "test" or each.name in HELD_BACK]
    corpus = Corpus(folder, side)
    items = [
        corpus.call_out(each, condition, voice)
        for n, each in enumerate(said)
        for voice in (near[n % len(near)], FURTHER[side][n % len(FURTHER[side])])
        for condition in conditions
    ]
    _listed(folder / f"{side}-doses.csv", items)


def make_readings(folder: Path, side: Side, names: Sequence[str], book: Phrasebook) -> None:
    """Let voices read aloud, in a quiet room, what `checkback enrol` asks for; list what each has read.

    Parameters
    ----------
    folder : Path
    side : {"dev", "test"}
    names : sequence of str
        Of voices of that side.
    book : Phrasebook
    """
    corpus = Corpus(folder, side)
    sentences = [
        Sentence(f"reading-{n:03d}", "event", "reading", words)
        for n, words in enumerate(sentences_of(Settings(), book), 1)
    ]
    for voice in _named(side, names):
        items = [corpus.call_out(each, "quiet", voice) for each in sentences]
        _listed(folder / f"{side}-readings-{voice.name}.csv", items)


def make_talk(folder: Path, side: Side, conditions: tuple[str, ...]) -> None:
    """Make about an hour of talk in each condition, in a manifest of its own."""
    corpus = Corpus(folder, side)
    makers = {"talk": corpus.long_chatter}
    if side == "dev":
        makers["talk-held-back"] = corpus.held_back_chatter
    for name, make in makers.items():
        items = [item for condition in conditions for item in make(condition)]
        _listed(folder / f"{side}-{name}.csv", items)


def make_no_speech(folder: Path, side: Side, count: int) -> None:
    """Make so many sounds of each kind in which nobody speaks, in a manifest of their own."""
    corpus = Corpus(folder, side)
    _listed(
        folder / f"{side}-no-speech.csv",
        [each for kind in NO_SPEECH for each in corpus.no_speech(kind, count)],
    )


def _listed(path: Path, items: list[Item]) -> None:
    write_manifest(path, items)
    print(f"{path}: {len(items)} files")


def _mixed(sentences: list[Sentence]) -> list[Sentence]:
    """Return the sentences in an order that has few of everything first."""
    return sorted(sentences, key=lambda sentence: (sentence.id.rpartition("-")[2], sentence.family))


def chosen(
    items: list[Item], conditions: str | None, voices: str | None, limit: int | None, *, talk: bool
) -> list[Item]:
    """Return the items to be heard, in a mixed order, so that the beginning is like the whole."""
    wanted = None if conditions is None else conditions.split(",")
    speakers = None if voices is None else voices.split(",")
    count: Counter[tuple[str, bool]] = Counter()
    found = []
    for item in sorted(items, key=lambda item: (digest(item.id), item.condition)):
        chatter = item.family in NOT_MEANT
        if speakers is not None and not chatter and item.voice not in speakers:
            continue
        key = item.condition, item.family == DIGITS_FAMILY
        if (chatter and not talk) or (wanted is not None and item.condition not in wanted and not chatter):
            continue
        if not chatter and limit is not None and count[key] >= limit:
            continue
        count[key] += not chatter
        found.append(item)
    order = list(CONDITIONS)
    return sorted(found, key=lambda item: order.index(item.condition) if item.condition in order else -1)


def measure(options: argparse.Namespace, book: Phrasebook) -> None:
    """Hear a corpus or a manifest with each set-up, and print what became of it."""
    path = options.manifest or options.cache / f"{options.side}.csv"
    items = chosen(
        read_manifest(path), options.conditions, options.voices, options.limit, talk=not options.no_talk
    )
    models = Models(options.whisper, options.vosk, options.attention, options.enrolled)
    if options.patience is not None:
        worker.ANSWER_LIMIT_S = options.patience
    attention = options.attention.split()
    room, meaning = Room(book, attention), language_of(book, attention).meaning
    kept = {}
    print(f"{path}: {len(items)} sound files.  Synthetic voices are stand-ins for people.", flush=True)
    for name in usable(options.setup, models):
        recogniser = SETUPS[name].make(book, models)
        try:
            began_with = listener_processes()
            trials = hear(path.parent, items, options.way, recogniser, room, at_once=options.at_once)
            used, lost = memory(), began_with - listener_processes()
        finally:
            recogniser.close()
        if lost:
            print(
                "THESE FIGURES ARE NOT VALID: a listener was ended at its time limit and started again, and what it "
                "had not heard counts as asked or ignored.  Leave the computer to the benchmark."
            )
        report(name, options.way, trials, options.show)
        print(
            f"memory: listeners {used.listeners_mb:.0f} MB, this process {used.own_peak_mb:.0f} MB at most\n"
        )
        kept[name] = [as_json(trial, meaning) for trial in trials]
    if options.json is not None:
        options.json.write_text(json.dumps(kept, ensure_ascii=False), encoding="utf-8")


def read_kept(paths: Sequence[Path]) -> dict[str, list[Trial]]:
    """Return what `measure --json` wrote, by set-up.

    Raises
    ------
    UserError
        If a file cannot be read, or is not of that kind.
    """
    heard: dict[str, list[Trial]] = {}
    for path in paths:
        try:
            for name, found in json.loads(path.read_text(encoding="utf-8")).items():
                heard.setdefault(name, []).extend(from_json(each) for each in found)
        except OSError as error:
            raise UserError(f"{path} cannot be read: {error.strerror}.") from error
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise UserError(f"{path} is no file that measure --json wrote, or of another version.") from error
    return heard


def judge_again(paths: list[Path], book: Phrasebook, attention: str, show: int | None) -> None:
    """Let the program of today decide about what was heard before, also with one listener left out."""
    room = Room(book, attention.split())
    for name, heard in read_kept(paths).items():
        both = " and " in name
        for what, reduced in REDUCED.items() if both else (("", lambda heard, _: heard),):
            trials = [
                replace(each, pieces=[replace(p, heard=reduced(p.heard, book)) for p in each.pieces])
                for each in heard
            ]
            for trial in trials:
                judge(trial, room)
            report(f"{name}: {what}" if what else name, trials[0].way if trials else "", trials, show)


def calibrate(options: argparse.Namespace, book: Phrasebook) -> None:
    """Print the constants that fit what was heard, for `checkback.certainty`; draw how honest they are."""
    meaning = language_of(book).meaning
    trials: dict[bool, list[Trial]] = {True: [], False: []}
    for name, found in read_kept(options.json).items():
        trials[" and " in name] += found
    drawn = {}
    for constant, what, both, reduced, left_out in CALIBRATED:
        if not trials[both]:
            continue
        found = cases(trials[both], meaning, reduced, options.talk_weight)
        if not found:
            continue
        lacks = lacking_cases(trials[both], meaning, reduced, options.lacking_weight)
        weights = getattr(certainty, constant) if options.as_they_are else fitted(found + lacks, left_out)
        sure, right = certainties(found, weights)
        print(f"# {what}: {len(found)} utterances, likeliest sentence right {right.mean():.1%}")
        print(as_constant(constant, weights), flush=True)
        for least in (0.7, 0.8, 0.85, 0.9, 0.95, 0.98):
            taken = sure >= least
            print(
                f"#   certainty >= {least}: {(taken & right).mean():.1%} right, {(taken & ~right).mean():.2%} wrong"
            )
        for condition in dict.fromkeys(case.condition for case in lacks):
            of_these = [case for case in lacks if case.condition == condition]
            as_sure = certainties(of_these, weights)[0] >= [case.usual for case in of_these]
            print(
                f"#   {condition}, as if it were not in the phrasebook: {as_sure.mean():.0%} of {len(of_these)} "
                "have the certainty that most entries need"
            )
        drawn[what] = sure, right
    if options.plot is not None:
        side = {trial.item.side for each in trials.values() for trial in each}
        reliability_plot(options.plot, drawn, " and ".join(sorted(side)))


def judge_apart(options: argparse.Namespace, book: Phrasebook) -> None:
    """Let the program decide about each voice with weights that are fitted to the other voices, and to all talk.

    Only the weights of both listeners together, or of the first one alone.
    """
    meaning, room = language_of(book).meaning, Room(book)
    for name, trials in read_kept(options.json).items():
        both = " and " in name
        whole = next(each for each in CALIBRATED if each.both == both and each.reduced is None)
        said = [trial for trial in trials if not trial.chatter]
        if not said:
            continue
        for voice in sorted({trial.item.voice for trial in said}):
            others = [trial for trial in trials if trial.chatter or trial.item.voice != voice]
            if all(trial.chatter for trial in others):
                raise UserError(
                    f"All call-outs of {name!r} are by {voice}: to judge each voice by the others, give files with more voices."
                )
            found = cases(others, meaning, None, options.talk_weight)
            found += lacking_cases(others, meaning, None, options.lacking_weight)
            setattr(certainty, whole.constant, fitted(found, whole.left_out))
            for trial in said:
                if trial.item.voice == voice:
                    judge(trial, room)
        report(f"{name}, each voice with weights of the others", said[0].way, said, options.show)


def report(name: str, way: str, trials: list[Trial], show: int | None) -> None:
    """Print the figures of one set-up."""
    print(f"## {name} ({way})\n\n{figures.call_outs(trials)}\n")
    print(f"accepted right by voice: {figures.by_voice(trials)}")
    for line in (figures.talk(trials), figures.times(trials)):
        if line:
            print(line)
    if show is not None:
        print(figures.errors(trials, ("wrong", "asked", "ignored"), show))
    print(flush=True)


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cache", type=Path, default=default_cache(), help="folder of the corpora")
    commands = parser.add_subparsers(dest="command", required=True)
    making = commands.add_parser("corpus", help="make sound files")
    making.add_argument("--side", choices=SIDES, required=True)
    making.add_argument("--count", type=int, default=400, help="call-outs (default 400)")
    making.add_argument("--conditions", default=",".join(FIRST_FOUR), help="for all call-outs, with commas")
    making.add_argument("--others", type=int, default=120, help="call-outs in every other condition")
    making.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    instead = making.add_mutually_exclusive_group()
    instead.add_argument(
        "--attention", metavar="WORDS", help="call-outs that begin with these words, and nothing else"
    )
    instead.add_argument(
        "--voices", metavar="NAMES", help="what the other voices say, said by these, and nothing else"
    )
    instead.add_argument(
        "--talk", action="store_true", help="an hour of talk in each condition, and nothing else"
    )
    instead.add_argument(
        "--no-speech",
        action="store_true",
        help="sounds in which nobody speaks, so many of each kind, and nothing else",
    )
    instead.add_argument(
        "--doses",
        action="store_true",
        help="doses with a number that sounds like another, each by two voices, and nothing else",
    )
    instead.add_argument(
        "--readings",
        metavar="NAMES",
        help="what is read for `checkback enrol`, read by these voices, and nothing else",
    )
    making.add_argument("--cache", type=Path, default=argparse.SUPPRESS)
    measuring = commands.add_parser("measure", help="hear and judge")
    what = measuring.add_mutually_exclusive_group(required=True)
    what.add_argument("--side", choices=SIDES)
    what.add_argument("--manifest", type=Path, help="CSV file with the columns path,said")
    what.add_argument(
        "--again", type=Path, nargs="+", help="files from --json: judge anew what was heard then"
    )
    measuring.add_argument("--setup", action="append", default=[], help="one or more; none: all that can run")
    measuring.add_argument("--whisper", type=Path, help="folder of a Whisper model")
    measuring.add_argument("--vosk", type=Path, help="folder of a Vosk model")
    measuring.add_argument("--enrolled", type=Path, help="folder of voices that checkback enrol has learnt")
    measuring.add_argument("--conditions", help="with commas; none: all of the corpus")
    measuring.add_argument("--voices", help="with commas; none: all of the corpus")
    measuring.add_argument("--way", choices=WAYS, default="pedal", help="how call-outs reach the program")
    measuring.add_argument(
        "--attention", default="", metavar="WORDS", help="the attention word (none: no word is needed)"
    )
    measuring.add_argument("--limit", type=int, help="call-outs of each condition")
    measuring.add_argument(
        "--patience",
        type=float,
        metavar="SECONDS",
        help="before a listener is taken for hung; for a computer that has much else to do",
    )
    measuring.add_argument(
        "--at-once",
        action="store_true",
        help="do not begin while somebody speaks, at the pace of speech: quicker, and its times are not the program's",
    )
    measuring.add_argument("--no-talk", action="store_true", help="leave out what is no call-out")
    measuring.add_argument("--json", type=Path, help="write everything that was heard to this file")
    measuring.add_argument("--show", type=int, metavar="N", help="list the errors by kind, N examples each")
    measuring.add_argument("--cache", type=Path, default=argparse.SUPPRESS)
    fitting = commands.add_parser(
        "calibrate", help="what the evidence is worth, from files that measure wrote"
    )
    fitting.add_argument(
        "json",
        type=Path,
        nargs="+",
        help="--json files of both listeners together, and of the first one alone",
    )
    fitting.add_argument(
        "--talk-weight", type=float, default=0.5, help="of an utterance of chatter (default 0.5)"
    )
    fitting.add_argument(
        "--lacking-weight",
        type=float,
        default=0.05,
        help="of a call-out once more, as if it were not in the phrasebook (default 0.05)",
    )
    fitting.add_argument(
        "--as-they-are", action="store_true", help="do not fit: look at the constants in use"
    )
    fitting.add_argument(
        "--apart",
        action="store_true",
        help="decide about each voice with weights that are fitted to the others",
    )
    fitting.add_argument(
        "--show", type=int, metavar="N", help="with --apart: list the errors, N examples of each"
    )
    fitting.add_argument("--plot", type=Path, help="draw how often it is right when it is so sure")
    options = parser.parse_args()
    book = app.load_book(Settings())
    if options.command == "calibrate":
        if options.apart and (options.as_they_are or options.plot is not None):
            parser.error("--apart fits the weights and draws nothing: leave out --as-they-are and --plot")
        (judge_apart if options.apart else calibrate)(options, book)
        return
    if options.command == "corpus":
        conditions = tuple(options.conditions.split(","))
        if options.attention is not None:
            make_called(options.cache, options.side, options.count, conditions, options.attention, book)
            return
        if options.voices:
            names = options.voices.split(",")
            make_more(options.cache, options.side, options.count, conditions, names, book)
            return
        if options.readings:
            make_readings(options.cache, options.side, options.readings.split(","), book)
            return
        if options.doses:
            make_doses(options.cache, options.side, options.count, conditions, book)
            return
        if options.no_speech:
            make_no_speech(options.cache, options.side, options.count)
            return
        if options.talk:
            make_talk(options.cache, options.side, conditions)
            return
        make_corpus(
            options.cache, options.side, options.count, conditions, options.others, book, options.jobs
        )
    elif options.again is not None:
        judge_again(options.again, book, options.attention, options.show)
    else:
        measure(options, book)


if __name__ == "__main__":
    told_plainly(main)
