"""`checkback card`: bailout cards, with what a case shows of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
from rich.markup import escape
from rich.table import Table

from checkback import app
from checkback.commands.common import (
    NOT_A_DEVICE,
    SettingsFile,
    as_json_text,
    attention,
    given_path,
    moment,
    out,
    pass_settings,
    visible,
)
from checkback.errors import UserError
from checkback.guiding import deck as decks
from checkback.guiding.arrest import Arrest, Due, arrest
from checkback.guiding.cards import Card
from checkback.guiding.chart import flow_chart
from checkback.guiding.deck import Deck
from checkback.guiding.marks import Marked, View, view
from checkback.guiding.steps import offers
from checkback.record.case import Case
from checkback.record.entry import CaseEnd, Entry, Moment
from checkback.settings import grammars_folder
from checkback.watching.status import moment_of, until


@click.command("card")
@click.argument("name", required=False)
@click.option("--case", type=given_path, help="Mark the lines by what this case shows.")
@click.option("--at", help="The case as it was at this wall time, RFC 3339; default: now, or its end.")
@click.option("--svg", type=given_path, help="Draw the flow chart into this file.")
@click.option("--json", "as_json", is_flag=True, help="The same as one JSON object.")
@click.option(
    "--list", "as_list", is_flag=True, help="List the cards; with --case also which offer themselves."
)
@click.option("--check", is_flag=True, help="Name every mistake of cards, equipment and regimes.")
@pass_settings
def card(
    settings: SettingsFile,
    name: str | None,
    case: Path | None,
    at: str | None,
    svg: Path | None,
    as_json: bool,
    as_list: bool,
    check: bool,
) -> None:
    """Show the bailout card NAME: each line with its mark, its caution and its source.

    NAME is the name of the card, its title, or a way to ask for it.  With --case each line is
    marked tried (with the entries that show it), not tried, not available here or not suitable.

    Example: checkback card stent_lost
    """
    loaded = settings.load()
    folder = grammars_folder(loaded)
    if check:
        _check(folder)
        return
    deck = decks.load(folder)
    if at is not None and case is None:
        raise UserError("--at needs a case: name one with --case")
    seen = None if case is None else _seen(case, at)
    if as_list or name is None:
        if svg is not None:
            raise UserError("--svg draws one card: name it, such as checkback card stent_lost --svg card.svg")
        _list(deck, seen, as_json=as_json)
        return
    named = deck.asked_for(name)
    shown = view(named, *(seen or _nothing()), deck.equipment)
    running = None
    if named.card.clock and seen is not None:
        running = arrest(seen[0], deck.regime(loaded.guiding.regime), *seen[1:])
    if svg is not None:
        _write(svg, flow_chart(named.card, shown if seen is not None else None))
    if as_json:
        click.echo(as_json_text(_plain(shown, running, deck, in_case=seen is not None), indent=2))
    elif svg is not None:
        click.echo(f"{svg}: written")
    else:
        _print(shown, running, deck, in_case=seen is not None)


Seen = tuple[Case, Moment, int]


def _seen(folder: Path, at: str | None) -> Seen:
    case, notes = app.read_case(folder)
    for note in notes:
        attention(note)
    wall = moment(at, option="--at")
    if at is not None:
        case = until(case, wall)
    elif case.latest(CaseEnd) is not None:
        wall = case.entries[-1].recorded.wall
    return (case, *moment_of(case, wall))


def _nothing() -> Seen:
    case = Case()
    return (case, *moment_of(case, moment(None)))


def _check(folder: Path) -> None:
    found = decks.faults(folder)
    for sentence in found[:-1]:
        attention(sentence)
    if found:
        raise UserError(found[-1])
    deck = decks.load(folder)
    for name, named in deck.cards.items():
        questions = sum(line.is_question for line in named.card.lines.values())
        shown = sum(line.tried_when is not None for line in named.card.lines.values())
        rest = len(named.card.lines) - questions
        click.echo(
            f"{name}: {questions} questions, {rest} options, {shown} of them shown by entries; {named.card.signature}"
        )
    click.echo(f"{folder}: {len(deck.cards)} cards and {len(deck.regimes.regimes)} regimes, no mistake")


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(f"{path}: cannot be written ({error.strerror}); give another place") from None


# --- lists ----------------------------------------------------------------------------------------


def _list(deck: Deck, seen: Seen | None, *, as_json: bool) -> None:
    offered = {} if seen is None else {o.name: o for o in offers(seen[0], deck.cards, *seen[1:])}
    if as_json:
        rows = [
            {
                "name": name,
                "title": named.card.title,
                "say": list(named.card.say),
                "signed": bool(named.card.signed.name),
                "offered": name in offered,
                "shown_by": [entry.n for entry in offered[name].shown_by] if name in offered else [],
            }
            for name, named in deck.cards.items()
        ]
        click.echo(as_json_text(rows, indent=2))
        return
    table = Table("card", "title", "asked for by", "signed", box=None, pad_edge=False, header_style="bold")
    for name, named in deck.cards.items():
        table.add_row(name, named.card.title, ", ".join(named.card.say), named.card.signature)
    out.print(table)
    for each in offered.values():
        out.print(f"offers itself: {each.name}, {each.because} ({_entries(each.shown_by)})", soft_wrap=True)


def _entries(entries: tuple[Entry, ...]) -> str:
    return ", ".join(f"{entry.at.wall:%H:%M:%S} entry {entry.n}" for entry in entries)


# --- one card -------------------------------------------------------------------------------------


def _print(shown: View, running: Arrest | None, deck: Deck, *, in_case: bool) -> None:
    card = shown.card
    out.print(f"[bold]{escape(card.title)}[/]  [dim]{escape(card.signature)}[/]", soft_wrap=True)
    if in_case:
        out.print(f"[dim]{escape(_since(shown))}[/]", soft_wrap=True)
    if running is not None:
        _print_clock(running, deck)
    for each in shown.lines:
        _print_line(card, each, in_case=in_case, here=in_case and each.name == shown.next)
    out.print(f"[dim]{NOT_A_DEVICE}[/]", soft_wrap=True)


def _since(shown: View) -> str:
    began = shown.episode.entry if shown.episode is not None else None
    state = f"card: {shown.progress.state}"
    if began is None:
        return f"{state}; no entry tells when the trouble began"
    return f"{state}; since {began.at.wall:%H:%M:%S} (entry {began.n})"


def _print_line(card: Card, each: Marked, *, in_case: bool, here: bool) -> None:
    line = each.line
    tier = "?" if line.is_question else str(line.tier)
    style = {"tried": "dim", "not suitable": "dim", "not available here": "dim"}.get(each.mark, "bold")
    ways = ", ".join(f"{way}: {to}" for way, to in line.leads().items()) if line.is_question else ""
    out.print(f"{'→' if here else ' '} {tier}  [{style}]{escape(line.words)}[/]", soft_wrap=True)
    if in_case or each.mark == "not available here":
        told = each.mark + (f" {_entries(each.shown_by)}" if each.shown_by else "")
        told += f": {each.because}" if each.because else ""
        told += f"; chosen {_entries((each.chosen,))}" if each.chosen is not None else ""
        out.print(f"      {escape(visible(told))}", soft_wrap=True)
    if line.caution:
        out.print(f"      caution: {escape(line.caution)}", soft_wrap=True)
    if line.irreversible:
        out.print("      cannot be taken back", soft_wrap=True)
    if line.needs:
        out.print(f"      needs: {escape(', '.join(line.needs))}", soft_wrap=True)
    if ways:
        out.print(f"      {escape(ways)}", soft_wrap=True)
    out.print(f"      [dim]{escape(card.cited(each.name))}[/]", soft_wrap=True)


def _print_clock(running: Arrest, deck: Deck) -> None:
    until_when = "" if running.ended is None else f", circulation back {_entries((running.ended,))}"
    out.print(
        f"arrest since {_entries((running.began,))}, {_clock(running.elapsed_s)}{until_when}", soft_wrap=True
    )
    hands = f"{100 * running.hands_on_s / running.elapsed_s:.0f} %" if running.elapsed_s else "no time yet"
    out.print(
        f"  shocks {len(running.shocks)}, epinephrine {len(running.epinephrine)}, "
        f"antiarrhythmics {len(running.antiarrhythmics)}, compressions {hands} of the time",
        soft_wrap=True,
    )
    for word, dues in (("due", running.due), ("next", running.ahead)):
        for each in dues:
            until_s = "" if each.until_s is None else f", until {_clock(each.until_s)}"
            out.print(
                f"  {word}: {each.text} (from {_clock(each.since_s)}{until_s})  "
                f"[dim]{escape(deck.regimes.cited(each.sources))}[/]",
                soft_wrap=True,
            )


def _clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


def _plain(shown: View, running: Arrest | None, deck: Deck, *, in_case: bool) -> dict[str, Any]:
    card = shown.card
    return {
        "name": shown.name,
        "title": card.title,
        "signed": card.signed.model_dump() if card.signed.name else None,
        "sha256": shown.sha256,
        "state": shown.progress.state if in_case else None,
        "next": shown.next if in_case else None,
        "lines": [_plain_line(card, each, in_case=in_case) for each in shown.lines],
        "clock": None if running is None else _plain_clock(running, deck),
    }


def _plain_line(card: Card, each: Marked, *, in_case: bool) -> dict[str, Any]:
    line = each.line
    return {
        "line": each.name,
        "words": line.words,
        "question": line.is_question,
        "tier": line.tier,
        "caution": line.caution,
        "leads": line.leads(),
        "needs": list(line.needs),
        "irreversible": line.irreversible,
        "mark": each.mark if in_case or each.mark == "not available here" else None,
        "shown_by": [
            {"entry": e.n, "at": e.at.wall.isoformat(timespec="milliseconds")} for e in each.shown_by
        ],
        "because": each.because,
        "chosen": None if each.chosen is None else each.chosen.n,
        "source": card.cited(each.name),
    }


def _plain_clock(running: Arrest, deck: Deck) -> dict[str, Any]:
    def dues(each: tuple[Due, ...]) -> list[dict[str, Any]]:
        return [
            {
                "what": due.what,
                "text": due.text,
                "since_s": due.since_s,
                "until_s": due.until_s,
                "source": deck.regimes.cited(due.sources),
            }
            for due in each
        ]

    return {
        "began": running.began.n,
        "ended": None if running.ended is None else running.ended.n,
        "elapsed_s": running.elapsed_s,
        "hands_on_s": running.hands_on_s,
        "shocks": [entry.n for entry in running.shocks],
        "epinephrine": [entry.n for entry in running.epinephrine],
        "antiarrhythmics": [entry.n for entry in running.antiarrhythmics],
        "due": dues(running.due),
        "next": dues(running.ahead),
    }
