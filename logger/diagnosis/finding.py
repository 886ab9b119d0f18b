"""One thing that is so about a rig's lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["good", "check", "bad"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is so.

    Attributes
    ----------
    level : {'good', 'check', 'bad'}
        `check`: right as far as a line can tell, but look whether it is meant so.
    about : str
        `line`, `crc`, `seq`, `clock`, `rate`, `channel k0`, …
    text : str
        What is so.
    mend : str
        What to do about it; empty if nothing.
    """

    level: Level
    about: str
    text: str
    mend: str = ""
