"""The words of the display's pages: which there are, and which blanks each has."""

from __future__ import annotations

import re
from collections.abc import Mapping

KEYS: Mapping[str, tuple[str, ...]] = {
    group: tuple(keys.split())
    for group, keys in {
        "page": "title note check wall desk",
        "state": "listening hearing pedal speaking deaf typed silent failed ended files lost starting",
        "hint": "listening hearing pedal speaking deaf typed silent failed ended files lost starting held",
        "trouble": "disk behind clipping",
        "result": "recorded asked answered withdrawn",
        "area": "heard up ahead totals inside lines card type questions lacking log phrases",
        "say": "nothing_heard pedal nothing_up no_pressure rated above_rated nothing_ahead due due_since in now "
        "nothing_inside implants was nothing_given near reached below level_reached more ago entry replaced_by "
        "replaces withdrawn_by takes_back questioned old_since no_questions no_lacking correct disregard really "
        "affirm negative record sent not_sent read_only too_many too_long no_token level no_limit no_device times find card_end "
        "card_question example",
        "note": "across not_across up stuck ruptured off_its_balloon snared",
        "clock": "procedure act inflated door_to_device contact_to_device onset_to_device first_door_to_device",
        "total": "contrast act heparin air_kerma dose_area fluoroscopy",
        "limit": "contrast act heparin air_kerma dose_area fluoroscopy",
        "due": "act_due inflation_long antiplatelet_missing",
        "begin": "time_out access closure act flow contrast fluoroscopy air_kerma dose_area case_end "
        "symptom_onset first_contact arrival",
        "dialogue": "correct disregard option affirm negative",
        "enter": "title hint label button wrong busy",
    }.items()
}
"""Every word of the pages, by group."""

BLANKS: Mapping[str, str] = {
    **dict.fromkeys(("say.more", "say.entry", "say.replaced_by", "say.replaces"), "n"),
    **dict.fromkeys(("say.withdrawn_by", "say.takes_back"), "n"),
    **dict.fromkeys(("dialogue.correct", "dialogue.disregard", "dialogue.option"), "n"),
    **dict.fromkeys(("say.ago", "say.in", "say.due_since", "say.was", "say.old_since"), "time"),
    **dict.fromkeys(("say.rated", "say.above_rated"), "pressure"),
    "say.implants": "device",
    "say.times": "n",
    **{f"limit.{key}": "value" for key in KEYS["limit"]},
}
"""The blank that a word must have; the others have none."""

MAY_BE_EMPTY = ("hint", "begin")
"""Groups whose words may be empty: no hint, and nothing that a sentence could begin with."""


def fault_in(pages: Mapping[str, Mapping[str, str]]) -> str | None:
    """Return what is wrong with the words of the pages, as a sentence about the first fault; None if nothing.

    Parameters
    ----------
    pages : mapping
        Groups of words, as in the tables ``[pages.*]`` of a phrasebook.
    """
    if odd := pages.keys() - KEYS.keys():
        return f"[pages] has {', '.join(sorted(odd))}, which no page shows; there are {', '.join(KEYS)}"
    for group, keys in KEYS.items():
        there = pages.get(group, {})
        if lacking := [key for key in keys if key not in there]:
            return f"[pages.{group}] lacks {', '.join(lacking)}"
        if extra := [key for key in there if key not in keys]:
            return f"[pages.{group}] has {', '.join(extra)}, which no page shows"
        for key, text in there.items():
            if not text.strip() and group not in MAY_BE_EMPTY:
                return f"[pages.{group}] {key} is empty; the page needs a word there"
            wanted = BLANKS.get(f"{group}.{key}")
            if re.findall(r"\{(\w*)\}", text) != ([wanted] if wanted else []):
                need = f"needs {{{wanted}}} once" if wanted else "has no place for anything in braces"
                return f"[pages.{group}] {key} {need}"
    return None
