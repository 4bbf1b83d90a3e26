"""What waits to be decoded is bounded, and what is given up for it is handed back."""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from checkback.hearing.backlog import Backlog
from checkback.hearing.recogniser import SAMPLE_RATE_HZ, Utterance
from checkback.unheard import ONE_STRETCH_S, Unheard


def said(at_s: float, length_s: float = 1.0, *, held: bool = False) -> Utterance:
    pcm = np.full(round(length_s * SAMPLE_RATE_HZ), round(at_s), dtype=np.int16)
    return Utterance(pcm, at_s, at_s + length_s, held)


def taken(backlog: Backlog) -> list[float]:
    backlog.end()
    return [each.started_s for each in iter(backlog.get, None)]


def test_the_oldest_talk_goes_first_and_what_was_said_with_the_pedal_held_last() -> None:
    backlog = Backlog(most_s=3.0)
    given_up = [
        [each.started_s for each in backlog.put(said(at_s, held=held))]
        for at_s, held in ((1, True), (2, False), (3, False), (4, True), (5, True), (6, True))
    ]
    assert given_up == [[], [], [], [2], [3], [1]]
    assert taken(backlog) == [4, 5, 6]


@given(st.lists(st.tuples(st.floats(0.1, 15.0), st.booleans()), max_size=40))
def test_it_never_grows_and_nothing_vanishes_unseen(utterances: list[tuple[float, bool]]) -> None:
    backlog = Backlog(most_s=20.0)
    everything, given_up = [], []
    for n, (length_s, held) in enumerate(utterances):
        everything.append(said(float(n), length_s, held=held))
        gone = backlog.put(everything[-1])
        given_up += gone
        if any(each.held for each in gone):
            open_room = [id(each) for each in everything if not each.held]
            assert set(open_room) <= set(map(id, given_up)), "talk is given up before a call-out"
    backlog.end()
    waiting = list(iter(backlog.get, None))
    assert sum(len(each.pcm) for each in waiting) <= 20.0 * SAMPLE_RATE_HZ
    assert sorted(map(id, (*waiting, *given_up))) == sorted(map(id, everything))
    assert [each.started_s for each in waiting] == sorted(each.started_s for each in waiting)


def test_how_far_it_is_behind_counts_what_is_being_decoded() -> None:
    backlog = Backlog()
    assert backlog.behind_s(100.0) == 0.0
    backlog.put(said(10.0))
    backlog.put(said(20.0))
    assert backlog.behind_s(31.0) == 20.0
    backlog.get()
    assert backlog.behind_s(31.0) == 20.0, "it is not done before the next is asked for"
    backlog.get()
    assert backlog.behind_s(31.0) == 10.0
    backlog.end()
    assert backlog.get() is None and backlog.behind_s(31.0) == 0.0


def test_whoever_waits_is_woken() -> None:
    backlog = Backlog()
    found: list[Utterance | None] = []

    def decode() -> None:
        while (each := backlog.get()) is not None:
            found.append(each)

    thread = threading.Thread(target=decode)
    thread.start()
    for n in range(100):
        backlog.put(said(float(n), 0.01))
    backlog.end()
    thread.join(timeout=30.0)
    assert not thread.is_alive() and len(found) == 100


def test_the_sound_of_a_stretch_is_one_file_with_the_number_of_its_entry(tmp_path: Path) -> None:
    unheard = Unheard(tmp_path, keep_sound=True)
    assert not unheard.goes_on(said(5.0))
    unheard.begin(12, said(5.0))
    unheard.add(said(5.0))
    assert unheard.goes_on(said(5.0 + ONE_STRETCH_S - 0.1))
    unheard.add(said(30.0, 2.0))
    assert not unheard.goes_on(said(5.0 + ONE_STRETCH_S))
    unheard.finish()
    assert [each.name for each in (tmp_path / "unheard").iterdir()] == ["0012.flac"]
    pcm, rate_hz = soundfile.read(tmp_path / "unheard" / "0012.flac", dtype="int16")
    assert rate_hz == SAMPLE_RATE_HZ
    assert [(pcm == value).sum() for value in (5, 30)] == [SAMPLE_RATE_HZ, 2 * SAMPLE_RATE_HZ]


def test_sound_that_a_crash_left_is_packed_when_the_case_is_opened_again(tmp_path: Path) -> None:
    crashed = Unheard(tmp_path, keep_sound=True)
    crashed.begin(12, said(5.0))
    crashed.add(said(5.0))
    assert [each.name for each in (tmp_path / "unheard").iterdir()] == ["0012.pcm"]
    Unheard(tmp_path, keep_sound=False)
    assert [each.name for each in (tmp_path / "unheard").iterdir()] == ["0012.flac"]
    pcm, _ = soundfile.read(tmp_path / "unheard" / "0012.flac", dtype="int16")
    assert (pcm == 5).sum() == SAMPLE_RATE_HZ


def test_no_sound_is_kept_that_nobody_asked_for(tmp_path: Path) -> None:
    unheard = Unheard(tmp_path, keep_sound=False)
    unheard.begin(12, said(5.0))
    unheard.add(said(5.0))
    unheard.finish()
    assert list(tmp_path.iterdir()) == []
