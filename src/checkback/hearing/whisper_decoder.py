"""The text half of a Whisper model, for many texts that begin alike.

The usual library runs each text by itself, with the prompt before it, and projects each piece of the
sound anew for each text.  Here texts share what they begin with, and all share the sound, so that a
hundred sentences that differ in a word or two are judged in a fraction of the time, and a search can
ask for the probability of every next piece.

Architecture: Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022), section
2.2, which is that of Vaswani et al., "Attention Is All You Need" (2017), with the layer norms first.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.whisper_file import Array, UnknownModelError, as_numbers, read_weights

_EPSILON = np.float32(1e-5)


@dataclass(frozen=True)
class _Linear:
    """Weights (inputs, outputs) and bias."""

    weight: Array
    bias: Array

    def __call__(self, x: Array) -> Array:
        result: Array = x @ self.weight
        result += self.bias
        return result


@dataclass(frozen=True)
class _Norm:
    gamma: Array
    beta: Array

    def __call__(self, x: Array) -> Array:
        centred = x - x.mean(axis=-1, keepdims=True)
        spread = np.sqrt(np.square(centred).mean(axis=-1, keepdims=True) + _EPSILON)
        return np.asarray(centred / spread * self.gamma + self.beta, np.float32)


@dataclass(frozen=True)
class _Layer:
    own_norm: _Norm
    own_in: _Linear
    own_out: _Linear
    sound_norm: _Norm
    sound_query: _Linear
    sound_in: _Linear
    sound_out: _Linear
    inner_norm: _Norm
    inner_in: _Linear
    inner_out: _Linear


def _softmax(x: Array) -> Array:
    x -= x.max(axis=-1, keepdims=True)
    np.exp(x, out=x)
    x /= x.sum(axis=-1, keepdims=True)
    return x


def _gelu(x: Array) -> Array:
    """Return the Gaussian error linear unit, by its tangent form (Hendrycks and Gimpel, 2016)."""
    inner = x * x
    inner *= np.float32(0.044715)
    inner += np.float32(1.0)
    inner *= x
    inner *= np.float32(0.7978845608)
    np.tanh(inner, out=inner)
    inner += np.float32(1.0)
    inner *= x
    inner *= np.float32(0.5)
    return inner


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

        def linear(name: str) -> _Linear:
            return _Linear(np.ascontiguousarray(plain(f"{name}/weight").T), plain(f"{name}/bias"))

        def norm(name: str) -> _Norm:
            return _Norm(plain(f"{name}/gamma"), plain(f"{name}/beta"))

        try:
            heads = stored["decoder/num_heads"]
            self._heads = int(heads)
        except (KeyError, TypeError) as error:
            raise UnknownModelError("it does not say how many heads it has") from error
        if int(stored.get("decoder/pre_norm", np.int8(1))) != 1:
            raise UnknownModelError("its layer norms come last")
        self._embedding = plain("decoder/embeddings/weight")
        self._positions = plain("decoder/position_encodings/encodings")
        projection = plain("decoder/projection/weight")
        self._marks = np.ascontiguousarray(projection[list(marks)].T)
        projection = projection[:words]
        self._projection = np.ascontiguousarray(projection.T)
        usual = np.unique([*range(min(self.USUAL, words)), *wanted])
        self._usual = np.ascontiguousarray(projection[usual].T)
        self._usual_pieces = usual
        self._places = np.full(words, -1, np.int64)
        self._places[usual] = np.arange(len(usual))
        self._norm = norm("decoder/layer_norm")
        self._layers: list[_Layer] = []
        while f"decoder/layer_{len(self._layers)}/ffn/linear_0/weight" in stored:
            at = f"decoder/layer_{len(self._layers)}"
            self._layers.append(
                _Layer(
                    norm(f"{at}/self_attention/layer_norm"),
                    linear(f"{at}/self_attention/linear_0"),
                    linear(f"{at}/self_attention/linear_1"),
                    norm(f"{at}/attention/layer_norm"),
                    linear(f"{at}/attention/linear_0"),
                    linear(f"{at}/attention/linear_1"),
                    linear(f"{at}/attention/linear_2"),
                    norm(f"{at}/ffn/layer_norm"),
                    linear(f"{at}/ffn/linear_0"),
                    linear(f"{at}/ffn/linear_1"),
                )
            )
        self._width = self._embedding.shape[1]
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
        for layer in self._layers:
            both = layer.sound_in(encoded)
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
        for n, layer in enumerate(self._layers):
            mixed = layer.own_in(layer.own_norm(x))
            query, key, value = np.split(mixed, 3, axis=1)
            tree.keys[n][:count], tree.values[n][:count] = key, value
            scores = self._split(query) @ self._split(key).transpose(0, 2, 1) * scale + barred
            heard = (_softmax(scores) @ self._split(value)).transpose(1, 0, 2).reshape(count, -1)
            x = x + layer.own_out(heard)
            x = x + layer.sound_out(self._sound(tree, n, layer.sound_query(layer.sound_norm(x)), scale))
            x = self._inner(layer, x)
        return count - 1, self._norm(x[:1])

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
        for n, layer in enumerate(self._layers):
            mixed = layer.own_in(layer.own_norm(x))
            heard = np.empty_like(x)
            for each, part in zip(added, parts, strict=True):
                heard[part] = self._own(each, n, mixed[part], scale)
            x = x + layer.own_out(heard)
            query = layer.sound_query(layer.sound_norm(x))
            for each, part in zip(added, parts, strict=True):
                heard[part] = self._sound(each.tree, n, query[part], scale)
            x = self._inner(layer, x + layer.sound_out(heard))
        states = self._norm(x)
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

    def _inner(self, layer: _Layer, x: Array) -> Array:
        return x + layer.inner_out(_gelu(layer.inner_in(layer.inner_norm(x))))

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
        beside = np.concatenate([state @ self._usual, state @ self._marks], axis=1)
        return float(_softmax(beside)[0, -1])

    def extend(self, wanted: Sequence[tuple[Start, Sequence[Step]]]) -> None:
        """Look at texts that are a piece longer: (node, next piece) pairs that are not known yet."""
        waiting = [(start, step) for start, steps in wanted for step in steps if step not in start.known]
        for first in range(0, len(waiting), self.AT_ONCE):
            some = waiting[first : first + self.AT_ONCE]
            starts = [start for start, _ in wanted]
            steps = [[step for each, step in some if each is start] for start in starts]
            found = self._grow([(start.tree, each) for start, each in zip(starts, steps, strict=True)])
            rows = _log_softmax(np.concatenate(found[1]) @ self._usual)
            at = 0
            for start, each, nodes, states in zip(starts, steps, *found, strict=True):
                for step, node, state in zip(each, nodes, states, strict=True):
                    start.known[step], start.states[node] = node, state
                    start.behind[node] = rows[at]
                    at += 1

    def following(self, start: Start, node: int, pieces: Sequence[int] | NDArray[np.int64]) -> Array:
        """Return the logarithm of the probability of each of some pieces behind a node, among the usual ones."""
        return start.behind[node][self._places[pieces]]

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
            logits = np.stack([start.states[node] for node in some]) @ self._projection
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
