"""Sentences wait in the order of their urgency, and never many."""

from __future__ import annotations

from itertools import count

from hypothesis import given
from hypothesis import strategies as st

from checkback.speaking.voice import Sentence, Urgency
from checkback.speaking.waiting import MOST_WAITING, STALE_S, Queue, Waiting

NUMBERS = count()


def waiting(text: str, urgency: Urgency = Urgency.CHECK_BACK, said_s: float = 0.0) -> Waiting:
    return Waiting(Sentence(text, urgency), said_s, next(NUMBERS))


def texts(queue: Queue) -> list[str]:
    said = []
    while (each := queue.pop()) is not None:
        said.append(each.sentence.text)
    return said


def test_critical_before_check_back_before_reminder_and_in_turn_among_themselves() -> None:
    queue = Queue()
    for text, urgency in (
        ("a c t is due", Urgency.REMINDER),
        ("balloon down", Urgency.CHECK_BACK),
        ("not saved to disk", Urgency.CRITICAL),
        ("wire across", Urgency.CHECK_BACK),
        ("above rated burst", Urgency.CRITICAL),
    ):
        assert queue.push(waiting(text, urgency)) == []
    assert queue.urgency is Urgency.CRITICAL
    assert texts(queue) == [
        "not saved to disk",
        "above rated burst",
        "balloon down",
        "wire across",
        "a c t is due",
    ]


def test_the_same_words_wait_once_and_are_the_newest() -> None:
    queue = Queue()
    for text in ("say again", "balloon down", "say again"):
        assert queue.push(waiting(text)) == []
    assert texts(queue) == ["balloon down", "say again"]


def test_what_was_cut_comes_next_among_its_equals() -> None:
    queue = Queue()
    queue.push(waiting("wire across"))
    queue.push(waiting("not hearing", Urgency.CRITICAL))
    queue.push_back(waiting("balloon down"))
    assert texts(queue) == ["not hearing", "balloon down", "wire across"]


def test_a_check_back_that_waited_too_long_is_taken_out_and_a_reminder_is_not() -> None:
    queue = Queue()
    queue.push(waiting("balloon down", said_s=0.0))
    queue.push(waiting("a c t is due", Urgency.REMINDER, said_s=0.0))
    queue.push(waiting("wire across", said_s=10.0))
    assert [each.sentence.text for each in queue.drop_stale(STALE_S + 1.0)] == ["balloon down"]
    assert texts(queue) == ["wire across", "a c t is due"]


@given(st.lists(st.sampled_from(Urgency), max_size=60))
def test_it_never_grows_and_nothing_vanishes_unseen(urgencies: list[Urgency]) -> None:
    queue = Queue()
    dropped: list[Waiting] = []
    for n, urgency in enumerate(urgencies):
        dropped += queue.push(waiting(f"sentence {n}", urgency))
        assert len(queue) <= MOST_WAITING
    kept = queue.clear()
    assert len(kept) + len(dropped) == len(urgencies)
    if dropped and kept:
        # nothing less urgent was kept in the place of something more urgent
        most_dropped = max(each.sentence.urgency for each in dropped)
        assert most_dropped <= min(each.sentence.urgency for each in kept) or any(
            each.sentence.urgency == most_dropped for each in kept
        )
    for urgency in Urgency:
        numbers = [each.number for each in kept if each.sentence.urgency is urgency]
        assert numbers == sorted(numbers)
        gone = [each.number for each in dropped if each.sentence.urgency is urgency]
        # of those that are as urgent the newest are kept
        assert not numbers or not gone or max(gone) < min(numbers)
