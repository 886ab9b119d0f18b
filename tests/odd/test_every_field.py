"""Something well-formed that says something absurd, in every field there is.

The fields are found in the program itself: one that these tables don't know fails the test until a good value for it
is added here.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote
from zlib import crc32

import msgspec
import pytest
from fastapi.testclient import TestClient
from odd_values import VALUES

from logger.journal.reader import JournalReader
from logger.journal.rows import add_request
from logger.journal.writer import JournalWriter
from logger.plan import Plan, PlanError, from_document, loads
from logger.plan.alarm_rules import RULES
from logger.reading import Frame, Sample
from logger.requests import KINDS, RequestError, data_of, read_request
from logger.rig_line.wire import Malformed, decode, encode

Count = Callable[[str, str], None]


def object_of(fields: dict[str, str]) -> str:
    """A JSON object of fields whose values are JSON."""
    return "{" + ",".join(f"{json.dumps(name)}:{value}" for name, value in fields.items()) + "}"


def variants(good: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    """A good object with one field odd, missing, given twice, or one too many: field, what is odd, JSON."""
    for field in good:
        for what, value in VALUES.items():
            yield field, what, object_of({**good, field: value})
        yield field, "missing", object_of({k: v for k, v in good.items() if k != field})
        yield field, "twice", object_of(good)[:-1] + f",{json.dumps(field)}:{good[field]}}}"
    for name in ("", "no_such_field", "__class__", "é", "x" * 5000, "\ud800"):
        yield name[:20], "unknown", object_of({**good, name: "1"})


def sound(value: Any) -> None:
    """Every number is finite, every text can be written to a file."""
    match value:
        case dict():
            for key, part in value.items():
                sound(key)
                sound(part)
        case list() | tuple():
            for part in value:
                sound(part)
        case float():
            assert math.isfinite(value)
        case str():
            value.encode()


def said(exc: Exception, longest: int, where: str) -> None:
    """A refusal has words, and not too many of them, whatever it refuses."""
    assert 5 < len(str(exc)) < longest, where
    sound(str(exc))


# --- requests -------------------------------------------------------------------------------------------------------

REQUESTS: dict[str, dict[str, str]] = {
    "begin": {},
    "finish": {},
    "beacon_test": {},
    "arm": {"plan_toml": '"title = \\"A\\""', "replace": '"20261125-1052-k3f9"'},
    "ack": {"key": '"spread_too_wide:upper"'},
    "shelve": {"key": '"spread_too_wide:upper"', "minutes": "10"},
    "unshelve": {"key": '"spread_too_wide:upper"'},
    "note": {
        "kind": '"wood"',
        "text": '"oak"',
        "amount": '"an armful"',
        "zone": '"upper"',
        "height_cm": "40.5",
        "ago_min": "2.5",
    },
    "spot": {
        "zone": '"upper"',
        "temperature_c": "742.5",
        "emissivity": "0.9",
        "text": '"neck"',
        "height_cm": "40.5",
    },
    "retract": {"event": "7"},
    "amend": {"event": "7", "text": '"twice as much"', "ago_min": "2.5"},
    "mirror": {"detail": '"3 lines refused"'},
}


def test_every_request_is_known_here() -> None:
    assert {kind: set(struct.__struct_fields__) for kind, struct in KINDS.items()} == {
        kind: set(good) for kind, good in REQUESTS.items()
    }


@pytest.mark.parametrize("kind", REQUESTS)
def test_requests_at_the_logger(kind: str, count: Count) -> None:
    """As the logger reads a row: whatever comes out can be stored, and is within its bounds."""
    data_of(read_request(kind, json.loads(object_of(REQUESTS[kind]))))
    for field, what, text in variants(REQUESTS[kind]):
        try:
            data: Any = json.loads(text)
        except (ValueError, RecursionError):
            data = None
        try:
            asked = read_request(kind, data)
        except RequestError as exc:
            said(exc, 400, f"{field}: {what}")
            count(f"requests: {kind}", "refused")
            continue
        kept = data_of(asked)
        sound(kept)
        assert read_request(kind, json.loads(json.dumps(kept))) == asked, (field, what)
        assert len(json.dumps(kept)) < 1_300_000
        count(f"requests: {kind}", "taken")


@pytest.mark.parametrize("value", VALUES)
def test_kinds_of_request(value: str, count: Count) -> None:
    with contextlib.suppress(ValueError, RecursionError):
        kind = json.loads(VALUES[value])
        if isinstance(kind, str):
            with pytest.raises(RequestError, match=r"isn't a request"):
                read_request(kind, {})
            count("requests: kind", "refused")


# --- rows of requests -----------------------------------------------------------------------------------------------

CELLS: dict[str, Any] = {
    "null": None,
    "a number": 7,
    "a fraction": 0.5,
    "infinity": math.inf,
    "a blob": b"\x00\xff",
    "broken UTF-8": b'{"kind":"\xff"}',
    **{f"text: {what}": text for what, text in VALUES.items() if "half" not in what and "other" not in what},
}


def test_rows_of_requests(tmp_path: Path, count: Count) -> None:
    """Whatever is in a row of the journal, reading it back stops nobody."""
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(JournalWriter(path)) as writer:
        number = add_request(path, "note", {"kind": "wood"})
        with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
            columns = [row[1] for row in db.execute("PRAGMA table_info(request)")]
            assert columns == ["id", "made_us", "kind", "data", "who", "result"], (
                "teach this test the new one"
            )
            for column in columns[1:]:
                for what, cell in CELLS.items():
                    db.execute("DELETE FROM request")
                    row = {"made_us": 1, "kind": "note", "data": '{"kind":"wood"}', "who": "", "result": None}
                    row |= {column: cell}
                    try:
                        db.execute("INSERT INTO request VALUES (?, ?, ?, ?, ?, ?)", (number, *row.values()))
                    except sqlite3.IntegrityError:
                        count("journal rows: request", "impossible")
                        continue
                    for request in writer.take_requests():
                        with contextlib.suppress(RequestError):
                            read_request(request.kind, request.data)
                        writer.finish_request(request.id, {"ok": False, "error": "odd"})
                    assert writer.take_requests() == [], (column, what)
                    with contextlib.closing(JournalReader(path)) as reader:
                        found = reader.request(number)
                    assert found is not None
                    assert found.result is not None, (column, what)
                    count("journal rows: request", "read")


# --- plans ----------------------------------------------------------------------------------------------------------

PROBE = {
    "name": '"upper"',
    "channel": '"k1"',
    "rig": '"a1"',
    "height_cm": "40",
    "side": '"north"',
    "reads": '"wall"',
    "zone": '"upper"',
    "type": '"K"',
    "cold_junction": '"k0"',
    "tolerance_class": "1",
    "correction": "[[1.5,0.0],[101.0,99.2]]",
}
PLAN = {
    "title": '"Six jars"',
    "target_c": "780",
    "burnout_c": "650",
    "soak_min": "10",
    "cool_c": "100",
    "estimate": '{"judge_on":"probes"}',
    "probe": f"[{object_of(PROBE)}]",
    "alarm": "{}",
    "source": '[{"format":"lines","port":"/dev/ttyX"}]',
}
ESTIMATE = {"judge_on": '"probes"', "wall_mm": "8", "zones": '["windward"]'}


def plans() -> Iterator[tuple[str, str, str]]:
    """Plans with one odd field: where, what is odd, JSON."""
    yield from variants(PLAN)
    for field, what, text in variants(PROBE):
        yield f"probe.{field}", what, object_of({**PLAN, "probe": f"[{text}]"})
    for field, what, text in variants(ESTIMATE):
        yield f"estimate.{field}", what, object_of({**PLAN, "estimate": text})
    for rule in RULES.values():
        good = {"enabled": "true", **{s.name: json.dumps(s.default) for s in rule.settings}}
        for field, what, text in variants(good):
            yield (
                f"alarm.{rule.name}.{field}",
                what,
                object_of({**PLAN, "alarm": object_of({rule.name: text})}),
            )


def known_keys(text: str) -> set[str]:
    """The keys that the plan's reader lists when it finds an unknown one."""
    with pytest.raises(PlanError) as told:
        loads(text)
    return set(str(told.value).partition("known here: ")[2].split(", "))


