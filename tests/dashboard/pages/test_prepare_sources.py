"""Boards that don't speak the rig's line, set up on the page: a real broker, pymodbus's own servers, the plan made."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

import pytest
from calling import Browser, text_of
from fastapi.testclient import TestClient
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer

from dashboard.app import Page, create_app
from dashboard.parts.source_form import form_of, source_fields, table_of
from dashboard.preparing.hearing import hearing
from dashboard.preparing.planning import read_document, to_document
from logger.errors import UserError
from logger.plan import Plan, loads
from logger.reading import Sample
from logger.sources.plain import plain_source
from tests.broker import Mosquitto
from tests.modbus_rig import device, serial_line, serving
from tests.processes import free_port, until

DEFAULTS = {part.id["name"]: part.value for part in source_fields([])}
EMPTY = to_document(Plan(title="Bowls, invented"))


class Setup:
    """The form, the numbers and the draft, as a browser has them."""

    def __init__(self, browser: Browser) -> None:
        self.browser, self.doc = browser, EMPTY
        self.form: dict[str, str] = dict(DEFAULTS)
        self.keys: Any = []
        self.changing: Any = None
        self.named: dict[str, str] = {}
        self.said = self.says = ""

    def call(self, output: str, triggered: str, **more: Any) -> dict[str, Any]:
        values = {
            "prepare-plan.data": {"doc": self.doc, "name": ""},
            "prepare-found-keys.data": self.keys,
            "prepare-changing.data": self.changing,
        }
        many = {
            '{"name":["ALL"],"type":"prepare-source"}': [
                ({"type": "prepare-source", "name": n}, v) for n, v in self.form.items()
            ],
            '{"key":["ALL"],"type":"prepare-number"}': [
                ({"type": "prepare-number", "key": k}, v) for k, v in self.named.items()
            ],
            **more,
        }
        told = self.browser.call(output, values, triggered=triggered, many=many)
        told = json.loads(json.dumps(told))
        self.keys = told.get("prepare-found-keys", {}).get("data", self.keys)
        self.said = told.get("prepare-heard-said", {}).get("children", self.said)
        if "prepare-changing" in told:
            self.changing = told["prepare-changing"]["data"]
        if "prepare-found-keys" in told or "prepare-changing" in told:
            trigger = "prepare-changing.data" if "prepare-changing" in told else "prepare-found-keys.data"
            rows = self.call("prepare-numbers.children", trigger)["prepare-numbers"]["children"]
            self.named = {r["props"]["id"]["key"]: r["props"]["value"] for r in rows if "id" in r["props"]}
        return told

    def listen(self, enough: Callable[[dict[str, str]], bool]) -> None:
        """Press Listen, and wait for numbers."""
        self.call("prepare-hear-poll.disabled", "prepare-hear.n_clicks")
        assert self.said == "Listening …"

        def heard() -> bool:
            told = self.call("prepare-heard.children", "prepare-hear-poll.n_intervals")
            self.says = told["prepare-heard"]["children"]
            return enough(self.named)

        until(heard, f"numbers; it says {self.said!r}", 40)

    def take(self) -> None:
        told = self.call("prepare-plan.data", "prepare-source-take.n_clicks")
        self.doc = told["prepare-plan"]["data"]["doc"] if "prepare-plan" in told else self.doc

    def change(self, i: int) -> None:
        button = {"type": "prepare-source-change", "i": i}
        name = json.dumps(button, sort_keys=True, separators=(",", ":"))
        every = {'{"i":["ALL"],"type":"prepare-source-change"}': [(button, 1)]}
        told = self.call("prepare-changing.data...prepare-found-keys", f"{name}.n_clicks", **every)
        for n in self.form:
            key = json.dumps({"type": "prepare-source", "name": n}, sort_keys=True, separators=(",", ":"))
            self.form[n] = told[key]["value"]

    @property
    def probes(self) -> list[tuple[str, str]]:
        return [(p["name"], p["channel"]) for p in self.doc["probe"]]


@pytest.fixture
def app(path: Path) -> Page:
    return create_app(path)


@pytest.fixture
def page(app: Page) -> Iterator[Setup]:
    with TestClient(app.server, base_url="http://127.0.0.1") as client:
        yield Setup(Browser(client, app))
        assert client.portal is not None
        client.portal.call(hearing.end)


@contextmanager
def beside(there: Callable[[], AbstractAsyncContextManager[Any]]) -> Iterator[Any]:
    """A coroutine kept running by its own event loop beside the page."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    async def enter() -> tuple[AbstractAsyncContextManager[Any], Any]:
        context = there()
        return context, await context.__aenter__()

    try:
        context, found = asyncio.run_coroutine_threadsafe(enter(), loop).result(20)
        try:
            yield found
        finally:
            asyncio.run_coroutine_threadsafe(context.__aexit__(None, None, None), loop).result(20)
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


