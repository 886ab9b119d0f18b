"""The archive's endpoints: the list, the pictures, files in with a preview, files out whole."""

from __future__ import annotations

import contextlib
import io
import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from dashboard.pages.archive import download_headers, page_words
from fastapi.testclient import TestClient
from firing_fixture import START_US, SmallFire
from page_journal import PLAN, make_batch

from dashboard.app import create_app
from dashboard.glimpse import STEPS
from dashboard.spool import Spool, plain_name
from logger.exchange.export import export_csv, export_line_protocol
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import loads
from logger.plan.library import save_plan

MINUTE_US = 60_000_000
LOG = "time (s),low,high\n0,20,30\n1,21,31\n2,22,\n60,80,90\n"


@pytest.fixture
def client(path: Path) -> Iterator[TestClient]:
    with TestClient(create_app(path).server, base_url="http://127.0.0.1") as made:
        yield made


def send(client: TestClient, text: str | bytes, name: str = "fire.csv", batch: str = "") -> dict[str, str]:
    answer = client.post("/api/archive/upload", params={"name": name, "batch": batch}, content=text)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def ask(client: TestClient, what: str, sent: dict[str, str], **more: Any) -> Any:
    body = {"batch": sent["batch"], "files": [sent["file"]], **more}
    return client.post(f"/api/archive/{what}", json=body)


def spool_of(path: Path) -> list[str]:
    root = path.parent / "spool"
    return sorted(str(p.relative_to(root)) for p in root.rglob("*")) if root.exists() else []


def firings(client: TestClient) -> list[dict[str, Any]]:
    return list(client.get("/api/archive").json()["firings"])


# --- the list -----------------------------------------------------------------------------------------------


def test_without_a_journal_there_is_nothing_and_no_fault(client: TestClient) -> None:
    assert firings(client) == []


def test_list_and_pictures(client: TestClient, path: Path) -> None:
    """Two zones, closed forms: coals at 700, the upper wall climbs to 20 + 2 * 300 s and falls."""
    with contextlib.closing(JournalWriter(path)) as writer:
        firing = writer.open_firing("Four jars", PLAN, START_US, ended_us=START_US + 601_000_000).id
        t_s = np.arange(601)
        upper = 20 + 2.0 * np.minimum(t_s, 600 - t_s)
        writer.append(
            firing, make_batch(START_US + t_s * 1_000_000, np.stack((np.full(601, 700.0), upper), 1))
        )
        writer.pack(firing)
        late = writer.open_firing("No readings yet", None, START_US + MINUTE_US).id
    listed = firings(client)
    assert [f["id"] for f in listed] == [late, firing]  # newest first
    assert listed[1] | {"readings": 1202, "length_s": 600.0, "running": False, "imported": False} == listed[1]
    assert listed[0]["running"] is True
    found = client.get("/api/archive/pictures", params={"ids": f"{firing},{late},nonsense"}).json()
    assert found.keys() == {firing, late}
    picture = found[firing]
    assert picture["coldest"] == {"zone": "upper", "peak_c": 620.0}  # coals need not reach anything
    assert len(picture["low"]) == len(picture["high"]) <= STEPS + 1
    assert set(picture["high"]) == {700.0}
    # Steps of whole multiples of a second's bucket; none is left out.
    assert min(picture["low"]) == pytest.approx(20, abs=2 * picture["step_s"])
    assert max(picture["low"]) == pytest.approx(620, abs=2 * picture["step_s"])
    assert found[late]["coldest"] is None
    assert found[late]["high"] == [None]


def test_a_running_firings_picture_grows(client: TestClient, path: Path) -> None:
    fire = SmallFire(path, k=2)
    fire.light()
    fire.burn(100)
    first = client.get("/api/archive/pictures", params={"ids": fire.id}).json()[fire.id]
    fire.burn(600)
    second = client.get("/api/archive/pictures", params={"ids": fire.id}).json()[fire.id]
    assert len(second["low"]) > len(first["low"])
    fire.writer.close()


# --- files in -----------------------------------------------------------------------------------------------


