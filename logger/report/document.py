"""One firing as one HTML file: opens without a network, runs no script, prints on two A4 pages."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from logger.exchange.export import whole_file
from logger.plan import Plan, default_alarms
from logger.report.describe import described
from logger.report.drawing import draw, order_of
from logger.report.facts import Fact
from logger.report.gather import Gathered, gather
from logger.report.markup import Element, add, el, html, svg
from logger.report.photos import photos_of
from logger.report.shown import Shown, since
from logger.report.stack_drawing import draw_stack
from logger.report.stack_map import REACH_CM
from logger.report.story import Entry, story, verdict
from logger.report.style import STYLE
from logger.words.looks import READS

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.traces import Traces

WIDTH, HEIGHT, LEAST_HEIGHT, STACK_HEIGHT = 1000.0, 520.0, 300.0, 190.0
POINTS: Final = 900
"""Points a line: more than a printer's page shows apart."""
# What finds room on paper, by the style sheet's sizes in print. [mm]
_PAGE_MM: Final = 274.0
_LINE_MM: Final = 3.9
_SMALL_LINE_MM: Final = 3.4
_UNITS_A_MM: Final = WIDTH / 184.0

CAUTIONS: Final = (
    "A number here is one probe at one place, not the pots themselves.",
    "Stokewatch can fail: it is never the only watch on a fire.",
    "Check burn bans, permits and local fire codes; follow whoever is in charge of fire where you are.",
    "Outdoors only; water, earth and a shovel at hand; coals stay hot under ash for a day.",
    "Low-fired ware is not for food unless it has been tested.",
)
_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
)


def export_html(reader: JournalReader, firing: str, out: Path, shown: Shown) -> int:
    """Write a firing's report; give its size. [bytes]."""
    info = reader.firing(firing)
    photos = [path.read_bytes() for path in photos_of(reader.path.parent, info.id)]
    text = document(gather(reader, info), reader.history(info.id, POINTS), shown, photos).encode()
    with whole_file(out) as file:
        file.write(text)
    return len(text)


def picture(known: Gathered, traces: Traces, shown: Shown, width: float, height: float) -> str:
    """Draw a firing's traces as an SVG file; width and height in px."""
    return svg(_drawing(known, traces, story(known, shown), shown, width, height))


def document(known: Gathered, traces: Traces, shown: Shown, photos: Sequence[bytes] = ()) -> str:
    """Write a firing's report; JPEG photos go into the file."""
    entries = story(known, shown)
    info = known.info
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=_POLICY),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("title", f"{info.title}: report of a firing"),
        el("style", STYLE),
    )
    first = el(
        "section",
        _top(known, shown),
        el("div", _fired(known), _plan(known, traces, shown), class_="pair"),
        el(
            "figure",
            _drawing(known, traces, entries, shown, height=_height(known)),
            _stack(known, traces, entries, shown),
            _legend(known),
            class_="traces",
        ),
        el("h2", "Verdict, zone by zone"),
        _verdicts(known, shown),
        class_="sheet",
    )
    second = el(
        "section",
        el("h2", "What happened"),
        _happened(known, entries),
        *_came_of_it(known),
        el("h2", "What people compare"),
        _of_load(known, shown),
        _of_zones(known, shown),
        _basis(known),
        el("footer", el("p", " ".join(CAUTIONS[:2]), class_="first"), el("p", " ".join(CAUTIONS[2:]))),
        class_="sheet",
    )
    sheets = [first, second, *_photos(photos)]
    return html(el("html", head, el("body", el("main", *sheets)), lang="en"))


def _top(known: Gathered, shown: Shown) -> Element:
    info = known.info
    length = f"{since((info.last_us or info.started_us) / 1e6 - info.started_us / 1e6)} h"
    if not info.time_known:
        when = f"Day and time of day not known; {length} recorded"
    else:
        when = f"First reading {shown.moment(info.started_us)} ({shown.zone_name}); {length} recorded"
    running = "; still running" if info.running else ""
    return el(
        "header",
        el("h1", info.title),
        el(
            "p",
            f"{when}{running}. {info.readings:,} readings. ",
            el("span", f"Firing {info.id}.", class_="id"),
        ),
        el("p", "Invented firing: nothing here was measured.", class_="invented") if info.invented else None,
        el("p", f"Readings of {', '.join(known.unproven)} carried no checksum and no counter.")
        if known.unproven
        else None,
    )


def _fired(known: Gathered) -> Element:
    rows = [pair for pair in described(known.info.facts) if not pair[0].after]
    box = el("div", el("h2", "What was fired"))
    if not rows:
        return add(box, el("p", "Nothing was written down.", class_="soft"))
    return add(box, _pairs((field.label, text) for field, text in rows))


def _came_of_it(known: Gathered) -> list[Element]:
    rows = [pair for pair in described(known.info.facts) if pair[0].after]
    if not rows:
        return []
    return [el("h2", "What came of it"), _pairs(((f.label, text) for f, text in rows), class_="came")]


