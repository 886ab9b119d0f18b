"""Short messages in the corner of the glass."""

from __future__ import annotations

import itertools
from typing import Final

from dash import set_props

STAYS_S: Final = 8.0

_numbers = itertools.count(1)


def notice(text: str, *, bad: bool = False) -> None:
    """Show a message from within a callback; what failed stays until it is closed."""
    shown = {
        "action": "show",
        "id": f"note-{next(_numbers)}",
        "message": text,
        "color": "red" if bad else "gray",
        "autoClose": False if bad else round(STAYS_S * 1000),
        "closeButtonProps": {"aria-label": "Close"},
    }
    set_props("notes", {"sendNotifications": [shown]})