def test_preview_then_import(client: TestClient, path: Path) -> None:
    sent = send(client, LOG, "../../fire:one.csv")
    assert sent["file"] == "fire_one.csv"
    found = ask(client, "preview", sent).json()
    assert found["files"][0]["columns"] == [["low", "c"], ["high", "c"]]
    assert found["files"][0]["head"][0] == [2, ["0", "20", "30"]]
    assert found["whole"]["gaps"] == [[2.0, 58.0]]
    assert found["whole"]["readings"] == [4, 3]
    assert firings(client) == []  # looking imports nothing
    made = ask(client, "import", sent, title="Shards, invented", invented=True, started_s=1.7e9)
    assert made.status_code == 200, made.text
    (listed,) = firings(client)
    assert listed["id"] == made.json()["firing"]
    assert (listed["title"], listed["started_s"], listed["invented"]) == ("Shards, invented", 1.7e9, True)
    assert (listed["readings"], listed["imported"], listed["time_known"]) == (7, True, False)
    assert spool_of(path) == []


def test_several_files_make_one_firing(client: TestClient) -> None:
    west = send(client, "time (s),temperature\n0,20\n1,21\n", "west.csv")
    east = send(client, "time (s),temperature\n0,30\n1,31\n", "east.csv", west["batch"])
    body = {"batch": west["batch"], "files": [west["file"], east["file"]]}
    assert client.post("/api/archive/preview", json=body).json()["whole"]["names"] == ["west", "east"]
    assert client.post("/api/archive/import", json=body).status_code == 200
    assert firings(client)[0]["readings"] == 4


def test_what_is_unclear_is_asked_in_the_pages_words(client: TestClient) -> None:
    sent = send(client, "date,a\n03/04/2026 10:00:00,20\n03/04/2026 10:00:01,21\n")
    whole = ask(client, "preview", sent).json()["whole"]
    assert "may be the day or the month first; say which with “Order of dates”" in whole["error"]
    assert whole["fields"] == ["day_first"]
    whole = ask(client, "preview", sent, reading={"day_first": True, "timezone": "UTC"}).json()["whole"]
    assert (whole["error"], whole["fields"]) == ("", [])
    assert whole["started"].startswith("2026-04-03T10:00:00")


def test_a_refused_file_names_row_and_column_and_leaves_nothing(client: TestClient, path: Path) -> None:
    sent = send(client, "time (s),low,high\n0,20,30\n1,oops,31\n")
    refused = ask(client, "import", sent)
    assert refused.status_code == 422
    assert "fire.csv row 3, column 'low': 'oops' is not a temperature" in refused.json()["error"]
    assert refused.json()["field"] == "no_reading"
    assert "--" not in refused.json()["error"]
    assert firings(client) == []
    assert (
        ask(client, "import", sent, reading={"no_reading": ["oops"]}).status_code == 200
    )  # it is still there


def test_a_plan_gives_columns_their_heights(client: TestClient, path: Path) -> None:
    save_plan(path.parent, "low-and-high", loads(PLAN.replace("coals", "low", 1)))
    sent = send(client, LOG)
    (known,) = client.get("/api/archive/plans").json()
    assert known == {
        "ref": "plan:low-and-high",
        "title": "Four jars, invented",
        "names": ["low", "<b>upper</b> & wall"],
    }
    first = ask(client, "import", sent, plan=known["ref"], title="a").json()["firing"]
    sent = send(client, LOG)
    second = ask(client, "import", sent, plan=f"firing:{first}", title="b").json()["firing"]
    with contextlib.closing(JournalReader(path)) as reader:
        for firing in (first, second):
            probes = [column.probe for column in reader.columns(firing)]
            assert [(p.name, p.height_cm) for p in probes] == [("low", 0), ("high", None)]
            assert reader.firing(firing).plan.target_c == 780
    assert len(client.get("/api/archive/plans").json()) == 2  # each plan of firings once
    sent = send(client, LOG)
    for ref in ("plan:none", "firing:none", "plan:../journal", "nonsense"):
        assert ask(client, "import", sent, plan=ref).status_code == 422


@pytest.mark.parametrize("reading", [{"decimal": "x"}, {"unit": "r"}, {"skip": -1}, {"made_up": 1}])
def test_choices_that_are_none_are_refused(client: TestClient, reading: dict[str, Any]) -> None:
    sent = send(client, LOG)
    refused = ask(client, "preview", sent, reading=reading)
    assert refused.status_code == 422
    assert refused.json()["field"].startswith("reading.")


