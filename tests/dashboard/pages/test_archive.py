"""The firings: the list, its pictures and peaks, the bin, files in with a preview, files out whole, places."""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import os
import time
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pyarrow.parquet as pq
import pytest
from answering import somebody
from calling import Browser, text_of
from fastapi.testclient import TestClient
from firing_fixture import START_US, SmallFire
from msgspec.structs import replace
from page_journal import PLAN, make_batch
from PIL import Image

from dashboard.app import Page
from dashboard.pages import firings as page_of_firings
from dashboard.pages import firings_errands, firings_import, firings_sent
from dashboard.parts.firing_card import may_be_placed
from dashboard.parts.import_form import FIELDS, page_words, way_words
from dashboard.security.guard import RefusedError
from dashboard.stored import shelf
from dashboard.stored.exports import download_headers
from dashboard.stored.shelf import STEPS, glimpse
from dashboard.work.spool import Spool, plain_name
from logger.exchange.csv_in import already_here, digest_of
from logger.exchange.csv_table import CsvOptions
from logger.exchange.export import export_csv, export_line_protocol
from logger.journal.bin import throw_away
from logger.journal.reader import FiringInfo, JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import loads
from logger.plan.library import save_plan
from logger.replay.judging import rehearse
from logger.report.photos import keep_photo, photos_of
from tests.invented_firings import invented_firing

pytestmark = pytest.mark.slow  # files written and read by separate processes

MINUTE_US = 60_000_000
LOG = "time (s),low,high\n0,20,30\n1,21,31\n2,22,\n60,80,90\n"
NASTY = "<img src=x onerror=window.hurt=1>"


class Tablet(Browser):
    """Calls the page's callbacks as a browser would, and keeps what a browser keeps."""

    def __init__(self, client: TestClient, app: Page, path: Path) -> None:
        super().__init__(client, app)
        self.path = path
        self.has: dict[str, Any] = {
            "unit.data": "C",
            "firings-find.value": "",
            "firings-order.value": "newest",
            "firings-which.data": "list",
        }
        self.reading: dict[str, Any] = dict.fromkeys(FIELDS)

    def press(
        self, trigger: str, *, own: dict[str, Any] | None = None, output: str = "", many: Any = None
    ) -> dict[str, Any]:
        """Call the callback that a component's property triggers."""
        known, prop = trigger.rsplit(".", 1)
        read = [({"type": "read", "field": field}, value) for field, value in self.reading.items()]
        many = (many or {}) | {
            '{"field":["ALL"],"type":"read"}': read,
            '{"field":["ALL"],"type":"read-box"}': [({**each, "type": "read-box"}, None) for each, _ in read],
        }
        changed = trigger
        if own is not None:
            many[known] = [(own, 1)]
            changed = f"{json.dumps(own, sort_keys=True, separators=(',', ':'))}.{prop}"
        elif known.startswith('{"field"'):
            changed = '{"field":"day_first","type":"read"}.value'
        self.has[trigger] = 1 if prop == "n_clicks" else self.has.get(trigger)
        told = self.call(output, self.has, triggered=changed, many=many)
        for component, props in told.items():
            for key, value in props.items():
                self.has[f"{component}.{key}"] = value
        return told

    def listed(self, **more: Any) -> list[dict[str, Any]]:
        """The cards that are shown."""
        self.has.update({f"firings-{name}": value for name, value in more.items()})
        told = self.press("firings-find.value")
        return list(told["firings-list"]["children"])

    def ids(self, **more: Any) -> list[str]:
        return [card["props"]["data-firing"] for card in self.listed(**more)]

    def send(self, text: str | bytes, name: str = "fire.csv", batch: str = "") -> dict[str, Any]:
        answer = self.client.post("/api/firings/upload", params={"name": name, "batch": batch}, content=text)
        assert answer.status_code == 200, answer.text
        got = answer.json()
        before = self.has.get("import-sent.data") or {"files": []}
        files = [*(before["files"] if batch else []), got["name"]]
        self.has["import-sent.data"] = {"batch": got["batch"], "files": files}
        return dict(got)

    def preview(self, **reading: Any) -> dict[str, Any]:
        """Preview the uploaded files; return what the page then shows."""
        self.reading.update(reading)
        self.press("import-sent.data", output="import-errand.data")
        self.poll("import")
        if self.has.get("import-found.data") is None:
            return {}
        told = self.press("import-found.data", output="import-form.hidden")
        self.has["import-now.disabled"] = self.press("import-found.data", output="import-now.disabled")[
            "import-now"
        ]["disabled"]
        return told

    def poll(self, prefix: str) -> dict[str, Any]:
        end = time.monotonic() + 120
        while True:
            told = self.press(f"{prefix}-poll.n_intervals")
            if told[f"{prefix}-poll"]["disabled"]:
                return told
            assert time.monotonic() < end

    def bring_in(self) -> dict[str, Any]:
        """Import the uploaded files; return the firing's ID and what was said."""
        self.press("import-now.n_clicks")
        return self.poll("import")

    def stored(self, *, binned: bool | None = None) -> list[FiringInfo]:
        return shelf.firings(self.path, binned=binned)