def test_every_key_of_a_plan_is_known_here() -> None:
    assert known_keys("no_such_key = 1") == set(PLAN)
    assert known_keys("[[probe]]\nno_such_key = 1") == set(PROBE)
    assert known_keys("[estimate]\nno_such_key = 1") == set(ESTIMATE) - {"judge_on"}  # of older plans


def test_plans_from_a_page(count: Count) -> None:
    """As a page sends them, JSON."""
    assert from_document(json.loads(object_of(PLAN))).probes[0].height_cm == 40
    for field, what, text in plans():
        with contextlib.suppress(ValueError, RecursionError):
            check_plan(
                lambda text=text: from_document(json.loads(text)), f"{field}: {what}", "plans: JSON", count
            )


def test_plans_from_a_file(count: Count) -> None:
    """The same as TOML, an inline table each: what JSON and TOML write alike."""
    for field, what, text in plans():
        lines = [f"{name} = {toml(value)}" for name, value in fields_of(text)]
        check_plan(lambda lines=lines: loads("\n".join(lines)), f"{field}: {what}", "plans: TOML", count)


def fields_of(text: str) -> list[tuple[str, str]]:
    """The outermost fields of a JSON object, their values still as text."""
    try:
        fields = msgspec.json.decode(text.encode("utf-8", "surrogatepass"), type=dict[str, msgspec.Raw])
    except (msgspec.DecodeError, RecursionError, UnicodeError):
        return [("title", text)]
    return [(json.dumps(name), bytes(raw).decode("utf-8", "surrogatepass")) for name, raw in fields.items()]


