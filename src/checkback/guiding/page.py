"""What docs/cards.md says of the cards, the equipment and the regimes: made from the files."""

from __future__ import annotations

from checkback.guiding.cards import END, Card, Line, Named
from checkback.guiding.data import NOTE
from checkback.guiding.deck import Deck
from checkback.guiding.regimes import Regimes
from checkback.guiding.wording import in_words

BEGIN = "<!-- cards: checkback.guiding.page -->\n\n"
FINISH = "\n<!-- end of cards -->"


def page(deck: Deck) -> str:
    """Return the part of the page that is made from the files."""
    parts = [_card(named) for named in deck.cards.values()]
    return "\n".join([*parts, _regimes(deck.regimes), _equipment(deck)])


def _card(named: Named) -> str:
    card = named.card
    lines = [
        f"## {card.title}",
        "",
        f"`{named.name}`; {card.signature}. Asked for by: {_listed(card.say)}. {_begins(card)} {_offered(card)}",
        "",
        "| Line | Tier | Words | Caution | Leads to | Shown as tried by | Needs | Source |",
        "|---|---|---|---|---|---|---|---|",
    ]
    lines += [_row(card, name, line) for name, line in card.lines.items()]
    return "\n".join([*lines, ""])


def _listed(words: tuple[str, ...]) -> str:
    return ", ".join(f'"{each}"' for each in words)


def _begins(card: Card) -> str:
    if card.event is None:
        return "No entry tells of it: it begins when the card is opened."
    begins = " or ".join(in_words(each) for each in card.event.begins)
    ends = " or ".join(in_words(each) for each in card.event.ends)
    return f"It begins with: {begins}." + (f" It is over with: {ends}." if ends else "")


def _offered(card: Card) -> str:
    if card.offer is None:
        return "It does not offer itself."
    how = "each time that it begins anew" if card.offer.again else "once in a case"
    return f"It offers itself, {how}: {in_words(card.offer.when)}."


def _row(card: Card, name: str, line: Line) -> str:
    ways = ", ".join(
        f"{way}: `{to}`" if line.is_question else f"`{to}`" for way, to in line.leads().items() if to
    ).replace(f"`{END}`", "the end")
    rules = "".join(f" Not if `{r.line}` is {r.answer}: {r.because}." for r in line.unless)
    back = " Cannot be taken back." if line.irreversible else ""
    caution = f"{line.caution or ''}{rules}{back}".strip()
    shown = in_words(line.tried_when) if line.tried_when is not None else ""
    if not line.is_question and not shown:
        shown = "a word only"
    cells = [
        f"`{name}`", str(line.tier or "question"), line.words, caution, ways, shown,
        ", ".join(line.needs), card.cited(name),
    ]  # fmt: skip
    return f"| {' | '.join(cells)} |"


def _regimes(regimes: Regimes) -> str:
    lines = [
        "## Regimes of resuscitation",
        "",
        "| Regime | What | When | Source |",
        "|---|---|---|---|",
    ]
    for name, regime in regimes.regimes.items():
        cited, title = regimes.cited(regime.sources), f"`{name}`, {regime.title}"
        rule = regime.epinephrine
        stack = (
            f"; up to three shocks at the beginning, {regime.stack_s} s apart or less, count as one"
            if regime.stack_s
            else ""
        )
        rows = [
            ("cycle of compressions", f"{regime.cycle_s} s", cited),
            ("longest pause", f"{regime.pause_s} s", cited),
            ("shock", regime.shock_j, cited),
            (
                f"epinephrine {rule.dose_mg} mg",
                f"after shock {rule.after_shock}{stack}; at once in asystole or pulseless electrical activity; "
                f"again after {rule.least_min} to {rule.most_min} min",
                regimes.cited(rule.sources),
            ),
        ]
        for each in regime.antiarrhythmics:
            doses = ", ".join(
                f"{dose} after shock {after}"
                for dose, after in zip(each.doses, each.after_shocks, strict=True)
            )
            rows.append((each.drug, doses, regimes.cited(each.sources)))
        lines += [f"| {title} | {what} | {when} | {source} |" for what, when, source in rows]
    return "\n".join([*lines, ""])


def _equipment(deck: Deck) -> str:
    lines = ["## Equipment", "", f"As delivered ({deck.equipment.note}; {NOTE}):", ""]
    lines += [
        f"- {item}: {'available' if here else 'not available'}"
        for item, here in deck.equipment.available.items()
    ]
    return "\n".join([*lines, ""])
