"""What was done in which lesion: told with a device, or the lesion named last."""

from __future__ import annotations

from decimal import Decimal

import pytest

from checkback.record.entry import (
    Deflation,
    Deployment,
    Device,
    DeviceEvent,
    Frozen,
    Inflation,
    Lesion,
    Stenosis,
)
from checkback.record.lesions import LesionWork
from watched_case import Told

LAD, DIAGONAL = "mid left anterior descending", "first diagonal"
ACROSS = DeviceEvent(happening="across")
NOT_ACROSS = DeviceEvent(happening="not across")
OUT = DeviceEvent(happening="out")


def balloon(**where: object) -> Device:
    return Device(device="balloon", diameter_mm=Decimal("2.5"), length_mm=Decimal(12), **where)


def stent() -> Device:
    return Device(device="stent", diameter_mm=Decimal(3), length_mm=Decimal(18))


def up(atm: int) -> Inflation:
    return Inflation(pressure_atm=Decimal(atm))


def told(*bodies: Frozen) -> Told:
    case = Told()
    for minute, body in enumerate(bodies):
        case.say(minute, body)
    return case


def counts(work: LesionWork) -> tuple[int, int, int, int, int]:
    return len(work.devices), work.attempts, work.failures, work.inflations, work.stents


def test_a_device_told_with_its_segment_counts_there() -> None:
    (work,) = told(balloon(segment=LAD), NOT_ACROSS, OUT, balloon(), ACROSS, up(12)).case.lesions()
    assert (work.number, work.segment) == (None, LAD)
    assert counts(work) == (2, 2, 1, 1, 0)
    assert work.failed == (1,)


def test_the_lesion_named_last_governs() -> None:
    one, two = told(
        Lesion(lesion=1, segment=LAD), balloon(), ACROSS, up(10), Deflation(),
        Lesion(lesion=2), ACROSS, up(12), Deflation(), OUT,
        stent(), ACROSS, Deployment(pressure_atm=Decimal(14)),
    ).case.lesions()  # fmt: skip
    # the same balloon dilated both
    assert counts(one) == (1, 1, 0, 1, 0) and counts(two) == (2, 2, 0, 2, 1)


def test_back_at_the_first_lesion() -> None:
    one, two = told(
        Lesion(lesion=1),
        balloon(),
        up(10),
        Deflation(),
        Lesion(lesion=2),
        up(8),
        Deflation(),
        Lesion(lesion=1),
        up(14),
    ).case.lesions()
    assert (one.inflations, two.inflations) == (2, 1)


def test_a_number_and_a_segment_become_one_lesion() -> None:
    (work,) = told(balloon(segment=LAD), NOT_ACROSS, Lesion(lesion=1, segment=LAD), ACROSS).case.lesions()
    assert (work.number, work.segment, work.attempts) == (1, LAD, 2)
    (work,) = told(Lesion(lesion=1), NOT_ACROSS, Lesion(lesion=1, segment=LAD)).case.lesions()
    assert (work.number, work.segment) == (1, LAD)


def test_two_lesions_in_one_segment_are_told_apart_by_number() -> None:
    one, two = told(
        Lesion(lesion=1, segment=LAD), Lesion(lesion=2, segment=LAD), balloon(segment=LAD), ACROSS
    ).case.lesions()
    # the segment alone means the one in hand
    assert (one.attempts, two.attempts) == (0, 1)


def test_a_finding_does_not_move_the_work() -> None:
    (work,) = told(
        balloon(segment=LAD), Stenosis(segment=DIAGONAL, stenosis_percent=Decimal(80)), NOT_ACROSS
    ).case.lesions()
    assert (work.segment, work.failures) == (LAD, 1)


def test_the_wire_that_went_in_before_any_lesion_was_named() -> None:
    (work,) = told(Device(device="wire"), ACROSS, Lesion(lesion=1, segment=LAD), balloon()).case.lesions()
    assert (work.number, counts(work)) == (1, (2, 1, 0, 0, 0))


@pytest.mark.parametrize("device", ["guide", "diagnostic catheter", "balloon pump", "pacing wire"])
def test_what_goes_to_no_lesion_is_not_counted(device: str) -> None:
    assert told(Device(device=device)).case.lesions() == ()  # type: ignore[arg-type]


def test_a_withdrawn_attempt_never_was() -> None:
    case = told(balloon(segment=LAD))
    attempt = case.say(2, NOT_ACROSS)
    case.say(3, ACROSS)
    case.withdraw(4, attempt)
    (work,) = case.case.lesions()
    assert (work.attempts, work.failures, work.failed) == (1, 0, ())


def test_a_corrected_segment_moves_what_was_done() -> None:
    case = told()
    first = case.say(0, balloon(segment=LAD))
    case.say(1, NOT_ACROSS)
    case.say(2, balloon(segment=DIAGONAL), amends=first.n, at=first.at)
    (work,) = case.case.lesions()
    assert (work.segment, work.failures) == (DIAGONAL, 1)


def test_every_attempt_counts_in_exactly_one_lesion() -> None:
    case = told(
        balloon(segment=LAD), ACROSS, up(8), Deflation(), balloon(segment=DIAGONAL), NOT_ACROSS, ACROSS,
        Lesion(lesion=3), NOT_ACROSS, up(10), Deflation(), OUT,
    ).case  # fmt: skip
    lives = case.devices()
    assert sum(work.attempts for work in case.lesions()) == sum(life.attempts for life in lives) == 4
    assert sum(work.inflations for work in case.lesions()) == sum(len(life.inflations) for life in lives)