def toml(value: str) -> str:
    """JSON as TOML: equals signs for colons outside texts, and TOML's words for values that aren't numbers."""
    parts = re.split(r'("(?:[^"\\]|\\.)*")', value)
    words = {"Infinity": "inf", "NaN": "nan", "null": '""'}
    for at in range(0, len(parts), 2):
        parts[at] = parts[at].replace(":", "=")
        for word, own in words.items():
            parts[at] = parts[at].replace(word, own)
    return "".join(parts)


def check_plan(read: Callable[[], Plan], where: str, of: str, count: Count) -> None:
    try:
        plan = read()
    except PlanError as exc:
        said(exc, 1200, where)
        count(of, "refused")
        return
    text = plan.dumps()
    text.encode()
    assert loads(text) == plan, where
    count(of, "taken")


# --- the rig's line, and what comes by MQTT -------------------------------------------------------------------------

SAMPLES: dict[str, dict[str, str]] = {
    "raw": {"amp": '"max31855"', "raw": '"2f10190"'},
    "uv": {"uv": "31214.0", "cj": "27.4"},
    "c": {"c": "512.3"},
    "fault": {"fault": '"open"'},
}
FRAME = {"rig": '"a1"', "seq": "18233", "ms": "911650", "ch": '{"k0":{"c":512.3}}'}


def frames() -> Iterator[tuple[str, str, str]]:
    yield from variants(FRAME)
    for good in SAMPLES.values():
        for field, what, text in variants(good):
            yield field, what, object_of({**FRAME, "ch": f'{{"k0":{text}}}'})
    for what, value in VALUES.items():
        if value.startswith('"'):
            yield "channel's name", what, object_of({**FRAME, "ch": f'{{{value}:{{"c":1}}}}'})


def test_every_field_of_a_frame_is_known_here() -> None:
    assert set(Frame.__struct_fields__) == set(FRAME)
    assert set(Sample.__struct_fields__) == {field for good in SAMPLES.values() for field in good}


def test_frames(count: Count) -> None:
    """With a correct checksum; by serial port and as one MQTT message it is the same line."""
    for field, what, text in frames():
        body = text.encode("utf-8", "surrogatepass")
        try:
            frame = decode(body + b"*%08x" % crc32(body))
        except Malformed as exc:
            said(exc, 400, f"{field}: {what}")
            count("frames", "refused")
            continue
        assert decode(encode(frame)) == frame, (field, what)
        assert 0 <= frame.seq < 2**32
        assert 0 <= frame.ms < 2**32
        for sample in frame.ch.values():
            sound([value for value in (sample.c, sample.uv, sample.cj) if value is not None])
        count("frames", "taken")


# --- the page: paths, query strings, bodies -------------------------------------------------------------------------