@pytest.fixture
def tablet(client: TestClient, app: Page, path: Path) -> Tablet:
    return Tablet(client, app, path)


def spool_of(path: Path) -> list[str]:
    root = path.parent / "spool"
    return sorted(str(p.relative_to(root)) for p in root.rglob("*")) if root.exists() else []


def noticed(told: dict[str, Any]) -> str:
    return text_of([n["message"] for n in told.get("notes", {}).get("sendNotifications", [])])


# --- the list -----------------------------------------------------------------------------------------------


def test_without_a_journal_there_is_nothing_and_no_fault(tablet: Tablet) -> None:
    assert tablet.listed() == []
    assert "No firings yet" in tablet.has["firings-count.children"]


def test_list_and_pictures(tablet: Tablet, path: Path) -> None:
    """Two zones, closed forms: coals at 700, the upper wall climbs to 20 + 2 * 300 s and falls."""
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing(NASTY, PLAN, START_US, ended_us=START_US + 601_000_000).id
        t_s = np.arange(601)
        upper = 20 + 2.0 * np.minimum(t_s, 600 - t_s)
        writer.append(
            firing, make_batch(START_US + t_s * 1_000_000, np.stack((np.full(601, 700.0), upper), 1))
        )
        writer.pack(firing)
        late = writer.open_firing("No readings yet", None, START_US + MINUTE_US).id
    first, second = tablet.listed()
    assert [c["props"]["data-firing"] for c in (first, second)] == [late, firing]  # newest first
    assert NASTY in text_of(second)  # a text child: React never makes markup of it
    assert "10 min" in text_of(second)
    assert "burning now" in text_of(first)
    assert "burning now" not in text_of(second)
    with contextlib.closing(JournalReader(path)) as reader:
        picture, nothing = (glimpse(reader, reader.firing(each)) for each in (firing, late))
    assert len(picture["low"]) == len(picture["high"]) == STEPS
    assert set(picture["high"]) == {700.0}
    # Steps are whole multiples of a one-second bucket; none is left out.
    assert min(picture["low"]) == pytest.approx(20, abs=2 * 601 / STEPS)
    assert max(picture["low"]) == pytest.approx(620, abs=2 * 601 / STEPS)
    assert nothing["coldest"] is None
    assert nothing["high"] == []
    drawn = unquote(second["props"]["children"][0]["props"]["children"][0]["props"]["src"])
    assert drawn.startswith("data:image/svg+xml,<svg")


def test_a_running_firings_picture_grows(path: Path) -> None:
    fire = SmallFire(path, k=2)
    fire.light()
    fire.burn(100)
    first = shelf.rows(path, shelf.firings(path))[0].picture
    with contextlib.closing(JournalReader(path)) as reader:
        zone = np.mean(reader.readings(fire.id).temperature_c, axis=0)  # both probes are of one
    assert first["coldest"] == (pytest.approx(zone.max(), abs=0.25), "z")  # a mean over a second
    assert shelf.rows(path, shelf.firings(path))[0].picture is first  # made once
    fire.burn(600)
    second = shelf.rows(path, shelf.firings(path))[0].picture
    assert len(second["low"]) > len(first["low"])
    fire.writer.close()


