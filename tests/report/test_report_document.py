"""The report: whole, safe, without a network, and in the units and the time zone asked for."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from logger.errors import UserError
from logger.journal.reader import JournalReader
from logger.journal.traces import Traces
from logger.plan import Plan
from logger.replay.judging import rehearse
from logger.report.describe import describe
from logger.report.document import document
from logger.report.drawing import draw, el, plain
from logger.report.facts import Fact
from logger.report.gather import Gathered, distrusted, gather
from logger.report.shown import Shown, shown, since
from logger.report.stack_drawing import draw_stack
from logger.report.stack_map import REACH_CM, STEP_CM, rows_cm
from logger.report.story import story, verdict
from tests.invented_firings import DESCRIBED, START_US, invented_firing, open_journal
from tests.processes import refused, stokewatch

pytestmark = pytest.mark.slow  # whole firings, judged

UTC = shown("C", "UTC")
SVG = "{http://www.w3.org/2000/svg}"
NASTY = "<script>alert(1)</script> & \"quotes\" 'n' </style> <img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal with an invented firing that was judged live, and one that wasn't."""
    folder = tmp_path_factory.mktemp("home")
    with contextlib.closing(open_journal(folder)) as writer:
        invented_firing(writer, 5, judged=True, described=DESCRIBED)
        invented_firing(writer, 7, day=3, probes=8)
    return folder


Known = tuple[Gathered, Traces]


def known_of(home: Path, which: int = 0) -> Known:
    """What the report of a firing is made from; the latest is the first."""
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        info = reader.firings()[which]
        return gather(reader, info), reader.history(info.id, 900)


@pytest.fixture(scope="module")
def known(home: Path) -> Known:
    return known_of(home, -1)


def picture(known: Known, width: float, height: float) -> ET.Element:
    """The traces as the report draws them."""
    return ET.fromstring(draw(*known, story(known[0], UTC), UTC, width, height))


def stack(known: Known) -> list[str]:
    """The paths of the shades in the stack through time."""
    paths = ET.fromstring(draw_stack(*known, [], UTC, 1000.0, 190.0)).iter(f"{SVG}path")
    return [path.get("d") or "" for path in paths if str(path.get("fill")).startswith("rgb")]


