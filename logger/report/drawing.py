"""Draw a firing's traces as a still picture: a line for each probe, stages, limits, and what happened.

Pictures are SVG in which no name or note can ever be taken for markup.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
from markupsafe import Markup

from logger.journal.traces import Traces
from logger.reading import Floats
from logger.report.gather import Gathered
from logger.report.levels import within
from logger.report.shown import Shown, since
from logger.report.stack_map import downwards
from logger.report.story import Entry
from logger.words.looks import DASHES, DAY, STAGES, Dash, Ruler, rulers

LEFT, TOP, BOTTOM = 52.0, 50.0, 48.0
INK, SOFT, RULE, FAINT, BAND, ALARM = "#1c1410", "#4a3a30", "#6e5544", "#e2d5be", "#f3ead9", "#9c1400"
HALO: Final[dict[str, Any]] = {"paint_order": "stroke", "stroke": "#fdfaf3", "stroke_width": 3}
FACE: Final = "Charter, 'Bitstream Charter', 'DejaVu Serif', Georgia, serif"
FONT: Final = 16


@dataclass(frozen=True, slots=True)
class Scales:
    """Where times and temperatures fall on the picture."""

    width: float
    height: float
    end_s: float
    top_c: float

    @property
    def right(self) -> float:
        """Where the plot ends and the names of the lines begin."""
        return self.width - 206.0

    @property
    def bottom(self) -> float:
        """Where the time axis is."""
        return self.height - BOTTOM

    def x(self, t_s: float) -> float:
        """Return where a time is."""
        return LEFT + t_s / self.end_s * (self.right - LEFT)

    def y(self, temperature_c: float) -> float:
        """Return where a temperature is."""
        return self.bottom - max(0.0, temperature_c) / self.top_c * (self.bottom - TOP)


def order_of(traces: Traces) -> list[int]:
    """Order the probes' columns from the top of the stack down, those without a height last."""
    return downwards([column.probe.height_cm for column in traces.columns])


def times_of(known: Gathered, traces: Traces) -> tuple[list[Floats], float]:
    """Return the times of each trace, and where the time axis ends, from the first reading [s]."""
    times = [(t_us - known.info.started_us) / 1e6 for t_us in traces.t_us]
    return times, max([600.0, *(float(t[-1]) for t in times if len(t))])


def draw(
    known: Gathered, traces: Traces, marks: Sequence[Entry], shown: Shown, width: float, height: float
) -> Markup:
    """Draw the traces as an `svg` that needs no style sheet; a probe is pale while it couldn't be trusted.

    Text is 16 px high unless the picture is stretched.
    """
    plan, (times, end_s) = known.plan, times_of(known, traces)
    peaks = [float(np.nanmax(c)) for c in traces.temperature_c if np.isfinite(c).any()]
    peaks += [m.gun_c for m in marks if m.gun_c is not None]
    top_c = math.ceil(max([plan.target_c + 60.0, 700.0, *(p + 30.0 for p in peaks)]) / 50.0) * 50.0
    scales = Scales(width, height, end_s, top_c)
    lines = list(zip(times, traces.temperature_c, strict=True))
    parts = [
        *_stages(scales, known.rehearsal["stages"]),
        *_grid(scales, shown),
        *_rulers(scales, shown, rulers(target_c=plan.target_c, burnout_c=plan.burnout_c), lines),
    ]
    for i, (column, (t_s, c)) in enumerate(zip(traces.columns, lines, strict=True)):
        pale = within(t_s, known.distrusted.get(column.probe.name, ()))
        for here, thick, opacity in ((pale, 0.8, 0.35), (~pale, 1.7, None)):
            if path := _path(scales, t_s, np.where(here, c, np.nan)):
                look = {"fill": "none", "stroke_linejoin": "round", "opacity": opacity}
                parts.append(stroke(path, DAY[i % len(DAY)], thick, stroke_dasharray=_dash_of(i), **look))
    parts += [*_marks(scales, marks), *_names(scales, traces, times)]
    return picture(width, height, "Traces of temperature over time, one for each probe", parts)


