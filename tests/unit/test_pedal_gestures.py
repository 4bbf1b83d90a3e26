"""What presses mean, for any sequence of presses with any bounces: nothing is lost, nothing doubled.

The expectation is worked out here from the whole list of presses at once, where the program sees one
change after the other.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from checkback.hearing.pedals.bindings import bindings_of
from checkback.hearing.pedals.deck import Deck
from checkback.hearing.pedals.events import Action, PedalEvent
from checkback.hearing.pedals.gestures import Gesture, Timing

TIMING = Timing()
Press = tuple[float, float]
"""When a foot went down, and when it came up."""

BOUND: dict[Gesture, Action] = {"tap": "affirm", "double": "withdraw", "long": "clock"}


def ms(least: int, most: int) -> st.SearchStrategy[float]:
    return st.integers(least, most).map(lambda n: n / 1000)


@st.composite
def presses(draw: st.DrawFn) -> list[Press]:
    """Feet that stay up long enough to be up, and of any speed otherwise."""
    found, now_s = [], 10.0
    for _ in range(draw(st.integers(0, 5))):
        now_s = round(now_s + draw(ms(31, 900)), 3)
        up_s = round(now_s + draw(ms(1, 1500)), 3)
        found.append((now_s, up_s))
        now_s = up_s
    return found


@st.composite
def changes(draw: st.DrawFn, pressed: Sequence[Press]) -> list[tuple[bool, float]]:
    """The presses as a bad contact gives them: bounces at both ends, and repeats while it is down."""
    found: list[tuple[bool, float]] = []
    for down_s, up_s in pressed:
        found.append((True, down_s))
        ends_s = up_s - 0.0005
        for _ in range(draw(st.integers(0, 3))):
            # up and down again, shorter than a bounce may be
            off_s = down_s + draw(st.floats(0, 1)) * (ends_s - down_s)
            on_s = min(off_s + draw(ms(0, 29)), ends_s)
            if off_s >= found[-1][1]:
                found += [(False, off_s), (True, on_s)]
        if draw(st.booleans()):
            found.append((True, max(found[-1][1], ends_s)))
        found.append((False, up_s))
    return found


def run(
    deck: Deck, key: str, given_changes: Sequence[tuple[bool, float]], looks: Sequence[float]
) -> list[PedalEvent]:
    """Feed the changes, with looks at the clock in between, and the time after the last."""
    events: list[PedalEvent] = []
    waiting = sorted(looks)
    for down, at_s in given_changes:
        while waiting and waiting[0] < at_s:
            events += deck.pass_time(waiting.pop(0))
        events += deck.change(key, down, at_s)
    return events + deck.pass_time(1e6)


def expected(pressed: Sequence[Press], bound: Mapping[Gesture, Action]) -> list[tuple[Action, float]]:
    """Return what a key that is not held to talk leads to: each press is part of one gesture."""
    found: list[tuple[Gesture, float]] = []
    n = 0
    while n < len(pressed):
        down_s, up_s = pressed[n]
        second = n + 1 < len(pressed) and pressed[n + 1][0] < down_s + TIMING.double_s
        if "double" in bound and second:
            found.append(("double", down_s))
            n += 2
            continue
        is_long = "long" in bound and up_s >= down_s + TIMING.long_s
        found.append(("long" if is_long else "tap", down_s))
        n += 1
    return [(bound[gesture], at_s) for gesture, at_s in found if gesture in bound]


@settings(max_examples=60)
@given(
    st.data(),
    presses(),
    st.sets(st.sampled_from(sorted(BOUND)), min_size=1),
    st.lists(ms(9000, 40000), max_size=20),
)
def test_every_press_is_part_of_one_gesture(
    data: st.DataObject, pressed: list[Press], chosen: set[Gesture], looks: list[float]
) -> None:
    bound = {gesture: BOUND[gesture] for gesture in chosen}
    events = run(Deck({"b": bound}), "b", data.draw(changes(pressed)), looks)
    assert [(event.action, event.at_s) for event in events] == expected(pressed, bound)
    assert all(event.pressed for event in events)


@settings(max_examples=60)
@given(
    st.data(), presses(), st.sets(st.sampled_from(["tap", "double"])), st.lists(ms(9000, 40000), max_size=20)
)
def test_each_press_of_talk_has_one_release_and_waits_for_nothing(
    data: st.DataObject, pressed: list[Press], more: set[Gesture], looks: list[float]
) -> None:
    bound: dict[Gesture, Action] = {"hold": "talk"} | {gesture: BOUND[gesture] for gesture in more}
    deck = Deck({"b": bound})
    given_changes = data.draw(changes(pressed))
    events = run(deck, "b", given_changes, looks)
    talk = [(event.pressed, event.at_s) for event in events if event.action == "talk"]
    assert talk == [change for down_s, up_s in pressed for change in ((True, down_s), (False, up_s))]
    # what else the key does is done by short presses only
    short = [press for press in pressed if press[1] - press[0] < TIMING.tap_s]
    others = [(event.action, event.at_s) for event in events if event.action != "talk"]
    assert others == sorted(others, key=lambda each: each[1])
    took_part = sum(2 if action == "withdraw" else 1 for action, _ in others)
    assert {at_s for _, at_s in others} <= {down_s for down_s, _ in short}
    assert took_part == len(short) or more != {"tap", "double"}
    if more == {"tap"}:
        assert [at_s for _, at_s in others] == [down_s for down_s, _ in short]


@settings(max_examples=60)
@given(st.lists(st.tuples(st.sampled_from("abc"), st.booleans(), ms(0, 700)), max_size=40), st.booleans())
def test_talk_with_two_keys_begins_with_the_first_and_ends_with_the_last(
    moves: list[tuple[str, bool, float]], unplugged: bool
) -> None:
    deck = Deck(bindings_of({"a": "talk", "b": {"hold": "talk", "tap": "mark"}, "c": "affirm"}))
    events: list[PedalEvent] = []
    now_s = 1.0
    for key, down, wait_s in moves:
        now_s += wait_s
        events += deck.change(key, down, now_s)
    events += deck.let_go(now_s) if unplugged else []
    if not unplugged:
        for key in "abc":
            events += deck.change(key, False, now_s + 1)
        events += deck.pass_time(now_s + 3)
    talk = [event.pressed for event in events if event.action == "talk"]
    assert talk == [n % 2 == 0 for n in range(len(talk))]
    assert len(talk) % 2 == 0
    assert deck.held == () and deck.due_s == math.inf


@settings(max_examples=60)
@given(presses(), ms(10000, 20000))
@example([(10.0, 10.1)], 10.11)
def test_letting_go_ends_talk_and_makes_no_gesture_of_a_press_without_an_end(
    pressed: list[Press], until_s: float
) -> None:
    deck = Deck({"a": {"hold": "talk"}, "b": BOUND})
    events: list[PedalEvent] = []
    for key in "ab":
        for down_s, up_s in pressed:
            events += deck.change(key, True, down_s) if down_s < until_s else []
            events += deck.change(key, False, up_s) if up_s < until_s else []
    events += deck.let_go(until_s)
    whole = [press for press in pressed if press[1] < until_s]
    begun = [press for press in pressed if press[0] < until_s <= press[1]]
    talk = [event for event in events if event.action == "talk"]
    assert [event.pressed for event in talk] == [True, False] * len(whole + begun)
    others = [(event.action, event.at_s) for event in events if event.action != "talk"]
    # what was going on when the device went away is a gesture only if it was one by then
    full = expected(whole, BOUND)
    if not begun:
        assert others == full
    else:
        assert others in (full, expected([*whole, (begun[0][0], until_s)], BOUND), full[:-1])


def test_a_key_that_is_down_at_the_start_counts_only_after_it_came_up() -> None:
    deck = Deck(bindings_of({"a": "talk", "b": "mark"}))
    deck.hold_back(["a", "x"])
    assert deck.stuck == ("a",)
    assert deck.change("a", True, 1.0) == []
    assert [event.action for event in deck.change("b", True, 1.1)] == ["mark"]
    deck.change("a", False, 2.0)
    # a bounce of the release is no press
    assert deck.change("a", True, 2.01) == []
    deck.change("a", False, 2.02)
    assert deck.stuck == ("a",)
    assert deck.pass_time(2.1) == []
    assert deck.stuck == ()
    assert deck.change("a", True, 3.0) == [PedalEvent("talk", True, 3.0)]


@pytest.mark.parametrize(
    ("bound", "after_s"),
    [
        ({"tap": "mark"}, 0.0),
        ({"tap": "mark", "long": "clock"}, 0.1 + TIMING.bounce_s),
        ({"tap": "mark", "double": "withdraw"}, TIMING.double_s),
        ({"tap": "mark", "double": "withdraw", "long": "clock"}, TIMING.double_s),
        ({"hold": "talk", "tap": "mark"}, 0.1 + TIMING.bounce_s),
    ],
)
def test_how_long_a_tap_waits_is_what_the_documents_say(bound: dict[Gesture, Action], after_s: float) -> None:
    deck = Deck({"b": bound})
    came_s = None
    for step in range(1000):
        now_s = step / 1000
        events = deck.pass_time(now_s)
        if step in (0, 100):
            events += deck.change("b", step == 0, now_s)
        if any(event.action == "mark" for event in events):
            came_s = now_s
    assert came_s == pytest.approx(after_s, abs=0.0015)
