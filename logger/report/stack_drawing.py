"""Draw the stack through time as a still picture: height up, time across, blank where no probe was near."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Final

import numpy as np
from markupsafe import Markup

from logger.journal.traces import Traces
from logger.reading import Floats
from logger.report.drawing import (
    FONT,
    HALO,
    RULE,
    SOFT,
    Scales,
    el,
    picture,
    stroke,
    times_of,
    words,
)
from logger.report.gather import Gathered
from logger.report.levels import means_in, within
from logger.report.shown import Shown
from logger.report.stack_map import HEAT, STEP_CM, downwards, heat, numbers_beside, rows_cm, spread
from logger.report.story import Entry

COLUMNS: Final = 220
SHADE_C: Final = 20.0
"""Temperatures are drawn in shades this far apart, to keep the file small [°C]."""
_TOP: Final = 8.0
_FOOT: Final = 26.0


def draw_stack(
    known: Gathered,
    traces: Traces,
    marks: Sequence[Entry],
    shown: Shown,
    width: float,
    height: float,
    *,
    on_paper: bool = True,
) -> Markup:
    """Draw the stack through time as an `svg` of its own; empty where no probe has a height.

    Readings that couldn't be trusted are left out. The time axis and the marks are those of the traces.
    Without `on_paper` it isn't printed.
    """
    heights = [column.probe.height_cm for column in traces.columns]
    if all(h is None for h in heights):
        return Markup("")
    times, end_s = times_of(known, traces)
    scales = Scales(width, height, end_s, 1.0)
    rows = rows_cm(heights)
    cells = spread(heights, _columns(known, traces, times, end_s), rows)
    bottom = height - _FOOT
    per_cm = (bottom - _TOP) / (rows[-1] - rows[0] + STEP_CM)

    def y(cm: float) -> float:
        return float(bottom - (cm - rows[0] + STEP_CM / 2) * per_cm)

    parts = [*_cells(scales, cells, rows, y), *_axes(scales, rows, y, bottom)]
    order = enumerate(downwards(heights), 1)
    probes = ((h, number) for number, i in order if (h := heights[i]) is not None)
    for h, numbers in numbers_beside(probes, FONT / per_cm):
        parts.append(words(numbers, scales.x(0.0) + 6.0, y(h) + 5.5, **HALO))
    for mark in marks:
        line = f"M{scales.x(mark.t_s):.1f} {_TOP:g}V{bottom:g}"
        parts.append(stroke(line, RULE, stroke_dasharray="1 5"))
    parts += _scale(scales, shown, bottom)
    label = "The stack through time: temperature by height, blank where no probe was near"
    return picture(width, height, label, parts, class_=None if on_paper else "beyond")


def _columns(known: Gathered, traces: Traces, times: Sequence[Floats], end_s: float) -> Floats:
    """Return each probe's mean in each column of the picture, shape (columns, probes)."""
    means = []
    for column, t_s, c in zip(traces.columns, times, traces.temperature_c, strict=True):
        good = np.isfinite(c) & ~within(t_s, known.distrusted.get(column.probe.name, ()))
        at = np.clip((t_s[good] / end_s * COLUMNS).astype(int), 0, COLUMNS - 1)
        means.append(means_in(at, c[good], COLUMNS))
    return np.column_stack(means)


def _cells(scales: Scales, cells: Floats, rows: Floats, y: Callable[[float], float]) -> Iterator[Markup]:
    """Draw one path for each shade: its runs of columns, row by row."""
    shades = np.where(np.isfinite(cells), np.round(np.nan_to_num(cells) / SHADE_C), -1).astype(int)
    paths: dict[int, list[str]] = {}
    wide = (scales.right - scales.x(0.0)) / COLUMNS
    tall = y(rows[0]) - y(rows[0] + STEP_CM) + 0.3  # overlapping, or seams would show in print
    for r, row in enumerate(rows):
        line = shades[:, r]
        starts = np.flatnonzero(np.diff(line, prepend=-2))
        for begin, end in zip(starts, [*starts[1:], COLUMNS], strict=True):
            if line[begin] >= 0:
                x, top = scales.x(0.0) + begin * wide, y(row + STEP_CM / 2)
                run = (end - begin) * wide + 0.3
                paths.setdefault(int(line[begin]), []).append(
                    f"M{x:.1f} {top:.1f}h{run:.1f}v{tall:.1f}h-{run:.1f}z"
                )
    for shade, parts in sorted(paths.items()):
        colour = heat(shade * SHADE_C)  # with an edge, or paper would show between two shades
        yield stroke("".join(parts), colour, 0.8, fill=colour)


def _axes(scales: Scales, rows: Floats, y: Callable[[float], float], bottom: float) -> Iterator[Markup]:
    left = scales.x(0.0)
    every = 20.0 if rows[-1] - rows[0] < 120 else 50.0
    for cm in np.arange(0.0, rows[-1] + 0.1, every):
        at = y(cm)
        yield stroke(f"M{left - 5:g} {at:.1f}h5")
        text = f"{cm:.0f} cm" if cm == 0 else f"{cm:.0f}"
        yield words(text, left - 8, at + 5.5, text_anchor="end")
    yield stroke(f"M{left:g} {_TOP:g}V{bottom:g}H{scales.right:g}", width=1.2, fill="none")


def _scale(scales: Scales, shown: Shown, bottom: float) -> Iterator[Markup]:
    """Draw the key to the colours."""
    x = scales.right + 30.0
    steps = [c for c, _ in HEAT][::-1]
    tall = (bottom - _TOP) / len(steps)
    for n, c in enumerate(steps):
        top = _TOP + n * tall
        yield el("rect", x=x, y=top, width=16, height=tall - 1, fill=heat(c))
        size = f"{min(FONT, tall + 2.0):.0f}"
        yield words(shown.degrees(c), x + 22, top + tall / 2 + 5, SOFT, font_size=size)
