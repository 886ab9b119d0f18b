"""A firing at a glance: a small picture that is just an address, so that a list may hold many. Pure."""

from collections.abc import Sequence
from itertools import groupby
from typing import Final
from urllib.parse import quote

WIDTH, HEIGHT = 160, 44
TOP_C: Final = 1000.0
"""Every picture in a list has the same temperature scale. [°C]"""


def spark(
    low_c: Sequence[float | None], high_c: Sequence[float | None], target_c: float, *, night: bool = False
) -> str:
    """Draw the range between a firing's coldest and hottest place, as a `data:` address of an SVG picture.

    Temperatures [°C] are at even steps of time; None leaves a gap.
    """
    ink, rule = ("#ff9a5c", "#a58a6f") if night else ("#8a2c02", "#6e5544")
    step = WIDTH / max(1, len(low_c))
    parts = []
    read = [low is not None and high is not None for low, high in zip(low_c, high_c, strict=True)]
    for there, stretch in groupby(range(len(read)), key=read.__getitem__):
        if there:
            steps = list(stretch)
            top = [f"{(n + 0.5) * step:.1f},{_y(high_c[n]):.1f}" for n in steps]
            bottom = [f"{(n + 0.5) * step:.1f},{_y(low_c[n]):.1f}" for n in reversed(steps)]
            parts.append(f"M{' L'.join([*top, *bottom])} Z")
    drawn = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none">'
        "<style>path{vector-effect:non-scaling-stroke;stroke-width:2px}</style>"
        f'<path d="M0 {_y(target_c):.1f}H{WIDTH}" stroke="{rule}" stroke-dasharray="6 6"/>'
        f'<path d="{"".join(parts)}" fill="{ink}" fill-opacity=".45" stroke="{ink}"/></svg>'
    )
    return f"data:image/svg+xml,{quote(drawn)}"


def _y(c: float | None) -> float:
    return HEIGHT - 2 - min(max(c or 0.0, 0.0), TOP_C) / TOP_C * (HEIGHT - 4)
