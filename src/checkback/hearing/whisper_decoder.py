"""The text half of a Whisper model, for many texts that begin alike.

The usual library runs each text by itself, with the prompt before it, and projects each piece of the
sound anew for each text.  Here texts share what they begin with, and all share the sound, so that a
hundred sentences that differ in a word or two are judged in a fraction of the time, and a search can
ask for the probability of every next piece.

Architecture: Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022), section
2.2, which is that of Vaswani et al., "Attention Is All You Need" (2017), with the layer norms first.
File: the model format of CTranslate2 (github.com/OpenNMT/CTranslate2, docs/quantization.md and
python/ctranslate2/specs/model_spec.py), weights in 8, 16 or 32 bits.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]

_KINDS: Mapping[int, type[np.generic]] = {
    0: np.float32, 1: np.int8, 2: np.int16, 3: np.int32, 4: np.float16,
}  # fmt: skip
"""Number types of the file format that a Whisper model uses."""

_OLDEST, _NEWEST = 2, 6
"""Versions of the file format that can be read."""

_EPSILON = np.float32(1e-5)

NOT_KEPT = -8.0
"""Stands for the logarithm of a probability that was not kept."""


class UnknownModelError(ValueError):
    """The file cannot be read by this module; the message says why."""


def read_weights(path: Path) -> dict[str, NDArray[np.generic]]:
    """Return the arrays of a model file by name, as they are stored.

    Raises
    ------
    UnknownModelError
        If it is no such file, or of another version.
    """
    data = path.read_bytes()
    at = 0

    def number(kind: str) -> int:
        nonlocal at
        (value,) = struct.unpack_from(f"<{kind}", data, at)
        at += struct.calcsize(kind)
        return int(value)

    def text() -> str:
        nonlocal at
        length = number("H")
        at += length
        return data[at - length : at - 1].decode()

    try:
        version = number("I")
        if not _OLDEST <= version <= _NEWEST:
            raise UnknownModelError(f"version {version} of the file format")
        text()
        number("I")
        found: dict[str, NDArray[np.generic]] = {}
        for _ in range(number("I")):
            name = text()
            shape = [number("I") for _ in range(number("B"))]
            kind, size = number("B"), number("I")
            if kind not in _KINDS:
                raise UnknownModelError(f"number type {kind} of {name}")
            dtype = np.dtype(_KINDS[kind])
            found[name] = np.frombuffer(data, dtype, size // dtype.itemsize, at).reshape(shape)
            at += size
        for _ in range(number("I")):
            alias, name = text(), text()
            found[alias] = found[name]
    except (struct.error, UnicodeDecodeError, KeyError, ValueError) as error:
        raise UnknownModelError(str(error)) from error
    return found


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
    logprobs : ndarray of float32, shape (words,)
        What follows the prompt.
    known : dict
        Node of each (node, next piece) that was looked at.
    behind : dict
        What follows each such node, as `logprobs`.
    kept : ndarray of int64, shape (words,), or None
        Place of each word of the vocabulary in `logprobs`, the last one for those that are not kept; None: all
        are kept.
    pieces : ndarray of int64 or None
        Those that are kept.
    """

    tree: Tree
    node: int
    logprobs: Array
    known: dict[tuple[int, int], int] = field(default_factory=dict)
    behind: dict[int, Array] = field(default_factory=dict)
    kept: NDArray[np.int64] | None = None
    pieces: NDArray[np.int64] | None = None

    def following(self, node: int, pieces: Sequence[int] | NDArray[np.int64]) -> Array:
        """Return the logarithm of the probability of each of some pieces behind a node."""
        row = self.logprobs if node == self.node else self.behind[node]
        return row[pieces if self.kept is None else self.kept[pieces]]


