"""The text half of a Whisper model, for many texts that begin alike.

The usual library runs each text by itself, with the prompt before it, and projects each piece of the
sound anew for each text.  Here texts share what they begin with, and all share the sound, so that a
hundred sentences that differ in a word or two are judged in a fraction of the time, and a search can
ask for the probability of every next piece.

Architecture: Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022), section
2.2, which is that of Vaswani et al., "Attention Is All You Need" (2017), with the layer norms first.  The matrices
are multiplied in 8 bits (`eight_bits`), as the library does; what each piece takes from the text before it and from
the sound is computed here, in 32 bits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.eight_bits import Piece, Run
from checkback.hearing.whisper_file import Array, as_numbers, heads_of, layers_of, read_weights


@dataclass(frozen=True)
class _Layer:
    """What is done with what was taken from the text, and then with what was taken from the sound."""

    first: Run
    then: Run


def _pieces(stored: Mapping[str, NDArray[np.generic]], width: int) -> tuple[Run, list[_Layer], Run]:
    """Return what is done before the first layer, the layers, and what makes keys and values of a sound.

    Raises
    ------
    UnknownModelError
        If a part is missing.
    """

    def times(piece: Piece, x: str, name: str) -> str:
        weight, bias = (as_numbers(stored, f"{name}/{part}") for part in ("weight", "bias"))
        return piece.times(x, weight, bias)

    def norm(piece: Piece, x: str, name: str) -> str:
        return piece.norm(x, *(as_numbers(stored, f"{name}/{part}") for part in ("gamma", "beta")))

    def asking(piece: Piece, x: str, n: int) -> str:
        at = f"decoder/layer_{n}/self_attention"
        return times(piece, norm(piece, x, f"{at}/layer_norm"), f"{at}/linear_0")

    enter, of_sound = Piece(), Piece()
    entered = asking(enter, enter.take(width), 0)
    encoded, made, layers = of_sound.take(width), [], []
    last = layers_of(stored, "decoder") - 1
    for n in range(last + 1):
        at = f"decoder/layer_{n}"
        made.append(times(of_sound, encoded, f"{at}/attention/linear_1"))
        first, then = Piece(), Piece()
        x, heard = first.take(width), first.take(width)
        x = first.add(x, times(first, heard, f"{at}/self_attention/linear_1"))
        query = times(first, norm(first, x, f"{at}/attention/layer_norm"), f"{at}/attention/linear_0")
        before, heard = then.take(width), then.take(width)
        before = then.add(before, times(then, heard, f"{at}/attention/linear_2"))
        inner = times(then, norm(then, before, f"{at}/ffn/layer_norm"), f"{at}/ffn/linear_0")
        y = then.add(before, times(then, then.gelu(inner), f"{at}/ffn/linear_1"))
        results = (y, asking(then, y, n + 1)) if n < last else (norm(then, y, "decoder/layer_norm"),)
        layers.append(_Layer(first.ready(x, query), then.ready(*results)))
    return enter.ready(entered), layers, of_sound.ready(*made)


def _projection(weight: Array) -> Run:
    """Return what makes the scores of pieces, of which there is one in each row, from states."""
    piece = Piece()
    return piece.ready(piece.times(piece.take(weight.shape[1]), weight))


def _softmax(x: Array) -> Array:
    x -= x.max(axis=-1, keepdims=True)
    np.exp(x, out=x)
    x /= x.sum(axis=-1, keepdims=True)
    return x


@dataclass
class Tree:
    """Texts on one sound that share their beginnings.

    Each node is a piece of text behind that of its parent; node 0 and the others of the prompt come first.

    Attributes
    ----------
    sound_keys, sound_values : list of ndarray
        Of each layer, shape (heads, width of a head, frames) and (heads, frames, width of a head).
    keys, values : list of ndarray
        Of each layer, shape (room, width).
    paths : list of ndarray of int
        Of each node, the nodes on the way to it, itself included.
    """

    sound_keys: list[Array]
    sound_values: list[Array]
    keys: list[Array]
    values: list[Array]
    paths: list[NDArray[np.int64]] = field(default_factory=list)


@dataclass
class Start:
    """A sound with a prompt, and every text that was looked at behind it.

    Attributes
    ----------
    tree : Tree
    node : int
        Last node of the prompt.
    known : dict
        Node of each (node, next piece) that was looked at.
    no_speech : float
        Probability that nobody speaks; 0 where the decoder was not told which piece says so.
    behind : dict
        Of each node, the logarithm of the probability of what may follow, among the usual pieces.
    states : dict
        Of each node, what the model makes of the text so far, shape (width,).
    exact : dict
        Logarithm of the probability of a piece behind a node, among all pieces; those that were asked for.
    """

    tree: Tree
    node: int = -1
    no_speech: float = 0.0
    known: dict[tuple[int, int], int] = field(default_factory=dict)
    behind: dict[int, Array] = field(default_factory=dict)
    states: dict[int, Array] = field(default_factory=dict)
    exact: dict[tuple[int, int], float] = field(default_factory=dict)


Step = tuple[int, int]
"""A node and the piece behind it."""


class TextDecoder:
    """The text half of a model.

    Parameters
    ----------
    data : bytes
        The contents of model.bin.
    words : int
        How many entries of the vocabulary take part in the probabilities, from the first one on.
    wanted : sequence of int
        Pieces that will be asked for in a search.
    marks : sequence of int
        What else may stand behind the first piece of all: languages, and that nobody speaks, which comes last.

    Raises
    ------
    UnknownModelError
        If the file is none that this class can read.
    """

    ROOM = 512
    """Nodes that a new tree has room for; it grows."""

    AT_ONCE = 48
    """Nodes that are computed at once: more would take memory and save no time."""

    USUAL = 6000
    """So many pieces of the vocabulary, which has the frequent ones first, stand for all others in a search.

    To ask about all 51,865 behind every node would take half of the time.
    """

    def __init__(
        self,
        data: bytes,
        words: int,
        wanted: Sequence[int] | NDArray[np.int64],
        marks: Sequence[int] = (),
    ) -> None:
        stored = read_weights(data)

        def plain(name: str) -> Array:
            return as_numbers(stored, name)

        self._heads = heads_of(stored, "decoder")
        self._embedding = plain("decoder/embeddings/weight")
        self._positions = plain("decoder/position_encodings/encodings")
        projection = plain("decoder/projection/weight")
        self._marks = np.ascontiguousarray(projection[list(marks)].T)
        projection = projection[:words]
        usual = np.unique([*range(min(self.USUAL, words)), *wanted])
        self._usual_pieces = usual
        self._places = np.full(words, -1, np.int64)
        self._places[usual] = np.arange(len(usual))
        self._width = self._embedding.shape[1]
        self._all_logits, self._usual_logits = (
            _projection(weights) for weights in (projection, projection[usual])
        )
        self._enter, self._layers, self._sound_in = _pieces(stored, self._width)
        self._beside = ThreadPoolExecutor(2, thread_name_prefix="settling")

    @property
    def width(self) -> int:
        """Numbers that stand for a piece."""
        return int(self._width)

    def _split(self, x: Array) -> Array:
        """Return (rows, width) as (heads, rows, width of a head)."""
        return x.reshape(len(x), self._heads, -1).transpose(1, 0, 2)

    def tree(self, encoded: Array) -> Tree:
        """Begin texts on a sound.

        Parameters
        ----------
        encoded : ndarray of float32, shape (frames, width)
            Output of the model's other half.
        """
        keys, values = [], []
        for both in self._sound_in(encoded):
            keys.append(np.ascontiguousarray(self._split(both[:, : self._width]).transpose(0, 2, 1)))
            values.append(np.ascontiguousarray(self._split(both[:, self._width :])))
        room = [np.empty((self.ROOM, self._width), np.float32) for _ in range(2 * len(self._layers))]
        return Tree(keys, values, room[: len(self._layers)], room[len(self._layers) :])

    def prompt(self, tree: Tree, tokens: Sequence[int]) -> tuple[int, Array]:
        """Put the first pieces of all texts into an empty tree; return the last node and the state of the first."""
        count = len(tokens)
        for n in range(count):
            tree.paths.append(np.arange(n + 1))
        self._make_room(tree)
        x = self._embedding[list(tokens)] + self._positions[:count]
        barred = np.triu(np.full((count, count), -np.inf, np.float32), 1)
        scale = np.float32((self._width // self._heads) ** -0.5)

        def own(n: int, mixed: Array) -> Array:
            query, key, value = np.split(mixed, 3, axis=1)
            tree.keys[n][:count], tree.values[n][:count] = key, value
            scores = self._split(query) @ self._split(key).transpose(0, 2, 1) * scale + barred
            heard = (_softmax(scores) @ self._split(value)).transpose(1, 0, 2)
            return heard.reshape(count, -1)

        return count - 1, self._through(x, own, lambda n, query: self._sound(tree, n, query, scale))[:1]

    def _through(
        self, x: Array, own: Callable[[int, Array], Array], sound: Callable[[int, Array], Array]
    ) -> Array:
        """Return the states that come of pieces of text, shape (pieces, width).

        Parameters
        ----------
        x : ndarray of float32, shape (pieces, width)
        own, sound : callable
            Of the number of a layer, and what asks there, return what is taken from the text and from the sound.
        """
        (asking,) = self._enter(x)
        for n, layer in enumerate(self._layers):
            x, query = layer.first(x, own(n, asking))
            # the last layer gives the states alone
            found = layer.then(x, sound(n, query))
            x, asking = found[0], found[-1]
        return asking

    def _grow(self, trees: Sequence[tuple[Tree, Sequence[Step]]]) -> tuple[list[list[int]], list[Array]]:
        """Add nodes to trees, all at once, because to read the weights is what takes the time.

        Returns
        -------
        nodes : list of list of int
            The new ones of each tree.
        states : list of ndarray of float32, shape (new nodes, width)
            What the model makes of the text up to each.
        """
        added = [_Added(tree, steps) for tree, steps in trees if steps]
        for each in added:
            self._make_room(each.tree)
        tokens = [token for each in added for token in each.tokens]
        x = self._embedding[tokens] + self._positions[np.concatenate([each.lengths for each in added]) - 1]
        scale = np.float32((self._width // self._heads) ** -0.5)
        ends = np.cumsum([len(each.nodes) for each in added])
        parts = [slice(end - len(each.nodes), end) for end, each in zip(ends, added, strict=True)]

        def own(n: int, asking: Array) -> Array:
            return np.concatenate(
                [self._own(each, n, asking[part], scale) for each, part in zip(added, parts, strict=True)]
            )

        def sound(n: int, query: Array) -> Array:
            return np.concatenate(
                [
                    self._sound(each.tree, n, query[part], scale)
                    for each, part in zip(added, parts, strict=True)
                ]
            )

        states = self._through(x, own, sound)
        of = {id(each.tree): (each.nodes, states[part]) for each, part in zip(added, parts, strict=True)}
        nothing: tuple[list[int], Array] = ([], np.empty((0, self._width), np.float32))
        found = [of.get(id(tree), nothing) for tree, _ in trees]
        return [nodes for nodes, _ in found], [rows for _, rows in found]

    def _own(self, added: _Added, n: int, mixed: Array, scale: np.float32) -> Array:
        """Return what each new node takes from the text before it."""
        query, key, value = np.split(mixed, 3, axis=1)
        tree, way, count = added.tree, added.way, len(added.nodes)
        tree.keys[n][added.nodes], tree.values[n][added.nodes] = key, value
        keys = tree.keys[n][way].reshape(*way.shape, self._heads, -1).transpose(0, 2, 3, 1)
        values = tree.values[n][way].reshape(*way.shape, self._heads, -1).transpose(0, 2, 1, 3)
        scores = query.reshape(count, self._heads, 1, -1) @ keys * scale + added.barred[:, None, None, :]
        return (_softmax(scores) @ values).reshape(count, -1)

    def _sound(self, tree: Tree, n: int, query: Array, scale: np.float32) -> Array:
        """Return what each node takes from the sound."""
        share = _softmax(self._split(query) @ tree.sound_keys[n] * scale)
        return (share @ tree.sound_values[n]).transpose(1, 0, 2).reshape(len(query), -1)

    def _make_room(self, tree: Tree) -> None:
        for store in (tree.keys, tree.values):
            for n, held in enumerate(store):
                if len(tree.paths) > len(held):
                    store[n] = np.concatenate([held, np.empty_like(held)])

    def begin(self, encoded: Array, prompt: Sequence[int]) -> Start:
        """Begin texts on a sound behind a prompt of two or more pieces.

        Parameters
        ----------
        encoded : ndarray of float32, shape (frames, width)
            Output of the model's other half.
        prompt : sequence of int
        """
        start = Start(self.tree(encoded))
        last, state = self.prompt(start.tree, prompt[:-1])
        start.no_speech = self._no_speech(state)
        self.extend([(start, [(last, prompt[-1])])])
        start.node = start.known[last, prompt[-1]]
        return start

    def _no_speech(self, state: Array) -> float:
        """Return the probability that nobody speaks, from the state of the first piece of all."""
        if not self._marks.shape[1]:
            return 0.0
        beside = np.concatenate([*self._usual_logits(state), state @ self._marks], axis=1)
        return float(_softmax(beside)[0, -1])

    def extend(self, wanted: Sequence[tuple[Start, Sequence[Step]]]) -> None:
        """Look at texts that are a piece longer: (node, next piece) pairs that are not known yet."""
        waiting = [(start, step) for start, steps in wanted for step in steps if step not in start.known]
        for first in range(0, len(waiting), self.AT_ONCE):
            some = waiting[first : first + self.AT_ONCE]
            starts = [start for start, _ in wanted]
            steps = [[step for each, step in some if each is start] for start in starts]
            found = self._grow([(start.tree, each) for start, each in zip(starts, steps, strict=True)])
            (logits,) = self._usual_logits(np.concatenate(found[1]))
            rows = _log_softmax(logits)
            at = 0
            for start, each, nodes, states in zip(starts, steps, *found, strict=True):
                for step, node, state in zip(each, nodes, states, strict=True):
                    start.known[step], start.states[node] = node, state
                    start.behind[node] = rows[at]
                    at += 1

    def following(self, start: Start, node: int, pieces: Sequence[int] | NDArray[np.int64]) -> Array:
        """Return the logarithm of the probability of each of some pieces behind a node, among the usual ones."""
        return start.behind[node][self._places[pieces]]

    def among_usual(self, start: Start, steps: Iterable[Step]) -> tuple[float, ...]:
        """Return the logarithm of the probability of each step, among the usual pieces; see `score`."""
        return tuple(float(self.following(start, node, [piece])[0]) for node, piece in steps)

    def likeliest(self, start: Start, node: int, barred: NDArray[np.int64]) -> int:
        """Return the likeliest of the usual pieces behind a node, without some."""
        places = self._places[barred]
        row = start.behind[node].copy()
        row[places[places >= 0]] = -np.inf
        return int(self._usual_pieces[int(np.argmax(row))])

    def settle(self, start: Start, steps: Iterable[Step]) -> None:
        """Find the probability of pieces among the whole vocabulary, and keep it in `Start.exact`."""
        pieces: dict[int, list[int]] = {}
        for node, piece in steps:
            if (node, piece) not in start.exact:
                pieces.setdefault(node, []).append(piece)
        nodes = list(pieces)
        for first in range(0, len(nodes), self.AT_ONCE):
            some = nodes[first : first + self.AT_ONCE]
            (logits,) = self._all_logits(np.stack([start.states[node] for node in some]))
            top = logits.max(axis=1)
            whole = top + np.log(np.exp(logits - top[:, None]).sum(axis=1))
            for node, row, total in zip(some, logits, whole, strict=True):
                for piece in pieces[node]:
                    start.exact[node, piece] = float(row[piece] - total)

    def ways(self, wanted: Sequence[tuple[Start, Sequence[Sequence[int]]]]) -> list[list[list[Step]]]:
        """Return the steps of each text behind the prompt, for each sound.

        What is not known of them is computed all at once: the texts are given, and no piece has to wait for
        what comes of the one before.
        """
        found, new = [], []
        for start, texts in wanted:
            nodes = dict(start.known)
            # every node but those of the prompt is that of a known step
            of_prompt = len(start.tree.paths) - len(nodes)
            found.append([_walk(start.node, text, nodes, of_prompt) for text in texts])
            new.append((start, [step for step in nodes if step not in start.known]))
        self.extend(new)
        return found

    def score(
        self, wanted: Sequence[tuple[Start, Sequence[Sequence[Step]]]]
    ) -> list[list[tuple[float, ...]]]:
        """Return the logarithm of the probability of each piece of texts, given by their steps, for each sound."""
        settling = [
            self._beside.submit(self.settle, start, [step for way in ways for step in way])
            for start, ways in wanted
        ]
        for each in settling:
            each.result()
        return [[tuple(start.exact[step] for step in way) for way in ways] for start, ways in wanted]


def _walk(node: int, text: Sequence[int], nodes: dict[Step, int], before: int) -> list[Step]:
    """Return the steps of a text from a node on; those that are missing get the numbers behind the others."""
    steps = []
    for n, piece in enumerate(text):
        steps.append((node, piece))
        if n + 1 < len(text):
            node = nodes.setdefault(steps[-1], before + len(nodes))
    return steps


class _Added:
    """Nodes that are to be added to a tree."""

    def __init__(self, tree: Tree, steps: Sequence[Step]) -> None:
        self.tree = tree
        self.tokens = [token for _, token in steps]
        first = len(tree.paths)
        self.nodes = list(range(first, first + len(steps)))
        for (at, _), n in zip(steps, self.nodes, strict=True):
            # one by one: a node may stand behind another new one
            tree.paths.append(np.append(tree.paths[at], n))
        self.lengths = np.array([len(tree.paths[n]) for n in self.nodes])
        longest = int(self.lengths.max())
        #: Of each new node, the nodes on the way to it, filled up with others that are barred.
        self.way = np.zeros((len(steps), longest), np.int64)
        for row, n in enumerate(self.nodes):
            self.way[row, : self.lengths[row]] = tree.paths[n]
        self.barred = np.where(np.arange(longest) < self.lengths[:, None], 0.0, -np.inf).astype(np.float32)


def _log_softmax(logits: Array) -> Array:
    logits -= logits.max(axis=1, keepdims=True)
    logits -= np.log(np.exp(logits).sum(axis=1, keepdims=True))
    return logits