async def first_samples(doc: dict[str, Any], channels: int) -> dict[str, Sample]:
    """What the logger reads from a plan's first source, through the plan's file."""
    plan = loads(read_document(doc).dumps(), "plan")
    found: dict[str, Sample] = {}
    enough = asyncio.Event()

    async def put(came: Any) -> None:
        found.update(came.samples)
        if len(found) >= channels:
            enough.set()

    source = plain_source(plan.sources[0], set(), "stokewatch-test")
    running = asyncio.create_task(source.run(put, lambda *_: None))
    await asyncio.wait_for(enough.wait(), 20)
    running.cancel()
    await asyncio.wait([running])
    return found


@pytest.mark.real
def test_numbers_on_a_broker_are_set_up_on_the_page(page: Setup, tmp_path: Path) -> None:
    page.form |= {"format": "mqtt", "topic": "yard/#", "unit": "F", "broken": "9999"}
    others = threading.Event()
    with Mosquitto(tmp_path) as broker:

        @asynccontextmanager
        async def yard() -> AsyncIterator[None]:
            over = asyncio.Event()

            async def publish() -> None:
                while not over.is_set():
                    await broker.publish("yard/coals/temperature", b"1472")
                    if others.is_set():
                        await broker.publish("yard/top/temperature", b"9999")
                        await broker.publish("yard/stack", b'{"walls":[212.0,null],"name":"x"}')
                    await asyncio.sleep(0.1)

            task = asyncio.create_task(publish())
            yield
            over.set()
            await task

        page.form["url"] = broker.url
        with beside(yard):

            def all_heard(named: dict[str, str]) -> bool:
                if named:
                    others.set()  # the coals have the short name: they were heard first
                return len(named) >= 4

            page.listen(all_heard)
            assert "yard/coals/temperature 1472" in page.says
            # Two topics end in the same word: each gets a name of its own.
            assert page.named == {
                "yard/coals/temperature": "temperature",
                "yard/top/temperature": "yard_top_temperature",
                "yard/stack walls.0": "stack_walls.0",
                "yard/stack walls.1": "stack_walls.1",
            }
            page.named |= {"yard/coals/temperature": "coals", "yard/stack walls.0": "pot wall"}
            page.named["yard/stack walls.1"] = ""  # says null: left out
            page.take()
            assert "Added to the plan, with 3 probes" in page.said
            got = asyncio.run(first_samples(page.doc, 3))
    assert got == {
        "temperature": Sample(c=800.0),
        "yard_top_temperature": Sample(fault="open"),
        "stack_walls.0": Sample(c=100.0),
    }
    assert sorted(page.probes) == [  # in the plan as first heard
        ("coals", "temperature"),
        ("pot wall", "stack_walls.0"),
        ("yard_top_temperature", "yard_top_temperature"),
    ]
    reads = {p["name"]: p["reads"] for p in page.doc["probe"]}
    assert reads == {"coals": "coals", "pot wall": "wall", "yard_top_temperature": "air"}


@pytest.mark.real
def test_a_broker_that_is_not_there_is_said(page: Setup) -> None:
    page.form |= {"format": "mqtt", "url": f"mqtt://127.0.0.1:{free_port()}"}
    page.call("prepare-hear-poll.disabled", "prepare-hear.n_clicks")

    def told() -> bool:
        page.call("prepare-heard.children", "prepare-hear-poll.n_intervals")
        return "is the broker running" in page.said

    until(told, "a word", 30)


