"""The cold check's findings and report. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal

from logger.diagnosis.finding import in_a_line
from logger.words.said import Said

Level = Literal["pass", "warn", "fail"]
Key = tuple[str, str]
"""A rig and its channel."""

FIRE: Final = "fire"
"""The finding where a fire is burning: the cold check says so, and nothing about hot probes."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was checked."""

    level: Level
    # `channels`, `cold`, `fire`, `fault`, `noise`, `agreement`, `cold_junction`, `polarity`, `limits`,
    # `clock`, `frames`, …
    what: str
    where: str
    text: str  # what was found; a `Said` where there are temperatures in it
    mend: str = ""  # what to do; empty if nothing

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON, with the parts of sentences that have temperatures in them."""
        words = {"text": self.text, "mend": self.mend}
        parts = {f"{name}_parts": told.plain() for name, told in words.items() if isinstance(told, Said)}
        plain = {name: str(told) for name, told in words.items()}
        return {"level": self.level, "what": self.what, "where": self.where, **plain, **parts}


@dataclass(frozen=True, slots=True)
class Report:
    """What the cold check found."""

    findings: tuple[Finding, ...]

    @classmethod
    def of(cls, findings: Iterable[Finding]) -> Report:
        """Make a report, the worst findings first."""
        order = ("fail", "warn", "pass")
        return cls(tuple(sorted(findings, key=lambda f: order.index(f.level))))

    @property
    def fit(self) -> bool:
        """Whether nothing fails."""
        return all(f.level != "fail" for f in self.findings)

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON."""
        return {"fit": self.fit, "findings": [f.as_dict() for f in self.findings]}

    def text(self) -> str:
        """Return it in plain words, one finding per line, failures first."""
        marks = {"fail": "NOT FIT", "warn": "   look", "pass": "     ok", "limits": "   note"}
        lines = [in_a_line(marks.get(f.what, marks[f.level]), f.where, f.text, f.mend) for f in self.findings]
        if any(f.what == FIRE for f in self.findings):
            return "\n".join([*lines, "The cold check can't judge a rig while a fire is burning."])
        return "\n".join([*lines, "The rig is fit." if self.fit else "The rig is not fit yet."])
