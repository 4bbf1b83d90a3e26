"""What recognisers are given: a minimal word graph, JSGF, and a phrase list."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from checkback.language.expression import (
    Choice,
    Form,
    Named,
    Node,
    Optional,
    Sequence,
    Table,
    Tagged,
    Word,
)


@dataclass(frozen=True)
class WordGraph:
    """A deterministic, minimal, acyclic graph of words.

    Attributes
    ----------
    arcs : tuple of dict
        By state: the next state for each word.
    start : int
    finals : frozenset of int
    """

    arcs: tuple[dict[str, int], ...]
    start: int
    finals: frozenset[int]

    def accepts(self, words: Iterable[str]) -> bool:
        """Return whether the words are a whole path."""
        state = self.start
        for word in words:
            if word not in self.arcs[state]:
                return False
            state = self.arcs[state][word]
        return state in self.finals

    def flat(self) -> tuple[tuple[tuple[int, int, str], ...], int, int]:
        """Return (arcs, start, final) with one last state, reached by empty words."""
        last = len(self.arcs)
        arcs = [(a, b, word) for a, out in enumerate(self.arcs) for word, b in out.items()]
        arcs += [(state, last, "") for state in sorted(self.finals)]
        return tuple(arcs), self.start, last

    def covering_sentences(self) -> tuple[str, ...]:
        """Return whole sentences that hold every legal pair of neighbouring words.

        Every word that can be first or last is among them as such.  A recogniser that makes pairs
        of words of its phrase list learns the same from these as from all sentences.

        Notes
        -----
        Greedy: from a pair not held yet, both ways through further ones, then the shortest way to
        the ends.  A sentence has hardly ever two words behind which an event begins, so that the
        pairs there (number and event) bound the count from below.
        """
        into = self._arcs_into()
        to_final, from_start = self._shortest_to_final(), self._shortest_from_start()
        missing = {pair: state for state, pair in self._pairs(into)}
        sentences: list[str] = []
        # pairs in the middle of sentences come late in the order, and their sentences hold most others
        for (before, after), between in reversed(tuple(missing.items())):
            if (before, after) not in missing:
                continue
            words: list[str] = []
            state = between
            if before:
                words, state = [before], into[between][before]
                while step := next((w for w in into[state] if (w, words[0]) in missing), None):
                    words.insert(0, step)
                    state = into[state][step]
                words = [*(w for _, w in from_start[state]), *words]
            state = between
            step = after or None
            while step is not None:
                state = self.arcs[state][step]
                words.append(step)
                step = next((w for w in self.arcs[state] if (step, w) in missing), to_final[state])
            for pair in zip(["", *words], [*words, ""], strict=True):
                missing.pop(pair, None)
            sentences.append(" ".join(words))
        return tuple(sentences)

    def _arcs_into(self) -> list[dict[str, int]]:
        """Return, by state, a state from which each word leads there."""
        into: list[dict[str, int]] = [{} for _ in self.arcs]
        for state, out in enumerate(self.arcs):
            for word, target in out.items():
                into[target].setdefault(word, state)
        return into

    def _pairs(self, into: list[dict[str, int]]) -> Iterable[tuple[int, tuple[str, str]]]:
        """Yield (state, words before and after it); an empty word stands for the ends."""
        for state, out in enumerate(self.arcs):
            befores = into[state] or {"": state}
            afters = [*out, ""] if state in self.finals else list(out)
            yield from ((state, (before, after)) for before in befores for after in afters)

    def _shortest_to_final(self) -> list[str | None]:
        """Return the word to take from each state towards the nearest end; None at an end."""
        back: dict[int, list[tuple[int, str]]] = {}
        for a, out in enumerate(self.arcs):
            for word, b in out.items():
                back.setdefault(b, []).append((a, word))
        step: dict[int, str | None] = dict.fromkeys(self.finals, None)
        queue = deque(self.finals)
        while queue:
            for a, word in back.get(queue.popleft(), ()):
                if a not in step:
                    step[a] = word
                    queue.append(a)
        return [step[a] for a in range(len(self.arcs))]

    def _shortest_from_start(self) -> list[list[tuple[int, str]]]:
        """Return the shortest way from the start to each state."""
        way: dict[int, list[tuple[int, str]]] = {self.start: []}
        queue = deque([self.start])
        while queue:
            a = queue.popleft()
            for word, b in self.arcs[a].items():
                if b not in way:
                    way[b] = [*way[a], (a, word)]
                    queue.append(b)
        return [way[a] for a in range(len(self.arcs))]


def word_graph(root: Node) -> WordGraph:
    """Return the minimal word graph of a syntax tree."""
    nfa = _Nfa()
    start, end = nfa.state(), nfa.state()
    nfa.add(root, start, end)
    return _minimised(*_determinised(nfa, start, end))


class _Nfa:
    def __init__(self) -> None:
        self.words: list[dict[str, list[int]]] = []
        self.empty: list[list[int]] = []

    def state(self) -> int:
        self.words.append({})
        self.empty.append([])
        return len(self.words) - 1

    def add(self, node: Node, start: int, end: int) -> None:
        match node:
            case Word(text):
                self.words[start].setdefault(text, []).append(end)
            case Sequence(parts):
                for part in parts[:-1]:
                    middle = self.state()
                    self.add(part, start, middle)
                    start = middle
                self.add(parts[-1], start, end)
            case Choice(options):
                for option in options:
                    self.add(option, start, end)
            case Optional(part):
                # a state of its own, so that the empty way cannot be joined by another path
                begin = self.state()
                self.empty[start] += [begin, end]
                self.add(part, begin, end)
            case Tagged(_, part) | Named(_, part):
                self.add(part, start, end)
            case Table():
                self._trie(node.by_form, start, end)
            case _:
                raise TypeError(type(node).__name__)

    def _trie(self, forms: Iterable[Form], start: int, end: int) -> None:
        inner: dict[tuple[int, str], int] = {}
        for form in forms:
            at = start
            for word in form[:-1]:
                step = (at, word)
                if step not in inner:
                    inner[step] = self.state()
                    self.words[at].setdefault(word, []).append(inner[step])
                at = inner[step]
            self.words[at].setdefault(form[-1], []).append(end)


def _determinised(nfa: _Nfa, start: int, end: int) -> tuple[list[dict[str, int]], frozenset[int]]:
    def closure(states: Iterable[int]) -> frozenset[int]:
        found = set(states)
        waiting = list(found)
        while waiting:
            for following in nfa.empty[waiting.pop()]:
                if following not in found:
                    found.add(following)
                    waiting.append(following)
        return frozenset(found)

    first = closure([start])
    number = {first: 0}
    # most words lead where another one led already
    led: dict[frozenset[int], int] = {}
    arcs: list[dict[str, int]] = [{}]
    queue = deque([first])
    while queue:
        states = queue.popleft()
        reached: dict[str, set[int]] = {}
        for state in states:
            for word, ends in nfa.words[state].items():
                if word in reached:
                    reached[word].update(ends)
                else:
                    reached[word] = set(ends)
        out = arcs[number[states]]
        for word, met in reached.items():
            targets = frozenset(met)
            if targets not in led:
                following = closure(targets)
                if following not in number:
                    number[following] = len(arcs)
                    arcs.append({})
                    queue.append(following)
                led[targets] = number[following]
            out[word] = led[targets]
    return arcs, frozenset(n for states, n in number.items() if end in states)


def _minimised(arcs: list[dict[str, int]], finals: frozenset[int]) -> WordGraph:
    """Merge states with the same future; the graph has no cycle, so one pass from the ends does."""
    merged: dict[int, int] = {}
    known: dict[tuple[bool, frozenset[tuple[str, int]]], int] = {}
    kept: list[dict[str, int]] = []
    for state in _ends_first(arcs):
        out = {word: merged[target] for word, target in arcs[state].items()}
        key = (state in finals, frozenset(out.items()))
        if key not in known:
            known[key] = len(kept)
            kept.append(out)
        merged[state] = known[key]
    return WordGraph(tuple(kept), merged[0], frozenset(n for (final, _), n in known.items() if final))


def _ends_first(arcs: list[dict[str, int]]) -> Iterable[int]:
    done: set[int] = set()
    stack = [(0, iter(arcs[0].values()))]
    entered = {0}
    while stack:
        state, rest = stack[-1]
        for target in rest:
            if target not in entered:
                entered.add(target)
                stack.append((target, iter(arcs[target].values())))
                break
        else:
            stack.pop()
            done.add(state)
            yield state


def jsgf(root: Node, name: str, language: str) -> str:
    """Return the tree as a JSpeech Grammar Format file (W3C Note, 5 June 2000).

    Every slot and family becomes a rule; shared parts are written once.
    """
    rules: dict[int, tuple[str, str]] = {}
    used: dict[str, int] = {}

    def reference(node: Named | Table) -> str:
        if id(node) not in rules:
            stem = re.sub(r"[^a-z0-9_]+", "_", node.name.lower())
            used[stem] = used.get(stem, 0) + 1
            rule = stem if used[stem] == 1 else f"{stem}_{used[stem]}"
            rules[id(node)] = (rule, "")
            text = table(node) if isinstance(node, Table) else expansion(node.part)
            rules[id(node)] = (rule, text)
        return f"<{rules[id(node)][0]}>"

    def table(node: Table) -> str:
        trie: dict[str, dict[str, object]] = {}
        for form in node.by_form:
            level: dict[str, dict[str, object]] = trie
            for word in form:
                level = level.setdefault(word, {})  # type: ignore[assignment]
            level[""] = {}
        return branch(trie)

    def branch(level: dict[str, dict[str, object]]) -> str:
        options = []
        for word, below in level.items():
            if word:
                rest = {k: v for k, v in below.items() if k}
                tail = branch(rest) if rest else ""  # type: ignore[arg-type]
                options.append(
                    word if not tail else f"{word} [{tail}]" if "" in below else f"{word} ({tail})"
                )
        return " | ".join(options)

    def expansion(node: Node) -> str:
        match node:
            case Word(text):
                return text
            case Sequence(parts):
                return " ".join(f"({expansion(p)})" if isinstance(p, Choice) else expansion(p) for p in parts)
            case Choice(options):
                return " | ".join(expansion(option) for option in options)
            case Optional(part):
                return f"[{expansion(part)}]"
            case Tagged(_, part):
                return f"({expansion(part)})" if isinstance(part, Choice) else expansion(part)
            case Named() | Table():
                return reference(node)
        raise TypeError(type(node).__name__)

    sentence = expansion(root)
    lines = [f"#JSGF V1.0 UTF-8 {language};", f"grammar {name};", f"public <sentence> = {sentence};"]
    lines += [f"<{rule}> = {text};" for rule, text in rules.values()]
    return "\n".join(lines) + "\n"
