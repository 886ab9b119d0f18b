"""What is found right or wrong with a rig, by its lines or by the cold check. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Literal

from logger.words.said import Said

Level = Literal["pass", "warn", "fail"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was checked."""

    level: Level  # `warn`: right as far as can be told, but make sure that it is meant
    # `seq`, `clock`, `channel k0`, …; of the cold check: `channels`, `noise`, `polarity`, `limits`, …
    what: str
    where: str
    text: str  # what was found; a `Said` where there are temperatures in it
    mend: str = ""  # what to do about it; empty if nothing

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON, with the parts of sentences that have temperatures in them."""
        words = {"text": self.text, "mend": self.mend}
        parts = {f"{name}_parts": told.plain() for name, told in words.items() if isinstance(told, Said)}
        plain = {name: str(told) for name, told in words.items()}
        return {"level": self.level, "what": self.what, "where": self.where, **plain, **parts}


def _of_lines(level: Level, what: str, text: str, mend: str = "") -> Finding:
    return Finding(level, what, "", text, mend)


good, check, bad = partial(_of_lines, "pass"), partial(_of_lines, "warn"), partial(_of_lines, "fail")


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """Sort findings."""
    order = ("fail", "warn", "pass")
    return sorted(findings, key=lambda f: order.index(f.level))


def in_a_line(finding: Finding, place: str, marks: Mapping[str, str]) -> str:
    """Write a mark, the place and what was found, with what to do on the next line."""
    mark = marks.get(finding.what, marks[finding.level])
    mend = f"\n{' ' * len(mark)}  -> {finding.mend}" if finding.mend else ""
    return f"{mark}  {place}: {finding.text}{mend}"
