"""What the pages show of a case: what is up for how long, what comes due, totals, and the record."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import english
from checkback.board import Rules, Told, board, line, phrases
from checkback.guiding import deck
from checkback.language.card import phrase_card
from checkback.language.phrasing import Phrasing
from checkback.record.entry import (
    Act,
    CardStep,
    CaseEnd,
    CaseStart,
    Contrast,
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Dictation,
    Drug,
    Entry,
    Inflation,
    Noted,
    Patient,
    TimeOut,
    Unclear,
    Withdrawal,
)
from checkback.showing.plain import Board, Room, as_json
from checkback.watching.limits import NOTE
from watched_room import CATALOGUE, LIMITS
from watched_room import Room as Case

RULES = Rules(LIMITS, CATALOGUE, Phrasing(english.book()), deck.load(english.GRAMMARS))
BALLOON = Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), stocked=True)


def shown(case: Case, **more: Any) -> Board:
    given: dict[str, Any] = {"name": "case-7", "room": Room()} | more
    return board(case.case, RULES, case.clock.now(), case.session, **given)


def pass_time(case: Case, seconds: int) -> None:
    for _ in range(seconds):
        case.pass_second()


def with_balloon_up(pressure: int = 14) -> tuple[Case, Entry]:
    case = Case()
    case.say(BALLOON)
    return case, case.say(Inflation(pressure_atm=Decimal(pressure)))


# --- what is up -----------------------------------------------------------------------------------


def test_a_balloon_is_up_since_it_was_called_out() -> None:
    case, _ = with_balloon_up()
    pass_time(case, 23)
    (up,) = shown(case).up
    assert (up.age_s, up.pressure, up.device) == (23, "14 atm", "balloon 2.5 × 12 mm")


def test_a_pressure_that_is_corrected_does_not_begin_the_time_anew() -> None:
    case, wrong = with_balloon_up()
    pass_time(case, 10)
    case.say(Inflation(pressure_atm=Decimal(16)), at=wrong.at, amends=wrong.n)
    pass_time(case, 5)
    (up,) = shown(case).up
    assert (up.age_s, up.pressure) == (15, "16 atm")


def test_an_inflation_that_is_withdrawn_is_not_up() -> None:
    case, wrong = with_balloon_up()
    case.say(Withdrawal(target=wrong.n))
    assert shown(case).up == ()


def test_down_is_not_up_and_the_time_of_all_stays() -> None:
    case, _ = with_balloon_up()
    pass_time(case, 20)
    case.say(Deflation())
    pass_time(case, 30)
    seen = shown(case)
    assert seen.up == ()
    assert next(clock.text for clock in seen.clocks if clock.key == "inflated") == "20 s, 1 time"


def test_a_restart_counts_on() -> None:
    case, _ = with_balloon_up()
    pass_time(case, 20)
    case.restart(down_s=60)
    pass_time(case, 5)
    assert shown(case).up[0].age_s == 85


def test_the_balloon_of_a_stent_is_up_after_deployment() -> None:
    case = Case()
    case.say(Device(device="stent", diameter_mm=Decimal(3), length_mm=Decimal(28), stocked=True))
    case.say(Deployment(pressure_atm=Decimal(12)))
    pass_time(case, 7)
    assert [(up.age_s, up.pressure) for up in shown(case).up] == [(7, "12 atm")]


def test_a_pressure_above_the_rated_one_is_told_with_its_source() -> None:
    case, _ = with_balloon_up(pressure=30)
    (up,) = shown(case).up
    assert up.above_rated and up.rated and up.source.startswith("catalogue: ")


# --- what comes next ------------------------------------------------------------------------------


def heparin(case: Case) -> Entry:
    return case.say(Drug(drug="heparin", dose=Decimal(7000), unit="U", route="intravenous"))


def when(case: Case, rule: str) -> float | None:
    return next(each.in_s for each in shown(case).ahead if each.rule == rule)


def test_a_clotting_time_comes_due_and_then_stays_due() -> None:
    case = Case()
    heparin(case)
    first_s = LIMITS.act.first_after_bolus.value * 60 + LIMITS.reminders.act_due.first * 60
    assert when(case, "act_due") == first_s
    pass_time(case, 60)
    assert when(case, "act_due") == first_s - 60
    case.wait(seconds=first_s)
    assert case.heard("act_due")
    assert when(case, "act_due") == -60
    case.say(Noted(rule="act_due"))
    assert "act_due" not in [each.rule for each in shown(case).ahead]


def test_what_is_due_is_what_is_spoken_of() -> None:
    """At every second the page calls due exactly what the reminders would say if nothing had been said."""
    case = Case()
    heparin(case)
    case.say(BALLOON)
    case.say(Inflation(pressure_atm=Decimal(10)))
    for _ in range(700):
        case.pass_second()
        spoken = {each.rule for each in case.due()}
        on_page = {each.rule for each in shown(case).ahead if each.in_s is not None and each.in_s <= 0}
        assert on_page == spoken & {"act_due", "inflation_long", "antiplatelet_missing"}
    assert on_page == {"act_due", "inflation_long"}


def test_each_thing_that_is_due_has_a_source() -> None:
    case = Case()
    heparin(case)
    case.say(BALLOON)
    case.say(Inflation(pressure_atm=Decimal(30)))
    assert all(each.source and each.text for each in shown(case).ahead)


# --- totals ---------------------------------------------------------------------------------------


def with_contrast(volume: int) -> Case:
    case = Case()
    case.say(Patient(weight_kg=Decimal(80), creatinine_mg_dl=Decimal(2)), source="plan")
    case.say(Contrast(volume_ml=Decimal(volume), counted="total"))
    return case


def contrast(case: Case) -> Any:
    return next(total for total in shown(case).totals if total.key == "contrast")


def test_contrast_stands_against_its_limit_with_the_source() -> None:
    # 5 mL/kg over creatinine in mg/dL, Cigarroa, Am J Med 1989;86:649: 5 * 80 / 2 = 200 mL
    total = contrast(with_contrast(100))
    assert (total.text, total.against, total.share, total.step) == ("100 mL", "200 mL", 0.5, "")
    assert "Cigarroa" in total.source
    assert contrast(with_contrast(170)).step == "near"
    assert contrast(with_contrast(200)).step == "reached"


def test_without_a_limit_the_reason_stands_there() -> None:
    case = Case()
    case.say(Contrast(volume_ml=Decimal(50), counted="total"))
    total = contrast(case)
    assert total.share is None and "not on record" in total.against


def test_a_clotting_time_below_its_target_is_told() -> None:
    case = Case()
    heparin(case)
    case.say(Act(act_s=Decimal(180)))
    total = next(each for each in shown(case).totals if each.key == "act")
    assert (total.text, total.step) == ("180 s", "reached")


# --- what was heard, and the record ---------------------------------------------------------------


def test_the_last_call_out_is_shown_in_digits() -> None:
    case = Case()
    entry = case.say(BALLOON, words="balloon two five by twelve")
    told = Told(
        "accepted", entry.words, "balloon two point five by twelve", (entry,), case.clock.now().monotonic_s
    )
    pass_time(case, 4)
    heard = shown(case, told=told).heard
    assert heard is not None
    assert (heard.back, heard.words, heard.result) == ("balloon 2.5 × 12 mm", entry.words, "recorded")
    assert heard.age_s == 4


def test_a_question_shows_what_it_is_between_and_which_one_is_open() -> None:
    from checkback.record.entry import Alternative

    case = Case()
    longer = BALLOON.model_copy(update={"length_mm": Decimal(20)})
    entry = case.say(
        Unclear(),
        words="balloon two five by",
        question="twelve, or twenty?",
        standing="questioned",
        alternatives=(Alternative(words="12", body=BALLOON), Alternative(words="20", body=longer)),
    )
    seen = shown(case, question=entry.n)
    assert seen.heard is not None and seen.heard.result == "asked"
    assert seen.heard.options == ("balloon 2.5 × 12 mm", "balloon 2.5 × 20 mm")
    assert [(each.n, each.open) for each in seen.questions] == [(entry.n, True)]
    assert shown(case).questions[0].open is False


def test_after_a_restart_the_last_entry_stands_for_the_last_call_out() -> None:
    case = Case()
    case.say(BALLOON, words="balloon two five by twelve")
    case.restart(down_s=30)
    heard = shown(case).heard
    assert heard is not None and heard.back == "balloon 2.5 × 12 mm" and heard.age_s == 30


def test_a_withdrawal_names_what_was_taken_back() -> None:
    case = Case()
    entry = case.say(BALLOON, words="balloon two five by twelve")
    case.say(Withdrawal(target=entry.n), words="disregard")
    heard = shown(case).heard
    assert heard is not None and (heard.result, heard.back) == ("withdrawn", "balloon 2.5 × 12 mm")


def test_lines_tell_what_has_become_of_an_entry() -> None:
    case = Case()
    wrong = case.say(BALLOON)
    right = case.say(BALLOON.model_copy(update={"length_mm": Decimal(15)}), at=wrong.at, amends=wrong.n)
    gone = case.say(Contrast(volume_ml=Decimal(50), counted="given"))
    away = case.say(Withdrawal(target=gone.n))
    told = {entry.n: line(case.case, RULES.phrasing, entry) for entry in case.case.entries}
    assert (told[wrong.n].standing, told[wrong.n].by, told[wrong.n].mine) == ("amended", right.n, False)
    assert (told[right.n].amends, told[right.n].mine) == (wrong.n, True)
    assert (told[gone.n].standing, told[gone.n].by) == ("withdrawn", away.n)
    assert told[away.n].takes_back == gone.n
    on_wall = [each.n for each in shown(case).lines]
    assert wrong.n not in on_wall and {right.n, gone.n, away.n} <= set(on_wall)


def test_what_is_in_the_body_and_what_stays() -> None:
    case = Case()
    case.say(Device(device="guide", french=Decimal(6), curve="JR4"))
    case.say(
        Device(device="stent", diameter_mm=Decimal(3), length_mm=Decimal(28), deployed=True, stocked=True)
    )
    case.say(BALLOON)
    case.say(DeviceEvent(happening="out", device="balloon"))
    seen = shown(case)
    assert [each.device for each in seen.inside] == ["guide JR4 6 French"]
    assert seen.implants == ("stent 3.0 × 28 mm",)


def test_the_procedure_runs_until_the_case_ends() -> None:
    case = Case()
    case.say(CaseStart())
    case.say(TimeOut())
    pass_time(case, 90)
    clock = next(each for each in shown(case).clocks if each.key == "procedure")
    assert clock.age_s == 90
    case.say(CaseEnd())
    seen = shown(case)
    assert seen.ended
    assert next(each for each in seen.clocks if each.key == "procedure").age_s is None


def test_a_note_is_carried_as_text_and_never_as_markup() -> None:
    case = Case()
    case.say(Dictation(text="</script><script>alert(1)</script>\u2028", writer="typed"), words="note")
    told = as_json(shown(case))
    assert told.isascii() and b"\n" not in told
    assert "</script><script>alert(1)</script>" in json.loads(told)["lines"][-1]["text"]


# --- cards and phrases ----------------------------------------------------------------------------


def test_an_open_card_shows_its_current_line_with_caution_source_and_signature() -> None:
    case = Case()
    name, named = next(iter(RULES.deck.cards.items())) if RULES.deck else ("", None)
    assert named is not None
    first = named.card.lines[named.card.start]
    case.say(CardStep(card=name, action="opened", text=named.card.title), source="program")
    case.say(CardStep(card=name, action="read", line=named.card.start, text=first.words), source="program")
    card = shown(case).card
    assert card is not None
    assert (card.title, card.line, card.question) == (named.card.title, first.words, first.is_question)
    assert NOTE in card.source and card.signature
    case.say(CardStep(card=name, action="closed", text=named.card.title), source="program")
    assert shown(case).card is None


def test_the_phrase_card_comes_line_by_line_without_marks() -> None:
    told = phrases(phrase_card(english.book()))
    kinds = {kind for kind, _ in told}
    assert {"part", "family", "say", "example"} <= kinds
    assert ("family", "inflation") in told
    assert not [text for _, text in told if text.startswith(("#", "- ", "`", "**"))]