class TextDecoder:
    """The text half of a model.

    Parameters
    ----------
    path : Path
        model.bin.
    words : int
        How many entries of the vocabulary take part in the probabilities, from the first one on.

    Raises
    ------
    UnknownModelError
        If the file is none that this class can read.
    """

    ROOM = 512
    """Nodes that a new tree has room for; it grows."""

    AT_ONCE = 48
    """Nodes that are computed at once: more would take memory and save no time."""

    def __init__(self, path: Path, words: int) -> None:
        stored = read_weights(path)

        def plain(name: str) -> Array:
            if name not in stored:
                raise UnknownModelError(f"there is no {name}")
            value = stored[name]
            if value.dtype == np.int8:
                scale = stored[f"{name}_scale"].astype(np.float32)
                return np.asarray(value.astype(np.float32) / scale.reshape(-1, *[1] * (value.ndim - 1)))
            if value.dtype not in (np.float16, np.float32):
                raise UnknownModelError(f"number type {value.dtype} of {name}")
            return value.astype(np.float32)

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
        self._projection = np.ascontiguousarray(plain("decoder/projection/weight")[:words].T)
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

    def prompt(self, tree: Tree, tokens: Sequence[int]) -> int:
        """Put the first pieces of all texts into an empty tree; return the last node."""
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
            x = self._rest(tree, n, layer, x, scale)
        return count - 1

    def grow(self, tree: Tree, parents: Sequence[int], tokens: Sequence[int]) -> tuple[list[int], Array]:
        """Add nodes, and return what may follow behind each.

        Parameters
        ----------
        tree : Tree
        parents : sequence of int
            Node before each new one.
        tokens : sequence of int
            Its piece of text.

        Returns
        -------
        nodes : list of int
        logprobs : ndarray of float32, shape (new nodes, words)
            Natural logarithm of the probability of every next piece.
        """
        first = len(tree.paths)
        nodes = list(range(first, first + len(tokens)))
        tree.paths += [np.append(tree.paths[p], n) for p, n in zip(parents, nodes, strict=True)]
        self._make_room(tree)
        lengths = np.array([len(tree.paths[n]) for n in nodes])
        longest = int(lengths.max())
        way = np.zeros((len(nodes), longest), np.int64)
        for row, n in enumerate(nodes):
            way[row, : lengths[row]] = tree.paths[n]
        barred = np.where(np.arange(longest) < lengths[:, None], 0.0, -np.inf).astype(np.float32)
        x = self._embedding[list(tokens)] + self._positions[lengths - 1]
        scale = np.float32((self._width // self._heads) ** -0.5)
        count = len(nodes)
        for n, layer in enumerate(self._layers):
            mixed = layer.own_in(layer.own_norm(x))
            query, key, value = np.split(mixed, 3, axis=1)
            tree.keys[n][first : first + count], tree.values[n][first : first + count] = key, value
            keys = tree.keys[n][way].reshape(count, longest, self._heads, -1).transpose(0, 2, 3, 1)
            values = tree.values[n][way].reshape(count, longest, self._heads, -1).transpose(0, 2, 1, 3)
            scores = query.reshape(count, self._heads, 1, -1) @ keys * scale + barred[:, None, None, :]
            x = x + layer.own_out((_softmax(scores) @ values).reshape(count, -1))
            x = self._rest(tree, n, layer, x, scale)
        return nodes, self._likely(x)

    def _rest(self, tree: Tree, n: int, layer: _Layer, x: Array, scale: np.float32) -> Array:
        query = self._split(layer.sound_query(layer.sound_norm(x)))
        share = _softmax(query @ tree.sound_keys[n] * scale)
        heard = (share @ tree.sound_values[n]).transpose(1, 0, 2).reshape(len(x), -1)
        x = x + layer.sound_out(heard)
        return x + layer.inner_out(_gelu(layer.inner_in(layer.inner_norm(x))))

    def _likely(self, x: Array) -> Array:
        logits: Array = self._norm(x) @ self._projection
        logits -= logits.max(axis=1, keepdims=True)
        logits -= np.log(np.exp(logits).sum(axis=1, keepdims=True))
        return logits

    def _make_room(self, tree: Tree) -> None:
        for store in (tree.keys, tree.values):
            for n, held in enumerate(store):
                if len(tree.paths) > len(held):
                    store[n] = np.concatenate([held, np.empty_like(held)])

    def begin(self, encoded: Array, prompt: Sequence[int], only: NDArray[np.int64] | None = None) -> Start:
        """Begin texts on a sound behind a prompt of two or more pieces.

        Parameters
        ----------
        encoded : ndarray of float32, shape (frames, width)
            Output of the model's other half.
        prompt : sequence of int
        only : ndarray of int64 or None
            Keep the probabilities of these pieces only; all others count as `NOT_KEPT`.
        """
        tree = self.tree(encoded)
        last = self.prompt(tree, prompt[:-1])
        (node,), (logprobs,) = self.grow(tree, [last], prompt[-1:])
        if only is None:
            return Start(tree, node, logprobs)
        kept = np.full(len(logprobs), len(only), np.int64)
        kept[only] = np.arange(len(only))
        return Start(tree, node, _only(logprobs, only), kept=kept, pieces=only)

    def score(self, start: Start, texts: Sequence[Sequence[int]]) -> list[tuple[float, ...]]:
        """Return the logarithm of the probability of each piece of each text behind the prompt.

        Texts that begin alike share the work; what was judged before on the same start is known.
        """
        rows: list[list[float]] = [[] for _ in texts]
        at = [start.node] * len(texts)
        for depth in range(max(map(len, texts), default=0)):
            needed: dict[tuple[int, int], None] = {}
            for n, text in enumerate(texts):
                if depth < len(text):
                    rows[n].append(float(start.following(at[n], [text[depth]])[0]))
                    if depth + 1 < len(text) and (at[n], text[depth]) not in start.known:
                        needed[at[n], text[depth]] = None
            self.extend(start, list(needed))
            for n, text in enumerate(texts):
                if depth + 1 < len(text):
                    at[n] = start.known[at[n], text[depth]]
        return [tuple(row) for row in rows]

    def extend(self, start: Start, steps: Sequence[tuple[int, int]]) -> None:
        """Add (node, next piece) pairs that are not known yet."""
        for first in range(0, len(steps), self.AT_ONCE):
            some = steps[first : first + self.AT_ONCE]
            nodes, logprobs = self.grow(start.tree, [node for node, _ in some], [t for _, t in some])
            for step, node, row in zip(some, nodes, logprobs, strict=True):
                start.known[step] = node
                start.behind[node] = row if start.pieces is None else _only(row, start.pieces)


def _only(logprobs: Array, pieces: NDArray[np.int64]) -> Array:
    return np.append(logprobs[pieces], np.float32(NOT_KEPT))