def _plan(known: Gathered, traces: Traces, shown: Shown) -> Element:
    plan = known.plan
    rows = [
        el(
            "tr",
            el("th", str(number), scope="row"),
            el("td", column.probe.name),
            el("td", "–" if column.probe.height_cm is None else f"{column.probe.height_cm:g} cm", class_="n"),
            el("td", _reads(column.probe.reads, column.probe.letter)),
            el("td", column.probe.zone),
            el("td", column.probe.side),
        )
        for number, column in enumerate((traces.columns[i] for i in order_of(traces)), 1)
    ]
    targets = (
        f"Target {shown.degrees(plan.target_c)} for {plan.soak_min:g} min, burn-out above "
        f"{shown.degrees(plan.burnout_c)}."
    )
    alarms = _alarm_settings(plan)
    return el(
        "div",
        el("h2", "Plan"),
        el("p", targets),
        _table("probes", ("", "Probe", "Height", "Reads", "Zone", "Side"), rows),
        el("p", f"Alarm settings other than usual: {alarms}.", class_="soft") if alarms else None,
    )


def _reads(reads: str, letter: str | None) -> str:
    return READS[reads] if letter is None or reads == "surface" else f"{READS[reads]} ({letter})"


def _alarm_settings(plan: Plan) -> str:
    usual = default_alarms()
    found = []
    for rule, settings in plan.alarms.items():
        changed = [
            "off" if name == "enabled" else f"{name} {value:g}"
            for name, value in settings.items()
            if value != usual[rule][name]
        ]
        if changed:
            found.append(f"{rule} {', '.join(changed)}")
    return "; ".join(found)


def _drawing(
    known: Gathered,
    traces: Traces,
    entries: Sequence[Entry],
    shown: Shown,
    width: float = WIDTH,
    height: float = HEIGHT,
) -> Element:
    return draw(
        traces,
        known.info.started_us,
        target_c=known.plan.target_c,
        burnout_c=known.plan.burnout_c,
        stages=known.rehearsal["stages"],
        marks=[entry.mark for entry in entries if entry.mark.kind != "good"],
        doubtful=known.distrusted,
        shown=shown,
        width=width,
        height=height,
    )


def _stack(known: Gathered, traces: Traces, entries: Sequence[Entry], shown: Shown) -> Element | None:
    """Draw the stack through time; on paper only where the first page has room for it."""
    drawn = draw_stack(
        traces,
        known.info.started_us,
        doubtful=known.distrusted,
        marks=[entry.mark for entry in entries if entry.mark.kind != "good"],
        shown=shown,
        width=WIDTH,
        height=STACK_HEIGHT,
    )
    if drawn is not None and _room(known) < LEAST_HEIGHT + STACK_HEIGHT:
        drawn.set("class", "beyond")
    return drawn


def _photos(photos: Sequence[bytes]) -> list[Element]:
    """A sheet of photos, if there are any."""
    if not photos:
        return []
    pictures = [
        el("img", src=f"data:image/jpeg;base64,{base64.b64encode(photo).decode()}", alt=f"Photo {n}")
        for n, photo in enumerate(photos, 1)
    ]
    return [el("section", el("h2", "Photos"), el("div", *pictures, class_="photos"), class_="sheet")]


def _legend(known: Gathered) -> Element:
    lit = (
        f"Lit at {since(known.lit.t_s)} ({known.lit.how})."
        if known.lit.found
        else "When it was lit could not be seen."
    )
    words = (
        f"Numbers above the traces match the list of what happened; ◇ marks a gun reading. {lit} "
        "A line breaks where there was no reading, and is pale where the probe could not be trusted. Below, "
        "the stack through time: height up, colour for temperature, blank where no probe was within "
        f"{REACH_CM:g} cm."
    )
    return el("figcaption", words)


def _verdicts(known: Gathered, shown: Shown) -> Element:
    pots = dict(zip(known.levels.zones, known.levels.pots, strict=True))
    zones = sorted(
        known.rehearsal["zones"],
        key=lambda z: (not pots[z["zone"]], math.inf if z["peak_c"] is None else z["peak_c"]),
    )
    rows = [
        el(
            "tr",
            el("th", zone["zone"], scope="row"),
            el("td", shown.degrees(zone["peak_c"]), class_="n"),
            el("td", since(zone["peak_s"]), class_="n"),
            el("td", f"{zone['above_burnout_s'] / 60:.0f} min", class_="n"),
            el("td", f"{zone['soak_s'] / 60:.0f} min", class_="n"),
            el("td", verdict(zone, known.plan, shown, pots=pots[zone["zone"]])),
        )
        for zone in zones
    ]
    return _table("verdicts", ("Zone", "Peak", "At", "Above burn-out", "At target", "Verdict"), rows)


