"""What can be wrong with a probe, in words."""

from __future__ import annotations

from typing import Final

(
    OPEN,
    SHORT,
    SILENT,
    LOOSE,
    STUCK,
    FALLEN,
    HOT_JUNCTION,
    FLOATING,
    DEAD,
    BELOW_AIR,
    IMPOSSIBLE,
) = range(1, 12)

WORDS: Final = {
    OPEN: "has lost contact (open): its wire or terminal has come loose.",
    SHORT: "is shorted or gives no usable signal.",
    SILENT: "has stopped sending readings, while others still do.",
    LOOSE: "has come loose: its reading jumps to and fro.",
    STUCK: "is stuck: it holds one value while the fire moves.",
    FALLEN: "has fallen out of the stack: it reads open air while its neighbours stay hot.",
    HOT_JUNCTION: "has a terminal block that is too hot: move it out of the heat.",
    FLOATING: "reads hot while nothing near it warms: its input is probably not connected.",
    DEAD: "stays cold while everything around it is hot: it isn't in its place, or its wire is shorted.",
    BELOW_AIR: "reads colder than the air beside the fire: its wires are swapped, or its cold junction off.",
    IMPOSSIBLE: "jumped further than any probe can: its wire or terminal has come loose.",
}