class Seen(HTMLParser):
    """Tags, attributes and text of a document, as a browser's parser splits them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def text_of(known: Known, how: Shown = UTC) -> str:
    return " ".join("".join(Seen(document(*known, how)).text).split())


def test_everything_is_in_it(known: Known) -> None:
    text = text_of(known)
    for words in (
        "Invented firing, seed 5",
        "Invented firing: nothing here was measured.",
        "25 November 2026, 10:00 (UTC)",
        *(value.split("\n")[0] for value in DESCRIBED.values()),
        "jars-after.jpg",
        "Wood (2 armloads)",
        "Wood (1 armload), windward side",
        "Flames right through the top",
        "Gun reading: lower, 702 °C (emissivity 0.93), big jar's shoulder",
        "Coldest zone's peak",
        "A model, not a measurement",
        "never let it be the only watch on a fire",
        "local fire codes",
    ):
        assert words in text, words
    for zone in known[0].levels.zones:
        assert zone in text
    assert f"{known[0].info.readings:,} readings" in text


def test_it_needs_no_network_and_runs_nothing(known: Known) -> None:
    text = document(*known, UTC)
    seen = Seen(text)
    assert not {"script", "link", "img", "iframe", "object", "embed", "form", "base"} & set(seen.tags)
    assert "svg" in seen.tags
    for name, value in seen.attributes:
        assert not name.startswith("on")
        assert name not in ("src", "href", "action", "style")
        assert name == "xmlns" or "://" not in (value or "")
    assert "url(" not in text
    assert "@import" not in text
    assert re.search(r"Content-Security-Policy[^>]*default-src 'none'", text)


def test_names_and_notes_are_text(tmp_path: Path) -> None:
    with contextlib.closing(open_journal(tmp_path)) as writer:
        firing, _ = invented_firing(writer, 11, probes=3, rate_hz=0.2)
        everything = dict.fromkeys((*DESCRIBED, "title"), NASTY)
        describe(writer, writer.firing(firing), everything)
        t_us = START_US + 60_000_000
        writer.add_event(firing, t_us, "note", {"kind": NASTY, "text": NASTY, "amount": NASTY}, NASTY)
        writer.add_event(
            firing,
            t_us,
            "spot",
            {"zone": NASTY, "temperature_c": 700, "emissivity": 0.9, "text": NASTY},
            NASTY,
        )
        plan = writer.firing(firing).plan
        probes = [structs.replace(p, name=f"<b onclick=x>{p.name}", zone=f"<i>{p.zone}") for p in plan.probes]
        tagged = structs.replace(plan, probes=tuple(probes)).dumps()
        writer.change_firing(firing, plan_toml=tagged)
    found = known_of(tmp_path)
    seen = Seen(document(*found, UTC))
    assert not {"script", "img", "i"} & set(seen.tags)
    assert not [name for name, _ in seen.attributes if name.startswith("on") or name == "src"]
    assert "".join(seen.text).count("<script>alert(1)</script>") >= len(DESCRIBED)
    assert "<b onclick=x>" in "".join(seen.text)
    root = picture(found, 800, 400)
    assert {e.tag.split("}")[1] for e in root.iter()} <= {"svg", "rect", "path", "text"}
    assert not [a for e in root.iter() for a in e.attrib if a.lower().startswith("on")]


@given(st.text(max_size=60))
def test_any_text_comes_back_out_of_the_markup(text: str) -> None:
    seen = Seen(el("p", text, title=text))
    assert "".join(seen.text).strip("\n") == plain(text).strip("\n")
    assert seen.tags == ["p"]
    assert dict(seen.attributes)["title"] == plain(text)


def test_fahrenheit_and_another_zone(known: Known) -> None:
    """100 °C is 212 °F; New York is five hours behind UTC in November."""
    text = text_of(known, shown("F", "America/New_York"))
    assert "25 November 2026, 05:00 (America/New_York)" in text
    assert "Above 1112 °F" in text  # 600 °C
    assert "Gun reading: lower, 1296 °F" in text  # 702 °C
    assert f"Target {known[0].plan.target_c * 1.8 + 32:.0f} °F" in text
    told = next(f for f in known[0].facts if f.key == "peaks_apart_c")
    assert told.value is not None
    assert f"{told.value * 1.8:.0f} °F" in text  # the 32 of °F is no part of a difference


@pytest.mark.parametrize("which", [0, 1], ids=["worked out afterwards", "as called beside the fire"])
def test_no_number_keeps_the_other_unit(home: Path, which: int) -> None:
    """Nor those in what alarms said, and in how the lighting was found."""
    known = known_of(home, which)
    assert known[0].live is (which == 1)
    fell = [alarm for alarm in known[0].alarms if alarm["rule"] in ("coal_collapse", "target_reached")]
    assert any("°C" in alarm["message"] for alarm in fell)
    text = text_of(known, shown("F", "UTC"))
    assert "22 °F a minute or more for two minutes" in text  # 12 °C
    theirs = str(known[0].info.facts.get("weather", "nothing"))  # what a person wrote stays as it is
    assert "°C" not in text.replace(theirs, "")


def test_a_headline_is_said_once(known: Known) -> None:
    told = [entry.text for entry in story(known[0], UTC) if entry.text.startswith("Coals have fallen away")]
    assert told
    assert not [text for text in told if text.count("Coals have fallen away") > 1]


def test_the_verdicts_are_the_rehearsals(home: Path, known: Known) -> None:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        told = rehearse(reader, known[0].info)
    text = text_of(known)
    for zone in told["zones"]:
        minutes = int(zone["peak_s"] // 60)
        row = f"{zone['zone']} {zone['peak_c']:.0f} °C {minutes // 60}:{minutes % 60:02}"
        assert row.replace(" ", "") in text.replace(" ", "")


def test_alarms_that_nobody_heard_say_so(home: Path, known: Known) -> None:
    assert known[0].live
    assert "Nobody heard these alarms" not in text_of(known)
    later = known_of(home)
    assert not later[0].live
    assert later[0].alarms
    assert "Nobody heard these alarms" in text_of(later)


def test_what_happened_is_in_order_and_numbered(known: Known) -> None:
    entries = story(known[0], UTC)
    times = [e.t_s for e in entries]
    assert times == sorted(times)
    numbers = [e.number for e in entries if e.kind != "good"]
    assert numbers == list(range(1, 1 + len(numbers)))
    assert not any(e.number for e in entries if e.kind == "good")
    assert {"note", "spot", "alarm", "good"} == {e.kind for e in entries}


@pytest.mark.parametrize(
    ("zone", "words"),
    [
        ({"peak_c": None}, "No verdict: no probe here could be trusted."),
        ({"peak_c": 700.0, "reached_target": False}, "Stopped 80 °C short of its target."),
        (
            {"peak_c": 600.0, "reached_target": False},
            "Stopped 180 °C short of its target; never above burn-out.",
        ),
        (
            {"peak_c": 790.0, "reached_target": True, "soak_s": 240.0},
            "Reached its target; soaked 4 of 10 min.",
        ),
        ({"peak_c": 790.0, "reached_target": True, "soak_s": 840.0}, "Reached its target and soaked 14 min."),
    ],
)
def test_verdict(zone: dict[str, Any], words: str) -> None:
    assert verdict(zone, Plan(), UTC, pots=True) == words


def test_a_day_that_nobody_knows_is_not_told(known: Known) -> None:
    gathered, traces = known
    info = replace(gathered.info, facts={**gathered.info.facts, "time_known": False})
    text = text_of((replace(gathered, info=info), traces))
    assert "Date and time unknown" in text
    assert "November" not in text


# --- numbers and times --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "value", "fact_unit", "words"),
    [
        ("C", 573.4, "°C", "573 °C"),
        ("F", 573.0, "°C", "1063 °F"),
        ("F", 100.0, "Δ°C", "180 °F"),
        ("F", 10.0, "°C/min", "18.0 °F/min"),
        ("C", -0.3, "°C", "0 °C"),
        ("C", -12.6, "°C", "−13 °C"),
        ("C", 9.44, "min", "9.4 min"),
        ("C", 64.2, "min", "64 min"),
        ("C", 3.0, "count", "3"),
        ("C", None, "min", "–"),
    ],
)
def test_numbers(unit: str, value: float | None, fact_unit: Any, words: str) -> None:
    assert shown(unit, "UTC").fact(Fact("x", "x", fact_unit, value)) == words


def test_times() -> None:
    assert [since(s) for s in (0, 59, 60, 3600, 5399, None)] == ["0:00", "0:00", "0:01", "1:00", "1:29", "–"]


@pytest.mark.parametrize("zone", ["Nowhere/Atall", "../../etc/passwd", "/etc/localtime", "a\0b"])
def test_zones_that_are_none(zone: str) -> None:
    with pytest.raises(UserError, match="no such time zone"):
        shown("C", zone)


def test_this_machines_zone_has_a_name(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Pacific/Auckland")
    assert shown().zone_name == "Pacific/Auckland"


# --- the drawing --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [760, 1180])
def test_the_drawing_stays_on_its_paper(known: Known, width: int) -> None:
    for element in picture(known, width, 400).iter():
        if element.tag.endswith("path"):
            for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", element.get("d", "")):
                assert 0 <= float(x) <= width
                assert 0 <= float(y) <= 400
        if element.tag.endswith("text"):
            assert 0 <= float(element.get("x", "-1")) <= width
            assert 0 <= float(element.get("y", "-1")) <= 400


@pytest.mark.parametrize("height", [300, 340, 400])
def test_names_of_stages_and_rulers_stand_over_nothing_else(known: Known, height: int) -> None:
    texts = [
        e
        for e in picture(known, 760, height).iter()
        if e.tag.endswith("text") and e.get("text-anchor") is None
    ]
    stages = {float(e.get("y", "nan")) for e in texts if e.get("font-style") == "italic"}
    rulers = [float(e.get("y", "nan")) for e in texts if re.match("(target|burn-out|quartz) ", e.text or "")]
    assert len(stages) == 1
    assert len(rulers) == 3
    assert all(abs(a - b) >= 16 for a, b in combinations([*stages, *rulers], 2))


def test_every_probe_is_drawn_and_named(known: Known) -> None:
    drawn = [str(element.text) for element in picture(known, 1180, 500).iter()]
    for column in known[1].columns:
        assert any(re.match(rf"\d {re.escape(column.probe.name)[:15]}", text) for text in drawn)


def test_what_a_faulty_probe_read_is_pale_in_the_traces_and_no_colour_in_the_stack(
    known: Known,
) -> None:
    """Until its alarm cleared, or to the end if it never did."""
    gathered, traces = known

    def pale(alarms: list[dict[str, Any]]) -> tuple[int, list[float]]:
        found = replace(gathered, distrusted=distrusted({"alarms": alarms}))
        elements = picture((found, traces), 1000, 400).iter(f"{SVG}path")
        paths = [e.get("d", "") for e in elements if e.get("opacity") == "0.35"]
        return len(paths), [float(x) for d in paths for x in re.findall(r"[ML](-?[\d.]+) ", d)]

    name = traces.columns[1].probe.name
    fault = {"rule": "probe_fault", "probe": name, "raised_s": 600.0, "cleared_s": 1200.0}
    assert pale([]) == pale([{**fault, "rule": "stalled_zone"}]) == (0, [])
    count, xs = pale([fault])
    assert count == 1
    _, for_ever = pale([{**fault, "cleared_s": None}])
    assert min(for_ever) == min(xs)
    assert max(for_ever) > max(xs) > min(xs)
    one_probe = replace(
        traces, columns=traces.columns[1:2], t_us=traces.t_us[1:2], temperature_c=traces.temperature_c[1:2]
    )

    def coloured(doubtful: dict[str, list[tuple[float, float]]]) -> int:
        return sum(d.count("M") for d in stack((replace(gathered, distrusted=doubtful), one_probe)))

    assert 0 < coloured({name: [(600.0, 1200.0)]}) < coloured({})
    assert coloured({name: [(0.0, float("inf"))]}) == 0


# --- the command --------------------------------------------------------------------------------------------


def test_export_html(home: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    stokewatch("export", "last", "--format", "html", "-o", str(out), "--timezone", "UTC", home=home)
    text = out.read_text()
    assert text.startswith("<!DOCTYPE html>")
    assert "Invented firing, seed 7" in text
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_export_html_in_a_zone_that_is_none(home: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    how = ("--format", "html", "-o", str(out), "--timezone", "Moon")
    assert "Moon: no such time zone here" in refused("export", "last", *how, home=home)
    assert not out.exists()


def test_a_report_loads_no_web_library() -> None:
    code = (
        "import sys, logger.report.document\n"
        "print([m for m in ('dash', 'plotly', 'pandas', 'scipy', 'fastapi') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_what_was_taken_back_is_not_told(tmp_path: Path) -> None:
    with contextlib.closing(open_journal(tmp_path)) as writer:
        firing, _ = invented_firing(writer, 11, probes=3, rate_hz=0.1)
        t_us = START_US + 60_000_000
        event = writer.add_event(
            firing, t_us, "note", {"kind": "text", "text": "A slip of the finger"}, "page"
        )
        assert writer.retract_event(firing, event, t_us + 1_000_000, t_us - 1_000_000) is not None
    known = known_of(tmp_path)
    assert "A slip of the finger" not in text_of(known)
    assert "Flames right through the top" in text_of(known)


def test_a_zone_without_a_probe_is_told_too(tmp_path: Path) -> None:
    """A plan may name zones that only the estimate covers."""
    with contextlib.closing(open_journal(tmp_path)) as writer:
        firing, made = invented_firing(writer, 11, probes=3, rate_hz=0.1)
        plan = structs.replace(made.plan, clay=structs.replace(made.plan.clay, zones=("heart of the stack",)))
        writer.change_firing(firing, plan_toml=plan.dumps())
    known = known_of(tmp_path)
    assert {z["zone"] for z in known[0].rehearsal["zones"]} <= set(known[0].levels.zones)
    assert "Coldest zone's peak" in text_of(known)


# --- the stack through time, photos
# ----------------------------------------------------------------------------


def test_the_stack_through_time_is_blank_where_no_probe_was(known: Known) -> None:
    columns = known[1].columns
    rows = rows_cm([column.probe.height_cm for column in columns])
    heights = [h for column in columns if (h := column.probe.height_cm) is not None]
    drawn = "".join(stack((replace(known[0], distrusted={}), known[1])))
    tops = {round(float(y), 1) for y in re.findall(r"M[\d.]+ ([\d.]+)h", drawn)}
    per_cm = (190.0 - 26.0 - 8.0) / (rows[-1] - rows[0] + STEP_CM)
    seen = {round(float(190.0 - 26.0 - (row + STEP_CM / 2 - rows[0] + STEP_CM / 2) * per_cm), 1) for row in rows
            if min(abs(row - h) for h in heights) <= REACH_CM}  # fmt: skip
    assert tops == seen
    assert len(tops) < len(rows)


def test_without_heights_there_is_no_such_picture(tmp_path: Path) -> None:
    with contextlib.closing(open_journal(tmp_path)) as writer:
        firing, made = invented_firing(writer, 11, probes=3, rate_hz=0.1)
        bare = structs.replace(
            made.plan, probes=tuple(structs.replace(p, height_cm=None) for p in made.plan.probes)
        )
        writer.change_firing(firing, plan_toml=bare.dumps())
    assert "The stack through time: temperature" not in document(*known_of(tmp_path), UTC)


def test_photos_go_into_the_one_file(home: Path, known: Known) -> None:
    text = document(*known, UTC, [b"\xff\xd8 one", b"\xff\xd8 two"])
    assert text.count("data:image/jpeg;base64,") == 2
    assert "<h2>Photos</h2>" in text
    assert "<h2>Photos</h2>" not in document(*known, UTC)


# --- measured and estimated ---------------------------------------------------------------------------------


def test_what_was_estimated_is_marked_and_has_its_band(tmp_path: Path) -> None:
    with contextlib.closing(open_journal(tmp_path)) as writer:
        firing, made = invented_firing(writer, 5, judged=True)
        [zone, *_] = dict.fromkeys(p.zone for p in made.plan.probes if p.reads != "coals")
        for k, c in enumerate((640.0, 731.0, 702.0)):
            t_us = START_US + k * 10_000_000
            writer.add_estimate(firing, t_us, {zone: (c, c - 14, c + 17, "probe")})
    told = document(*known_of(tmp_path), UTC)
    assert "Peak of the pots themselves *" in told
    assert "717–748 °C" in told
    assert "nine times in ten" in told


def test_an_import_says_nothing_of_it(home: Path) -> None:
    told = document(*known_of(home), UTC)
    assert "Peak of the pots themselves" not in told
    assert "nine times in ten" not in told
