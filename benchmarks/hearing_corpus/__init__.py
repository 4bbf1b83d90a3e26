"""What the hearing benchmark is made of: sentences, voices, noise, rooms, and how answers are counted."""

from __future__ import annotations

import hashlib
from typing import Literal

import numpy as np

Side = Literal["dev", "test"]
"""Development data are for choosing; test data are for the figures that are quoted."""

SIDES: tuple[Side, ...] = ("dev", "test")


def digest(*parts: object) -> int:
    """Return a number that depends on the parts and on nothing else, on every machine."""
    text = "\x1f".join(map(str, parts))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


def generator(*parts: object) -> np.random.Generator:
    """Return random numbers that depend on the parts and on nothing else."""
    return np.random.default_rng(digest(*parts))
