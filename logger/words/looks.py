"""How a firing's lines look and what its stages and notes are called, the same on page and report."""

from __future__ import annotations

from typing import Final, NamedTuple

Dash = tuple[int, ...]
"""Alternating lengths of stroke and gap [px]; empty: an unbroken line."""

DAY: Final = ("#0b4f8a", "#8a2c02", "#005c45", "#75286a", "#704a00", "#1d1815", "#075865", "#981a57")
NIGHT: Final = ("#7cc0ff", "#ff9a5c", "#5fd6a8", "#e39ad6", "#f0c75e", "#f3ead9", "#6fd3e0", "#ff8fb5")
"""Contrast at least 7 : 1 on its background, to be read in the sun and in the dark."""
DASHES: Final[tuple[Dash, ...]] = ((), (9, 4), (3, 4), (14, 4, 3, 4), (6, 8))
"""Number, dashes and colour distinguish lines; 8 colours and 5 dashes make 40 pairs."""


class Ruler(NamedTuple):
    """A temperature drawn as a line across the traces."""

    name: str
    temperature_c: float
    dash: Dash
    width: float


QUARTZ_C: Final = 573.0
"""Quartz inverts: harmless going up, a crack coming down too fast."""
ABOVE_C: Final = (500.0, 600.0, 700.0, 800.0)
"""Time above each of these is counted for every zone and compared. [°C]"""


def rulers(*, target_c: float | None = None, burnout_c: float | None = None) -> tuple[Ruler, ...]:
    """Choose the temperatures [°C] drawn across a firing's traces, most important names first.

    Quartz inversion is always among them.
    """
    wanted = (
        ("target", target_c, (), 2.0),
        ("burn-out", burnout_c, (8, 5), 1.4),
        ("quartz", QUARTZ_C, (2, 4), 1.4),
    )
    return tuple(Ruler(name, c, dash, width) for name, c, dash, width in wanted if c is not None)


STAGES: Final = {
    "drying": "Drying",
    "climb": "Climb",
    "peak": "Peak",
    "burn_down": "Burn-down",
    "cooling": "Cooling",
}
"""Names by the judgement's and the journal's word."""
READS: Final = {"coals": "coals", "air": "air", "wall": "wall", "surface": "infrared"}
"""What a probe reads, by the plan's word."""
NOTES: Final = {
    "wood": "Wood",
    "raked": "Coals raked",
    "uncovered": "Uncovered",
    "smothered": "Smothered",
    "gust": "Gust",
    "rain": "Rain",
    "lit": "Lit",
}
"""By the journal's kind; `text` is a note in somebody's own words."""
