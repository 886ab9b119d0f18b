"""Short messages in the corner of the glass."""

from __future__ import annotations

import itertools
from typing import Any

_numbers = itertools.count(1)


def notice(text: str, *, bad: bool = False, stays_s: float = 8.0, more: Any = None) -> dict[str, Any]:
    """Make a message for `set_props("notes", {"sendNotifications": [...]})`.

    Parameters
    ----------
    text : str
    bad : bool, default False
        Whether something failed; then it stays until it is closed.
    stays_s : float, default 8
        [s]
    more : component, optional
        Below the text, such as a button.
    """
    message: Any = text if more is None else [text, more]
    return {
        "action": "show",
        "id": f"note-{next(_numbers)}",
        "message": message,
        "color": "red" if bad else "gray",
        "autoClose": False if bad else round(stays_s * 1000),
        "closeButtonProps": {"aria-label": "Close"},
    }