def test_peaks_are_those_of_the_command_once_they_are_worked_out(tablet: Tablet, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        firing, _ = invented_firing(writer, 5, rate_hz=0.1)
    assert "Working out the peak" in text_of(tablet.listed())
    assert tablet.has["firings-peaks.disabled"] is False
    told, end = {}, time.monotonic() + 120
    own = {"type": "firing-peak", "firing": firing}
    while not tablet.has["firings-peaks.disabled"]:
        told = tablet.press(
            "firings-peaks.n_intervals", many={'{"firing":["ALL"],"type":"firing-peak"}': [(own, None)]}
        )
        assert time.monotonic() < end
    with contextlib.closing(JournalReader(path)) as reader:
        zones = rehearse(reader, reader.firing(firing))["zones"]
    peak_c, zone = min((z["peak_c"], z["zone"]) for z in zones if z["zone"] != "under")
    words = f"Coldest zone peaked at {peak_c:.0f} °C ({zone})"
    assert told[json.dumps(own, sort_keys=True, separators=(",", ":"))]["children"] == words
    assert "firings-turn" not in told, "cards that are there stay"
    assert words in text_of(tablet.listed())
    tablet.has["unit.data"] = "F"
    assert f"{peak_c * 1.8 + 32:.0f} °F" in text_of(tablet.listed())
    assert tablet.has["firings-peaks.disabled"] is True


def test_firings_are_found_by_what_is_said_of_them_and_sorted(tablet: Tablet, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        jars, _ = invented_firing(writer, 5, rate_hz=0.05, described={"clay": "Grey river clay"})
        bowls, _ = invented_firing(writer, 7, day=2, rate_hz=0.05)
        pipes, _ = invented_firing(writer, 11, day=1, rate_hz=0.05)
        for firing, title in ((jars, "Jars"), (bowls, "Bowls and a lid"), (pipes, "pipes")):
            writer.change_firing(firing, title=title)
    assert tablet.ids() == [bowls, pipes, jars]
    assert tablet.ids(**{"order.value": "oldest"}) == [jars, pipes, bowls]
    assert tablet.ids(**{"order.value": "title"}) == [bowls, jars, pipes]
    lengths = {info.id: info.last_us - info.started_us for info in tablet.stored() if info.last_us}
    assert tablet.ids(**{"order.value": "longest"}) == sorted(lengths, key=lambda i: -lengths[i])
    tablet.has["firings-order.value"] = "newest"
    for words, wanted in (
        ("river", [jars]),
        ("LID bowls", [bowls]),
        (jars[:8], [jars]),
        ("november", [bowls, pipes, jars]),
        ("river bowls", []),
    ):
        assert tablet.ids(**{"find.value": words}) == wanted, words
    assert tablet.has["firings-count.children"] == "No match among 3 firings."
    peaks = {jars: 700.0, pipes: 650.0}
    infos = tablet.stored()
    assert [i.id for i in shelf.in_order(infos, "hottest", peaks)] == [jars, pipes, bowls]
    assert [i.id for i in shelf.in_order(infos, "coldest", peaks)] == [pipes, jars, bowls]
    # Nonsense from a client is no crash.
    assert len(tablet.ids(**{"find.value": None, "order.value": ["x"], "page.data": "x"})) == 3


def test_many_firings_come_in_pages(tablet: Tablet, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        for n in range(30):
            writer.open_firing(f"No. {n}", None, START_US + n * MINUTE_US, ended_us=START_US + n * MINUTE_US)
    assert len(tablet.ids()) == page_of_firings.A_PAGE
    assert tablet.has["firings-count.children"] == "30 firings, 1 to 24"
    tablet.has["firings-page.data"] = 1
    assert len(tablet.ids()) == 6
    tablet.has["firings-page.data"] = 99  # some were deleted meanwhile
    assert len(tablet.ids()) == 6
    assert tablet.has["firings-page.data"] == 1


def test_up_to_six_are_chosen_to_be_compared(path: Path) -> None:
    """Pressed again, it is taken out; the seventh is refused in words."""
    ids = ["a", "b"]
    door = text_of(page_of_firings.show_chosen(["a"], "list")[2].to_plotly_json())
    assert door == "Choose at least one more."
    hidden, count, link = page_of_firings.show_chosen(ids, "list")
    assert (hidden, count, link.href) == (False, "2 chosen", "/compare?firings=a,b")
    assert page_of_firings.show_chosen(ids, "bin")[0] is True


def test_choosing(tablet: Tablet, path: Path) -> None:
    every = '{"firing":["ALL"],"type":"firing-choose"}.n_clicks'
    for n in range(6):
        told = tablet.press(every, own={"type": "firing-choose", "firing": f"f{n}"})
    assert tablet.has["firings-chosen.data"] == [f"f{n}" for n in range(6)]
    told = tablet.press(every, own={"type": "firing-choose", "firing": "f6"})
    assert "at most 6" in noticed(told)
    tablet.press(every, own={"type": "firing-choose", "firing": "f0"})
    assert tablet.has["firings-chosen.data"] == [f"f{n}" for n in range(1, 6)]


# --- the bin ------------------------------------------------------------------------------------------------


def test_to_the_bin_back_and_gone_for_good(tablet: Tablet, path: Path) -> None:
    with contextlib.closing(JournalWriter(path)) as writer:
        stays, _ = invented_firing(writer, 5, rate_hz=0.05)
        goes, _ = invented_firing(writer, 7, day=1, rate_hz=0.05)
    photo = io.BytesIO()
    Image.new("RGB", (40, 30), "red").save(photo, "PNG")
    keep_photo(path.parent, goes, photo.getvalue())
    worked_out = path.parent / "worked-out" / f"{goes}.json"
    worked_out.parent.mkdir()
    worked_out.write_text("{}")
    delete, back = (f'{{"firing":["ALL"],"type":"firing-{each}"}}.n_clicks' for each in ("delete", "back"))
    told = tablet.press(delete, own={"type": "firing-delete", "firing": goes})
    assert "is in the bin" in noticed(told)
    assert tablet.ids() == [stays]
    assert tablet.ids(**{"which.data": "bin"}) == [goes]
    assert "Working out the peak" not in text_of(tablet.listed()), "nobody works it out here"
    # With one firing there is no search field: what was searched for before must hide nothing.
    assert tablet.ids(**{"find.value": "no such words"}) == [goes]
    assert tablet.ids(**{"find.value": ""}) == [goes]
    tablet.press(back, own={"type": "firing-back", "firing": goes})
    assert tablet.ids(**{"which.data": "list"}) == [goes, stays]
    tablet.press(delete, own={"type": "firing-delete", "firing": goes})
    # Asked first; the question never includes what isn't in the bin.
    told = tablet.press("firings-empty.n_clicks")
    assert told["firings-sure"]["hidden"] is False
    assert tablet.has["firings-doomed.data"] == [goes]
    assert "1 firing" in tablet.has["firings-sure-words.children"]
    tablet.has["firings-doomed.data"] = [goes, stays, "nonsense"]  # a forged one: only the bin is emptied
    tablet.press("firings-delete-now.n_clicks")
    told = tablet.poll("firings")
    assert told["firings-said"]["children"] == "1 firing deleted for good."
    assert [info.id for info in tablet.stored()] == [stays]
    assert photos_of(path.parent, goes) == []
    assert not worked_out.exists()


def test_what_runs_stays_and_watchers_delete_nothing(tablet: Tablet, path: Path) -> None:
    fire = SmallFire(path, k=2)
    fire.light()
    fire.burn(50)
    told = tablet.press(
        '{"firing":["ALL"],"type":"firing-delete"}.n_clicks', own={"type": "firing-delete", "firing": fire.id}
    )
    assert "end the firing" in noticed(told)
    assert "Delete" not in text_of(tablet.listed())
    fire.writer.finish_firing(fire.id, START_US + 60_000_000)
    fire.writer.close()
    assert "Delete" in text_of(tablet.listed())
    with somebody(path, None):
        for act in (
            firings_errands.to_the_bin_or_back([1], [], 0),
            firings_errands.ask_whether([], 1, None),
            firings_errands.delete_now(1, [fire.id]),
            firings_import.look_again(None, [], [], None),
            firings_sent.cancel(1, None, None, {"batch": "0" * 16, "files": []}),
        ):
            with pytest.raises(RefusedError):
                asyncio.run(act)
    assert not tablet.stored()[0].binned


# --- files in -----------------------------------------------------------------------------------------------


def test_a_file_whose_rows_are_only_numbered_says_how_far_apart_they_are(tablet: Tablet) -> None:
    tablet.send("No,low\n" + "".join(f"{n},{20 + n}\n" for n in range(1, 8)), "numbered.csv")
    refused = tablet.preview()
    assert "Time unit: seconds" in text_of(refused["import-refused"]["children"])
    for period, seconds in (("0.5s", "500 ms"), ("10s", "10 s"), ("2min", "120 s")):
        assert dict(FIELDS["time_unit"].choices)[period].startswith("row numbers, one every ")
        told = tablet.preview(time=["No"], time_unit=period)
        assert f"7, one every {seconds}" in text_of(told["import-understood"]["children"])


def test_preview_then_import(tablet: Tablet, path: Path) -> None:
    sent = tablet.send(LOG, "../../fire:one.csv")
    assert sent["name"] == "fire_one.csv"
    told = tablet.preview()
    shown = text_of(told["import-understood"]["children"])
    assert "4, one every 1 s" in shown
    assert "Gaps 1: 1 min from minute 0" in shown
    assert "low °C 20 to 80 °C 4" in shown
    assert "high °C 30 to 90 °C 3" in shown
    assert "First rows of fire_one.csv Row time (s) low high 2 0 20 30" in shown
    assert tablet.stored() == []  # a preview imports nothing
    assert tablet.has["import-now.disabled"] is False
    tablet.has |= {
        "import-title.value": "Shards, invented",
        "import-invented.checked": True,
        "import-begun.value": "2026-04-03T10:00:00",
    }
    told = tablet.bring_in()
    assert "Imported:" in text_of(told["import-done"]["children"])
    (info,) = tablet.stored()
    assert (info.title, info.invented, info.readings) == ("Shards, invented", True, 7)
    assert time.strftime("%Y-%m-%d %H:%M", time.localtime(info.started_us / 1e6)) == "2026-04-03 10:00"
    assert info.facts["imported"] == ["fire_one.csv"]
    assert info.facts["time_known"] is False
    assert spool_of(path) == []


def test_an_import_that_failed_may_be_tried_again(tablet: Tablet, path: Path) -> None:
    sent = tablet.send(LOG)
    tablet.preview()
    file = path.parent / "spool" / sent["batch"] / sent["name"]
    file.write_text("nonsense")
    assert tablet.bring_in()["import-said"]["children"]
    assert tablet.stored() == []
    file.write_text(LOG)
    tablet.bring_in()
    assert len(tablet.stored()) == 1
    assert spool_of(path) == []


def test_what_is_typed_wrong_beside_an_import_is_said_there_and_nothing_comes_in(tablet: Tablet) -> None:
    tablet.send("time (s),low\n0,20\n1,21\n")
    tablet.preview()
    for title in ("Jars\nand bowls", "x" * 201):
        tablet.has["import-title.value"] = title
        told = tablet.press("import-now.n_clicks")
        assert told["import-title"]["error"] == "give one line of at most 200 characters"
    tablet.has["import-title.value"] = "Jars"
    for begun in ("1969-12-30T10:00", "2999-01-01T10:00", "0001-01-01T00:00", "Tuesday"):
        tablet.has["import-begun.value"] = begun
        told = tablet.press("import-now.n_clicks")
        assert "between 1970 and 2200" in told["import-begun"]["error"]
    assert tablet.stored() == []


def test_two_files_of_one_name_are_both_kept(tablet: Tablet) -> None:
    first = tablet.send("time (s),low\n0,20\n1,21\n")
    second = tablet.send("time (s),high\n0,30\n1,31\n", batch=first["batch"])
    third = tablet.send("time (s),top\n0,40\n1,41\n", batch=first["batch"])
    assert [each["name"] for each in (first, second, third)] == ["fire.csv", "fire 2.csv", "fire 3.csv"]
    tablet.preview()
    tablet.bring_in()
    [info] = tablet.stored()
    assert info.readings == 6


def test_several_files_make_one_firing(tablet: Tablet) -> None:
    west = tablet.send("time (s),temperature\n0,20\n1,21\n", "west.csv")
    tablet.send("time (s),temperature\n0,30\n1,31\n", "east.csv", west["batch"])
    assert "Probe Unit in the file Range Readings west" in text_of(
        tablet.preview()["import-understood"]["children"]
    )
    tablet.bring_in()
    assert tablet.stored()[0].readings == 4


def test_what_is_unclear_is_asked_in_the_pages_words_with_ways_on(tablet: Tablet) -> None:
    tablet.send("date,a\n03/04/2026 10:00:00,20\n03/04/2026 10:00:01,21\n")
    told = tablet.preview()
    refused = text_of(told["import-refused"]["children"])
    assert "'03/04/2026' may have the day or the month first; say which with:" in refused
    assert "Day or month first: 3/4 is 3 April" in refused
    assert told['{"field":"day_first","type":"read"}']["error"] == "say which"
    assert told['{"field":"day_first","type":"read-box"}']["className"] == "asked"
    assert told['{"field":"unit","type":"read"}']["error"] == ""
    assert told["import-how"]["open"] is False  # a tap settles it
    assert tablet.has["import-now.disabled"] is True
    said = noticed(tablet.press("import-now.n_clicks"))  # if somebody asks for it anyway
    assert "may have the day or the month first" in said
    told = tablet.press('{"n":["ALL"],"type":"import-way"}.n_clicks', own={"type": "import-way", "n": 0})
    assert told['{"field":"day_first","type":"read"}']["value"] == "true"
    told = tablet.preview(day_first="true", timezone="UTC")
    assert told["import-refused"]["children"] == ""
    assert "3 April 2026" in text_of(told["import-understood"]["children"])


@pytest.mark.parametrize(
    ("clock", "said"),
    [
        (["02:58", "02:59", "02:00", "02:01"], "the clock goes back by 59 min"),
        (["01:58", "01:59", "03:00", "03:01"], "the clock jumps ahead by an hour"),
    ],
)
def test_a_clock_that_steps_by_an_hour_asks_for_the_time_zone(
    tablet: Tablet, clock: list[str], said: str
) -> None:
    """Neither is imported before somebody has said what the clock did."""
    day = "2026-10-25" if "back" in said else "2026-03-29"
    tablet.send("date,a\n" + "".join(f"{day}T{c}:00,{20 + n}\n" for n, c in enumerate(clock)))
    told = tablet.preview()
    assert said in text_of(told["import-refused"]["children"])
    assert "“Time zone”" in text_of(told["import-refused"]["children"])
    assert told['{"field":"timezone","type":"read"}']["error"] == "say which"
    assert tablet.has["import-now.disabled"] is True
    told = tablet.preview(timezone="Europe/Vienna")
    assert told["import-refused"]["children"] == ""
    tablet.bring_in()
    (info,) = tablet.stored()
    assert info.last_us is not None
    assert info.last_us - info.started_us == 3 * MINUTE_US


def test_an_hour_that_was_a_pause_may_stay(tablet: Tablet) -> None:
    rows = "".join(
        f"2026-03-29T{c}:00,{20 + n}\n" for n, c in enumerate(("01:58", "01:59", "03:00", "03:01"))
    )
    tablet.send("date,a\n" + rows)
    told = tablet.preview()
    assert told["import-pause-box"]["hidden"] is False
    assert "missing hour was a pause" in noticed(tablet.press("import-now.n_clicks"))
    tablet.has["import-pause.checked"] = True
    assert tablet.press("import-found.data", output="import-now.disabled")["import-now"]["disabled"] is False
    tablet.bring_in()
    assert len(tablet.stored()) == 1


def test_a_refused_file_names_row_and_column_and_leaves_nothing(tablet: Tablet) -> None:
    tablet.send("time (s),low,high\n0,20,30\n1,oops,31\n")
    told = tablet.preview()
    refused = text_of(told["import-refused"]["children"])
    assert "fire.csv row 3, column 'low': 'oops' is not a temperature" in refused
    assert "--" not in refused
    asked = [name for name in FIELDS if told[f'{{"field":"{name}","type":"read"}}'].get("error")]
    assert "no_reading" in asked
    assert tablet.stored() == []
    assert tablet.preview(no_reading=["oops"])["import-refused"]["children"] == ""  # it is still there
    tablet.bring_in()
    assert tablet.stored()[0].readings == 3


def test_keep_and_rows_to_leave_out_are_boxes_of_the_form(tablet: Tablet) -> None:
    tablet.send("time (s),low,battery\n0,20,9\n1,oops,9\n2,22,9\n")
    assert "oops" in text_of(tablet.preview()["import-refused"]["children"])
    told = tablet.preview(skip_rows=["3"])
    assert told["import-refused"]["children"] == ""
    assert "battery °C" not in text_of(told["import-understood"]["children"])  # left out by itself
    told = tablet.preview(keep=["low", "battery"])
    assert "battery °C 9 to 9 °C 2" in text_of(told["import-understood"]["children"])
    assert told['{"field":"keep","type":"read"}']["data"] == ["time (s)", "low", "battery"]
    tablet.bring_in()
    assert tablet.stored()[0].readings == 4


def test_a_column_left_out_is_shown_as_such_though_its_name_begins_like_another(tablet: Tablet) -> None:
    tablet.send("time (s),T1,T10\n0,20,30\n1,21,31\n")
    *_, first_rows = tablet.preview(keep=["T1"])["import-understood"]["children"]
    _, head, _ = first_rows["props"]["children"]["props"]["children"]
    cells = head["props"]["children"]["props"]["children"]
    assert [cell["props"]["className"] for cell in cells] == ["", "time", "read", "left"]


def test_a_file_that_is_here_already_is_said_with_a_way_on(tablet: Tablet, path: Path) -> None:
    """No matter who imported it, under what name; also when it is in the bin."""
    tablet.send(LOG)
    tablet.preview()
    tablet.bring_in()
    (first,) = tablet.stored()
    tablet.send(LOG, "another name.csv")
    told = tablet.preview()
    assert "This file has already been imported" in text_of(told["import-same"]["children"])
    assert first.title in text_of(told["import-same"]["children"])
    assert tablet.has["import-now.disabled"] is True
    assert "already been imported" in noticed(tablet.press("import-now.n_clicks"))
    with contextlib.closing(JournalWriter(path)) as writer:
        throw_away(writer, first.id, START_US)
    assert "bin" in text_of(tablet.preview()["import-same"]["children"])
    tablet.has["import-again.checked"] = True
    tablet.bring_in()
    assert len(tablet.stored()) == 2
    # A file that differs in one number is a different file.
    tablet.has["import-again.checked"] = False
    tablet.send(LOG.replace("80", "81"))
    assert tablet.preview()["import-same"]["children"] == ""
    (path.parent / "a.csv").write_text(LOG)
    assert len(already_here(tablet.stored(), [digest_of(path.parent / "a.csv")])) == 1


def test_a_plan_gives_columns_their_heights(tablet: Tablet, path: Path) -> None:
    save_plan(path.parent, "low-and-high", loads(PLAN.replace("coals", "low", 1)))
    tablet.send(LOG)
    told = tablet.preview()
    (known,) = told["import-plan"]["data"]
    assert known == {"value": "plan:low-and-high", "label": "Four jars, invented: 1 of 2 columns"}
    tablet.has |= {"import-plan.value": known["value"], "import-again.checked": True}
    tablet.bring_in()
    (first,) = tablet.stored()
    tablet.send(LOG)
    tablet.preview()
    tablet.has["import-plan.value"] = f"firing:{first.id}"
    tablet.bring_in()
    with contextlib.closing(JournalReader(path)) as reader:
        for info in tablet.stored():
            probes = [column.probe for column in reader.columns(info.id)]
            assert [(p.name, p.height_cm) for p in probes] == [("low", 0), ("high", None)]
            assert info.plan.target_c == 780
    tablet.send(LOG)
    tablet.preview()
    for ref in ("plan:none", "firing:none", "plan:../journal", "nonsense"):
        tablet.has["import-plan.value"] = ref
        assert noticed(tablet.press("import-now.n_clicks")), ref
    assert len(tablet.stored()) == 2


@pytest.mark.parametrize(
    ("reading", "field"),
    [({"decimal": "x"}, "decimal"), ({"unit": "r"}, "unit"), ({"skip": -1}, "skip"), ({"skip": "x"}, "skip")],
)
def test_choices_that_are_none_are_refused_beside_their_field(
    tablet: Tablet, reading: dict[str, Any], field: str
) -> None:
    tablet.send(LOG)
    tablet.reading.update(reading)
    told = tablet.press("import-sent.data", output="import-errand.data")
    assert told[f'{{"field":"{field}","type":"read"}}']["error"]
    assert "import-errand" not in told


def test_every_way_to_read_a_file_is_a_field() -> None:
    assert set(FIELDS) == set(CsvOptions.__dataclass_fields__)


def test_calling_it_off_leaves_nothing(tablet: Tablet, path: Path) -> None:
    rows = "".join(f"{t / 10},{20 + t % 700},{30 + t % 600},{40 + t % 500}\n" for t in range(60_000))
    tablet.send(f"time (s),a,b,c\n{rows}")
    tablet.preview()
    tablet.press("import-now.n_clicks")
    assert tablet.has["import-poll.disabled"] is False
    assert tablet.press("import-cancel.n_clicks")["import-address"]["href"] == "/firings"
    assert spool_of(path) == []
    assert tablet.stored() == []


def test_a_file_of_some_megabytes_comes_in(tablet: Tablet) -> None:
    rows = "".join(f"{t / 10},{20 + t % 700},{30 + t % 600},{40 + t % 500}\n" for t in range(60_000))
    tablet.send(f"time (s),a,b,c\n{rows}")
    tablet.preview()
    tablet.bring_in()
    assert tablet.stored()[0].readings == 180_000


def test_too_large_a_file_is_refused_and_removed(
    tablet: Tablet, client: TestClient, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.work.spool.MAX_BYTES", 1000)
    sent = tablet.send(b"x" * 600)
    refused = client.post(
        "/api/firings/upload", params={"name": "b.csv", "batch": sent["batch"]}, content=b"x" * 600
    )
    assert refused.status_code == 422
    assert refused.json()["field"] == "files"
    assert spool_of(path) == [sent["batch"], f"{sent['batch']}/fire.csv"]


@pytest.mark.parametrize("batch", ["../..", "0" * 16, "../../../etc", "x"])
def test_places_that_are_none(tablet: Tablet, client: TestClient, batch: str) -> None:
    refused = client.post("/api/firings/upload", params={"name": "a.csv", "batch": batch}, content=b"a")
    assert refused.status_code == 422
    assert "choose them again" in refused.json()["error"]
    tablet.has["import-sent.data"] = {"batch": batch, "files": ["journal.sqlite"]}
    assert "choose them again" in noticed(tablet.press("import-sent.data", output="import-errand.data"))


def test_only_files_that_were_sent_are_read(tablet: Tablet, path: Path) -> None:
    tablet.send(LOG)
    (path.parent / "secret.csv").write_text(LOG)
    for name in ("../../secret.csv", "/etc/hostname", ".", ""):
        tablet.has["import-sent.data"]["files"] = [name]
        assert "choose them again" in noticed(tablet.press("import-sent.data", output="import-errand.data"))


def test_what_nobody_came_back_for_goes(path: Path) -> None:
    spool = Spool(path.parent)
    old, new = spool.open(), spool.open()
    os.utime(spool.folder(old), (time.time() - 4000,) * 2)
    spool.sweep()
    assert spool_of(path) == [new]
    assert (path.parent / "spool").stat().st_mode & 0o077 == 0


def test_an_import_beside_a_writer_waits_for_it(tablet: Tablet, path: Path) -> None:
    """As with the command: the journal's own lock keeps the two apart, and both succeed."""
    fire = SmallFire(path, k=2)
    fire.light()
    fire.burn(100)
    tablet.send(LOG)
    tablet.preview()
    assert (
        "A firing is running"
        in tablet.press("import-sent.data", output="burning")["import-burning"]["children"]
    )
    tablet.bring_in()
    fire.burn(100)
    assert {info.readings for info in tablet.stored()} == {400, 7}
    fire.writer.close()


# --- places afterwards --------------------------------------------------------------------------------------


def save_places(tablet: Tablet, firing: str, said: dict[str, str], unit: str = "C") -> dict[str, Any]:
    """Save what is typed into the form; its errors come by the field's path."""
    ids = [
        {"type": "places-field", "path": path, "as": "F" if unit == "F" and path.endswith("_c") else "number"}
        for path in said
    ]
    many = {'{"as":["ALL"],"path":["ALL"],"type":"places-field"}': list(zip(ids, said.values(), strict=True))}
    values = {"places-firing.data": firing, "unit.data": unit}
    told = tablet.call("places-said.children", values, triggered="places-save.n_clicks", many=many)
    return {json.loads(own)["path"]: each["error"] for own, each in told.items() if own.startswith("{")} | {
        "said": text_of(told["places-said"]["children"])
    }


def test_an_imported_firing_is_given_places_zones_and_a_plan(tablet: Tablet, path: Path) -> None:
    from dashboard.pages import firings_places

    tablet.send(LOG)
    tablet.preview()
    tablet.bring_in()
    (info,) = tablet.stored()
    said = {
        "target_c": "1400",
        "burnout_c": "1200",
        "soak_min": "5",
        "probe.0.height_cm": "5",
        "probe.0.reads": "coals",
        "probe.0.zone": "under",
        "probe.1.height_cm": "40",
        "probe.1.side": "north",
        "probe.1.reads": "wall",
        "probe.1.zone": "",
    }
    for part, value in (("height_cm", "1e9"), ("reads", "steam"), ("zone", "x" * 200)):
        wrong = save_places(tablet, info.id, {**said, f"probe.1.{part}": value}, "F")
        assert {field for field, words in wrong.items() if words} == {f"probe.1.{part}", "said"}
        assert wrong["said"] == "Not saved."
    assert tablet.stored()[0].plan_toml is None
    assert save_places(tablet, info.id, said, "F")["said"].startswith("Saved.")
    plan = tablet.stored()[0].plan
    assert plan.target_c == pytest.approx(760)
    with contextlib.closing(JournalReader(path)) as reader:
        probes = [column.probe for column in reader.columns(info.id)]
        assert [(p.name, p.height_cm, p.side, p.reads, p.zone) for p in probes] == [
            ("low", 5, "", "coals", "under"),
            ("high", 40, "north", "wall", "high"),
        ]
        assert {z["zone"] for z in rehearse(reader, reader.firing(info.id))["zones"]} == {"under", "high"}
        assert reader.readings(info.id).temperature_c[1][0] == 30
    save_plan(path.parent, "shed", replace(plan, title="By the shed", target_c=900.0))
    with somebody(path):
        offered, whole, rows = asyncio.run(firings_places.show(info.id, None, "C"))[2:]
        assert offered == [{"value": "plan:shed", "label": "By the shed"}]
        assert [field.value for field in whole] == ["760", "648.89", "5"]
        assert rows[1].children.children[1].value == "40"
        taken = asyncio.run(firings_places.show(info.id, "plan:shed", "C"))[3]
        assert taken[0].value == "900"


def test_a_firing_with_a_plan_of_its_own_keeps_it(path: Path) -> None:
    from dashboard.pages import firings_places

    with contextlib.closing(JournalWriter(path)) as writer:
        firing, _ = invented_firing(writer, 5, rate_hz=0.05)
        assert not may_be_placed(writer.firing(firing))
    with somebody(path):
        about, hidden, *_ = asyncio.run(firings_places.show(firing, None, "C"))
    assert hidden is True
    assert "that plan stays" in about


# --- files out ----------------------------------------------------------------------------------------------


@pytest.fixture
def burnt(path: Path) -> str:
    fire = SmallFire(path, k=3, hz=1.0)
    fire.light()
    fire.burn(90)
    fire.writer.finish_firing(fire.id, START_US + 90_000_000)
    fire.writer.close()
    return fire.id


def save(tablet: Tablet, firing: str, kind: str) -> dict[str, Any]:
    own = {"type": "firing-save", "firing": firing, "kind": kind}
    return tablet.press('{"firing":["ALL"],"kind":["ALL"],"type":"firing-save"}.n_clicks', own=own)


def test_downloads_are_what_the_command_writes(
    tablet: Tablet, client: TestClient, path: Path, burnt: str, tmp_path: Path
) -> None:
    with contextlib.closing(JournalReader(path)) as reader:
        export_csv(reader, burnt, tmp_path / "a.csv")
        export_line_protocol(reader, burnt, tmp_path / "a.lp")
    for kind, ending in (("csv", "csv"), ("line-protocol", "lp"), ("parquet", "parquet")):
        save(tablet, burnt, kind)
        address = tablet.poll("firings")["firings-made"]["data"]
        got = client.get(address)
        assert got.status_code == 200
        assert f'filename="Sixteen places, invented {burnt}.{ending}"' in got.headers["content-disposition"]
        if kind == "parquet":
            table = pq.read_table(io.BytesIO(got.content))
            assert (table.num_rows, table.column_names) == (90, ["time", "p0", "p1", "p2"])
        else:
            assert got.content == (tmp_path / f"a.{ending}").read_bytes()
        assert client.get(address).status_code == 422  # each is given once
        assert spool_of(path) == []
        direct = client.get(f"/api/report/{burnt}/file/{kind}")
        assert kind == "parquet" or direct.content == got.content


def test_an_export_that_is_called_off_leaves_nothing(
    tablet: Tablet, client: TestClient, path: Path, burnt: str
) -> None:
    save(tablet, burnt, "csv")
    token = tablet.has["firings-errand.data"]
    told = tablet.press("firings-stop.n_clicks")
    assert told["firings-said"]["children"] == "Stopped; nothing was saved."
    assert client.get(f"/api/firings/made/{token}").status_code == 422
    assert spool_of(path) == []
    for _ in range(8):  # no place was kept either
        save(tablet, burnt, "csv")
        tablet.press("firings-stop.n_clicks")
    save(tablet, burnt, "csv")
    assert client.get(tablet.poll("firings")["firings-made"]["data"]).status_code == 200


def test_downloads_that_cannot_be_made(tablet: Tablet, client: TestClient, path: Path, burnt: str) -> None:
    assert "no such firing" in noticed(save(tablet, "nonsense", "csv"))
    save(tablet, burnt, "exe")
    assert "can be saved as csv" in tablet.poll("firings")["firings-said"]["children"]
    assert client.get("/api/firings/made/nonsense").status_code == 422
    assert spool_of(path) == []


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd"),
        ('a"b\r\nSet-Cookie: x=1.csv', "a_b__Set-Cookie_ x_1.csv"),
        ("..\\..\\auto.bat", "auto.bat"),
        (".hidden", "hidden"),
        ("Töpfe, März.csv", "Töpfe, März.csv"),
        ("x" * 200 + ".csv", "x" * 70 + ".csv"),
        ("...", "otherwise"),
        ("///", "otherwise"),
    ],
)
def test_names_of_files(name: str, plain: str) -> None:
    assert plain_name(name, "otherwise") == plain


def test_headers_of_a_download_are_plain_and_also_exact() -> None:
    said = download_headers("Töpfe.csv", 12)["content-disposition"]
    assert said == "attachment; filename=\"T_pfe.csv\"; filename*=UTF-8''T%C3%B6pfe.csv"


def test_page_words_leave_other_words_alone() -> None:
    assert page_words("row 3 -- really --nonsense") == ("row 3 -- really --nonsense", [])
    assert page_words("check --delimiter and --decimal") == (
        "check “Column separator” and “Decimal mark”",
        ["delimiter", "decimal"],
    )
    assert way_words("repeats", "spread", "spreads such rows") == "Rows with the same time: spread evenly"
    assert way_words("skip_rows", ["3"], "if it is a remark") == "Rows to leave out: 3 (if it is a remark)"
    assert way_words("keep", ["a", "b"], "") == "Columns to keep: a, b"
