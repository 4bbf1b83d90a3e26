"""What the hearing benchmark is made of: sentences, voices, noise, rooms, and how answers are counted."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable
from typing import Literal

import numpy as np

from checkback.errors import UserError

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


def told_plainly(main: Callable[[], None]) -> None:
    """Run a benchmark; what the user can mend is one sentence, and exit code 2."""
    try:
        main()
    except UserError as error:
        print(error, file=sys.stderr)
        sys.exit(2)