READ = {"r0": Sample(c=21.5), "r1": Sample(c=612.5), "r2": Sample(fault="open"), "r3": Sample(c=-0.5)}
"""The invented module's first four input registers, in tenths; 32767 is its broken wire."""


@pytest.mark.real
def test_a_module_in_the_network_is_set_up_on_the_page(page: Setup) -> None:
    port = free_port()
    page.form |= {"format": "tcp", "url": f"tcp://127.0.0.1:{port}", "unit_id": "7", "every_s": "0,2"}
    page.form |= {"first": "0", "count": "4", "rig": "rack", "broken": "32767, -32768"}
    with beside(lambda: serving(ModbusTcpServer(device(7), address=("127.0.0.1", port)))):
        page.listen(lambda named: len(named) == 4)
        assert "r0=215.0 r1=6125.0 r2=32767.0" in page.says
        page.form["scale"] = "0,1"  # shows only now, when it counts tenths
        page.take()
        assert asyncio.run(first_samples(page.doc, 4)) == READ
    (source,) = read_document(page.doc).sources
    assert (source.rig_name, source.every_s, source.unit_id) == ("rack", 0.2, 7)
    assert source.channels[0].broken == [32767.0, -32768.0]


@pytest.mark.real
def test_a_module_on_a_serial_line_is_set_up_on_the_page(page: Setup) -> None:
    page.form |= {"format": "rtu", "baud": "9600", "count": "4", "scale": "0.1", "broken": "32767"}

    @asynccontextmanager
    async def module() -> AsyncIterator[str]:
        async with serial_line() as (ours, theirs):
            server = ModbusSerialServer(device(1), framer=FramerType.RTU, port=theirs, baudrate=9600)
            async with serving(server):
                yield ours

    with beside(module) as port:
        page.form["port"] = port
        page.listen(lambda named: len(named) == 4)
        page.take()
        assert asyncio.run(first_samples(page.doc, 4)) == READ


