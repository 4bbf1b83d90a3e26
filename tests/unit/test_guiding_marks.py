"""Marks, words to a card, offers: from entries, and never without one to show for it."""

from __future__ import annotations

from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from card_cases import CASES
from card_room import CardRoom, deck, without
from checkback.guiding.conditions import Condition, Scene
from checkback.record.case import Case
from checkback.record.entry import CardStep, Withdrawal
from watched_case import Told

STUCK_STENT = "workhorse wire in\nstent 3.0 by 18\nstent off its balloon"


def room(script: str, **how: Any) -> CardRoom:
    made = CardRoom(**how)
    made.play(script)
    return made


@cache
def bodies() -> list[Any]:
    """Every different body of the invented cases, steps of cards among them."""
    found: dict[str, Any] = {}
    for script in CASES.values():
        played = CardRoom()
        played.play(script)
        for entry in played.told.case.entries:
            found.setdefault(entry.body.model_dump_json(), entry.body)
    return list(found.values())


@st.composite
def any_case(draw: st.DrawFn) -> Told:
    """Draw a case: any bodies in any order, some withdrawn, restarts and clocks that are set."""
    told = Told()
    minute = 0.0
    for _ in range(draw(st.integers(0, 25))):
        minute += draw(st.sampled_from([0.1, 1.0, 12.0]))
        what = draw(st.integers(0, 12))
        if what == 0 and told.case.entries:
            target = draw(st.integers(1, len(told.case.entries)))
            told.say(minute, Withdrawal(target=target))
        elif what == 1:
            told.restart()
        elif what == 2:
            told.set_clock(minute, draw(st.sampled_from([-3600.0, 90.0])))
        else:
            told.say(minute, draw(st.sampled_from(bodies())))
    return told


def fits_some_look(told: Told, condition: Condition, n: int) -> bool:
    scene = Scene(told.case, told.moment(1000.0), told.session)
    entry = told.case.entry(n)
    assert entry is not None
    return any(scene.fits(entry, look) for look in condition.looks())


@given(any_case(), st.sampled_from(sorted(deck().cards)))
@settings(max_examples=80, deadline=None)
def test_a_line_called_tried_has_an_entry_that_shows_it_and_no_line_vanishes(told: Told, card: str) -> None:
    made = CardRoom(told=told, minute=400.0, card=card)
    view = made.view()
    assert [each.name for each in view.lines] == list(view.card.lines)
    in_force = {entry.n for entry in told.case.in_force()}
    for each in view.lines:
        assert {entry.n for entry in each.shown_by} <= in_force
        if each.mark in ("yes", "no"):
            (answer,) = each.shown_by
            assert isinstance(answer.body, CardStep)
            assert (answer.body.line, answer.body.action) == (each.name, each.mark)
        if each.mark == "tried":
            assert each.shown_by
            for entry in each.shown_by:
                if isinstance(entry.body, CardStep):
                    assert (entry.body.line, entry.body.action) == (each.name, "tried")
                else:
                    assert each.line.tried_when is not None
                    assert fits_some_look(told, each.line.tried_when, entry.n)
        if each.mark == "not suitable":
            assert each.because
    if view.next is not None:
        assert view.marked(view.next).mark in ("not tried", "not answered")


@given(any_case(), st.sampled_from(sorted(deck().cards)))
@settings(max_examples=40, deadline=None)
def test_marks_depend_on_the_entries_alone(told: Told, card: str) -> None:
    made = CardRoom(told=told, minute=400.0, card=card)
    before = made.view()
    told.case = Case(told.case.entries)
    assert made.view().lines == before.lines
    assert made.view().next == before.next


