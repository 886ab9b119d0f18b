"""What can be wrong with a probe, and the words for it."""

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
    SILENT: "gives no readings any more, while others do.",
    LOOSE: "jumps to and fro as a loose terminal does.",
    STUCK: "is stuck: it stands at one value while the fire moves.",
    FALLEN: "has dropped to the open air while its neighbours stay hot: it has fallen out of the stack.",
    HOT_JUNCTION: "has a terminal block that is too hot; move it out of the heat.",
    FLOATING: "is hot, and nothing near it warms: its input is probably not connected.",
    DEAD: "stays cold while what is around it is hot: it isn't in its place, or its wire is shorted.",
    BELOW_AIR: "reads colder than the air beside the fire: swapped wires, or a wrong cold junction.",
    IMPOSSIBLE: "jumped further than any probe can: its wire or terminal is loose.",
}
