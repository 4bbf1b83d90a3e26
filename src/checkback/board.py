"""The board: what the pages show of a case, made from the record, the rules and the state of the room.

A pure function of the case and of what the room says; it runs in the display's own thread on a case
of its own, so nothing here can hold up or harm the recording.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from checkback.guiding.cards import END
from checkback.guiding.deck import Deck
from checkback.guiding.marks import view
from checkback.language.catalogue import Catalogue
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import CardStep, CaseEnd, Device, Entry, Moment, Noted, StandBy, Withdrawal
from checkback.showing.plain import (
    Ahead,
    Board,
    Card,
    Clock,
    Heard,
    Inside,
    Lacking,
    Line,
    Question,
    Room,
    Total,
    Up,
)
from checkback.watching.limits import Limits
from checkback.watching.reminders import ahead as reminders_ahead
from checkback.watching.status import Figure, Status, status
from checkback.watching.status.state import DeviceNow

LAST_LINES = 6
"""So many entries stand on the wall."""

NEAR = 0.8
"""From this share of a limit on, the wall says that it is near: a way of showing, not a rule."""

_TIMED = ("inflation_long", "act_due", "antiplatelet_missing")
"""Rules that wait for a time; the others hold or do not."""

_SHOWN_ELSEWHERE = ("act_falling", "contrast_ahead", "ratio_ahead")
"""Rules whose figure stands among the totals."""

_NOT_LINES = ("session", "advice", "noted", "clock_step")
"""Kinds that the wall leaves out of the last entries."""

_UNTOUCHABLE = ("session", "imported", "clock_step", "advice", "card_step", "signature", "withdrawal")


@dataclass(frozen=True)
class Told:
    """What the loop answered to the last call-out that was meant for it.

    Attributes
    ----------
    result : {"accepted", "asked"}
    words, reply : str
    entries : tuple of Entry
        What was written.
    at_s : float
        When, on the monotonic clock.
    """

    result: Literal["accepted", "asked"]
    words: str
    reply: str
    entries: tuple[Entry, ...]
    at_s: float


@dataclass(frozen=True)
class Rules:
    """What does not change during a case."""

    limits: Limits
    catalogue: Catalogue
    phrasing: Phrasing
    deck: Deck | None = None


def board(
    case: Case,
    rules: Rules,
    now: Moment,
    session: int,
    *,
    name: str,
    room: Room,
    told: Told | None = None,
    question: int | None = None,
    typing: bool = False,
    notice: str = "",
    revision: int = 0,
) -> Board:
    """Return the board of a case at a moment.

    Parameters
    ----------
    case : Case
        It may be empty.
    rules : Rules
    now : Moment
    session : int
        The session whose clock `now` was read from.
    name : str
        Of the case.
    room : Room
    told : Told or None
        The last call-out; None: the last entry stands for it.
    question : int or None
        The entry whose question a short answer settles.
    typing : bool
        Whether lines can be typed.
    notice : str
        The last line that needed attention.
    revision : int
        Of the log.
    """
    state = status(case, rules.limits, rules.catalogue, now, session)
    lines = [
        e for e in case.entries[-40:] if e.body.kind not in _NOT_LINES and case.standing(e)[0] != "amended"
    ][-LAST_LINES:]
    ahead = _ahead(case, rules, now, session)
    return Board(
        case=name,
        wall=now.wall.isoformat(timespec="milliseconds"),
        ended=state.ended,
        room=room,
        typing=typing,
        heard=_heard(case, rules.phrasing, now, session, told),
        up=_up(case, state, rules.phrasing),
        clocks=_clocks(state, rules.phrasing),
        ahead=ahead,
        totals=_totals(state, rules.phrasing),
        inside=_inside(case, state, rules.phrasing),
        implants=tuple(_device(case, rules.phrasing, each) for each in state.devices.implants),
        lines=tuple(line(case, rules.phrasing, entry) for entry in lines),
        questions=tuple(
            Question(
                n=entry.n,
                asked=entry.question or "",
                words=entry.words,
                options=_options(rules.phrasing, entry),
                open=entry.n == question,
            )
            for entry in sorted(case.questions(), key=lambda each: (each.n != question, -each.n))
        ),
        lacking=tuple(
            Lacking(key, name if rules.phrasing.takes_english else rules.phrasing.label("missing", key))
            for key, name in zip(case.missing(), state.missing, strict=True)
            if key not in ("questions", "devices")
        ),
        card=_card(case, rules.deck, now, session),
        # what is due stands under what comes next already
        notice="" if any(notice.startswith(each.text) for each in ahead) else notice,
        revision=revision,
    )


def line(case: Case, phrasing: Phrasing, entry: Entry) -> Line:
    """Return an entry as a line of the log, with what has become of it."""
    standing, by = case.standing(entry)
    return Line(
        n=entry.n,
        time=f"{entry.at.wall:%H:%M:%S}",
        text=phrasing.summary(entry),
        words=entry.words,
        standing=standing,
        by=by,
        amends=entry.amends,
        takes_back=entry.body.target if isinstance(entry.body, Withdrawal) else None,
        asked=entry.question or "",
        source=entry.source,
        mine=standing in ("stands", "questioned") and entry.body.kind not in _UNTOUCHABLE,
    )


# --- what was just said ---------------------------------------------------------------------------


def _heard(case: Case, phrasing: Phrasing, now: Moment, session: int, told: Told | None) -> Heard | None:
    if told is None:
        return _last_entry(case, phrasing, now, session)
    last = told.entries[-1] if told.entries else None
    return Heard(
        words=told.words,
        back=_back(case, phrasing, told),
        result=_result(told),
        options=_choices(phrasing, last) if told.result == "asked" and last is not None else (),
        n=None if last is None else last.n,
        age_s=max(0.0, now.monotonic_s - told.at_s),
    )


def _last_entry(case: Case, phrasing: Phrasing, now: Moment, session: int) -> Heard | None:
    """Return the last call-out as the record has it, where no outcome is known: after a restart."""
    silent = ("program", "plan", "import")
    entry = next(
        (e for e in case.backwards() if e.source not in silent and e.body.kind not in _NOT_LINES), None
    )
    if entry is None:
        return None
    asked = case.standing(entry)[0] == "questioned"
    withdrawn = isinstance(entry.body, Withdrawal)
    back = entry.question if asked else _taken_back(case, phrasing, entry) or phrasing.summary(entry)
    if entry.session == session:
        age_s = now.monotonic_s - entry.recorded.monotonic_s
    else:
        age_s = (now.wall - entry.recorded.wall).total_seconds()
    return Heard(
        words=entry.words,
        back=back or "",
        result="asked" if asked else "withdrawn" if withdrawn else "recorded",
        options=_choices(phrasing, entry) if asked else (),
        n=entry.n,
        age_s=max(0.0, age_s),
    )


def _back(case: Case, phrasing: Phrasing, told: Told) -> str:
    """Return the check-back for the eye: digits are read faster than words."""
    if told.result == "asked" or not told.entries:
        return told.reply
    last = told.entries[-1]
    if isinstance(last.body, (Noted, StandBy, CardStep)):
        return told.reply
    return _taken_back(case, phrasing, last) or phrasing.summary(last) or told.reply


def _result(told: Told) -> Literal["recorded", "asked", "answered", "withdrawn"]:
    if told.result == "asked":
        return "asked"
    if any(isinstance(entry.body, Withdrawal) for entry in told.entries):
        return "withdrawn"
    return "recorded" if told.entries else "answered"


def _taken_back(case: Case, phrasing: Phrasing, entry: Entry) -> str:
    if not isinstance(entry.body, Withdrawal):
        return ""
    target = case.entry(entry.body.target)
    return "" if target is None else phrasing.summary(target)


def _choices(phrasing: Phrasing, entry: Entry) -> tuple[str, ...]:
    options = _options(phrasing, entry)
    return options if len(options) > 1 else ()


def _options(phrasing: Phrasing, entry: Entry) -> tuple[str, ...]:
    bodies = [each.body for each in entry.alternatives if each.body is not None]
    if not bodies and entry.body.kind != "unclear":
        bodies = [entry.body]
    return tuple(phrasing.written(body) for body in bodies)


# --- balloons, clocks, what comes due -------------------------------------------------------------


def _device(case: Case, phrasing: Phrasing, now: DeviceNow) -> str:
    entry = case.entry(now.entry)
    if phrasing.takes_english or entry is None or not isinstance(entry.body, Device):
        return now.device
    return phrasing.device(entry.body)


def _inside(case: Case, state: Status, phrasing: Phrasing) -> tuple[Inside, ...]:
    return tuple(
        Inside(
            _device(case, phrasing, each),
            tuple(phrasing.page("note", note.replace(" ", "_")) for note in each.notes),
            each.since_s,
        )
        for each in state.devices.inside
    )


def _up(case: Case, state: Status, phrasing: Phrasing) -> tuple[Up, ...]:
    entries = {life.number: life.body for life in case.devices()}
    return tuple(
        Up(
            number=each.number,
            device=each.device if phrasing.takes_english else phrasing.device(entries[each.number]),
            pressure=each.pressure.text or "",
            rated="" if each.rated_burst.value is None else f"{each.rated_burst.value:g} atm",
            source=each.rated_burst.source if each.rated_burst.text else "",
            above_rated=_above(each.pressure, each.rated_burst),
            age_s=each.up.value or 0.0,
        )
        for each in state.devices.up
    )


def _above(pressure: Figure, rated: Figure) -> bool:
    return pressure.value is not None and rated.value is not None and pressure.value > rated.value


def _interval(figure: Figure, phrasing: Phrasing) -> str:
    """Return an interval, and whether it is within its target."""
    if phrasing.takes_english or figure.value is None:
        return figure.text or ""
    target = (
        "" if figure.high is None else f" {'≤' if figure.value <= figure.high else '>'} {figure.high:g} min"
    )
    return f"{figure.value:g} min{target}"


def _inflated(figure: Figure, phrasing: Phrasing) -> str:
    text, times, *unknown = (figure.text or "").split(", ")
    if phrasing.takes_english:
        return figure.text or ""
    return f"{'≥ ' if unknown else ''}{text}, {phrasing.page('say', 'times', times.partition(' ')[0])}"


def _clocks(state: Status, phrasing: Phrasing) -> tuple[Clock, ...]:
    times, clotting = state.times, state.clotting
    found: list[Clock] = []
    if times.procedure.value is not None:
        seconds = times.procedure.value * 60
        found.append(Clock("procedure", None if state.ended else seconds, times.procedure.text or ""))
    for key in ("door_to_device", "contact_to_device", "onset_to_device", "first_door_to_device"):
        figure: Figure = getattr(times, key)
        if figure.text is not None:
            found.append(Clock(key, None, _interval(figure, phrasing), figure.source))
        elif figure.missing is not None and "since" in figure.missing:
            # the clock of an emergency runs, and there is no device yet
            text = figure.missing if phrasing.takes_english else phrasing.page("say", "no_device")
            found.append(Clock(key, None, text))
    if clotting.act_age.value is not None:
        found.append(
            Clock("act", None if state.ended else clotting.act_age.value * 60, clotting.act_age.text or "")
        )
    if times.inflated.value is not None:
        # what is up counts in its own place
        found.append(Clock("inflated", None, _inflated(times.inflated, phrasing)))
    return tuple(found)


def _ahead(case: Case, rules: Rules, now: Moment, session: int) -> tuple[Ahead, ...]:
    found = []
    for each in reminders_ahead(case, rules.limits, rules.catalogue, now, session):
        if each.rule in _SHOWN_ELSEWHERE:
            continue
        timed = each.rule in _TIMED
        text = rules.phrasing.advice(each.rule, each.values, written=True)
        found.append(Ahead(each.rule, text, each.in_s if timed else None, each.source))
    # by time, and then what holds whatever the time
    return tuple(sorted(found, key=lambda each: float("inf") if each.in_s is None else each.in_s))


# --- totals ---------------------------------------------------------------------------------------


def _totals(state: Status, phrasing: Phrasing) -> tuple[Total, ...]:
    return (_contrast(state, phrasing), *_clotting(state, phrasing), *_radiation(state))


def _contrast(state: Status, phrasing: Phrasing) -> Total:
    total, limit = state.contrast.total, state.contrast.allowable
    given = total.value or 0.0
    if limit.value is None:
        why = limit.missing or "" if phrasing.takes_english else phrasing.page("say", "no_limit")
        return Total("contrast", total.text or "", why)
    share = given / limit.value if limit.value > 0 else 1.0
    return Total(
        "contrast",
        total.text or "",
        limit.text or "",
        round(share, 4),
        "reached" if share >= 1 else "near" if share >= NEAR else "",
        limit.source,
    )


def _clotting(state: Status, phrasing: Phrasing) -> tuple[Total, ...]:
    clotting = state.clotting
    target = clotting.target
    measured = "" if clotting.act.value is None else f"{clotting.act.value:g} s"
    wanted = target.text or ""
    if not phrasing.takes_english and target.low is not None and target.high is not None:
        wanted = f"{target.low:g}-{target.high:g} s"
    act = Total("act", measured, wanted, source=target.source)
    if clotting.act.value is not None and target.low is not None and clotting.act.value < target.low:
        act = replace(act, step="reached")
    heparin = Total("heparin", clotting.heparin.text or "", clotting.heparin_per_kg.text or "")
    return act, heparin


def _radiation(state: Status) -> tuple[Total, ...]:
    radiation = state.radiation
    levels = {each.quantity: each for each in radiation.levels}
    found = []
    for key, quantity, figure in (
        ("air_kerma", "air kerma", radiation.air_kerma),
        ("dose_area", "dose-area product", radiation.dose_area),
        ("fluoroscopy", "fluoroscopy", radiation.fluoroscopy),
    ):
        level = levels.get(quantity)
        if figure.text is None:
            continue
        if level is None:
            found.append(Total(key, figure.text, ""))
        else:
            found.append(
                Total(key, figure.text, _level(level.level), step="reached", source=level.level.source)
            )
    return tuple(found)


def _level(figure: Figure) -> str:
    """Return the level itself; that it is reached is told beside it."""
    return (figure.text or "").removesuffix(" reached")


# --- the card that is open ------------------------------------------------------------------------


def _card(case: Case, deck: Deck | None, now: Moment, session: int) -> Card | None:
    name = _open_card(case)
    if deck is None or name is None or case.latest(CaseEnd) is not None:
        return None
    named = deck.cards.get(name)
    if named is None:
        return None
    seen = view(named, case, now, session, deck.equipment)
    if seen.progress.state != "open":
        return None
    here = seen.progress.current
    title, signature = named.card.title, named.card.signature
    if here is None or here == END or here not in named.card.lines:
        return Card(title, "", "", "", False, signature)
    current = named.card.lines[here]
    return Card(
        title, current.words, current.caution or "", named.card.cited(here), current.is_question, signature
    )


def _open_card(case: Case) -> str | None:
    """Return the card that was opened last, if it was not closed since."""
    last = case.latest(CardStep)
    if last is None or not isinstance(last.body, CardStep):
        return None
    closed = {"closed"}
    for entry in case.backwards():
        body = entry.body
        if isinstance(body, CardStep) and body.action != "offered" and case.standing(entry)[0] == "stands":
            return None if body.action in closed else body.card
    return None


def phrases(markdown: str) -> list[tuple[str, str]]:
    """Return the phrase card line by line as (kind, text), for pages that build it themselves.

    Kinds: "part", "family", "say", "example", "text".
    """
    marks: Mapping[str, str] = {"## ": "part", "- ": "say", "“": "example", "**": "family"}
    found = []
    for each in markdown.splitlines()[1:]:
        text = each.strip()
        if not text:
            continue
        kind = next((kind for mark, kind in marks.items() if text.startswith(mark)), "text")
        if kind in ("part", "say"):
            text = text.partition(" ")[2]
        found.append((kind, text.strip("*`") if kind != "example" else text))
    return found
