"""What can be wrong with a probe, in words."""

from __future__ import annotations

from enum import IntEnum
from typing import Final


class Fault(IntEnum):
    """Kinds of fault; 0 is none."""

    OPEN = 1
    SHORT = 2
    SILENT = 3
    LOOSE = 4
    STUCK = 5
    FALLEN = 6
    HOT_JUNCTION = 7
    FLOATING = 8
    DEAD = 9
    BELOW_AIR = 10
    IMPOSSIBLE = 11


WORDS: Final = {
    Fault.OPEN: "has lost contact (open): its wire or terminal has come loose.",
    Fault.SHORT: "is shorted or gives no usable signal.",
    Fault.SILENT: "has stopped sending readings, while others still do.",
    Fault.LOOSE: "has come loose: its reading jumps to and fro.",
    Fault.STUCK: "is stuck: it holds one value while the fire moves.",
    Fault.FALLEN: "has fallen out of the stack: it reads open air while its neighbours stay hot.",
    Fault.HOT_JUNCTION: "has a terminal block that is too hot: move it out of the heat.",
    Fault.FLOATING: "reads hot while nothing near it warms: its input is probably not connected.",
    Fault.DEAD: (
        "stays cold while everything around it is hot: it isn't in its place, or its wire is shorted."
    ),
    Fault.BELOW_AIR: (
        "reads colder than the air beside the fire: its wires are swapped, or its cold junction off."
    ),
    Fault.IMPOSSIBLE: "jumped further than any probe can: its wire or terminal has come loose.",
}