def _stages(scales: Scales, stages: Sequence[dict[str, object]]) -> Iterator[Markup]:
    begins = [float(str(stage["from_s"])) for stage in stages]
    spans = pairwise([*begins, scales.end_s])
    for n, (stage, (begin, end)) in enumerate(zip(stages, spans, strict=True)):
        x, width = scales.x(begin), scales.x(end) - scales.x(begin)
        if n % 2 == 0:
            yield el("rect", x=x, y=TOP, width=max(0.0, width), height=scales.bottom - TOP, fill=BAND)
        name = STAGES.get(str(stage["stage"]), str(stage["stage"]))
        if width > 9.2 * len(name) + 8:
            yield words(name, x + 4, TOP - 24, SOFT, font_style="italic")


def _grid(scales: Scales, shown: Shown) -> Iterator[Markup]:
    step = 200 if shown.unit == "F" else 100
    bottom, right = scales.bottom, scales.right
    for degrees in range(0 if shown.unit == "C" else 200, int(shown.number(scales.top_c)) + 1, step):
        y = scales.y((degrees - 32) / 1.8 if shown.unit == "F" else degrees)
        yield stroke(f"M{LEFT:g} {y:.1f}H{right:g}", FAINT)
        yield words(str(degrees), LEFT - 7, y + 5.5, text_anchor="end")
    yield words(f"°{shown.unit}", LEFT - 7, TOP - 24, text_anchor="end", font_weight="bold")
    length_min = scales.end_s / 60.0
    most = (right - LEFT) / 62.0
    every = next((m for m in (5, 10, 15, 20, 30, 60, 120, 240) if length_min / m <= most), 480)
    for minutes in range(0, int(length_min) + 1, every):
        x = scales.x(minutes * 60.0)
        yield stroke(f"M{x:.1f} {bottom:g}v5")
        yield words(since(minutes * 60.0), x, bottom + 21, text_anchor="middle")
    yield stroke(f"M{LEFT:g} {TOP:g}V{bottom:g}H{right:g}", width=1.2, fill="none")
    axis = "hours : minutes since the first reading"
    yield words(axis, (LEFT + right) / 2, scales.height - 6, SOFT, text_anchor="middle")


def _rulers(
    scales: Scales, shown: Shown, limits: Sequence[Ruler], lines: Sequence[tuple[Floats, Floats]]
) -> Iterator[Markup]:
    """Draw limits with their names, at whichever end fewer of the lines (t_s, °C) run through them."""
    taken: list[float] = []
    wide_s = 0.25 * scales.end_s
    lowest, highest = (pick(limit.temperature_c for limit in limits) for pick in (min, max))
    crossed = [
        sum(
            bool(((c > lowest - 40.0) & (c < highest + 40.0) & (t_s >= at) & (t_s <= at + wide_s)).any())
            for t_s, c in lines
        )
        for at in (0.0, scales.end_s - wide_s)
    ]
    place, anchor = (LEFT + 5, None) if crossed[0] <= crossed[1] else (scales.right - 5, "end")
    for name, temperature_c, dash, width in limits:
        y = scales.y(temperature_c)
        yield stroke(f"M{LEFT:g} {y:.1f}H{scales.right:g}", RULE, width, stroke_dasharray=_dashed(dash))
        label = f"{name} {shown.degrees(temperature_c, unit=False)}"
        # Above its line or below, whichever is clear of the other names; otherwise it gets none.
        at = next((w for w in (y - 5, y + 16) if all(abs(w - other) >= FONT for other in taken)), None)
        if at is not None:
            taken.append(at)
            yield words(label, place, at, SOFT, text_anchor=anchor, **HALO)


def _dashed(dash: Dash) -> str | None:
    return " ".join(map(str, dash)) or None


def _dash_of(i: int) -> str | None:
    return _dashed(DASHES[i % len(DASHES)])


def _path(scales: Scales, t_s: Floats, temperature_c: Floats) -> str:
    parts, pen = [], "M"
    for t, c in zip(t_s.tolist(), temperature_c.tolist(), strict=True):
        if c == c:
            parts.append(f"{pen}{scales.x(t):.1f} {scales.y(c):.1f}")
        pen = "L" if c == c else "M"
    return "".join(parts)


