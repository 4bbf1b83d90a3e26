"""Papers of a case: the record, what is computed from it and who signed, put together.

Here the rooms `watching` and `reporting` are joined: what the one computes reaches the other as
plain data.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from checkback.errors import UserError
from checkback.language.phrasebook import Phrasebook
from checkback.language.phrasing import Phrasing
from checkback.record.case import Case
from checkback.record.entry import CaseEnd
from checkback.record.signing import Signing, heads_of, signing
from checkback.reporting.computed import Computed, Figured
from checkback.reporting.narrative import TEMPLATE
from checkback.settings import Settings, grammars_folder
from checkback.watching.limits import NOTE
from checkback.watching.limits import load as load_limits
from checkback.watching.status import Figure, Section, Status, status

_NOT_ABOUT_IT = ("session", "signature")
"""What is written at any time later."""


@dataclass(frozen=True)
class Papers:
    """What every paper of a case is written from.

    Attributes
    ----------
    case : Case
    phrasing : Phrasing
    computed : Computed
        Figures as of the last entry.
    signed : Signing
    notices : tuple of str
        What must stand on every page.
    template : Path
        Of the narrative.
    """

    case: Case
    phrasing: Phrasing
    computed: Computed
    signed: Signing
    notices: tuple[str, ...] = ()
    template: Path = TEMPLATE


def papers(
    folder: Path,
    case: Case,
    settings: Settings,
    book: Phrasebook,
    *,
    notices: tuple[str, ...] = (),
    template: Path | None = None,
) -> Papers:
    """Put together what the papers of a case are written from.

    Parameters
    ----------
    folder : Path
        The case folder, for the hashes that signatures name.
    case : Case
        As read from it.
    settings : Settings
    book : Phrasebook
    notices : tuple of str
        What was found when the case was read.
    template : Path or None
        A template of the narrative; None: the one that the settings name, or the one that came along.

    Raises
    ------
    UserError
        If limits cannot be loaded, or the journal cannot be read.
    """
    unfinished = () if case.latest(CaseEnd) is not None else ("The case is not finished.",)
    return Papers(
        case,
        Phrasing(book),
        computed(case, settings, book),
        signed(folder, case),
        (*notices, *unfinished),
        template or settings.reporting.narrative or TEMPLATE,
    )


def signed(folder: Path, case: Case) -> Signing:
    """Return how a case stands to its signatures, held against the lines of its journal.

    Raises
    ------
    UserError
        If the journal cannot be read.
    """
    try:
        return signing(case, heads_of(folder))
    except OSError as error:
        raise UserError(
            f"The journal in {folder} cannot be read ({error.strerror}): check the folder's disk and permissions."
        ) from None


def computed(case: Case, settings: Settings, book: Phrasebook) -> Computed:
    """Return what is computed from a case, as of the last entry that is about it.

    Raises
    ------
    UserError
        If the limits cannot be loaded.
    """
    last = next((entry for entry in reversed(case.entries) if entry.body.kind not in _NOT_ABOUT_IT), None)
    if last is None:
        return Computed(note=NOTE)
    state = status(case, load_limits(grammars_folder(settings)), book.catalogue, last.recorded, last.session)
    return Computed(tuple(figures(state)), NOTE)


def figures(state: Status) -> Iterator[Figured]:
    """Yield every figure of a state as plain data."""
    sections: tuple[tuple[str, Section], ...] = (
        ("patient", state.patient),
        ("contrast", state.contrast),
        ("contrast", state.contrast.mehran),
        ("clotting", state.clotting),
        ("radiation", state.radiation),
        ("times", state.times),
    )
    for section, of in sections:
        for name, figure in of.figures():
            yield _figured(section, name, figure)
    for level in state.radiation.levels:
        what = "substantial dose level" if level.substantial else "notice level"
        yield _figured("radiation", f"{what}, {level.quantity}", level.level)


def _figured(section: str, name: str, figure: Figure) -> Figured:
    return Figured(
        section=section,
        name=name,
        text=figure.text or "",
        source=figure.source if figure.text else "",
        missing=figure.missing or "",
        value=figure.value,
        unit=figure.unit or "",
        low=figure.low,
        high=figure.high,
    )
