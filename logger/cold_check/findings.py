"""The cold check's report. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from logger.diagnosis.finding import Finding, in_a_line, worst_first

Key = tuple[str, str]
"""A rig and its channel."""

FIRE: Final = "fire"
"""The finding where a fire is burning: the cold check says so, and nothing about hot probes."""
_MARKS: Final = {"fail": "NOT FIT", "warn": "   look", "pass": "     ok", "limits": "   note"}


@dataclass(frozen=True, slots=True)
class Report:
    """What the cold check found."""

    findings: list[Finding]

    @property
    def fit(self) -> bool:
        """Whether nothing fails."""
        return all(f.level != "fail" for f in self.findings)

    def as_dict(self) -> dict[str, Any]:
        """Return it as JSON, the worst findings first."""
        return {"fit": self.fit, "findings": [f.as_dict() for f in worst_first(self.findings)]}

    def text(self) -> str:
        """Return it in plain words, one finding per line, failures first."""
        lines = [in_a_line(f, f.where, _MARKS) for f in worst_first(self.findings)]
        if any(f.what == FIRE for f in self.findings):
            return "\n".join([*lines, "The cold check can't judge a rig while a fire is burning."])
        return "\n".join([*lines, "The rig is fit." if self.fit else "The rig is not fit yet."])