DOCUMENT = json.dumps(json.loads(object_of(PLAN)))
GOOD: dict[str, str] = {  # by the field's name: it means the same everywhere
    "alarms": "{}",
    "batch": '"0123456789abcdef"',
    "data": '{"kind":"wood"}',
    "fingerprinted_path": '"dash.min.js"',
    "firing": '"last"',
    "keep": "false",
    "kind": '"csv"',
    "name": '"six-jars"',
    "package_name": '"dash"',
    "path": '"x"',
    "pin": '"000001"',
    "plan": DOCUMENT,
    "replace": "true",
    "texts": '{"clay":"red"}',
    "title": '"A"',
    "token": '"0123456789abcdef01234567"',
    "unit": '"C"',
    "who": '"Ama"',
    "width": "800",
    "zone": '"UTC"',
}
GOOD_AT = {("/api/act", "kind"): '"note"'}


def routes(server: Any) -> Iterator[Any]:
    """Every endpoint, those of the rooms too."""
    for outer in server.routes:
        found = getattr(outer, "original_router", None)
        yield from [outer] if found is None else found.routes


def body_fields(route: Any) -> dict[str, bool]:
    """Names of a body's fields; for a model, its own."""
    names: list[str] = []
    for param in route.dependant.body_params:
        fields = getattr(param.field_info.annotation, "model_fields", None)
        names += [param.name] if fields is None else list(fields)
    return dict.fromkeys(names, True)


def query(value: str) -> str:
    """A JSON value as a query string or a path has it."""
    with contextlib.suppress(ValueError, RecursionError):
        said = json.loads(value)
        if isinstance(said, str):
            return quote(said.encode("utf-8", "surrogatepass"), safe="")
    return quote(value, safe="")


def asked(server: Any) -> Iterator[tuple[str, str, str, str]]:
    """Requests with one odd field each: method, address, body, and what is odd."""
    for route in routes(server):
        if not hasattr(route, "dependant") or not getattr(route, "methods", None):
            continue
        [method] = set(route.methods) - {"HEAD"}
        in_path = [p.name for p in route.dependant.path_params]
        in_query = [p.name for p in route.dependant.query_params]
        in_body = list(body_fields(route))

        def good(name: str, at: str = route.path) -> str:
            assert name in GOOD, f"{at}: what would be a good value for {name!r}? Say it in GOOD"
            return GOOD_AT.get((at, name), GOOD[name])

        for name in (*in_path, *in_query, *in_body):
            for what, value in VALUES.items():
                given = {n: good(n) for n in (*in_path, *in_query, *in_body)} | {name: value}
                address = re.sub(r"\{(\w+)(?::path)?\}", lambda m, g=given: query(g[m[1]]), route.path)
                if in_query:
                    address += "?" + "&".join(f"{n}={query(given[n])}" for n in in_query)
                body = object_of({n: given[n] for n in in_body}) if in_body else ""
                if len(address) < 60_000:  # longer ones no client of ours can send; see test_connections
                    yield method, address, body, f"{route.path} {name}: {what}"


def test_every_field_of_the_page(tmp_path: Path, count: Count, monkeypatch: pytest.MonkeyPatch) -> None:
    """No answer is a crash of ours, and nothing is left behind."""
    from dashboard import acts
    from dashboard.app import create_app
    from dashboard.work import apart

    monkeypatch.setattr(acts, "PATIENCE_S", 0.0)

    async def no_job(*given: Any) -> Any:
        raise apart.TooMuchError("long work has tests of its own")

    monkeypatch.setattr(apart, "_run", no_job)
    path = tmp_path / "journal.sqlite"
    with contextlib.closing(JournalWriter(path)) as writer:
        writer.open_firing("Invented", None, 1_795_600_800_000_000)
    server, uploads = create_app(path).server, 0
    headers = {"content-type": "application/json"}
    with TestClient(server, base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        for n, (method, address, body, what) in enumerate(asked(server)):
            content = body.encode("utf-8", "surrogatepass")
            got = client.request(method, address, content=content, headers=headers)
            assert got.status_code < 500 or got.status_code == 503, (what, got.text[:300])
            assert b"root:" not in got.content, what
            if "json" in got.headers.get("content-type", ""):
                sound(got.json())
            uploads += "upload" in address and got.status_code == 200
            count(f"page: {what.split()[0]}", str(got.status_code))
            if n % 100 == 99:
                with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
                    for (text,) in db.execute("SELECT data FROM request"):
                        sound(json.loads(text))
                    db.execute("DELETE FROM request")
    for file in (tmp_path / "plans").glob("*"):
        loads(file.read_text())
    assert len(list((tmp_path / "spool").glob("*/*"))) == uploads
