"""Sentences with temperatures in them, written in either unit from their values, never from their text."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal, NamedTuple

Unit = Literal["C", "F"]
_SCALE: Final[dict[str, float]] = {"C": 1.0, "F": 1.8}


def reading(temperature_c: float | None, unit: Unit) -> str:
    """Write a temperature [°C] in whole degrees of a unit; a dash if there is none."""
    return "–" if temperature_c is None else f"{in_degrees(temperature_c, unit)} °{unit}"


def in_degrees(temperature_c: float, unit: Unit) -> str:
    """Write only the number, with a true minus sign."""
    return f"{temperature_c * _SCALE[unit] + (32.0 if unit == 'F' else 0.0):z.0f}".replace("-", "−")


def span(s: float) -> str:
    """Write a length of time in whole minutes, with hours if it is that long."""
    whole = max(0, round(s / 60.0))
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d} min"


class Degrees(NamedTuple):
    """A temperature in a sentence, or a difference between two."""

    # `at`; `from`: without its unit (`842 → 771 °C`); `by`: a difference or a rate
    kind: str
    value: float  # [°C]
    form: str = ".0f"  # as `format` takes it


class Said(str):
    """A sentence in °C that knows its values."""

    parts: tuple[str | Degrees, ...]  # words, and `Degrees` between them

    __slots__ = ("parts",)

    def plain(self) -> list[Any]:
        """Its parts as JSON would hold them: the same before and after a restart."""
        return [part if isinstance(part, str) else list(part) for part in self.parts]


def said(words: str, *values: str | Degrees) -> Said:
    """Make a sentence from words with `{}` where the values go.

    >>> told = said("{} is at {}.", "upper", Degrees("at", 100.0))
    >>> told, in_unit(told.parts, "F")
    ('upper is at 100 °C.', 'upper is at 212 °F.')
    """
    pieces = words.split("{}")
    parts = [part for pair in zip(pieces, (*values, ""), strict=True) for part in pair if part != ""]
    made = Said(in_unit(parts, "C"))
    made.parts = tuple(parts)
    return made


def told(data: Mapping[str, Any], what: str, unit: Unit) -> str:
    """Write an alarm's `message` or `advice` from its values; older journals have only words, in °C."""
    parts = data.get("parts" if what == "message" else f"{what}_parts")
    with contextlib.suppress(TypeError, ValueError, KeyError):
        if parts:
            return in_unit(parts, unit)
    return str(data.get(what) or "").strip()


def in_unit(parts: Sequence[Any], unit: Unit) -> str:
    """Write a sentence in a unit; its parts are words and `Degrees`, or lists made of them by JSON."""
    return "".join(part if isinstance(part, str) else _written(Degrees(*part), unit) for part in parts)


def _written(degrees: Degrees, unit: Unit) -> str:
    offset = 32.0 if unit == "F" and degrees.kind != "by" else 0.0
    number = format(degrees.value * _SCALE[unit] + offset, degrees.form)
    return number if degrees.kind == "from" else f"{number} °{unit}"
