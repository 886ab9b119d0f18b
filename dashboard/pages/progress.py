"""How far work has come that somebody waits for: what the callbacks of `parts.progress.working` return."""

from __future__ import annotations

import asyncio
from typing import Final

from dash import Output

from dashboard.gathering import Work

Shown = tuple[str, str, bool, bool]
"""Share, words, whether the bar is hidden, whether nobody asks again."""
NOTHING: Final[Shown] = ("0", "", True, True)


def shown(prefix: str, *, again: bool = False) -> list[Output]:
    """List the outputs that `Shown` fills; `again` where another callback has them too."""
    parts = (("progress", "value"), ("said", "children"), ("working", "hidden"), ("poll", "disabled"))
    return [Output(f"{prefix}-{part}", name, allow_duplicate=again) for part, name in parts]


def stopped(prefix: str) -> list[Output]:
    """List the outputs of what stops it: whether nobody asks, whether the bar is hidden, and words."""
    parts = (("poll", "disabled"), ("working", "hidden"), ("said", "children"))
    return [Output(f"{prefix}-{part}", name, allow_duplicate=True) for part, name in parts]


async def so_far(work: Work, words: str = "Working it out") -> Shown | None:
    """Wait a moment for work, and say how far it has come; None where it is over."""
    await asyncio.wait([work.task], timeout=0.3)
    return None if work.done else (f"{work.share:.2f}", f"{words}: {work.share:.0%}", False, False)


def over(words: str = "") -> Shown:
    """Say what came of it."""
    return ("1", words, True, True)


def failed(words: str) -> Shown:
    """Say why nothing came of it."""
    return ("0", words, True, True)
