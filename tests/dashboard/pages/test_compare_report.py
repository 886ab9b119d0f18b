"""Compare and Report: what they say about firings, what people write down, photos, and files."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from calling import Browser, text_of
from click.testing import CliRunner
from fastapi.testclient import TestClient
from PIL import Image

from dashboard import tables
from dashboard.app import Page, create_app
from dashboard.pages import compare
from dashboard.parts.comparison import bars, change
from dashboard.security.door import Door
from dashboard.security.operators import Operators
from dashboard.work import gathering as gatherings
from dashboard.work.gathering import kept_rehearsal
from logger.cli import cli
from logger.journal.reader import JournalReader
from logger.replay.judging import rehearse
from logger.report.facts import Fact
from logger.report.gather import gather
from logger.report.photos import MOST, SIDE_PX, photos_of
from logger.report.shown import minutes
from tests.invented_firings import DESCRIBED, invented_firing, open_journal

pytestmark = pytest.mark.slow  # whole firings, judged

TEXT = '{"name":["ALL"],"type":"report-text"}'
AWAY = '{"name":["ALL"],"type":"report-photo-away"}'


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("home")
    with contextlib.closing(open_journal(folder)) as writer:
        invented_firing(writer, 5, rate_hz=0.2, described=DESCRIBED)
        invented_firing(writer, 7, rate_hz=0.2, day=3, probes=3)
    return folder


@pytest.fixture(scope="module")
def app(home: Path) -> Page:
    return create_app(home / "journal.sqlite")


@pytest.fixture(scope="module")
def client(app: Page) -> Iterator[TestClient]:
    with TestClient(app.server, base_url="http://127.0.0.1") as made:
        yield made


@pytest.fixture(scope="module")
def browser(client: TestClient, app: Page) -> Browser:
    return Browser(client, app)


@pytest.fixture(scope="module")
def ids(home: Path) -> list[str]:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        return [info.id for info in reversed(reader.firings())]


def compared(browser: Browser, ids: list[str], unit: str = "C") -> dict[str, Any]:
    told = browser.follow("compare", {"compare-firings.data": ids})
    values = {
        "compare-ready.data": told["compare-ready"]["data"],
        "compare-firings.data": ids,
        "unit.data": unit,
    }
    return browser.call("compare-endured.figure", values, triggered="compare-ready.data")


def reported(browser: Browser, firing: str, unit: str = "C") -> dict[str, Any]:
    browser.follow("report", {"report-firing.data": firing})
    values = {"report-ready.data": firing, "unit.data": unit}
    return browser.call("report-verdicts.children", values, triggered="report-ready.data")


def judged(home: Path, firing: str) -> dict[str, Any]:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        return rehearse(reader, reader.firing(firing))


# --- one number has one value
# ----------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", ["C", "F"])
def test_page_compare_report_print_and_command_agree_to_the_degree(
    browser: Browser, home: Path, ids: list[str], unit: str
) -> None:
    told = CliRunner().invoke(cli, ["rehearse", ids[0], "--home", str(home), "--json"])
    assert told.exit_code == 0, told.output
    peaks = {
        z["zone"]: round(z["peak_c"] * (1.8 if unit == "F" else 1) + (32 if unit == "F" else 0))
        for z in json.loads(told.output)["zones"]
    }
    assert len(peaks) == 4

    page = reported(browser, ids[0], unit)
    rows = page["report-verdicts"]["children"]["props"]["children"][1]["props"]["children"]
    cells = [[text_of(cell) for cell in row["props"]["children"]] for row in rows]
    assert {zone: peak for zone, peak, *_ in cells} == {z: f"{p} °{unit}" for z, p in peaks.items()}

    shown = compared(browser, ids, unit)
    words = next(d for d in shown["compare-endured"]["figure"]["data"] if d["name"] == "peaks")
    rows = zip(*words["y"], words["text"], strict=True)
    first = {zone: int(re.findall(r"\d+", text)[0]) for zone, firing, text in rows if firing[0] == "1"}
    assert first == peaks
    tables_ = shown["compare-facts"]["children"]
    for zone, peak in peaks.items():
        [table] = [t for t in tables_ if t["props"]["data-zone"] == zone]
        assert f"{peak} °{unit}" in text_of(table)

    printed = browser.client.get(f"/api/report/{ids[0]}/page", params={"zone": "UTC", "unit": unit}).text
    for zone, peak in peaks.items():
        assert re.search(rf'<th scope="row">{zone}</th><td class="n">{peak} °{unit}</td>', printed), zone

    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:  # for the list of firings
        kept = kept_rehearsal(reader, reader.firing(ids[0]))
    assert kept is not None
    assert kept["zones"] == judged(home, ids[0])["zones"]


# --- what was worked out is kept
# ---------------------------------------------------------------------------------


def test_a_rehearsal_is_kept_over_a_restart_and_made_again_where_it_would_differ(
    browser: Browser, home: Path, ids: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    compared(browser, ids)
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        info = reader.firing(ids[1])
        assert kept_rehearsal(reader, info) is not None
        monkeypatch.setattr(gatherings, "version_of", lambda *_: "another version")
        assert kept_rehearsal(reader, info) is None
    monkeypatch.undo()
    kept = home / gatherings.FOLDER / f"{ids[1]}.json"
    text = kept.read_text()
    kept.write_text(text[: len(text) // 2])  # as if the battery had been pulled
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        assert kept_rehearsal(reader, info) is None
    kept.write_text(text)


# --- compare
# -----------------------------------------------------------------------------------------------------


def test_compare_is_led_by_what_the_pots_went_through(browser: Browser, ids: list[str]) -> None:
    shown = compared(browser, ids)
    assert text_of(shown["compare-chosen"]["children"][0]).startswith("1  Invented firing, seed 5")
    names = [d["name"] for d in shown["compare-endured"]["figure"]["data"] if d["type"] == "bar"]
    assert names == ["500–600 °C", "600–700 °C", "700–800 °C", "above 800 °C"]
    key = [text_of(each).strip() for each in shown["compare-key"]["children"]]
    assert key == names, "its colours are explained"
    facts = shown["compare-facts"]["children"]
    opened = [t["props"]["data-zone"] for t in facts if t["props"]["open"]]
    assert opened[0] == ""  # the whole load
    assert len(opened) == 2  # and the zone that stayed coldest
    load = text_of(facts[0])
    assert "Coldest zone's peak" in load
    assert "a model" in text_of(facts[1])


def test_differences_are_to_the_first_and_have_no_32_in_them() -> None:
    first = Fact("peak_c", "Peak", "°C", 800.0, zone="upper")
    other = Fact("peak_c", "Peak", "°C", 775.0, zone="upper")
    assert change(other, first, "C") == "−25 °C"
    assert change(other, first, "F") == "−45 °F"
    assert change(first, first, "F") == "±0 °F"
    minutes = Fact("above_600_min", "Above", "min", 12.5, zone="upper")
    assert change(minutes, Fact("above_600_min", "Above", "min", 10.0, zone="upper"), "F") == "+2.5 min"


def test_the_table_can_be_saved(browser: Browser, home: Path, ids: list[str]) -> None:
    values = {"compare-ready.data": ids, "compare-save.n_clicks": 1}
    told = browser.call("compare-file.data", values, triggered="compare-save.n_clicks")
    rows = list(csv.reader(io.StringIO(told["compare-file"]["data"]["content"])))
    assert rows[0] == ["zone", "fact", *ids]
    by_row = {(row[0], row[1]): row[2:] for row in rows[1:]}
    peaks = {z["zone"]: z["peak_c"] for z in judged(home, ids[0])["zones"]}
    for zone, peak in peaks.items():
        assert float(by_row[zone, "peak_c"][0]) == pytest.approx(peak, abs=0.001)
    assert by_row["windward", "peak_c"][1] == ""  # the second has no such zone


def curves(browser: Browser, ids: list[str], **more: Any) -> dict[str, Any]:
    values = {"compare-ready.data": ids, "compare-align.value": "lighting", "unit.data": "C"}
    values |= {f"compare-{key}.value": value for key, value in more.items()}
    return browser.call("compare-curves.figure", values, triggered="compare-ready.data")


def test_aligned_at_lighting(browser: Browser, home: Path, ids: list[str]) -> None:
    drawn = curves(browser, ids)
    lines = [d for d in drawn["compare-curves"]["figure"]["data"] if d["mode"] == "lines"]
    assert [d["name"] for d in lines] == ["1 Invented firing, seed 5", "2 Invented firing, seed 7"]
    assert lines[0]["line"]["dash"] != lines[1]["line"]["dash"]
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        lit = gather(reader, reader.firing(ids[0])).lit.t_s
    assert lines[0]["x"][0] == pytest.approx(-lit / 60.0, abs=0.2)
    # As in the table above it, to the minute.
    assert f"lit {minutes(lit)} after its first reading" in text_of(drawn["compare-moments"]["children"])
    assert "12 °C a minute" in text_of(drawn["compare-moments"]["children"])


def test_aligned_where_a_zone_passes_a_temperature(browser: Browser, ids: list[str]) -> None:
    how = {"align": "a temperature", "zone": "upper", "line": "zone upper", "at": 400}
    drawn = curves(browser, ids, **how)
    assert "upper first passes 400 °C" in text_of(drawn["compare-moments"]["children"])
    for d in drawn["compare-curves"]["figure"]["data"]:
        if d["mode"] != "lines":
            continue
        pairs = list(zip(d["x"], d["y"], strict=True))
        assert max(y for x, y in pairs if x < -0.2 and y is not None) < 400
        assert next(y for x, y in pairs if x >= 0.2 and y is not None) > 390
    never = curves(browser, ids, **{**how, "at": 1190})
    assert "never reached 1190 °C" in text_of(never["compare-moments"]["children"])
    assert len([d for d in never["compare-curves"]["figure"]["data"] if d["mode"] == "lines"]) == 2


@pytest.mark.parametrize("given", [5000, 5, None, "hot", True, [1]])
def test_a_temperature_that_is_none_is_refused_beside_it(
    browser: Browser, ids: list[str], given: Any
) -> None:
    drawn = curves(browser, ids, align="a temperature", zone="upper", at=given)
    assert drawn["compare-at"]["error"] == "Enter 30 to 1200 °C."
    assert "compare-curves" not in drawn  # what was drawn stays


def test_one_that_is_not_there_is_named_and_the_others_shown(browser: Browser, ids: list[str]) -> None:
    shown = compared(browser, [ids[0], "20200101-0000-none"])
    chosen = [text_of(item) for item in shown["compare-chosen"]["children"]]
    assert "no such firing" in chosen[1]
    assert shown["compare-body"]["hidden"] is False


def test_nothing_chosen_yet(browser: Browser) -> None:
    told = browser.follow("compare", {"compare-firings.data": []})
    assert told["compare-said"]["children"] == "Choose at least two firings."


def test_more_than_six_are_left_out_and_it_says_so() -> None:
    page = str(compare.layout(firings=",".join(f"f{n}" for n in range(8))))
    assert "2 left out" in page
    assert "f5" in page
    assert "'f6'" not in page


def test_what_a_zone_went_through_is_the_facts(home: Path, ids: list[str]) -> None:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        known = [gather(reader, reader.firing(firing)) for firing in ids]
    facts = {(f.zone, f.key): f.value for f in known[0].facts}
    for bar in bars(known):
        if bar.firing == 1:
            assert bar.above_min[1] == facts[bar.zone, "above_600_min"]
            assert bar.peak_c == facts[bar.zone, "peak_c"]
    under = next(bar for bar in bars(known) if bar.zone == "under")
    assert under.reached_target is None  # coals have no target of their own
    first = dict(tables.fact_rows(known))["upper", "peak_c"][0]
    assert first is not None
    assert first.value == facts["upper", "peak_c"]


# --- report
# --------------------------------------------------------------------------------------------------------


def test_report_tells_verdicts_and_what_was_written(browser: Browser, ids: list[str]) -> None:
    page = reported(browser, ids[0])
    assert page["report-name"]["children"] == "Invented firing, seed 5"
    assert "nothing here was measured" in text_of(page["report-about"]["children"])
    verdicts = text_of(page["report-verdicts"]["children"])
    assert "Reached its target" in verdicts or "short of its target" in verdicts
    assert "Coals; no target of its own." in verdicts
    assert "Coldest zone's peak" in text_of(page["report-facts"]["children"])
    assert page["report-heat"]["figure"]["data"][0]["type"] == "heatmap"
    values = {"report-ready.data": ids[0]}
    shown = browser.call(
        "report-form.children...report-saved.data...report-photos", values, triggered="report-ready.data"
    )
    assert shown["report-saved"]["data"] == {"title": "Invented firing, seed 5", **DESCRIBED}


def written(browser: Browser, firing: str, texts: dict[str, Any], saved: dict[str, str]) -> Any:
    fields = [({"type": "report-text", "name": name}, text) for name, text in texts.items()]
    values = {"report-ready.data": firing, "report-saved.data": saved, "report-save.n_clicks": 1}
    return browser.call("", values, triggered="report-save.n_clicks", many={TEXT: fields})


def facts(home: Path, firing: str) -> dict[str, Any]:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        info = reader.firing(firing)
        return {**info.facts, "title": info.title}


def test_what_is_written_down_is_in_the_report(browser: Browser, home: Path, ids: list[str]) -> None:
    saved = {"title": "Invented firing, seed 7"}
    texts = {"title": "Trial, invented", "clay": "<b>red</b>", "temper": ""}
    answer = written(browser, ids[1], texts, saved)
    assert answer["report-written"]["children"] == "Saved."
    assert facts(home, ids[1])["clay"] == "<b>red</b>"
    page = browser.client.get(f"/api/report/{ids[1]}/page").text
    assert "&lt;b&gt;red&lt;/b&gt;" in page
    assert "<b>red" not in page
    again = written(browser, ids[1], {"clay": "<b>red</b>"}, {"clay": "<b>red</b>"})
    assert again["report-written"]["children"] == "Nothing was changed."
    written(browser, ids[1], {"clay": ""}, {"clay": "<b>red</b>"})
    assert "clay" not in facts(home, ids[1])
    assert facts(home, ids[1])["title"] == "Trial, invented"  # what was not touched stays
    written(browser, ids[1], {"title": "Invented firing, seed 7"}, {"title": "Trial, invented"})


@pytest.mark.parametrize(("field", "text", "said"), [("clay", "x" * 1001, "1000"), ("title", "", "name")])
def test_what_is_refused_names_its_field(
    browser: Browser, home: Path, ids: list[str], field: str, text: str, said: str
) -> None:
    before = facts(home, ids[1])
    answer = written(browser, ids[1], {"pots": "", field: text}, {"title": before["title"]})
    errors = next(v["error"] for k, v in answer.items() if field in k and "error" in v)
    assert said in errors
    assert answer["report-written"]["children"] == "Not saved."
    assert facts(home, ids[1]) == before


def test_a_firing_that_is_none(browser: Browser) -> None:
    told = browser.follow("report", {"report-firing.data": "nope"})
    assert "nope: no such firing" in told["report-said"]["children"]
    for path in ("page", "file/csv"):
        answer = browser.client.get(f"/api/report/nope/{path}")
        assert answer.status_code == 422
        assert "nope: no such firing" in answer.json()["error"]


def test_the_page_and_the_file(client: TestClient, ids: list[str]) -> None:
    page = client.get(f"/api/report/{ids[0]}/page", params={"zone": "Europe/Vienna", "unit": "F"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "11:00 (Europe/Vienna)" in page.text
    assert "script-src 'self'" in page.headers["content-security-policy"]
    kept = client.get(f"/api/report/{ids[0]}/page", params={"keep": True})
    assert kept.headers["content-disposition"].startswith('attachment; filename="Invented firing, seed 5')
    assert client.get(f"/api/report/{ids[0]}/page", params={"zone": "Moon"}).json()["field"] == "zone"


@pytest.mark.parametrize(
    ("kind", "begins"), [("csv", b"time_s,"), ("parquet", b"PAR1"), ("line-protocol", b"")]
)
def test_files_are_the_commands_own(
    client: TestClient, home: Path, ids: list[str], tmp_path: Path, kind: str, begins: bytes
) -> None:
    found = client.get(f"/api/report/{ids[1]}/file/{kind}")
    assert found.status_code == 200, found.text
    assert found.content.startswith(begins)
    out = tmp_path / "out"
    CliRunner().invoke(cli, ["export", ids[1], "--home", str(home), "--format", kind, "-o", str(out)])
    if kind != "parquet":  # its writer puts a time stamp in each file
        assert found.content == out.read_bytes()


# --- photos
# ---------------------------------------------------------------------------------------------------------


def photo(width: int = 2400, height: int = 1200, **how: Any) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (width, height), (150, 70, 30)).save(out, "JPEG", **how)
    return out.getvalue()


def test_photos_are_scaled_down_kept_and_in_the_one_file(
    browser: Browser, home: Path, ids: list[str]
) -> None:
    exif = Image.Exif()
    exif[0x0112] = 6  # the camera was turned
    exif[0x010F] = "A camera's maker"
    exif.get_ifd(0x8825)[1] = "N"  # where it was taken
    given = photo(exif=exif)
    answer = browser.client.post("/api/report/photos", params={"firing": ids[0]}, content=given)
    assert answer.status_code == 200, answer.text
    [kept] = photos_of(home, ids[0])
    with Image.open(kept) as picture:
        assert picture.size == (SIDE_PX // 2, SIDE_PX)  # upright
        assert not picture.getexif()
    assert browser.client.get(f"/api/report/{ids[0]}/photo/{kept.name}").content == kept.read_bytes()
    assert "data:image/jpeg;base64," in browser.client.get(f"/api/report/{ids[0]}/page").text
    shown = browser.call(
        "report-form.children...report-saved.data...report-photos",
        {"report-ready.data": ids[0]},
        triggered="report-ready.data",
    )
    assert f"/photo/{kept.name}" in str(shown["report-photos"]["children"])
    assert "Remove" in text_of(shown["report-photos"]["children"])
    away = {"type": "report-photo-away", "name": kept.name}
    values = {"report-ready.data": ids[0], "report-photos-turn.data": 1}
    triggered = f'{{"name":"{kept.name}","type":"report-photo-away"}}.n_clicks'
    browser.call("report-photos-turn.data", values, triggered=triggered, many={AWAY: [(away, 1)]})
    assert photos_of(home, ids[0]) == []
    assert browser.client.get(f"/api/report/{ids[0]}/photo/{kept.name}").status_code == 422


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (b"", "this photo can't be read"),
        (b"GIF89a" + bytes(99), "this photo can't be read"),
        (b"<svg/>", "this photo can't be read"),
        (photo()[:400], "this photo can't be read"),
    ],
)
def test_what_is_no_photo_is_refused(
    client: TestClient, home: Path, ids: list[str], given: bytes, said: str
) -> None:
    answer = client.post("/api/report/photos", params={"firing": ids[1]}, content=given)
    assert answer.status_code == 422
    assert said in answer.json()["error"]
    assert photos_of(home, ids[1]) == []
    assert not list((home / "photos").rglob("*.part"))


def test_there_are_only_so_many_photos(client: TestClient, home: Path, ids: list[str]) -> None:
    small = photo(64, 48)
    for _ in range(MOST):
        assert client.post("/api/report/photos", params={"firing": ids[1]}, content=small).status_code == 200
    refused = client.post("/api/report/photos", params={"firing": ids[1]}, content=small)
    assert f"{MOST} photos already" in refused.json()["error"]
    for kept in photos_of(home, ids[1]):
        kept.unlink()


@pytest.mark.parametrize(
    "name", ["../../journal.sqlite", "..%2F..%2Fjournal.sqlite", "01-00000000.jpg", ".part"]
)
def test_no_photo_leads_out_of_the_folder(client: TestClient, ids: list[str], name: str) -> None:
    answer = client.get(f"/api/report/{ids[0]}/photo/{name}")
    assert answer.status_code == 422 or "text/html" in answer.headers["content-type"]  # the page itself
    assert b"SQLite" not in answer.content


# --- who may not act
# ------------------------------------------------------------------------------------------------


def test_who_may_not_act_may_neither_write_nor_add_photos(home: Path, ids: list[str]) -> None:
    before = facts(home, ids[0])
    watched = create_app(home / "journal.sqlite", door=Door(Operators(home)))
    with TestClient(watched.server, base_url="http://127.0.0.1") as watcher:
        refused = written(Browser(watcher, watched), ids[0], {"clay": "none"}, {})
        assert refused["pin-dialog"] == {"opened": True}
        assert (
            watcher.post("/api/report/photos", params={"firing": ids[0]}, content=photo(64, 48)).status_code
            == 401
        )
    assert facts(home, ids[0]) == before
    assert photos_of(home, ids[0]) == []
