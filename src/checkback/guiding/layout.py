"""Where the boxes of a flow chart stand: layers from top to bottom, few crossings, no overlap.

The usual steps of a layered drawing (Sugiyama, Tagawa, Toda, IEEE Trans Syst Man Cybern
1981;11:109): longest paths give the layers, ways that pass a layer get a place in it, each layer is
sorted by the mean place of its neighbours, and then moved towards them as far as the order allows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

Way = tuple[str, str]

PASSING_WIDTH = 18.0
"""Room for a way that passes a layer."""

_SWEEPS = 24
_DOWN = 3


@dataclass(frozen=True)
class Layout:
    """A finished layout.

    Attributes
    ----------
    x : dict of str to float
        Middle of each box.
    layer : dict of str to int
        From the top.
    passing : dict
        For each way, the middles of the places through which it passes, layer by layer.
    width : float
        Of the whole; the left edge is 0.
    """

    x: Mapping[str, float]
    layer: Mapping[str, int]
    passing: Mapping[Way, tuple[float, ...]]
    width: float


def layers(ways: Sequence[Way], first: str) -> dict[str, int]:
    """Return the layer of each node: the length of the longest path to it.

    Raises
    ------
    ValueError
        If the ways run in a circle.
    """
    nodes = {first, *(node for way in ways for node in way)}
    found = dict.fromkeys(nodes, 0)
    for _ in range(len(nodes) + 1):
        moved = False
        for source, target in ways:
            if found[target] <= found[source]:
                found[target] = found[source] + 1
                moved = True
        if not moved:
            return found
    raise ValueError("the ways run in a circle")


def lay_out(ways: Sequence[Way], first: str, widths: Mapping[str, float], gap: float) -> Layout:
    """Lay out a graph without circles.

    Parameters
    ----------
    ways : sequence of (str, str)
        From box to box, no way twice; of a box the left one first.
    first : str
        The box at the top.
    widths : mapping of str to float
        Width of each box.
    gap : float
        Least distance between two boxes of a layer.
    """
    layer = layers(ways, first)
    rows: list[list[str]] = [[] for _ in range(max(layer.values()) + 1)]
    for node in layer:
        if node not in {target for _, target in ways} and node != first:
            raise ValueError(f"nothing leads to {node}")
    wide = dict(widths)
    above: dict[str, list[str]] = {}
    below: dict[str, list[str]] = {}
    chains: dict[Way, list[str]] = {}
    for node in _from_the_top(ways, first):
        rows[layer[node]].append(node)
        for way in (way for way in ways if way[0] == node):
            chain = [f"{way[0]} > {way[1]} {at}" for at in range(layer[node] + 1, layer[way[1]])]
            chains[way] = chain
            for at, passing in enumerate(chain, layer[node] + 1):
                rows[at].append(passing)
                wide[passing] = PASSING_WIDTH
            path = [way[0], *chain, way[1]]
            for upper, lower in pairwise(path):
                below.setdefault(upper, []).append(lower)
                above.setdefault(lower, []).append(upper)
    _sort(rows, above, below)
    x = _places(rows, above, below, wide, gap)
    left = min(x[node] - wide[node] / 2 for node in x)
    x = {node: at - left for node, at in x.items()}
    return Layout(
        x={node: x[node] for node in layer},
        layer=layer,
        passing={way: tuple(x[node] for node in chain) for way, chain in chains.items()},
        width=max(x[node] + wide[node] / 2 for node in x),
    )


def _from_the_top(ways: Sequence[Way], first: str) -> list[str]:
    order: list[str] = []
    waiting = [first]
    while waiting:
        node = waiting.pop(0)
        if node not in order:
            order.append(node)
            waiting += [target for source, target in ways if source == node]
    return order


def _sort(rows: list[list[str]], above: Mapping[str, list[str]], below: Mapping[str, list[str]]) -> None:
    """Sort each row by the mean place of its neighbours; the best order of all sweeps stays."""
    best = [list(row) for row in rows]
    fewest = crossings(rows, below)
    for sweep in range(_SWEEPS):
        down = sweep % 2 == 0
        neighbours = above if down else below
        for at in range(1, len(rows)) if down else range(len(rows) - 2, -1, -1):
            other = rows[at - 1] if down else rows[at + 1]
            place = {node: i for i, node in enumerate(other)}

            def mean(node: str, i: int, place: dict[str, int] = place) -> float:
                near = [place[each] for each in neighbours.get(node, []) if each in place]  # noqa: B023
                return sum(near) / len(near) if near else float(i)

            keys = {node: mean(node, i) for i, node in enumerate(rows[at])}
            rows[at].sort(key=keys.__getitem__)
        if (now := crossings(rows, below)) < fewest:
            fewest, best = now, [list(row) for row in rows]
    rows[:] = best


def crossings(rows: Sequence[Sequence[str]], below: Mapping[str, Sequence[str]]) -> int:
    """Return how many ways cross between the rows."""
    count = 0
    for upper, lower in pairwise(rows):
        place = {node: i for i, node in enumerate(lower)}
        ends = [place[to] for node in upper for to in sorted(below.get(node, []), key=place.__getitem__)]
        count += sum(a > b for i, a in enumerate(ends) for b in ends[i + 1 :])
    return count


def _places(
    rows: Sequence[Sequence[str]],
    above: Mapping[str, list[str]],
    below: Mapping[str, list[str]],
    wide: Mapping[str, float],
    gap: float,
) -> dict[str, float]:
    x: dict[str, float] = {}
    for row in rows:
        at = 0.0
        for node in row:
            x[node] = at + wide[node] / 2
            at += wide[node] + gap
    for sweep in range(_SWEEPS + _DOWN):
        down = sweep % 2 == 0 or sweep >= _SWEEPS
        for row in rows if down else rows[::-1]:
            wanted, weights = [], []
            for node in row:
                near = above.get(node, []) if down else below.get(node, [])
                if sweep >= _SWEEPS:
                    # a box stands right below the box that leads to it, and only else below ways
                    near = [each for each in near if wide[each] != PASSING_WIDTH] or near
                wanted.append(sum(x[each] for each in near) / len(near) if near else x[node])
                # first ways are to run straight; at last boxes are to stand below one another
                passes = wide[node] == PASSING_WIDTH
                weights.append((6.0 if passes else 1.0) if sweep < _SWEEPS else 1.0 if passes else 50.0)
            apart = [
                (wide[a] + wide[b]) / 2 + (gap if PASSING_WIDTH not in (wide[a], wide[b]) else gap / 2)
                for a, b in pairwise(row)
            ]
            for node, at in zip(row, spread(wanted, weights, apart), strict=True):
                x[node] = at
    return x


def spread(wanted: Sequence[float], weights: Sequence[float], apart: Sequence[float]) -> list[float]:
    """Return places in order, as near to the wanted ones as the distances allow (least squares).

    Neighbours that want to be nearer than they may are moved together as one block (pooling of
    adjacent violators).

    Parameters
    ----------
    wanted, weights : sequence of float, shape (n,)
    apart : sequence of float, shape (n - 1,)
        Least distance between each and the next.
    """
    shift = [0.0]
    for distance in apart:
        shift.append(shift[-1] + distance)
    blocks: list[tuple[float, float, int]] = []  # mean, weight, how many
    for want, weight, moved in zip(wanted, weights, shift, strict=True):
        block = (want - moved, weight, 1)
        while blocks and blocks[-1][0] > block[0]:
            mean, heavy, count = blocks.pop()
            total = heavy + block[1]
            block = ((mean * heavy + block[0] * block[1]) / total, total, count + block[2])
        blocks.append(block)
    means = [mean for mean, _, count in blocks for _ in range(count)]
    return [mean + moved for mean, moved in zip(means, shift, strict=True)]
