"""A model file is read as it is stored, and changed in place.

That the library (CTranslate2) reads a changed file as the same model is shown with the real one in
`tests/rooms/test_hearing_whisper.py`: its own scores and those of `TextDecoder` are the same.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from checkback.hearing.whisper_file import UnknownModelError, as_numbers, changed, read_weights, reference

RNG = np.random.default_rng(7)
WEIGHTS = RNG.normal(0, 0.1, (24, 16)).astype(np.float32)
KINDS = {"float32": 0, "int8": 1, "float16": 4}


def model_file(arrays: dict[str, NDArray[np.generic]], version: int = 6) -> bytes:
    """Write arrays as the format's description says: names with a closing zero, shapes, types, bytes."""

    def text(name: str) -> bytes:
        return struct.pack("<H", len(name) + 1) + name.encode() + b"\0"

    parts = [struct.pack("<I", version), text("WhisperSpec"), struct.pack("<II", 3, len(arrays))]
    for name, array in arrays.items():
        shape = b"".join(struct.pack("<I", size) for size in array.shape)
        kind = struct.pack("<BI", KINDS[array.dtype.name], array.nbytes)
        parts += [text(name), struct.pack("<B", array.ndim), shape, kind, array.tobytes()]
    return b"".join([*parts, struct.pack("<I", 1), text("again"), text(next(iter(arrays)))])


def stored_as(kind: str) -> dict[str, NDArray[np.generic]]:
    if kind != "int8":
        return {"m/weight": WEIGHTS.astype(kind), "other": np.arange(3, dtype=np.float32)}
    scale = (127 / np.abs(WEIGHTS).max(axis=1)).astype(np.float32)
    return {
        "m/weight": np.rint(WEIGHTS * scale[:, None]).astype(np.int8),
        "m/weight_scale": scale,
        "other": np.arange(3, dtype=np.float32),
    }


def change(folder: Path, was: NDArray[np.float32], rank: int = 4) -> tuple[Path, NDArray[np.float32]]:
    inner, outer = RNG.normal(0, 0.1, (rank, 16)), RNG.normal(0, 0.1, (24, rank))
    path = folder / "change.npz"
    np.savez(path, **{"m/weight/A": inner, "m/weight/B": outer, "m/weight/was": reference(was)})
    return path, (outer @ inner).astype(np.float32)


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_changed_by_what_was_learnt_in_whatever_type_it_is_stored(kind: str, tmp_path: Path) -> None:
    data = model_file(stored_as(kind))
    path, learnt = change(tmp_path, WEIGHTS)
    new = changed(data, path)
    assert new is not None and len(new) == len(data)
    found = read_weights(new)
    assert found["m/weight"].dtype == kind
    step = {"float32": 1e-6, "float16": 5e-4, "int8": np.abs(WEIGHTS + learnt).max() / 127}[kind]
    assert np.abs(as_numbers(found, "m/weight") - WEIGHTS - learnt).max() <= step
    assert found["other"].tolist() == [0, 1, 2]
    assert np.array_equal(found["again"], found["m/weight"])


def test_a_change_for_another_model_is_not_applied(tmp_path: Path) -> None:
    data = model_file(stored_as("float16"))
    path, _ = change(tmp_path, RNG.normal(0, 0.1, WEIGHTS.shape).astype(np.float32))
    assert changed(data, path) is None
    path, _ = change(tmp_path, WEIGHTS)
    narrow = model_file({"m/weight": WEIGHTS[:20].astype(np.float16)})
    assert changed(narrow, path) is None
    assert changed(model_file({"n/weight": WEIGHTS}), path) is None


@pytest.mark.parametrize("kept", [0, 3, 30, 200])
def test_a_file_that_is_cut_off_is_told(kept: int) -> None:
    with pytest.raises(UnknownModelError):
        read_weights(model_file(stored_as("float32"))[:kept])


def test_another_version_of_the_format_is_told() -> None:
    with pytest.raises(UnknownModelError, match="version 9"):
        read_weights(model_file(stored_as("float32"), version=9))
