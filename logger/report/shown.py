"""How a report writes numbers and times: in °C or °F, in a named time zone."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

from logger.errors import UserError
from logger.report.facts import Fact
from logger.words.said import Unit, reading

MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True)
class Shown:
    """How numbers and times are written."""

    unit: Unit
    zone: tzinfo
    zone_name: str

    def number(self, temperature_c: float) -> float:
        """Convert a temperature to the unit shown."""
        return temperature_c * 1.8 + 32.0 if self.unit == "F" else temperature_c

    def degrees(self, temperature_c: float | None, *, unit: bool = True) -> str:
        """Write a temperature; a dash where there is none."""
        written = reading(temperature_c, self.unit)
        return written if unit else written.partition(" ")[0]

    def fact(self, fact: Fact) -> str:
        """Write a fact's value with its unit; a dash where it has none."""
        value = fact.value
        if value is None:
            return "–"
        scale = 1.8 if self.unit == "F" else 1.0
        match fact.unit:
            case "°C":
                return self.degrees(value)
            case "Δ°C":
                return f"{value * scale:.0f} °{self.unit}"
            case "°C/min":
                return f"{value * scale:z.1f} °{self.unit}/min".replace("-", MINUS)
            case "min":
                return minutes(60.0 * value)
            case "count":
                return f"{value:.0f}"

    def told(self, fact: Fact) -> str:
        """Write a fact's value, when that was, and what else there is to say."""
        at = f" at {since(fact.at_s)}" if fact.at_s is not None else ""
        words = f" ({fact.words})" if fact.words and fact.key != "lit_min" else ""
        return f"{self.fact(fact)}{at}{words}"

    def label(self, fact: Fact) -> str:
        """Write a fact's label."""
        return fact.label.format(*(self.degrees(limit) for limit in fact.limits_c))

    def moment(self, t_us: int) -> str:
        """Write the day and time in the time zone, without naming it."""
        return f"{datetime.fromtimestamp(t_us / 1e6, self.zone):%-d %B %Y, %H:%M}"


def minutes(s: float) -> str:
    """Write a duration in minutes, a short one to a tenth."""
    value = s / 60.0
    return f"{value:.1f} min" if 0 < abs(value) < 9.95 else f"{value:.0f} min"


def since(t_s: float | None) -> str:
    """Write a time since the first reading: `0:41` for 41 minutes; a dash where there is none."""
    if t_s is None:
        return "–"
    minutes = int(t_s // 60)
    return f"{minutes // 60}:{minutes % 60:02}"


def shown(unit: str = "C", zone: str = "") -> Shown:
    """Choose how numbers and times are written; by default in this machine's time zone."""
    name = zone or _own_zone()
    chosen: Unit = "F" if unit.upper() == "F" else "C"
    if not name:
        offset = datetime.now(UTC).astimezone().tzinfo
        assert offset is not None
        return Shown(chosen, offset, f"UTC{datetime.now(offset):%z}")
    try:
        return Shown(chosen, ZoneInfo(name), name)
    except (KeyError, OSError, ValueError) as exc:
        text = f"{name}: no such time zone here; give one such as Europe/Vienna or UTC"
        raise UserError(text, "zone") from exc


def _own_zone() -> str:
    """Return the name of this machine's time zone; empty where only the offset is known."""
    named = os.environ.get("TZ", "").removeprefix(":") or str(Path("/etc/localtime").resolve())
    found = re.search(r"(?:^|zoneinfo/)((?:[A-Z][A-Za-z0-9_+-]*/)*[A-Z][A-Za-z0-9_+-]*)$", named)
    return found[1] if found else ""
