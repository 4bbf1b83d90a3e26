"""Whether a record is signed: by whom, up to where, and what came after.

A signature names the hash of the last line that it covers.  It holds while it is the end of the
journal; any entry after it, other than another signature, makes the record a draft again.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from checkback.record.case import Case
from checkback.record.entry import Entry, Signature
from checkback.record.journal import JOURNAL

SHORT = 12
"""Digits of a hash that are shown."""


@dataclass(frozen=True)
class Signing:
    """How a record stands to its signatures.

    Attributes
    ----------
    holding : tuple of Entry
        The signatures at the end of the journal, which hold.
    outdated : tuple of Entry
        Signatures after which something was recorded.
    later : int
        How many entries came after the last of these, signatures left out.
    false : tuple of Entry
        Signatures that do not belong to the lines before them.
    """

    holding: tuple[Entry, ...] = ()
    outdated: tuple[Entry, ...] = ()
    later: int = 0
    false: tuple[Entry, ...] = ()

    @property
    def signed(self) -> bool:
        """Whether the whole record is signed."""
        return bool(self.holding) and not self.false


def signing(case: Case, heads: dict[int, str] | None = None) -> Signing:
    """Return how a case stands to its signatures.

    Parameters
    ----------
    case : Case
    heads : dict of int to str or None
        Hash of the line of each entry, see `heads_of`.  With none, a signature is taken as it is.
    """
    entries = case.entries
    holding: list[Entry] = []
    outdated: list[Entry] = []
    false: list[Entry] = []
    later = 0
    for entry in entries:
        if not isinstance(entry.body, Signature):
            outdated += holding
            later = 1 if holding else later + 1
            holding = []
        elif _fits(entry, entry.body, heads):
            holding.append(entry)
        else:
            false.append(entry)
    return Signing(tuple(holding), tuple(outdated), later if outdated and not holding else 0, tuple(false))


def _fits(entry: Entry, body: Signature, heads: dict[int, str] | None) -> bool:
    if body.entries != entry.n - 1:
        return False
    return heads is None or heads.get(body.entries) == body.head


def heads_of(folder: Path) -> dict[int, str]:
    """Return the hash of each line of a journal by the number of its entry; lines that are none are left out.

    Raises
    ------
    OSError
        If the journal cannot be read.
    """
    found: dict[int, str] = {}
    for line in (folder / JOURNAL).read_bytes().splitlines():
        try:
            content = json.loads(line)
            found[content["n"]] = content["hash"]
        except (ValueError, KeyError, TypeError):
            continue
    return found