def test_a_file_of_some_megabytes_comes_in(client: TestClient) -> None:
    rows = "".join(f"{t / 10},{20 + t % 700},{30 + t % 600},{40 + t % 500}\n" for t in range(60_000))
    sent = send(client, f"time (s),a,b,c\n{rows}")
    assert ask(client, "import", sent).status_code == 200
    assert firings(client)[0]["readings"] == 180_000


def test_too_large_a_file_is_refused_and_removed(
    client: TestClient, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("dashboard.spool.MAX_BYTES", 1000)
    sent = send(client, b"x" * 600)
    refused = client.post(
        "/api/archive/upload", params={"name": "b.csv", "batch": sent["batch"]}, content=b"x" * 600
    )
    assert refused.status_code == 422
    assert refused.json()["field"] == "files"
    assert spool_of(path) == [sent["batch"], f"{sent['batch']}/fire.csv"]


@pytest.mark.parametrize("batch", ["../..", "0" * 16, "../../../etc", "x"])
def test_places_that_are_none(client: TestClient, batch: str) -> None:
    refused = client.post("/api/archive/upload", params={"name": "a.csv", "batch": batch}, content=b"a")
    assert refused.status_code == 422
    assert "choose them again" in refused.json()["error"]
    refused = client.post("/api/archive/import", json={"batch": batch, "files": ["journal.sqlite"]})
    assert refused.status_code == 422


def test_only_files_that_were_sent_are_read(client: TestClient, path: Path) -> None:
    sent = send(client, LOG)
    (path.parent / "secret.csv").write_text(LOG)
    for name in ("../../secret.csv", "/etc/hostname", ".", ""):
        assert ask(client, "preview", {**sent, "file": name}).status_code == 422


def test_what_nobody_came_back_for_goes(path: Path) -> None:
    spool = Spool(path.parent)
    old, new = spool.open(), spool.open()
    os.utime(spool.folder(old), (time.time() - 4000,) * 2)
    spool.sweep()
    assert spool_of(path) == [new]
    assert (path.parent / "spool").stat().st_mode & 0o077 == 0


def test_an_import_beside_a_writer_waits_for_it(client: TestClient, path: Path) -> None:
    """As the command does: the journal's own lock keeps the two apart, and both come through."""
    fire = SmallFire(path, k=2)
    fire.light()
    fire.burn(100)
    sent = send(client, LOG)
    assert ask(client, "import", sent).status_code == 200
    fire.burn(100)
    assert {f["readings"] for f in firings(client)} == {400, 7}
    fire.writer.close()


# --- files out ----------------------------------------------------------------------------------------------


@pytest.fixture
def burnt(path: Path) -> str:
    fire = SmallFire(path, k=3, hz=1.0)
    fire.light()
    fire.burn(90)
    fire.writer.finish_firing(fire.id, START_US + 90_000_000)
    fire.writer.close()
    return fire.id


def test_downloads_are_what_the_command_writes(
    client: TestClient, path: Path, burnt: str, tmp_path: Path
) -> None:
    with contextlib.closing(JournalReader(path)) as reader:
        export_csv(reader, burnt, tmp_path / "a.csv")
        export_line_protocol(reader, burnt, tmp_path / "a.lp")
    for kind, ending in (("csv", "csv"), ("line-protocol", "lp")):
        got = client.get(f"/api/archive/{burnt}/export/{kind}")
        assert got.status_code == 200
        assert got.content == (tmp_path / f"a.{ending}").read_bytes()
        assert f'filename="Sixteen places, invented {burnt}.{ending}"' in got.headers["content-disposition"]
    table = pq.read_table(io.BytesIO(client.get(f"/api/archive/{burnt}/export/parquet").content))
    assert (table.num_rows, table.column_names) == (90, ["time", "p0", "p1", "p2"])
    assert spool_of(path) == []


def test_downloads_that_cannot_be_made(client: TestClient, path: Path, burnt: str) -> None:
    assert client.get("/api/archive/nonsense/export/csv").status_code == 422
    assert client.get(f"/api/archive/{burnt}/export/exe").status_code == 422
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
        "check “Between columns” and “Decimal sign”",
        ["delimiter", "decimal"],
    )
