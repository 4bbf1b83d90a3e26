"""Where the Whisper weights for tests lie, and the mark of the tests that need them."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

WEIGHTS = Path(os.environ.get("CHECKBACK_TEST_WHISPER") or Path(sys.prefix) / "whisper-base")

#: Where everything is to be tested, weights that are not there are a failure and no reason to skip.
needs_weights = [
    pytest.mark.whisper,
    pytest.mark.skipif(
        not (WEIGHTS / "model.bin").is_file() and not os.environ.get("CI"),
        reason="no Whisper weights: run python tools/fetch_test_whisper.py",
    ),
]