def _marks(scales: Scales, marks: Sequence[Entry]) -> Iterator[Markup]:
    free = -math.inf
    for mark in sorted(marks, key=lambda m: m.t_s):
        x = min(max(scales.x(mark.t_s), LEFT), scales.right)
        colour = ALARM if mark.kind == "alarm" else RULE
        if mark.gun_c is not None:
            y = scales.y(mark.gun_c)
            yield stroke(f"M{x:.1f} {y - 6:.1f}l6 6l-6 6l-6 -6z", width=1.6, fill="#fff")
            yield words(str(mark.number), x + 5, y - 4, **HALO)
            continue
        yield stroke(f"M{x:.1f} {TOP:g}V{scales.bottom:g}", colour, stroke_dasharray="1 4")
        text = str(mark.number)
        if x >= free:  # the numbers are in one row: without room, only the stroke is drawn
            weight = "bold" if mark.kind == "alarm" else None
            yield words(text, x, TOP - 6, colour, text_anchor="middle", font_weight=weight)
            free = x + 9.5 * len(text) + 5.0


def _names(scales: Scales, traces: Traces, times: Sequence[Floats]) -> Iterator[Markup]:
    """Write numbers and names at the ends of the lines, a line's height apart."""
    wanted: list[tuple[float, float, int, int]] = []
    for number, i in enumerate(order_of(traces), 1):
        known = np.flatnonzero(np.isfinite(traces.temperature_c[i]))
        if len(known):
            last = known[-1]
            c = float(traces.temperature_c[i][last])
            wanted.append((scales.y(c), scales.x(float(times[i][last])), number, i))
    wanted.sort()
    apart = min(19.0, (scales.bottom - TOP + 10) / max(1, len(wanted)))
    at = [y for y, *_ in wanted]
    for k in range(1, len(at)):
        at[k] = max(at[k], at[k - 1] + apart)
    for k in range(len(at) - 1, -1, -1):
        at[k] = min(at[k], scales.bottom - apart * (len(at) - 1 - k))
    right = scales.right
    for (y, x, number, i), label in zip(wanted, at, strict=True):
        name = traces.columns[i].probe.name
        ended = right - x > 30.0
        short = name if len(name) <= 16 else name[:15] + "…"
        colour = DAY[i % len(DAY)]
        fading = {"stroke_dasharray": "1 5", "opacity": 0.5} if ended else {}
        yield stroke(f"M{x:.1f} {y:.1f}L{right + 8:g} {label:.1f}", colour, 0.7, **fading)
        sample = f"M{right + 9:g} {label:.1f}h22"
        yield stroke(sample, colour, 2.2, stroke_dasharray=_dash_of(i))
        yield words(f"{number} {short}", right + 35, label + 5.5, colour, font_weight="bold")


def el(tag: str, inside: str = "", /, **attributes: object) -> Markup:
    """Make an element; what is inside is escaped unless it is markup already.

    `class_` stands for `class`, other underscores in attribute names for hyphens; None is left out.
    """
    given = Markup().join(
        Markup(' {}="{}"').format(name.rstrip("_").replace("_", "-"), _written(value))
        for name, value in attributes.items()
        if value is not None
    )
    return Markup("<{0}{1}>{2}</{0}>").format(tag, given, plain(inside))


def picture(width: float, height: float, label: str, parts: Iterable[Markup], **more: object) -> Markup:
    """Put a picture together, with a label for screen readers."""
    return el(
        "svg",
        Markup().join(parts),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {width:g} {height:g}",
        role="img",
        font_family=FACE,
        font_size=FONT,
        aria_label=label,
        **more,
    )


def stroke(d: str, colour: str = INK, width: float = 1, **more: object) -> Markup:
    """Draw a line along a path."""
    return el("path", d=d, stroke=colour, stroke_width=width, **more)


def words(text: str, x: float, y: float, colour: str = INK, **more: object) -> Markup:
    """Write on a picture."""
    return el("text", text, x=x, y=y, fill=colour, **more)


def plain(text: str) -> str:
    """Remove what neither HTML nor XML may contain: control characters, and halves of surrogate pairs."""
    if isinstance(text, Markup):
        return text
    return "".join(c for c in text if c == "\n" or (c.isprintable() and not "\ud800" <= c <= "\udfff"))


def _written(value: object) -> str:
    return f"{round(value, 2):g}" if isinstance(value, float) else plain(str(value))