@given(
    st.sampled_from(sorted(deck().cards)),
    st.lists(
        st.sampled_from(
            [
                "yes",
                "no",
                "next",
                "back",
                "why",
                "tried",
                "not tried",
                "not here",
                "chosen",
                "second",
                "start over",
            ]
        ),
        max_size=30,
    ),
    st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_no_word_leads_astray(card: str, words: list[str], two_person: bool) -> None:
    made = CardRoom(two_person=two_person)
    made.open(card)
    for word in words:
        turn = made.word(word)
        view = made.view()
        assert view.progress.state == "open"
        assert view.progress.current in (*view.card.lines, "end")
        if turn.reply == "line":
            assert turn.line == view.progress.current and turn.text
        assert all(step.card == card and (not step.line or step.text) for step in turn.steps)


class TestMarks:
    def test_only_what_was_done_since_the_trouble_began_counts(self) -> None:
        made = room("balloon 3.0 by 15\nup 12\ndown\nperforation", card="perforation")
        assert made.mark("balloon_up") == "not tried"
        up = made.say("up 4")
        line = made.view().marked("balloon_up")
        assert (line.mark, [entry.n for entry in line.shown_by]) == ("tried", [up.n])

    def test_a_withdrawn_entry_shows_nothing(self) -> None:
        made = room("perforation\nprotamine 30 mg", card="perforation")
        assert made.mark("protamine") == "tried"
        made.told.withdraw(made.minute, made.told.case.entries[-1])
        assert made.mark("protamine") == "not tried"

    def test_after_success_the_same_trouble_elsewhere_begins_anew(self) -> None:
        made = room("balloon 1.5 by 15\nballoon would not cross\nwire in", card="would_not_cross")
        assert made.mark("second_wire") == "tried"
        made.play("balloon across\nballoon out\nballoon 3.0 by 15\nballoon would not cross")
        assert made.mark("second_wire") == "not tried"
        assert made.mark("small_balloon") == "not tried"

    def test_a_device_that_is_still_in_counts(self) -> None:
        made = room("guide extension\nballoon 2.5 by 15\nballoon would not cross", card="would_not_cross")
        assert made.mark("extension") == "tried"
        made.say("guide extension out")
        assert made.mark("extension") == "not tried"

    def test_the_size_of_the_balloon_decides(self) -> None:
        made = room("balloon 2.5 by 15\nballoon would not cross", card="would_not_cross")
        assert made.mark("small_balloon") == "not tried"
        made.play("balloon out\nballoon 1.25 by 15\nballoon would not cross")
        assert made.mark("small_balloon") == "tried"

    def test_what_the_laboratory_lacks_is_said(self) -> None:
        made = room(
            "balloon would not cross", card="would_not_cross", equipment=without("atherectomy", "laser")
        )
        line = made.view().marked("atherectomy")
        assert (line.mark, line.because) == ("not available here", "needs atherectomy")
        assert made.mark("microcatheter") == "not tried"

    def test_what_was_done_all_the_same_is_called_tried(self) -> None:
        made = room(STUCK_STENT + "\nsnare in", card="stent_lost", equipment=without("snare"))
        line = made.view().marked("snare")
        assert (line.mark, line.because) == ("tried", "needs snare")

    def test_an_answer_rules_out_and_is_named(self) -> None:
        made = room(STUCK_STENT + "\n> open stent_lost\n> tried\n> yes\n> yes")
        crush, deploy = made.view().marked("crush"), made.view().marked("deploy")
        assert crush.mark == deploy.mark == "not suitable"
        assert crush.because.startswith("not in the left main") and crush.because.endswith("yes)")
        assert "out into the aorta? yes" in deploy.because
        assert made.mark("snare") == "not tried"

    def test_the_later_answer_holds(self) -> None:
        made = room(STUCK_STENT + "\n> open stent_lost\n> tried\n> yes\n> yes")
        assert made.mark("leave") == "not suitable"
        made.play("> back\n> no")
        assert made.mark("leave") == "not tried"
        assert made.view().progress.current == "crosses"

    def test_what_is_said_holds_until_an_entry_shows_otherwise(self) -> None:
        made = room("perforation\nballoon 3.0 by 15\nup 4\n> open perforation")
        assert made.mark("balloon_up") == "tried"
        made.play("> back" if made.view().progress.current == "balloon_up" else "> back\n> not tried")
        assert made.mark("balloon_up") == "not tried"
        again = made.say("up 6")
        assert [entry.n for entry in made.view().marked("balloon_up").shown_by] == [again.n]

    def test_not_here_in_this_case(self) -> None:
        made = room("perforation\n> open perforation\n> tried\n> not here")
        assert made.mark("echo") == "not available here"
        assert made.view().next == "tamponade"

    def test_with_no_entry_of_the_trouble_it_begins_when_the_card_is_opened(self) -> None:
        made = room("epinephrine 0.5 mg\n> open allergic_reaction")
        assert made.mark("epinephrine") == "not tried"
        made.say("epinephrine 0.5 mg")
        assert (made.mark("epinephrine"), made.mark("second_dose")) == ("tried", "not tried")
        made.say("epinephrine 0.5 mg")
        assert made.mark("second_dose") == "tried"

    def test_only_recent_minutes_count_where_the_card_says_so(self) -> None:
        made = room("act 280\nthrombus", card="thrombus")
        assert made.mark("clotting_time") == "tried"
        made.minute += 6
        assert made.mark("clotting_time") == "not tried"

    def test_minutes_are_those_of_the_clock_that_is_never_set(self) -> None:
        made = room("act 280\nthrombus", card="thrombus")
        made.told.set_clock(made.minute, 3600.0)
        assert made.mark("clotting_time") == "tried"
        made.told.restart()
        assert made.mark("clotting_time") == "tried"


class TestWords:
    def test_reading_goes_past_what_was_tried(self) -> None:
        made = room(
            "balloon 1.5 by 20\nballoon would not cross\nmicrocatheter\nwire in\n> open would_not_cross"
        )
        turn = made.word("yes")
        assert turn.line == "extension"
        assert made.turns[-1].text.startswith("Guide extension as close")
        assert turn.caution == made.view().card.lines["extension"].caution

    def test_a_question_waits_for_its_answer(self) -> None:
        made = room("dissection\n> open dissection\n> tried")
        turn = made.word("next")
        assert (turn.reply, turn.steps, turn.line) == ("answer yes or no", (), "aorta")
        assert made.word("tried").reply == "nothing to mark"

    def test_why_gives_reason_and_source(self) -> None:
        made = room("perforation\n> open perforation")
        turn = made.word("why")
        assert turn.reply == "why" and turn.steps == ()
        assert (
            turn.text == "" and turn.source == "J Invasive Cardiol 2016;28:122; check against local protocol"
        )

    def test_an_irreversible_line_waits_for_a_second_voice(self) -> None:
        made = room("perforation\n> open perforation\n> tried\n> tried\n> yes", two_person=True)
        turn = made.word("chosen")
        assert (turn.reply, turn.line) == ("second opinion?", "drain")
        assert made.view().marked("drain").chosen is None
        turn = made.word("second")
        assert [step.action for step in turn.steps] == ["seconded", "chosen", "read"]
        assert made.view().marked("drain").chosen is not None

    def test_without_the_setting_it_does_not(self) -> None:
        made = room("perforation\n> open perforation\n> tried\n> tried\n> yes")
        assert [step.action for step in made.word("chosen").steps] == ["chosen", "read"]
        assert made.word("second").reply == "nothing proposed"

    def test_a_closed_card_takes_no_word_and_goes_on_where_it_was(self) -> None:
        made = room("perforation\n> open perforation\n> tried\n> tried\n> no\n> close")
        assert made.word("yes").reply == "not open"
        assert made.open("perforation").line == "main_vessel"
        made.play("> close")
        assert made.view().progress.answers["tamponade"].word == "no"

    def test_new_trouble_opens_it_afresh(self) -> None:
        made = room(
            "v fib\n> open cardiac_arrest\n> yes\n> close\nwe have a pulse\nv fib\n> open cardiac_arrest"
        )
        assert made.view().progress.answers == {}
        assert made.view().progress.current == "shockable"

    def test_to_the_end_and_back(self) -> None:
        made = room("dissection\n> open dissection\n> tried\n> no\n> yes\n> tried")
        assert made.turns[-1].reply == "end"
        assert made.word("next").reply == "line" or made.view().next is None
        assert made.word("back").reply in ("line", "nothing before this")

    def test_each_step_keeps_the_words_of_its_line(self) -> None:
        made = room("perforation\n> open perforation")
        first, read = made.turns[-1].steps
        assert (first.action, first.text) == ("opened", "Coronary perforation")
        assert first.card_sha256 == made.named().sha256
        assert (read.line, read.text) == ("balloon_up", made.named().card.lines["balloon_up"].words)

    def test_a_card_edited_since_does_no_harm(self) -> None:
        made = room("perforation\n> open perforation")
        made.record(CardStep(card="perforation", action="yes", line="gone", text="Gone?"))
        made.record(CardStep(card="perforation", action="yes", line="echo"))
        assert made.view().progress.current == "balloon_up"


class TestOffers:
    @pytest.mark.parametrize(
        ("script", "card"),
        [
            ("stent 3.0 by 18\nstent off its balloon", "stent_lost"),
            ("perforation ellis three", "perforation"),
            ("v fib", "cardiac_arrest"),
            ("balloon 2.5 by 15" + "\nballoon would not cross" * 3, "would_not_cross"),
        ],
    )
    def test_a_card_offers_itself_once(self, script: str, card: str) -> None:
        made = room(script)
        (offered,) = made.offered()
        assert offered.name == card and offered.shown_by
        made.record(CardStep(card=card, action="offered"))
        assert made.offered() == ()

    def test_not_before_the_third_time(self) -> None:
        made = room("balloon 2.5 by 15\nballoon would not cross\nballoon would not cross")
        assert made.offered() == ()
        made.say("balloon across")
        made.say("balloon would not cross")
        assert made.offered() == ()

    def test_wires_that_do_not_cross_do_not_count(self) -> None:
        assert room("wire in" + "\nwire would not cross" * 4).offered() == ()

    def test_not_while_open_nor_when_it_is_over(self) -> None:
        made = room("v fib\n> open cardiac_arrest")
        assert made.offered() == ()
        assert room("v fib\nshock 200\nwe have a pulse").offered() == ()

    def test_a_new_arrest_offers_it_again_and_a_new_perforation_does_not(self) -> None:
        made = room("v fib\n> open cardiac_arrest\n> close\nwe have a pulse\nv fib")
        assert [offered.name for offered in made.offered()] == ["cardiac_arrest"]
        made = room("perforation\n> open perforation\n> close\nperforation ellis two")
        assert made.offered() == ()


@pytest.mark.parametrize(
    ("said", "mark"),
    [
        ("epinephrine 0.5 mg im", "tried"),
        ("epinephrine 500 mcg intramuscular", "tried"),
        # the route was left out
        ("epinephrine 0.3 mg", "tried"),
        # into a vein, and the dose of an arrest
        ("epinephrine 0.1 mg iv", "not tried"),
        ("epinephrine 50 mcg", "not tried"),
        ("epinephrine 1 mg", "not tried"),
    ],
)
def test_epinephrine_into_the_muscle_is_shown_by_its_route_or_its_dose(said: str, mark: str) -> None:
    room = CardRoom()
    room.open("allergic_reaction")
    room.say(said)
    assert room.mark("epinephrine") == mark
