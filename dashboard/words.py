"""How the page writes numbers and times: °C and seconds in, words in °C or °F out. Pure."""

from typing import Any, Final

from logger.reading import Status
from logger.words.events import alarm_name as alarm_name
from logger.words.events import capital as capital
from logger.words.said import Unit as Unit
from logger.words.said import in_degrees
from logger.words.said import reading as reading
from logger.words.said import span as span

FAULTS: Final = {
    Status.OK: "",
    Status.OPEN: "no contact",
    Status.SHORT_GROUND: "shorted to ground",
    Status.SHORT_SUPPLY: "shorted to supply",
    Status.RANGE: "out of range",
    Status.CORRUPT: "garbled",
    Status.NO_COLD_JUNCTION: "no cold junction",
    Status.ABSENT: "no data",
}
STEADY_C_MIN: Final = 0.5
"""Anything slower counts as steady; the page's arrows have always used this value. [°C/min]"""


def shown(temperature_c: Any, unit: Unit) -> Any:
    """Convert a temperature in °C, or an array of them, to the unit shown."""
    return temperature_c * 1.8 + 32.0 if unit == "F" else temperature_c


def degrees(temperature_c: float | None, unit: Unit) -> str:
    """Write a temperature in whole degrees, without the unit's letter; a dash for None."""
    return "–" if temperature_c is None else f"{in_degrees(temperature_c, unit)}°"


def difference(c: float, unit: Unit) -> str:
    """Write a difference between temperatures, given in °C."""
    return f"{c * (1.8 if unit == 'F' else 1.0):.0f}°".replace("-", "−")


def arrow(rate_c_min: float | None) -> str:
    """Return the arrow for a rate [°C/min], to be read from a distance."""
    if rate_c_min is None:
        return ""
    return "▬" if abs(rate_c_min) < STEADY_C_MIN else "▲" if rate_c_min > 0 else "▼"


def rate(rate_c_min: float | None, unit: Unit) -> str:
    """Write a rate of change, given in °C/min."""
    if rate_c_min is None:
        return "rate not known yet"
    value = rate_c_min * (1.8 if unit == "F" else 1.0)
    digits = 1 if abs(value) < 9.95 else 0
    return f"{'−' if value < 0 else '+'}{abs(value):.{digits}f} °{unit}/min"


def age(seconds: float) -> str:
    """Write how long ago something was [s]."""
    return "now" if seconds < 1.5 else f"{_past(seconds)} ago"


def old(seconds: float) -> str:
    """Write how old something is [s]."""
    return "just a moment old" if seconds < 1.5 else f"{_past(seconds)} old"


def _past(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def need(card: list[Any], firing: dict[str, Any], unit: Unit) -> str:
    """Say what a zone still needs, from its card (see `Watcher`)."""
    level, _, peak, _, soak, missing, how = card
    if how == "faulty" or level is None:
        return "No verdict: no probe here can be trusted"
    if not missing:
        return "Target and soak done"
    target, burnout = firing["target_c"], firing["burnout_c"]
    highest = max(peak or 0.0, level)  # a peak is recorded a minute late
    if highest < burnout < target:  # burn-out comes first
        return f"{difference(burnout - max(level, 0.0), unit)} to burn-out"
    short = difference(target - max(level, 0.0), unit)
    if highest < target:
        return f"{short} to target"
    left = f"{max(firing['soak_min'] - soak, 1):.0f} min of soak to go"
    return left if level >= target else f"{short} below target again; {left}"


def had(card: list[Any], firing: dict[str, Any], unit: Unit) -> list[str]:
    """Say what a zone has had so far."""
    level, _, peak, above, soak, _, how = card
    if how == "faulty":
        return []
    words = []
    if peak is not None and level is not None and peak > level + 15:
        words.append(f"peak {degrees(peak, unit)}")
    if above:
        words.append(f"{above} min above burn-out")
    if soak or (peak or 0.0) >= firing["target_c"]:
        words.append(f"soak {soak}/{firing['soak_min']:g} min")
    return words