@pytest.mark.real
def test_several_modules_on_one_line_are_set_up_together(page: Setup) -> None:
    port = free_port()
    page.form |= {"format": "tcp", "url": f"tcp://127.0.0.1:{port}", "unit_id": "7, 8", "count": "2"}
    page.form |= {"scale": "0.1", "byte_order": "little"}
    with beside(lambda: serving(ModbusTcpServer([device(7), device(8)], address=("127.0.0.1", port)))):
        page.listen(lambda named: len(named) == 4)
        assert set(page.named) == {"r0", "r1", "u8r0", "u8r1"}
        page.named |= {"r0": "lower wall", "u8r0": "upper wall", "r1": "", "u8r1": ""}
        page.take()
        swapped = Sample(c=(215 % 256 * 256 + 215 // 256 - 65536) / 10)  # 215 with its bytes swapped
        assert asyncio.run(first_samples(page.doc, 2)) == {"r0": swapped, "u8r0": swapped}
    (source,) = read_document(page.doc).sources
    assert source.unit_id == 7
    assert [(c.name, c.unit_id, c.byte_order) for c in source.channels] == [
        ("r0", None, "little"),
        ("u8r0", 8, "little"),
    ]
    assert [name for name, _ in page.probes] == ["lower wall", "upper wall"]
    page.change(0)
    assert (page.form["unit_id"], page.form["byte_order"]) == ("7 8", "little")


@pytest.mark.real
def test_what_a_module_refuses_is_said_on_the_page(page: Setup) -> None:
    port = free_port()
    page.form |= {"format": "tcp", "url": f"tcp://127.0.0.1:{port}", "unit_id": "7", "first": "900"}
    with beside(lambda: serving(ModbusTcpServer(device(7), address=("127.0.0.1", port)))):
        page.call("prepare-hear-poll.disabled", "prepare-hear.n_clicks")

        def told() -> bool:
            page.call("prepare-heard.children", "prepare-hear-poll.n_intervals")
            return "refuses input registers 900 to 907 (exception 2)" in page.said

        until(told, "a word", 30)


LINES = {
    "format": "lines",
    "port": "/dev/ttyX",
    "baud": 9600,
    "unit": "F",
    "channel": [
        {"name": "T1", "field": "T1", "broken": [2048.0]},
        {"name": "T2", "field": "T2", "offset": 1.5},
        {"name": "T3", "field": "T3", "scale": 0.1},
    ],
}
PLACED = {"height_cm": 45.0, "side": "windward", "reads": "wall", "zone": "upper", "type": "K"}


def with_lines() -> dict[str, Any]:
    probes = [{"name": n, "channel": c, **PLACED} for n, c in (("low", "T1"), ("mid", "T2"), ("top", "T3"))]
    doc: dict[str, Any] = json.loads(json.dumps({**EMPTY, "source": [LINES], "probe": probes}))
    return doc


def test_a_source_of_the_plan_is_changed_where_it_stands(page: Setup) -> None:
    """Speed and a name change; a number left out goes with its probe; places and marks stay."""
    other = {"format": "mqtt", "url": "mqtt://h", "channel": [{"topic": "a/+", "unit": "F"}]}
    page.doc = with_lines()
    page.doc["source"].append(other)
    page.change(0)
    assert (page.form["format"], page.form["port"], page.form["baud"]) == ("lines", "/dev/ttyX", "9600")
    assert (page.form["unit"], page.form["broken"], page.form["scale"]) == ("F", "2048", "1")
    assert page.named == {"T1": "low", "T2": "mid", "T3": "top"}
    page.form["baud"] = "19200"
    page.named |= {"T1": "low wall", "T2": ""}
    page.take()
    channels = [LINES["channel"][0], LINES["channel"][2]]  # type: ignore[index]
    assert page.doc["source"] == [{**LINES, "baud": 19200, "channel": channels}, other]
    assert page.probes == [("low wall", "T1"), ("top", "T3")]
    assert all(p[key] == value for p in page.doc["probe"] for key, value in PLACED.items())
    assert page.changing is None
    # What the topic names stays as it is.
    page.change(1)
    assert page.named == {}
    page.form["url"] = "mqtt://elsewhere"
    page.take()
    assert page.doc["source"][1] == {**other, "url": "mqtt://elsewhere", "unit": "C"}


def test_a_source_may_be_left_as_it_is(page: Setup) -> None:
    page.doc = with_lines()
    page.change(0)
    page.call("prepare-changing.data@", "prepare-source-leave.n_clicks")
    assert (page.changing, page.keys, page.named) == (None, [], {})
    told = page.call("prepare-plan.data", "prepare-source-take.n_clicks")
    assert "prepare-plan" not in told


def test_every_source_goes_through_the_form_unchanged(page: Setup) -> None:
    rack = {"name": "a", "register": 10, "table": "holding", "type": "float32", "word_order": "little"}
    sources = [
        LINES,
        {"format": "modbus", "port": "/dev/ttyY", "baud": 9600, "parity": "E", "stop_bits": 2}
        | {"unit_id": 3, "every_s": 2.5, "channel": [rack, {**rack, "name": "b", "register": 12}]},
        {"format": "modbus", "url": "tcp://h:502", "rig": "rack", "channel": [{"name": "c", "register": 0}]},
        {"format": "modbus", "url": "tcp://i:502", "unit_id": 2}
        | {
            "channel": [
                {"name": "e", "register": 4, "byte_order": "little"},
                {"name": "f", "register": 4, "unit_id": 5, "byte_order": "little"},
            ]
        },
        {"format": "mqtt", "url": "mqtt://h", "channel": [{"name": "d", "topic": "a/b", "path": "x.0"}]},
    ]
    page.doc = json.loads(json.dumps({**EMPTY, "source": sources}))
    before = read_document(page.doc).sources
    for i in range(len(sources)):
        page.change(i)
        page.take()
        assert "Added to the plan" in page.said, page.said
    assert read_document(page.doc).sources == before
    assert form_of(sources[1]) | {"first": "10", "count": "2"} == form_of(sources[1])


def test_a_second_board_with_the_same_numbers_gets_probes_too(page: Setup) -> None:
    for port in ("/dev/ttyA", "/dev/ttyB"):
        page.form["port"] = port
        page.keys = [{"key": "1", "name": "n1", "mark": {"field": 1}}]
        page.named = {"1": f"at {port}"}
        page.take()
    assert page.probes == [("at /dev/ttyA", "n1"), ("at /dev/ttyB", "n1_2")]
    read_document(page.doc)


def test_a_name_that_was_typed_stays_when_another_number_is_found(page: Setup) -> None:
    one = {"key": "a/b", "name": "b", "mark": {"topic": "a/b"}}
    page.keys, page.named = [one, {"key": "a/c", "name": "c", "mark": {"topic": "a/c"}}], {"a/b": "coals"}
    rows = page.call("prepare-numbers.children", "prepare-found-keys.data")["prepare-numbers"]["children"]
    assert [r["props"]["value"] for r in rows if "id" in r["props"]] == ["coals", "c"]


@pytest.mark.parametrize(
    ("field", "value", "says"),
    [
        ("scale", "0", "Multiply by: it can't be 0"),
        ("scale", "fast", "“fast” isn't a number; give 1, or 0.1 for tenths"),
        ("broken", "32767 open", "“open” isn't a number"),
        ("every_s", "nan", "isn't a number"),
        ("unit_id", "-1", "Unit ID: “-1” isn't one; give 1, or 1 2 3 for several"),
        ("url", "", "Give the address."),
    ],
)
def test_what_can_not_be_is_refused_by_its_field(field: str, value: str, says: str) -> None:
    with pytest.raises(UserError, match=says.replace("(", r"\(")):
        table_of({**DEFAULTS, "format": "tcp", "url": "tcp://h:502", field: value})


def test_a_source_is_listed_with_what_it_says(page: Setup) -> None:
    page.doc = with_lines()
    listed = page.call("prepare-sources.children", "prepare-plan.data")["prepare-sources"]["children"]
    assert "lines, /dev/ttyX : T1, T2, T3.  No proof" in text_of(listed)
    assert "Change Remove" in text_of(listed)


def test_a_listed_source_shows_no_password_and_says_what_is_wrong_with_it(page: Setup) -> None:
    secret = {"format": "mqtt", "url": "mqtt://mara:s3cret@h", "channel": [{"topic": "a/b"}]}
    page.doc = json.loads(json.dumps({**EMPTY, "source": [secret]}))
    listed = page.call("prepare-sources.children", "prepare-plan.data")["prepare-sources"]["children"]
    assert "mqtt, mqtt://mara:***@h" in text_of(listed)
    assert "s3cret" not in json.dumps(listed)
    assert "the channel needs a name" in text_of(listed)


def test_a_source_is_taken_out_and_its_probes_stay(page: Setup) -> None:
    def take_out(i: int) -> None:
        button = {"type": "prepare-source-off", "i": i}
        name = json.dumps(button, sort_keys=True, separators=(",", ":"))
        every = {'{"i":["ALL"],"type":"prepare-source-off"}': [(button, 1)]}
        page.doc = page.call("prepare-plan.data", f"{name}.n_clicks", **every)["prepare-plan"]["data"]["doc"]

    other = {"format": "mqtt", "url": "mqtt://h", "channel": [{"topic": "a/+"}]}
    page.doc = with_lines()
    page.doc["source"].append(other)
    probes = page.probes
    take_out(0)
    assert page.doc["source"] == [other]
    take_out(0)
    assert "source" not in page.doc
    assert page.probes == probes


def test_a_field_that_cannot_be_and_a_port_that_is_not_there_are_told_where_one_listens(page: Setup) -> None:
    page.form |= {"port": "/dev/ttyNoSuch", "baud": "fast"}
    page.call("prepare-hear-poll.disabled", "prepare-hear.n_clicks")
    assert "“fast” isn't a whole number" in page.said
    assert not hearing.goes_on
    page.form["baud"] = "9600"
    page.call("prepare-hear-poll.disabled", "prepare-hear.n_clicks")

    def over() -> bool:
        told = page.call("prepare-heard.children", "prepare-hear-poll.n_intervals")
        return bool(told["prepare-hear-poll"]["disabled"])

    until(over, "it to give up", 60)
    assert "/dev/ttyNoSuch" in page.said
    assert "isn't there" in page.said
