"""One finding about a rig's lines, and how findings are printed, the cold check's included."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

Level = Literal["good", "check", "bad"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was found."""

    level: Level  # `check`: right as far as a line can show, but make sure it is meant
    about: str  # `line`, `crc`, `seq`, `clock`, `rate`, `channel k0`, …
    text: str  # what was found
    mend: str = ""  # what to do about it; empty if nothing


good = partial(Finding, "good")
check = partial(Finding, "check")
bad = partial(Finding, "bad")


def in_a_line(mark: str, where: str, text: str, mend: str) -> str:
    """Write a mark, the place and what was found, with what to do on the next line."""
    return f"{mark}  {where}: {text}" + (f"\n{' ' * len(mark)}  -> {mend}" if mend else "")
