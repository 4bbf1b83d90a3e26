"""Short words for tables, plots and notes: one way to write a device, a dose and a time."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from decimal import Decimal

from checkback.record.devices import DeviceLife, Inflated
from checkback.record.entry import Device, Drug, Infusion, Moment

UNITS = {"U": "units", "ug": "mcg", "meq": "mEq"}
"""A "U" is misread as a zero, "µg" as "mg"; so neither stands in print."""

ROUTES = {
    "intravenous": "IV",
    "intracoronary": "IC",
    "intra-arterial": "IA",
    "oral": "PO",
    "sublingual": "SL",
    "subcutaneous": "SC",
    "intramuscular": "IM",
    "inhaled": "inhaled",
}
"""Routes where there is no room for the word; a figure that uses them explains them."""

_MINUTE_S = 60
_HOUR_S = 3600


def number(value: Decimal | float) -> str:
    """Return a number without zeros that say nothing."""
    text = format(value if isinstance(value, Decimal) else Decimal(repr(value)), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def unit(text: str) -> str:
    """Return a unit in the letters that are read without mistake."""
    head, slash, rest = text.partition("/")
    return f"{UNITS.get(head, head)}{slash}{rest}"


def size(body: Device) -> str:
    """Return the size of a device, such as "3.0 × 15 mm" or "6 Fr JR4"; empty if none was said."""
    return " ".join(_sizes(body))


def _sizes(body: Device) -> list[str]:
    parts = []
    if body.french is not None:
        parts.append(f"{number(body.french)} Fr")
    if body.curve:
        parts.append(body.curve)
    lengths = []
    if body.diameter_mm is not None:
        plain = number(body.diameter_mm)
        lengths.append(plain if "." in plain else f"{plain}.0")  # the trade writes "3.0 mm"
    if body.length_mm is not None:
        plain = number(body.length_mm)
        lengths.append(plain if lengths else f"length {plain}")
    if lengths:
        parts.append(f"{' × '.join(lengths)} mm")
    return parts


def device(body: Device) -> str:
    """Return a device, such as "non-compliant balloon 3.0 × 15 mm"."""
    return " ".join([*([body.type] if body.type else []), body.device, *_sizes(body)])


def dose(body: Drug) -> str:
    """Return the dose of a drug, such as "7000 units intravenous"."""
    return " ".join(part for part in (number(body.dose), unit(body.unit), body.route) if part)


def rate(body: Infusion) -> str:
    """Return the rate of an infusion; empty if none was said."""
    return "" if body.rate is None else f"{number(body.rate)} {unit(body.unit or '')}".strip()


def pressures(ups: Iterable[Inflated]) -> str:
    """Return the pressures that a balloon was put under, in order: "12, 14 atm", or "7 times, 8–18 atm"."""
    said = [up.pressure_atm for up in ups if up.pressure_atm is not None]
    if not said:
        return ""
    if len(said) > 4:
        low, high = number(min(said)), number(max(said))
        return f"{len(said)} times, {low if low == high else f'{low}–{high}'} atm"
    return f"{', '.join(map(number, said))} atm"


def trouble(life: DeviceLife) -> list[str]:
    """Return what went wrong with a device, in words, in the order in which it is told."""
    said = {getattr(entry.body, "happening", None) for entry in life.happenings}
    words = []
    if False in life.crossings:
        words.append("did not cross" if life.across is False else "crossed at a later attempt")
    named = (("stuck", "stuck"), ("ruptured", "ruptured"), ("off its balloon", "came off its balloon"))
    return words + [words_ for key, words_ in named if key in said]


def clock(moment: Moment, first_day: date | None = None) -> str:
    """Return a time of day; on another day than the first its date stands beside it."""
    wall = moment.wall
    text = f"{wall:%H:%M:%S}"
    return text if first_day is None or wall.date() == first_day else f"{wall:%Y-%m-%d} {text}"


def span(seconds: float) -> str:
    """Return a length of time: seconds at first, then minutes, then hours and minutes."""
    whole = int(seconds)
    if whole < _MINUTE_S:
        return f"{whole} s"
    if whole < _HOUR_S:
        minutes, rest = divmod(whole, _MINUTE_S)
        return f"{minutes} min {rest} s" if rest and minutes < 10 else f"{minutes} min"
    hours, rest = divmod(whole, _HOUR_S)
    return f"{hours} h {rest // _MINUTE_S:02} min"


def capital(text: str) -> str:
    """Return text with a capital first letter."""
    return text[:1].upper() + text[1:]
