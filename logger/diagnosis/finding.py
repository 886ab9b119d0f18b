"""One thing that is so about a rig's lines; how such things are written in lines, the cold check's too."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Literal

Level = Literal["good", "check", "bad"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is so."""

    # 'good' | 'check' | 'bad'; `check`: right as far as a line can tell, but look whether it is meant so
    level: Level
    about: str  # `line`, `crc`, `seq`, `clock`, `rate`, `channel k0`, …
    text: str  # what is so
    mend: str = ""  # what to do about it; empty if nothing


good = partial(Finding, "good")
check = partial(Finding, "check")
bad = partial(Finding, "bad")


def in_a_line(mark: str, where: str, text: str, mend: str) -> str:
    """Write what was found where, behind its mark, and below it what to do."""
    return f"{mark}  {where}: {text}" + (f"\n{' ' * len(mark)}  -> {mend}" if mend else "")
