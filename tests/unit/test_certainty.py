"""Evidence becomes probabilities, and probabilities a decision."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkback.certainty import (
    ENOUGH,
    ENOUGH_TOGETHER,
    LEAST_ASKED,
    MOST_ASKED,
    NONE_PRIOR,
    PRIOR,
    RISKS,
    Decision,
    Risk,
    decide,
    enough,
    judge,
    only,
)
from checkback.hearing.recogniser import Evidence, FreeText, Heard, Hypothesis, Utterance
from checkback.record.entry import Body

NOTHING = Utterance(np.zeros(0, np.int16), 0.0, 1.0)


def heard(*evidence: Evidence, free: FreeText | None = None, score: float = -35.0) -> Heard:
    return Heard(
        NOTHING,
        "both",
        tuple(
            Hypothesis(f"sentence {n}", score if each.chosen else None, True, each)
            for n, each in enumerate(evidence)
        ),
        free,
    )


CHOSEN = Evidence(True, -5.0, -0.3, 0.0, 0.0, -40.0, 0.0, phones_per_s=12.5)
OTHER = Evidence(False, -6.0, -9.0, 1.2, 1.2, -40.0, -3.0, phones_per_s=12.5)
WROTE = FreeText("Sentence 0.", -0.3, 0.01, 20)


def test_what_both_listeners_are_sure_of_is_nearly_certain() -> None:
    (first, second), none = judge(heard(CHOSEN, OTHER, free=WROTE), [1.0, 1.0])
    assert first > 0.97 and second < 0.02 and none < 0.05
    assert first + second + none == pytest.approx(1.0)


def test_listeners_who_contradict_each_other_leave_doubt() -> None:
    one = replace(CHOSEN, second_logprob=-4.0, second_distance=0.6)
    other = replace(CHOSEN, chosen=False, first_fit=-5.6, second_distance=0.0)
    probabilities, _ = judge(heard(one, other, free=WROTE), [1.0, 1.0])
    assert max(probabilities) < ENOUGH["high"]


def test_what_the_first_listener_was_not_asked_about_does_not_count_as_fitting_badly() -> None:
    tuned = replace(WROTE, tuned=True)
    first = Evidence(True, -4.9, -60.0, 12.0, 12.0, -40.0, -9.0, phones_per_s=12.5)
    likeliest = Evidence(False, -5.0, -1.0, None, 0.5, -30.0, -0.5, phones_per_s=12.5)
    near = Evidence(False, None, -2.0, None, 0.6, -30.0, -0.7, phones_per_s=12.5)
    fitting = replace(near, first_fit=-5.0)
    worse = replace(near, first_fit=-6.0)

    def certainty(*evidence: Evidence) -> float:
        return judge(heard(*evidence, free=tuned), [1.0] * len(evidence))[0][1]

    assert certainty(first, likeliest, near) == certainty(first, likeliest, fitting)
    assert certainty(first, likeliest, near) < certainty(first, likeliest, worse)
    # nobody could fit anything
    unknown = [replace(each, first_fit=None) for each in (first, likeliest, near)]
    assert 0.0 < certainty(*unknown) < 1.0


class TestTheFirstListenerAlone:
    ONE = Evidence(True, -5.0, phones=20, phones_per_s=12.5)
    ALIKE = Evidence(False, -5.3, phones=20, phones_per_s=12.5)

    ALONE = heard(replace(ONE, phones_logprob=-3.0), replace(ALIKE, phones_logprob=-6.0))

    def test_with_the_pedal_held_none_of_these_is_less_probable(self) -> None:
        while_held = replace(self.ALONE, utterance=replace(NOTHING, held=True))
        (held, _), none = judge(while_held, [1.0, 1.0])
        (open_room, _), more_none = judge(self.ALONE, [1.0, 1.0])
        assert held > open_room
        factor = NONE_PRIOR["first alone"].held / NONE_PRIOR["first alone"].open_room
        assert none / held == pytest.approx(factor * more_none / open_room)

    def test_it_has_to_be_surer_than_both(self) -> None:
        assert all(ENOUGH[risk] < enough(self.ALONE)[risk] for risk in ENOUGH)

    def test_a_sentence_is_not_the_less_probable_for_being_long(self) -> None:
        long = [replace(each, phones=40, phones_logprob=-30.0) for each in (self.ONE, self.ALIKE)]
        short = [replace(each, phones=10, phones_logprob=-30.0) for each in (self.ONE, self.ALIKE)]
        assert 2 * judge(heard(*long), [1.0, 1.0])[1] < judge(heard(*short), [1.0, 1.0])[1]

    def test_the_phones_that_the_network_hears_count(self) -> None:
        fits = [replace(self.ONE, phones_logprob=-3.0), replace(self.ALIKE, phones_logprob=-12.0)]
        alike = [replace(self.ONE, phones_logprob=-3.0), replace(self.ALIKE, phones_logprob=-3.0)]
        (with_it, _), none = judge(heard(*fits), [1.0, 1.0])
        (without, _), _ = judge(heard(*alike), [1.0, 1.0])
        assert with_it > without + 0.1
        # nothing fits them: it was talk
        badly = [
            replace(each, phones_logprob=each.phones_logprob - 40.0) for each in fits if each.phones_logprob
        ]
        _, more_none = judge(heard(*badly), [1.0, 1.0])
        assert more_none > 3 * none
        # and then the difference between them means less
        (surely, other), _ = judge(heard(*fits), [1.0, 1.0])
        (hardly, another), _ = judge(heard(*badly), [1.0, 1.0])
        assert hardly / another < surely / other / 1.5

    def test_what_fits_no_phones_is_no_sentence_however_much_speaks_for_it(self) -> None:
        far = [replace(self.ONE, phones=40, phones_logprob=-61.0), replace(self.ALIKE, phones_logprob=-90.0)]
        badly = [replace(self.ONE, phones=3, phones_logprob=-9.5), self.ALIKE]
        for found in (far, badly, [self.ONE, self.ALIKE]):
            # nor an answer that is waited for
            (one, other), none = judge(heard(*found), [PRIOR["expected"], 1.0])
            assert one == other == 0.0 and none == 1.0
        near = [replace(self.ONE, phones=40, phones_logprob=-40.0), replace(self.ALIKE, phones_logprob=-90.0)]
        assert judge(heard(*near), [1.0, 1.0])[0][0] > 0.5


@pytest.mark.parametrize(("free", "more"), [(replace(WROTE, tuned=True), True), (WROTE, False)])
def test_beside_a_tuned_second_listener_none_of_these_is_less_probable_while_the_pedal_is_held(
    free: FreeText, more: bool
) -> None:
    open_room = heard(replace(CHOSEN, phones_logprob=-9.0), OTHER, free=free)
    held = replace(open_room, utterance=replace(NOTHING, held=True))
    (first, _), none = judge(open_room, [1.0, 1.0])
    (first_held, _), none_held = judge(held, [1.0, 1.0])
    factor = NONE_PRIOR["second"].held / NONE_PRIOR["second"].open_room if more else 1.0
    assert none_held / first_held == pytest.approx(factor * none / first)


@pytest.mark.parametrize("held", [False, True])
def test_in_what_is_dictated_most_is_none_of_these(held: bool) -> None:
    found = heard(replace(CHOSEN, phones_logprob=-9.0), OTHER, free=replace(WROTE, tuned=True))
    certainty = {
        dictated: judge(replace(found, utterance=replace(NOTHING, held=held, dictated=dictated)), [1.0, 1.0])[
            0
        ][0]
        for dictated in (False, True)
    }
    assert certainty[True] < certainty[False]


def test_what_sounds_like_a_sentence_and_is_none_is_not_taken() -> None:
    """As if "forty one" had been said where only "forty" is known; the clearer it was said, the surer it is none."""

    def certainty(phones_logprob: float, stands_out_db: float) -> float:
        one = replace(CHOSEN, phones_logprob=phones_logprob, second_distance=1.5, worst_logprob=-2.0)
        found = heard(one, OTHER, free=replace(WROTE, tuned=True))
        return judge(replace(found, stands_out_db=stands_out_db), [1.0, 1.0])[0][0]

    assert certainty(-1.0, 40.0) > ENOUGH["high"]
    assert certainty(-25.0, 40.0) < ENOUGH["usual"]
    assert certainty(-25.0, 40.0) < certainty(-25.0, 25.0) < certainty(-25.0, 10.0)


def test_what_is_as_probable_on_silence_says_little() -> None:
    plain = replace(OTHER, second_logprob=-0.3)
    readily = replace(plain, blank_logprob=-20.0)
    (_, usual), _ = judge(heard(CHOSEN, plain, free=WROTE), [1.0, 1.0])
    (_, doubted), _ = judge(heard(CHOSEN, readily, free=WROTE), [1.0, 1.0])
    assert doubted < usual


def test_a_sentence_for_which_there_was_no_time_is_less_probable() -> None:
    rushed = replace(CHOSEN, phones_per_s=40.0)
    (usual, _), _ = judge(heard(CHOSEN, OTHER, free=WROTE), [1.0, 1.0])
    (doubted, _), _ = judge(heard(rushed, OTHER, free=WROTE), [1.0, 1.0])
    assert doubted < usual


def test_what_the_case_speaks_against_is_less_probable() -> None:
    alike = replace(CHOSEN, second_distance=0.3), replace(CHOSEN, chosen=False)
    (plain, _), _ = judge(heard(*alike, free=WROTE), [1.0, 1.0])
    (doubted, _), _ = judge(heard(*alike, free=WROTE), [0.3, 1.0])
    assert doubted < plain


def test_no_prior_makes_a_sentence_that_nobody_heard() -> None:
    far = Evidence(False, -9.0, -30.0, None, None)
    probabilities, _ = judge(heard(CHOSEN, far, free=WROTE), [1.0, 4.0])
    assert probabilities[1] < 0.01


def test_noise_in_which_a_call_out_was_made_up_is_none_of_them() -> None:
    made_up = replace(CHOSEN, first_fit=-9.0, second_logprob=-30.0)
    _, none = judge(heard(made_up, free=FreeText("Heparin 5000 units.", -1.0, 0.9, 21), score=-62.0), [1.0])
    assert none > 0.3


@given(
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=8),
    st.floats(0.0, 1.0),
    st.sampled_from(["low", "usual", "high", "twin"]),
    st.booleans(),
)
def test_a_decision_is_never_rash(shares: list[float], none: float, risk: Risk, meant: bool) -> None:
    total = sum(shares) + none or 1.0
    probabilities = [share / total for share in shares]
    decision = decide(probabilities, none / total, [risk] * len(shares), meant_for_us=meant)
    if decision.action == "accept":
        (pick,) = decision.picks
        assert probabilities[pick] == max(probabilities) >= ENOUGH[risk]
    if decision.action == "which":
        assert 2 <= len(decision.picks) <= MOST_ASKED
        assert sum(probabilities[n] for n in decision.picks) >= ENOUGH_TOGETHER
        assert all(probabilities[n] >= LEAST_ASKED for n in decision.picks)
    if meant:
        assert decision.action != "ignore"


def test_more_at_stake_needs_more_certainty() -> None:
    between = [(ENOUGH["low"] + ENOUGH["high"]) / 2]
    assert decide(between, 1 - between[0], ["low"], meant_for_us=True).action == "accept"
    assert decide(between, 1 - between[0], ["high"], meant_for_us=True).action == "say again"


def test_two_that_sound_alike_are_asked_about() -> None:
    assert decide([0.55, 0.43], 0.02, ["usual"] * 2, meant_for_us=True) == Decision("which", (0, 1), 0.55)


def test_talk_is_met_with_silence() -> None:
    assert decide([0.3], 0.7, ["usual"], meant_for_us=False).action == "ignore"
    assert decide([0.3], 0.7, ["usual"], meant_for_us=True).action == "say again"
    assert decide([], 1.0, [], meant_for_us=False).action == "ignore"


def test_only_what_was_called_counts() -> None:
    probabilities, together = only([0.6, 0.3], [False, True])
    assert together == 0.3
    assert probabilities == (0.0, pytest.approx(0.9))
    assert only([0.6, 0.3], [False, False]) == ((0.0, 0.0), 0.0)


def test_the_risks_are_of_kinds_that_exist() -> None:
    from typing import get_args

    kinds = {cls.model_fields["kind"].default for cls in get_args(get_args(Body)[0])}
    assert set(RISKS) <= kinds