def _happened(known: Gathered, entries: Sequence[Entry]) -> Element:
    if not entries:
        return el("p", "No note, no spot reading and no alarm.", class_="soft")
    items, hidden = [], _beyond(known, entries)
    for n, entry in enumerate(entries):
        classes = [entry.mark.kind, *(["beyond"] if n in hidden else [])]
        items.append(
            el(
                "li",
                el("b", str(entry.mark.number or ""), class_="no"),
                el("span", since(entry.mark.t_s), class_="t"),
                el("span", entry.text),
                class_=" ".join(classes),
            )
        )
    box = el("div", el("ol", *items, class_="happened"))
    if hidden:
        add(box, el("p", f"{len(hidden)} more are in the file, but not on paper.", class_="printed soft"))
    if not known.live and known.alarms:
        words = "Nobody heard these alarms: they were worked out afterwards, from the readings."
        add(box, el("p", words, class_="soft"))
    return box


def _height(known: Gathered) -> float:
    """Height of the traces that leaves room for all else on the first page."""
    room = _room(known)
    stack = STACK_HEIGHT if room >= LEAST_HEIGHT + STACK_HEIGHT else 0.0
    return min(HEIGHT, max(LEAST_HEIGHT, room - stack))


def _room(known: Gathered) -> float:
    """What is left of the first page for pictures."""
    fired = [text for field, text in described(known.info.facts) if not field.after]
    lines = max(_lines_of(fired, 32), 4 + len(known.plan.probes))
    room_mm = _PAGE_MM - 62.0 - _LINE_MM * lines - 4.5 * len(known.levels.zones)
    return room_mm * _UNITS_A_MM


def _beyond(known: Gathered, entries: Sequence[Entry]) -> set[int]:
    """Which entries find no room on paper: good news first, then alarms, then what people wrote."""
    came = [text for field, text in described(known.info.facts) if field.after]
    used_mm = 158.0 + (8.0 + (_LINE_MM + 0.5) * _lines_of(came, 90) if came else 0.0)
    room = 3 * max(8, int((_PAGE_MM - used_mm) / _SMALL_LINE_MM))
    hidden: set[int] = set()
    rank = {"note": 0, "spot": 0, "alarm": 1, "good": 2}
    for n in sorted(range(len(entries)), key=lambda n: (rank[entries[n].mark.kind], n)):
        room -= _lines_of([entries[n].text], 26)
        if room < 0:
            hidden.add(n)
    return hidden


def _lines_of(texts: Iterable[str], letters: int) -> int:
    """How many lines texts take where so many letters stand in one."""
    return sum(1 + len(line) // letters for text in texts for line in text.split("\n"))


def _of_load(known: Gathered, shown: Shown) -> Element:
    facts = [fact for fact in known.facts if fact.zone is None and fact.value is not None]
    return _pairs(
        ((shown.label(fact), _told(fact, shown)) for fact in facts if fact.key not in ("notes", "spots")),
        class_="facts",
    )


def _of_zones(known: Gathered, shown: Shown) -> Element:
    keys = list(dict.fromkeys(fact.key for fact in known.facts if fact.zone is not None))
    by_key = {(fact.key, fact.zone): fact for fact in known.facts}
    rows = []
    for key in keys:
        facts = [by_key[key, zone] for zone in known.levels.zones]
        if key in ("soak_min", "above_burnout_min") or all(fact.value is None for fact in facts):
            continue  # stand with the verdicts, or say nothing
        label = shown.label(facts[0]) + (" *" if facts[0].basis == "estimated" else "")
        cells = [el("td", _cell(fact, shown), class_="n") for fact in facts]
        rows.append(el("tr", el("th", label, scope="row"), *cells))
    return _table("compared", ("", *known.levels.zones), rows)


def _cell(fact: Fact, shown: Shown) -> str:
    if fact.low is not None and fact.high is not None:
        return f"{shown.degrees(fact.low, unit=False)}–{shown.degrees(fact.high)}"
    return shown.fact(fact)


def _told(fact: Fact, shown: Shown) -> str:
    at = f" at {since(fact.at_s)}" if fact.at_s is not None else ""
    words = f" ({fact.words})" if fact.words and fact.key != "lit_min" else ""
    return f"{shown.fact(fact)}{at}{words}"


def _basis(known: Gathered) -> Element:
    words = (
        "Levels of zones are means of the probes that stand for them, without those that could not be "
        "trusted; rates are over one minute. * A model, not a measurement: between what the hour's "
        "temperature lies depends on the clay's activation energy (200 to 500 kJ/mol), which nobody knows."
    )
    if any(fact.key == "pots_peak_c" for fact in known.facts):
        words += (
            " What the pots themselves were at is estimated from probes, spot readings and the physics of a "
            "wall; it should lie within its band nine times in ten."
        )
    return el("p", words, class_="soft basis")


def _pairs(rows: Iterable[tuple[str, str]], class_: str = "") -> Element:
    listed = el("dl", class_=class_ or None)
    for label, text in rows:
        add(listed, el("div", el("dt", label), el("dd", text)))
    return listed


def _table(class_: str, head: Iterable[str], rows: Iterable[Element]) -> Element:
    heads = el("thead", el("tr", *(el("th", cell, scope="col") for cell in head)))
    return el("div", el("table", heads, el("tbody", *rows), class_=class_), class_="wide")
