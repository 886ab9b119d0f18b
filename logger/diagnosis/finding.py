"""One thing that is so about a rig's lines."""

from __future__ import annotations

from dataclasses import dataclass
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
