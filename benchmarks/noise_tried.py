"""What was tried against noise, each on the same sound as the program of today and counted in pairs.

    python benchmarks/noise_tried.py --list
    python benchmarks/noise_tried.py --only rnnoise --conditions mix10,quiet --limit 80
    python benchmarks/noise_tried.py --only vad-silero --limit 60
    python benchmarks/noise_tried.py --only whisper-rnnoise --whisper MODEL_FOLDER --voices awb,gongitsune
    python benchmarks/noise_tried.py --only tens --skip 60 --limit 180 --by-voice

Only the side `dev` of the corpus that `benchmarks/hearing.py corpus --side dev` made is heard.  **The
voices are synthetic, stand-ins for people.**  Right is a sentence of the same meaning as what was said: the
first listener's choice, or the likeliest one that the second listener finds in the phrasebook.
Packages that only a row of this file needs are in no extra; a row that lacks one says which.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections import Counter
from collections.abc import Callable, Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from statistics import median
from unittest.mock import patch

import numpy as np
from hearing import default_cache
from hearing_corpus import digest, told_plainly, trial
from hearing_corpus.corpus import CHATTER_FAMILY, Item, read, read_manifest
from hearing_corpus.trial import Sound
from noise_rows import (
    ENDPOINTERS,
    FIRST,
    LEAD_SAMPLES,
    SECOND,
    Adaptation,
    First,
    made_decoder,
    segmenter_with,
)
from scipy.stats import binomtest

from checkback import app
from checkback.errors import UserError
from checkback.hearing.agreement import FROM_EACH, Language
from checkback.hearing.endpointing import BLOCK_S, BLOCK_SAMPLES
from checkback.hearing.phonetic import SoundMatcher
from checkback.hearing.pronunciations import every_pronunciation
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Grammar, Pcm
from checkback.hearing.whisper import Find, Judged, Reply, Request, Spelling
from checkback.language.phrasebook import Phrasebook
from checkback.listeners import grammar_of, language_of, spelling_of
from checkback.settings import Settings

BASELINE = "today"
"""Name of the row that all others of its kind are compared with."""

OR = " | "
"""Between sentences that are written alike, of which the second listener cannot tell which was said."""

ENROLMENT_S = 60.0
"""Length of what a speaker reads out once."""

LOST_S, MORE_S = 0.15, 0.5
"""What may be missing at either end of a well-cut call-out, and what may be too much."""


@dataclass(frozen=True)
class Setting:
    """What every row is measured with."""

    folder: Path
    items: Sequence[Item]
    every: Sequence[Item]
    grammar: Grammar
    language: Language
    spans: dict[tuple[str, str], slice] = field(default_factory=dict)
    """Where utterances are, by sound file and detector: found once for all rows."""

    def span(self, item: Item, sound: Sound, cut_by: str = "vad-today") -> slice:
        """Return where in a file the utterance is that the pedal cuts out; rows that change the sound take the same."""
        key = item.path, cut_by
        if key not in self.spans:
            self.spans[key] = span(item, sound, cut_by)
        return self.spans[key]


@dataclass(frozen=True)
class Answer:
    """What one row made of one sound file, and the processor time for it in seconds."""

    words: str
    cpu_s: float


def as_pcm(sound: Sound) -> Pcm:
    """Return sound as 16-bit samples."""
    return np.round(np.clip(sound, -1, 1) * 32_767).astype(np.int16)


def span(item: Item, sound: Sound, cut_by: str) -> slice:
    """Return where in a file the utterance is that the pedal cuts out; empty if there is none."""
    whole = np.round(sound * 32_767).astype(np.int16)
    with patch.object(trial, "Segmenter", lambda: segmenter_with(cut_by, whole)):
        found = trial.cut(item, sound, "pedal")
    if not found:
        return slice(0, 0)
    pcm = found[0].utterance.pcm
    for start in range(0, len(whole) - len(pcm) + 1, BLOCK_SAMPLES):
        if np.array_equal(whole[start : start + len(pcm)], pcm):
            return slice(start, start + len(pcm))
    raise AssertionError("an utterance is always a stretch of its file")


def enrolment(item: Item, setting: Setting, condition: str) -> list[tuple[Pcm, str]]:
    """Return what the same voice said otherwise, up to `ENROLMENT_S`: sound and words.

    Never a sentence that is measured.
    """
    measured = {each.said for each in setting.items}
    found, total_s = [], 0.0
    for other in sorted(setting.every, key=lambda each: digest("enrolment", each.id)):
        if (
            other.voice != item.voice
            or other.condition != condition
            or other.said in measured
            or not other.said
        ):
            continue
        sound = read(setting.folder / other.path)
        pcm = as_pcm(sound[setting.span(other, sound)])
        found.append((pcm, other.said))
        total_s += len(pcm) / SAMPLE_RATE_HZ
        if total_s >= ENROLMENT_S:
            break
    return found


def hear_first(row: First, setting: Setting, kept: dict[str, Answer]) -> dict[str, Answer]:
    """Hear every item with one variant of the first listener; `kept` are answers of an earlier run."""
    missing = [item for item in setting.items if item.path not in kept]
    if row.adaptation is None:
        by_voice = {"": missing}
    else:
        by_voice = {voice: [i for i in missing if i.voice == voice] for voice in {i.voice for i in missing}}
    for items in by_voice.values():
        if not items:
            continue
        adaptation = None
        if row.adaptation is not None:
            read_out = enrolment(items[0], setting, row.enrolled_in)
            adaptation = row.adaptation(setting.grammar, read_out)
        decoder = made_decoder(row, setting.grammar, adaptation or Adaptation())
        for item in items:
            sound = read(setting.folder / item.path)
            where = setting.span(item, sound, row.cut_by)
            began = time.process_time()
            pcm = as_pcm(row.sound(sound)[where])
            found = decoder.decode(pcm, held=True)
            cpu_s = time.process_time() - began
            kept[item.path] = Answer(found[0].words if found else "", round(cpu_s, 3))
    return kept


def second_listener(folder: Path, book: Phrasebook) -> Callable[[Request], Reply]:
    """Load the second listener as the program uses it, tuned, in this process and with one thread."""
    from checkback.hearing.whisper_engine import make_engine

    graph = spelling_of(book)
    spelling = Spelling(graph.words, graph.arcs, graph.start, graph.finals)
    return make_engine(folder, "en", 1, spelling, True)


def hear_second(
    change: Callable[[Sound], Sound],
    answer: Callable[[Request], Reply],
    setting: Setting,
    kept: dict[str, Answer],
) -> dict[str, Answer]:
    """Let the second listener find the likeliest sentence of every item after a change of the sound."""
    spoken = setting.language.spoken
    for item in setting.items:
        if item.path in kept:
            continue
        sound = read(setting.folder / item.path)
        where = setting.span(item, sound)
        began = time.process_time()
        found = answer(Find(as_pcm(change(sound)[where])))
        cpu_s = time.process_time() - began
        likeliest = found[0] if isinstance(found, tuple) and found else None
        ways = likeliest.ways if isinstance(likeliest, Judged) else ()
        plain = [" ".join(word for forms in spoken(way) for word in forms[0]) for way in ways]
        kept[item.path] = Answer(OR.join(plain), round(cpu_s, 3))
    return kept


class Near:
    """Finds the meanings that sound most like given words, and remembers them."""

    def __init__(self, grammar: Grammar, language: Language) -> None:
        self._matcher = SoundMatcher(grammar, every_pronunciation(grammar.pronunciations))
        self._meaning = language.meaning
        self._known: dict[str, list[Hashable]] = {}

    def __call__(self, words: str, count: int) -> list[Hashable]:
        """Return up to `count` meanings, nearest first; at most twice what a listener may bring."""
        if words not in self._known:
            found: dict[Hashable, None] = {}
            for near in islice(self._matcher.nearest(words.split(), within=2.6), 120):
                meaning = self._meaning(near.words)
                if meaning is not None:
                    found.setdefault(meaning)
                if len(found) == 2 * FROM_EACH:
                    break
            self._known[words] = list(found)
        return self._known[words][:count]


def exact_p(gained: int, lost: int) -> float:
    """Return the two-sided exact p of McNemar's test: the sign test on the pairs that differ.

    Source: Q. McNemar, Psychometrika 12 (1947), 153-157; the binomial form as in scipy.
    """
    return 1.0 if gained + lost == 0 else float(binomtest(gained, gained + lost).pvalue)


def compared(
    name: str,
    items: Sequence[Item],
    base: Mapping[str, Answer],
    new: Mapping[str, Answer],
    right: Callable[[Item, str], bool],
) -> list[str]:
    """Return a line for each condition: how many are right, before and after, and what changed."""
    lines = []
    for condition in dict.fromkeys(item.condition for item in items):
        of = [item for item in items if item.condition == condition]
        pairs = Counter(
            (right(item, base[item.path].words), right(item, new[item.path].words)) for item in of
        )
        gained, lost = pairs[False, True], pairs[True, False]
        changed = sum(base[item.path].words != new[item.path].words for item in of)
        cpu = [median(each[item.path].cpu_s for item in of) for each in (base, new)]
        lines.append(
            f"{name:24} {condition:8} n {len(of):3}: right {pairs[True, True] + lost} -> "
            f"{pairs[True, True] + gained}, gained {gained}, lost {lost}, p {exact_p(gained, lost):.2f}, "
            f"words changed {changed}; CPU s {cpu[0]:.2f} -> {cpu[1]:.2f}"
        )
    return lines


def by_voice(
    name: str,
    items: Sequence[Item],
    base: Mapping[str, Answer],
    new: Mapping[str, Answer],
    right: Callable[[Item, str], bool],
) -> str:
    """Return a line that tells for each voice how many are right, before and after."""
    told = []
    for voice in sorted({item.voice for item in items}):
        of = [item for item in items if item.voice == voice]
        counts = (sum(right(item, each[item.path].words) for item in of) for each in (base, new))
        told.append(f"{voice} {' -> '.join(map(str, counts))} of {len(of)}")
    return f"{name:24} by voice: {', '.join(told)}"


def as_second_pass(
    name: str,
    setting: Setting,
    base: Mapping[str, Answer],
    new: Mapping[str, Answer],
    near: Near,
) -> list[str]:
    """Return lines about a variant that is used beside the present one: its list, and their agreement."""
    lines = []
    meaning = setting.language.meaning
    for condition in dict.fromkeys(item.condition for item in setting.items):
        of = [item for item in setting.items if item.condition == condition]
        counts: Counter[str] = Counter()
        for item in of:
            true = meaning(item.said)
            one, two = base[item.path].words, new[item.path].words
            # what was heard word for word heads its own list, without a search
            first = [true] if meaning(one) == true else near(one, FROM_EACH)
            counts["short"] += true in first
            counts["long"] += true in first or true in near(one, 2 * FROM_EACH)
            counts["both"] += true in first or meaning(two) == true or true in near(two, FROM_EACH)
            counts["best"] += true in (meaning(one), meaning(two))
            if meaning(one) is not None and meaning(one) == meaning(two):
                counts["agree"] += 1
                counts["agree and right"] += true == meaning(one)
        lines.append(
            f"{name:24} {condition:8} n {len(of):3}: as a second pass, truth listed {counts['short']} "
            f"({FROM_EACH} of the first pass), {counts['long']} ({2 * FROM_EACH} of the first), {counts['both']} "
            f"({FROM_EACH} of each); one of the two right {counts['best']}; they agree {counts['agree']}, "
            f"right of those {counts['agree and right']}"
        )
    return lines


def end_pointed(name: str, setting: Setting, lead_s: float) -> list[str]:
    """Return how an end-pointer cuts call-outs out of an open room, a line for each condition.

    Clean is a call-out in one piece that loses nothing (begins at most 0.15 s late, ends at most 0.15 s
    early) and has little noise around it (at most 0.5 s on either side).  The quiet or noise before the
    speech is repeated for `lead_s`, so that a detector can settle on it.
    """
    lines = []
    for condition in dict.fromkeys(item.condition for item in setting.items):
        pieces: Counter[int] = Counter()
        starts, ends, behind, clean = [], [], [], 0
        of = [item for item in setting.items if item.condition == condition]
        for item in of:
            pcm = np.round(read(setting.folder / item.path) * 32_767).astype(np.int16)
            before = pcm[:LEAD_SAMPLES]
            more = np.tile(before, math.ceil(lead_s * SAMPLE_RATE_HZ / len(before)))
            pcm = np.concatenate([more, pcm])
            start_s, end_s = (at + len(more) / SAMPLE_RATE_HZ for at in (item.start_s, item.end_s))
            segmenter = segmenter_with(name, pcm)
            found = []
            blocks = len(pcm) // BLOCK_SAMPLES
            for n in range(blocks):
                done = segmenter.feed(pcm[n * BLOCK_SAMPLES : (n + 1) * BLOCK_SAMPLES], n * BLOCK_S)
                found += [(each, (n + 1) * BLOCK_S) for each in done]
            found += [(each, blocks * BLOCK_S) for each in segmenter.flush()]
            pieces[min(len(found), 2)] += 1
            if found:
                lead = start_s - found[0][0].started_s
                tail = found[-1][0].ended_s - end_s
                clean += len(found) == 1 and -LOST_S <= lead <= MORE_S and -LOST_S <= tail <= MORE_S
                starts.append(found[0][0].started_s - start_s)
                ends.append(found[-1][0].ended_s - end_s)
                behind.append(found[-1][1] - end_s)
        late = sum(start > LOST_S for start in starts)
        early = sum(end < -LOST_S for end in ends)
        lines.append(
            f"{name:24} {condition:8} n {len(of):3}: clean {clean}, in one piece {pieces[1]}, in several {pieces[2]}, missed {pieces[0]}; "
            f"start {_spread(starts)}, over {LOST_S} s late {late}; end {_spread(ends)}, over {LOST_S} s early {early}; "
            f"given away {_spread(behind)} s behind the end"
        )
    return lines


def _spread(values: Sequence[float]) -> str:
    """Write the median and the outer tenths."""
    if not values:
        return "-"
    low, middle, high = np.quantile(values, (0.1, 0.5, 0.9))
    return f"{middle:+.2f} ({low:+.2f} to {high:+.2f})"


def chosen(
    every: Sequence[Item], conditions: Sequence[str], voices: Collection[str], skip: int, limit: int
) -> list[Item]:
    """Return `limit` call-outs behind the first `skip` in a mixed order, the same ones in every condition.

    No voices: all of them.
    """
    spoken = [
        item
        for item in every
        if item.family != CHATTER_FAMILY and item.said and (not voices or item.voice in voices)
    ]
    there = [{item.id for item in spoken if item.condition == condition} for condition in conditions]
    ids = sorted(set.intersection(*there), key=digest)[skip : skip + limit]
    by = {(item.condition, item.id): item for item in spoken}
    return [by[condition, each] for condition in conditions for each in ids]


def _load(path: Path | None) -> dict[str, dict[str, Answer]]:
    if path is None or not path.is_file():
        return {}
    read_back = json.loads(path.read_text(encoding="utf-8"))
    return {name: {p: Answer(*a) for p, a in answers.items()} for name, answers in read_back.items()}


def _keep(path: Path | None, kept: Mapping[str, Mapping[str, Answer]]) -> None:
    if path is not None:
        plain = {name: {p: (a.words, a.cpu_s) for p, a in answers.items()} for name, answers in kept.items()}
        path.write_text(json.dumps(plain), encoding="utf-8")


def run(options: argparse.Namespace) -> None:
    """Measure the rows asked for and print a line or more of each."""
    book = app.load_book(Settings())
    manifest = options.cache / "dev.csv"
    every = read_manifest(manifest)
    voices = options.voices.split(",") if options.voices else ()
    items = chosen(every, options.conditions.split(","), voices, options.skip, options.limit)
    setting = Setting(manifest.parent, items, every, grammar_of(book), language_of(book))
    kept = _load(options.kept)
    meaning = setting.language.meaning
    near = Near(setting.grammar, setting.language)
    answer = None

    def right(item: Item, words: str) -> bool:
        goal = meaning(item.said)
        return goal is not None and goal in map(meaning, words.split(OR))

    print(f"{manifest}: {len(items)} files.  Synthetic voices are stand-ins for people.", flush=True)
    for name in options.only or [*FIRST, *ENDPOINTERS, *SECOND]:
        if name in ENDPOINTERS:
            lines = end_pointed(name, setting, options.lead)
        elif name in FIRST:
            for each in (BASELINE, name):
                kept[each] = hear_first(FIRST[each], setting, kept.get(each, {}))
                _keep(options.kept, kept)
            lines = compared(name, items, kept[BASELINE], kept[name], right)
            if options.by_voice:
                lines.append(by_voice(name, items, kept[BASELINE], kept[name], right))
            if options.second_pass:
                lines += as_second_pass(name, setting, kept[BASELINE], kept[name], near)
        else:
            if options.whisper is None:
                print(f"{name}: left out, needs --whisper")
                continue
            answer = answer or second_listener(options.whisper, book)
            for each in ("whisper-today", name):
                kept[each] = hear_second(SECOND[each], answer, setting, kept.get(each, {}))
                _keep(options.kept, kept)
            lines = compared(name, items, kept["whisper-today"], kept[name], right)
        print("\n".join(lines), flush=True)
        if options.show and name in kept:
            _show(items, kept[name], right)


def _show(items: Sequence[Item], answers: Mapping[str, Answer], right: Callable[[Item, str], bool]) -> None:
    for item in items:
        words = answers[item.path].words
        if not right(item, words):
            print(f"    {item.condition:8} {item.voice:10} said {item.said!r}, heard {words!r}")


def main() -> None:
    """Do what the command line says."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cache", type=Path, default=default_cache(), help="folder of the corpora")
    parser.add_argument("--only", action="append", default=[], metavar="NAME", help="a row; may be repeated")
    parser.add_argument("--conditions", default="mix10,quiet", help="with commas")
    parser.add_argument("--limit", type=int, default=80, help="call-outs of each condition (default 80)")
    parser.add_argument("--voices", help="with commas; none: all")
    parser.add_argument("--skip", type=int, default=0, help="leave out so many, heard before (default 0)")
    parser.add_argument("--whisper", type=Path, help="folder of a Whisper model")
    parser.add_argument("--second-pass", action="store_true", help="also as a second pass beside today's")
    parser.add_argument("--by-voice", action="store_true", help="also what each voice gains")
    parser.add_argument("--kept", type=Path, help="file that keeps what was heard; delete it to hear anew")
    parser.add_argument(
        "--lead", type=float, default=0.0, help="seconds of the noise before each call-out, for end-pointers"
    )
    parser.add_argument("--show", action="store_true", help="print what was not right")
    parser.add_argument("--list", action="store_true", help="print the names of the rows and what they are")
    options = parser.parse_args()
    if options.list:
        for name, row in FIRST.items():
            print(f"{name:24} {row.what}")
        for name in (*ENDPOINTERS, *SECOND):
            print(name)
        return
    for name in options.only:
        if name not in FIRST and name not in ENDPOINTERS and name not in SECOND:
            raise UserError(f"There is no row {name!r}: --list prints them.")
    run(options)


if __name__ == "__main__":
    told_plainly(main)
