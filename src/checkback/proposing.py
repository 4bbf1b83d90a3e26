"""From what was said to the entry that it may become: new ones, corrections, and what speaks against them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from checkback.call_outs import CallOut, Proposal, candidates, same_thing
from checkback.language.catalogue import Catalogue
from checkback.language.phrasing import Phrasing
from checkback.language.reading import Reading
from checkback.record.case import Case
from checkback.record.clock import latest_past
from checkback.record.entry import BODY, Device, Entry, Identity, Moment, Noted, StandBy, Unclear, Withdrawal

LONG_BEFORE_S = 3600.0
"""An event that was so long before the record began is asked about: a time can be misheard."""


@dataclass(frozen=True)
class Complaint:
    """Why a reading leads to nothing.

    Attributes
    ----------
    key : str
        Of a reply of the phrasebook.
    values : mapping of str to str
        What is filled into it.
    """

    key: str
    values: Mapping[str, str]


class Proposals:
    """What readings lead to in a case.

    Parameters
    ----------
    case : Case
        As it grows.
    catalogue : Catalogue
        Stocked sizes.
    phrasing : Phrasing
    """

    def __init__(self, case: Case, catalogue: Catalogue, phrasing: Phrasing) -> None:
        self._case = case
        self._catalogue = catalogue
        self._phrasing = phrasing

    def propose(self, call: CallOut, reading: Reading) -> Proposal | Complaint:
        """Return what a reading leads to, or why it leads to nothing."""
        if reading.clock_field is not None and reading.clock is not None:
            # the time is a part of what was said, on a clock of 24 hours, and not when it happened
            reading = reading.with_told_time(latest_past(call.said.wall, *reading.clock))
        at = self._when(call.said, reading)
        if not reading.correction:
            proposal = self._checked(Proposal(reading.body, at))
            first = self._case.first
            assert first is not None
            began = first.said.wall
            if (began - at.wall).total_seconds() > LONG_BEFORE_S:
                return replace(proposal, objection="long_before")
            return proposal
        target = self._correctable(reading.target)
        if target is None:
            if reading.target is not None:
                return Complaint("no_such_entry", {"target": self._phrasing.number(reading.target)})
            return Complaint("nothing_to_correct", {})
        if reading.ago_s is None and reading.clock is None:
            at = target.at
        if reading.role == "event":
            proposal = self._checked(Proposal(self._completed(reading.body, target.body), at, amends=target))
            if not same_thing(reading.body, target.body) and target.body.kind != "unclear":
                # the correction replaces something else: only a person can want that
                proposal = replace(proposal, objection="replaces")
            return proposal
        body = self._with_fields(target.body, reading.fields)
        if body is None:
            return Complaint("does_not_fit", {"entry": self._phrasing.spoken(target.body)})
        return self._checked(Proposal(body, at, amends=target))

    def _completed(self, body: Any, old: Any) -> Any:
        """Return a corrected body with what the correction left unsaid, as it was before."""
        # another label has nothing of the old one
        if isinstance(body, Identity) or not same_thing(body, old):
            return body
        unsaid = {name: value for name, value in old if getattr(body, name) is None and value is not None}
        return self._with_fields(body, unsaid) or body

    def _checked(self, proposal: Proposal) -> Proposal:
        body = proposal.body
        if isinstance(body, Device) and body.stocked is False:
            return replace(proposal, objection="unlisted")
        if isinstance(body, Identity) and body.expires and body.expires < proposal.at.wall.date().isoformat():
            return replace(proposal, objection="expired")
        if proposal.amends is None and (found := self._case.objection(body)) is not None:
            return replace(proposal, objection=found[0], device=found[1])
        return proposal

    def _with_fields(self, body: Any, fields: Any) -> Any:
        """Return `body` with some fields changed, or None if it has no such field."""
        known = type(body).model_fields
        if not all(name in known for name in fields):
            return None
        values = {**dict(body), **fields}
        if (
            isinstance(body, Device)
            and {"diameter_mm", "length_mm"} & set(fields)
            and values["length_mm"] is not None
        ):
            values["stocked"] = self._catalogue.stocked(
                body.device, body.type, values["diameter_mm"], values["length_mm"]
            )
        try:
            return BODY.validate_python(values)
        except ValidationError:
            return None

    def target(self, number: int | None) -> Entry | None:
        """Return the entry of a number that is still alive, or the latest one; None if there is none."""
        if number is None:
            return self._case.last()
        entry = self._case.entry(number)
        return entry if entry is not None and self.alive(entry) else None

    def alive(self, entry: Entry) -> bool:
        """Return whether an entry was neither withdrawn nor corrected."""
        return self._case.standing(entry)[0] in ("stands", "questioned")

    def _correctable(self, number: int | None) -> Entry | None:
        """Return what a correction means: the latest entry that says something, if none was named."""
        if number is not None:
            return self.target(number)
        last = self._case.last()
        if last is None or not isinstance(last.body, Unclear) or candidates(last):
            return last
        # a call-out that could not be read lies between: what it was about is still to be corrected
        return next(
            (
                entry
                for entry in self._case.backwards()
                if entry.source not in ("program", "plan")
                and not isinstance(entry.body, (Unclear, Withdrawal, Noted, StandBy))
                and self.alive(entry)
            ),
            None,
        )

    def _when(self, said: Moment, reading: Reading) -> Moment:
        if reading.ago_s is not None:
            return said.earlier(reading.ago_s)
        if reading.clock is None:
            return said
        hour, minute = reading.clock
        # People say "at two twenty" for 14:20 too: the latest such time that is past is meant.
        hours = {hour, hour + 12} if 1 <= hour <= 12 and not reading.clock_of_24 else {hour}
        at = max(latest_past(said.wall, h % 24, minute) for h in hours)
        return said.earlier((said.wall - at).total_seconds()).model_copy(update={"wall": at})
