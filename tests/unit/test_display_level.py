"""The level meter of the pages: its steps, and how it follows a room."""

from __future__ import annotations

import time
from itertools import chain, repeat
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

import english
from checkback.board import Rules
from checkback.display import ANEW_S, LEVEL_S, Keeper, level_of
from checkback.hearing.level import FLOOR_DBFS, Meter
from checkback.language.phrasing import Phrasing
from checkback.listening import RoomState
from checkback.showing.pages import _asset
from checkback.showing.plain import LEVEL_STEPS, level_step
from sound_room import wait_until
from watched_room import CATALOGUE, LIMITS


@pytest.mark.parametrize(
    ("level_dbfs", "steps"), [(FLOOR_DBFS, 0), (-60.1, 0), (-55.0, 1), (-20.0, 8), (-0.1, 11), (0.0, 12)]
)
def test_a_step_is_five_decibels(level_dbfs: float, steps: int) -> None:
    assert level_step(level_dbfs) == steps


def test_a_sine_at_half_of_full_scale_lights_the_step_of_its_level() -> None:
    """A sine of amplitude a has 20 log10(a / sqrt 2) dB of full scale: -9.0 dB at a half."""
    meter = Meter()
    meter.feed(
        (16_384 * np.sin(np.arange(480) * 2 * np.pi * 1000 / 16_000)).astype(np.int16),
        0.0,
    )
    assert level_step(meter.level_dbfs) == int((-9.03 + 60) // 5)


def test_the_pages_draw_as_many_steps() -> None:
    page = _asset("frame.html")
    assert f"range({LEVEL_STEPS})" in page and f'aria-valuemax="{LEVEL_STEPS}"' in page


def test_without_a_microphone_there_is_no_level_and_a_lost_one_shows_none() -> None:
    def room(**state: Any) -> Any:
        return cast(Any, SimpleNamespace(room_state=RoomState(**state)))

    assert level_of(room(hearing=False, why_deaf="no microphone")) is None
    assert level_of(room(hearing=False, why_deaf="lost")) == 0
    assert level_of(room(hearing=True, why_deaf="", level_dbfs=-20.0)) == 8


def test_the_highest_of_a_while_is_put_out_and_makes_no_board(tmp_path: Path) -> None:
    boards: list[object] = []
    levels: list[tuple[float, int | None]] = []
    keeper = Keeper(
        Rules(LIMITS, CATALOGUE, Phrasing(english.book())), tmp_path, boards.append, lambda line: None
    )
    heard = chain([3, 9], repeat(2))
    keeper.level = lambda: next(heard)
    keeper.put_level = lambda level: levels.append((time.monotonic(), level))
    began_s = time.monotonic()
    keeper.start(())
    wait_until(lambda: len(levels) >= 4, "four levels", limit_s=60.0)
    keeper.close()
    took_s = time.monotonic() - began_s
    assert 9 in [level for _, level in levels]
    assert len(levels) <= took_s / LEVEL_S + 2
    # one at the start, one at the end, and one a while
    assert len(boards) <= took_s / ANEW_S + 3
    assert list(tmp_path.iterdir()) == []
