"""One firing as one HTML file: opens without a network, runs no script, prints on two A4 pages.

The layout is in `report.html`, a Jinja template; what it says is worked out here.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.exchange.export import whole_file
from logger.plan import Plan
from logger.report.describe import described
from logger.report.drawing import draw, order_of, plain
from logger.report.facts import Fact
from logger.report.gather import Gathered, gather
from logger.report.photos import photos_of
from logger.report.shown import Shown, minutes, since
from logger.report.stack_drawing import draw_stack
from logger.report.stack_map import REACH_CM
from logger.report.story import Entry, story, verdicts
from logger.words.looks import READS
from logger.words.said import in_unit, span

if TYPE_CHECKING:
    from jinja2 import Template
    from markupsafe import Markup

    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo
    from logger.journal.traces import Traces

WIDTH, HEIGHT, LEAST_HEIGHT, STACK_HEIGHT = 1000.0, 520.0, 300.0, 190.0
POINTS: Final = 900
"""Points per line: more than can be told apart on paper."""
# Sizes on paper, as the style sheet prints them. [mm]
_PAGE_MM: Final = 274.0
_LINE_MM: Final = 3.9
_SMALL_LINE_MM: Final = 3.4
_UNITS_A_MM: Final = WIDTH / 184.0


def export_html(reader: JournalReader, firing: str, out: Path, shown: Shown) -> int:
    """Write a firing's report to a file, and return its size [bytes]."""
    info = reader.firing(firing)
    photos = [path.read_bytes() for path in photos_of(reader.path.parent, info.id)]
    text = document(gather(reader, info), reader.history(info.id, POINTS), shown, photos).encode()
    with whole_file(out) as file:
        file.write(text)
    return len(text)


def document(known: Gathered, traces: Traces, shown: Shown, photos: Sequence[bytes] = ()) -> str:
    """Render a firing's report, with JPEG photos embedded."""
    entries = story(known, shown)
    fired, came = (
        [(field.label, text) for field, text in described(known.info.facts) if field.after is after]
        for after in (False, True)
    )
    drawing, stack = _pictures(known, traces, entries, fired, shown)
    return _template().render(
        known=known,
        info=known.info,
        plan=known.plan,
        shown=shown,
        since=since,
        lit=_lit(known, shown),
        placed=any(probe.height_cm is not None for probe in known.plan.probes),
        reads=READS,
        reach_cm=REACH_CM,
        when=_when(known.info, shown),
        fired=fired,
        came=came,
        probes=[traces.columns[i].probe for i in order_of(traces)],
        alarms=_alarm_settings(known.plan),
        traces=drawing,
        stack=stack,
        zones=verdicts(known, shown),
        entries=entries,
        hidden=_beyond(entries, came),
        of_load=[
            (shown.label(fact), shown.told(fact))
            for fact in known.facts
            if fact.zone is None and fact.value is not None and fact.key not in ("notes", "spots")
        ],
        compared=_in_order(known),
        of_zones=_of_zones(known, shown),
        of_pots=any(fact.key == "pots_peak_c" for fact in known.facts),
        photos=[base64.b64encode(photo).decode() for photo in photos],
    )


@cache
def _template() -> Template:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    env = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: plain(value) if type(value) is str else value,
    )
    return env.get_template("report.html")


def _when(info: FiringInfo, shown: Shown) -> str:
    length = span(info.length_s)
    if not info.time_known:
        return f"Date and time unknown; {length} recorded"
    return f"First reading {shown.moment(info.started_us)} ({shown.zone_name}); {length} recorded"


def _lit(known: Gathered, shown: Shown) -> str:
    if not known.lit.found:
        return "The readings don't show when it was lit."
    how = in_unit(known.lit.how.parts, shown.unit)
    return f"Lit {minutes(known.lit.t_s)} after the first reading, going by the probes ({how})."


def _alarm_settings(plan: Plan) -> str:
    found = []
    for rule, changed in plan.changed_alarms().items():
        words = ("off" if name == "enabled" else f"{name} {value:g}" for name, value in changed.items())
        found.append(f"{rule} {', '.join(words)}")
    return "; ".join(found)


def _pictures(
    known: Gathered, traces: Traces, entries: Sequence[Entry], fired: Sequence[tuple[str, str]], shown: Shown
) -> tuple[Markup, Markup]:
    """Draw the traces and the stack through time, the latter on paper only if the first page has room."""
    marks = [entry for entry in entries if entry.kind != "good"]
    lines = max(_lines_of((text for _, text in fired), 32), 4 + len(known.plan.probes))
    room_mm = _PAGE_MM - 62.0 - _LINE_MM * lines - 4.5 * len(known.levels.zones)
    both = (room := room_mm * _UNITS_A_MM) >= LEAST_HEIGHT + STACK_HEIGHT
    height = min(HEIGHT, max(LEAST_HEIGHT, room - STACK_HEIGHT * both))
    return (
        draw(known, traces, marks, shown, WIDTH, height),
        draw_stack(known, traces, marks, shown, WIDTH, STACK_HEIGHT, on_paper=both),
    )


def _beyond(entries: Sequence[Entry], came: Sequence[tuple[str, str]]) -> set[int]:
    """Find the entries with no room on paper: good news goes first, then alarms, then what people wrote."""
    lines = _lines_of((text for _, text in came), 90)
    used_mm = 158.0 + (8.0 + (_LINE_MM + 0.5) * lines if came else 0.0)
    room = 3 * max(8, int((_PAGE_MM - used_mm) / _SMALL_LINE_MM))
    hidden: set[int] = set()
    rank = {"note": 0, "spot": 0, "alarm": 1, "good": 2}
    for n in sorted(range(len(entries)), key=lambda n: (rank[entries[n].kind], n)):
        room -= _lines_of([entries[n].text], 26)
        if room < 0:
            hidden.add(n)
    return hidden


def _lines_of(texts: Iterable[str], letters: int) -> int:
    """Count the lines that texts take, at so many letters to a line."""
    return sum(1 + len(line) // letters for text in texts for line in text.split("\n"))


def _of_zones(known: Gathered, shown: Shown) -> list[tuple[str, list[str]]]:
    """Make the rows that compare zones: a label, and a cell for each zone."""
    by_key = {(fact.key, fact.zone): fact for fact in known.facts}
    rows = []
    for key in dict.fromkeys(fact.key for fact in known.facts if fact.zone is not None):
        facts = [by_key[key, zone] for zone in _in_order(known)]
        if key in ("soak_min", "above_burnout_min") or all(fact.value is None for fact in facts):
            continue  # shown with the verdicts, or empty
        label = shown.label(facts[0]) + (" *" if facts[0].basis == "estimated" else "")
        rows.append((label, [_cell(fact, shown) for fact in facts]))
    return rows


def _in_order(known: Gathered) -> list[str]:
    """List the zones, those with only coals last, as in the verdicts."""
    zones = zip(known.levels.pots, known.levels.zones, strict=True)
    return [zone for _, zone in sorted(zones, key=lambda each: not each[0])]


def _cell(fact: Fact, shown: Shown) -> str:
    if fact.low is not None and fact.high is not None:
        return f"{shown.degrees(fact.low, unit=False)}–{shown.degrees(fact.high)}"
    return shown.fact(fact)
