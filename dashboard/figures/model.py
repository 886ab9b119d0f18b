"""What figures are drawn from: places in the stack, lines of readings, things that happened. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from dashboard.figures.look import Theme, Unit
from logger.reading import Floats
from logger.report.stack_map import downwards

Kind = Literal["note", "wood", "spot", "alarm", "good", "act"]


@dataclass(frozen=True, slots=True)
class Course:
    """What the pictures of one firing have in common."""

    target_c: float
    burnout_c: float
    zero_s: float = 0.0  # what counts as zero on the time axis: the lighting if `lit`, else the first reading
    lit: bool = False
    unit: Unit = "C"
    theme: Theme = "day"

    def minute(self, t_s: Any) -> Any:
        """Convert a moment, or an array of them, to minutes on the time axis."""
        return np.round((t_s - self.zero_s) / 60.0, 3).tolist()

    @property
    def axis(self) -> str:
        """Name the time axis."""
        return f"minutes since {'lighting' if self.lit else 'the first reading'}"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a probe is."""

    name: str
    number: int  # from 1, counted from the top of the stack down
    height_cm: float | None = None  # None if unknown. [cm]
    side: str = ""
    reads: str = "air"  # `coals`, `air`, `wall` or `surface`
    zone: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """What one probe read."""

    place: Place
    t_s: Floats  # array, shape (n,); ascending, from the first reading. [s]
    c: Floats  # array, shape (n,); NaN where there was no reading. [°C]


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened."""

    t_s: float
    kind: Kind  # `good`: good news, such as a target reached; `act`: what somebody did about an alarm
    text: str
    # when an alarm cleared; None if it never did, and for everything else. [s]
    until_s: float | None = None
    zone: str = ""  # where, if known
    height_cm: float | None = None  # [cm]


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the firing, and when it began."""

    name: str  # as it is shown: `Climb`
    from_s: float


@dataclass(frozen=True, slots=True)
class Band:
    """The estimated temperature of a zone's pots; not a measurement."""

    zone: str
    # t_s, c, low_c, high_c: array, shape (n,); [s], [°C]
    t_s: Floats
    c: Floats
    low_c: Floats
    high_c: Floats


def numbered(heights_cm: Sequence[float | None]) -> list[int]:
    """Number probes from 1, from the top of the stack down, those without a height last; order as given."""
    order = downwards(heights_cm)
    return [order.index(i) + 1 for i in range(len(order))]
