"""What comes back from an InfluxDB equals what was sent: to the microsecond and the last bit."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.conversion.amplifiers import encode_word
from logger.conversion.columns import convert, reconvert
from logger.errors import UserError
from logger.exchange.line_protocol import escape_tag, event_line, firing_line, lines_of
from logger.home import Home
from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo
from logger.journal.writer import JournalWriter
from logger.mirror.archive import Archive, pull
from logger.mirror.influx import Influx, InfluxError, literal
from logger.mirror.mirror import Mirror
from logger.mirror.target import Target
from logger.plan import Plan, Probe
from logger.reading import Batch, Channel, Event, Status
from tests.journal.journal_batches import START_US, firing_batch, make_batch
from tests.mirror.servers import INFLUXDBS, Gate, running
from tests.mirror.test_mirror import send
from tests.processes import refused, stokewatch

pytestmark = pytest.mark.real


@pytest.fixture(scope="module", params=INFLUXDBS)
def target(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    """One server for all tests here, each with its own site."""
    with (
        running(request.param(tmp_path_factory.mktemp("influx"))) as server,
        Gate(server.port, old=server.old) as gate,
    ):
        yield Target(gate.url, token=server.token)


@pytest.fixture
def archive(target: Target) -> Any:
    with contextlib.closing(Influx(target)) as influx:
        yield Archive(influx)


def no_refusal(lines: Any, why: str) -> None:
    raise AssertionError(f"refused: {why}: {lines[:2]}")


def every_kind(rng: np.random.Generator, n: int) -> tuple[Plan, Batch]:
    """Words, emf with and without its own cold junction, °C, infrared; faults and absences; a correction."""
    channels = (
        Channel("k0", "word", "max31855", "K"),
        Channel("u0", "emf", letter="S"),
        Channel("c0", "celsius"),
        Channel("c1", "celsius"),
    )
    plan = Plan(
        title="Jars, invented",
        probes=(
            Probe("upper, left", "k0", zone="upper zone"),
            Probe("base=1", "u0", zone="z", letter="S"),
            Probe("c", "c0", zone="z", correction=((0.0, 1.3), (100.0, 100.7))),
        ),
    )
    raw = np.stack(
        [
            [float(encode_word("max31855", c, 25.0)) for c in rng.uniform(0, 1200, n)],
            rng.uniform(0, 9000, n),
            rng.uniform(-50, 1000, n),
            rng.uniform(-50, 1000, n),
        ],
        axis=1,
    )
    gone = rng.random(raw.shape) < 0.2
    raw[gone] = np.nan
    raw_cj = np.full(raw.shape, np.nan)
    raw_cj[:, 1] = np.where(np.isnan(raw[:, 1]), np.nan, rng.uniform(0, 60, n))
    kinds = [
        Status.OPEN,
        Status.SHORT_GROUND,
        Status.SHORT_SUPPLY,
        Status.RANGE,
        Status.CORRUPT,
        Status.ABSENT,
    ]
    sent = np.where(gone, rng.choice(kinds, raw.shape), Status.OK).astype(np.uint8)
    done = convert(channels, raw, raw_cj, sent, [(), (), plan.probes[2].correction, ()])
    t_us = START_US + np.sort(rng.choice(20 * n * 100_000, n, replace=False))
    numbers = np.arange(n)
    return plan, Batch(
        "rig, 1", channels, t_us, numbers, numbers, raw, raw_cj, done.temperature_c, raw_cj, done.status
    )


@pytest.mark.timeout(120)
@pytest.mark.parametrize("seed", range(4))
def test_a_pulled_firing_equals_the_one_that_was_sent(
    seed: int, home: Home, writer: JournalWriter, target: Target, archive: Archive, tmp_path: Path
) -> None:
    rng = np.random.default_rng(seed)
    plan, batch = every_kind(rng, 900)
    facts = {"pots": 6, "clay": 'red "earthenware" \\ sand'}
    made = writer.open_firing(plan.title, plan.dumps(), START_US, invented=True, facts=facts)
    writer.append(made.id, batch)
    writer.append(
        made.id, make_batch(batch.t_us[::3] + 7, rng.normal(300, 80, (300, 1)), rig="b2", names=["q"])
    )
    for n in range(20):
        kind = str(rng.choice(["note", "alarm", "stage"]))
        data = {"message": f'n {n} "quoted" \\ done', "zone": "upper zone", "state": "raised", "x": 0.1 * n}
        writer.add_event(made.id, START_US + int(rng.integers(3)), kind, data, "someone")
    wood = writer.add_event(made.id, START_US, "note", {"kind": "wood", "text": "by mistake"}, "someone")
    writer.add_event(made.id, START_US + 1, "note", {"kind": "wood"}, "someone")
    assert writer.retract_event(made.id, wood, START_US + 2, START_US, "someone") is not None
    writer.finish_firing(made.id, int(batch.t_us[-1]) + 1000)
    site = f"meadow {seed}"
    send(home, Target(target.url, target.org, target.bucket, site, target.token))

    there = Home(tmp_path / "there")
    info = pull(archive, archive.firing(made.id, site), there)
    before, after = JournalReader(home.journal), JournalReader(there.journal)
    with contextlib.closing(before), contextlib.closing(after):
        was = before.firing(made.id)
        for name in ("id", "title", "started_us", "ended_us", "plan_toml", "invented", "facts", "readings"):
            assert getattr(info, name) == getattr(was, name), name
        a, b = before.readings(made.id), after.readings(made.id)
        assert a.columns == b.columns
        for j in range(len(a.columns)):
            np.testing.assert_array_equal(b.t_us[j], a.t_us[j])
            np.testing.assert_array_equal(b.status[j], a.status[j])
            assert a.temperature_c[j].tobytes() == b.temperature_c[j].tobytes()
        events = [[(e.t_us, e.kind, e.data, e.who) for e in r.events(made.id)] for r in (before, after)]
        assert events[0] == events[1]
        assert "retracted" in [kind for _, kind, _, _ in events[1]]
        for again in after.batches(made.id):  # and it can be worked out again
            probes = {(c.rig, c.channel): c.probe for c in b.columns}
            new = reconvert(again, [probes[again.rig, c.name] for c in again.channels])
            # Words are stored to four decimals; undoing a correction rounds.
            np.testing.assert_allclose(new.temperature_c, again.temperature_c, atol=6e-5, rtol=1e-12)
            assert (new.status == again.status).mean() > 0.99
    assert all(p.name.startswith("journal.sqlite") for p in there.root.iterdir())
    with pytest.raises(UserError, match="already"):
        pull(archive, archive.firing(made.id, site), there)


TEXT = st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=20)
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=("Cs",)), max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(max_size=5).filter(str.isprintable), inner, max_size=3)
    ),
    max_leaves=6,
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    names=st.tuples(TEXT, TEXT, TEXT, TEXT),
    value=st.floats(-1e6, 1e6),
    data=st.dictionaries(TEXT, JSON, max_size=4),
    who=TEXT,
    t_us=st.integers(0, 2**52),
    number=st.integers(1, 10**9),
)
def test_any_names_words_and_numbers_come_back(
    names: tuple[str, ...],
    value: float,
    data: dict[str, Any],
    who: str,
    t_us: int,
    number: int,
    target: Target,
    archive: Archive,
) -> None:
    """Through the server's own reading of the protocol, not ours."""
    site, zone, title, rig = names
    batch = make_batch([t_us], [[value]], rig=rig, names=["k0"])
    firing = f"f{abs(hash((names, value, t_us, number, who)))}"
    info = FiringInfo(firing, title, t_us, None, None, False, data)
    event = Event(t_us, "note", data, who, number)
    lines = [
        *lines_of(batch, [Probe(zone, "k0", zone=zone)], firing=firing, site=site),
        firing_line(info, site=site),
        event_line(firing, event, site=site),
    ]
    sender = Influx(target)
    sender.write(lines, no_refusal)
    sender.close()
    seen_site = escape_tag(site).replace("\\", "")
    found = next(f for f in archive.firings(seen_site) if f.id == firing)
    assert (found.site, found.title, found.plan_toml, found.facts) == (seen_site, title, info.plan_toml, data)
    assert archive.events(found) == [event]
    ((back,),) = archive.batches(found, t_us, t_us + 1)
    assert back.rig == escape_tag(rig).replace("\\", "")
    assert back.t_us.tolist() == [t_us]
    assert back.temperature_c.tolist() == [[value]]


@given(st.text())
def test_no_text_ends_a_query_early(text: str) -> None:
    """Scanned as InfluxQL does: a backslash takes the next character with it."""
    inside = literal(text)[1:-1]
    i = 0
    while i < len(inside):
        assert inside[i] not in "'\n"
        i += 2 if inside[i] == "\\" else 1
    assert i == len(inside)


def test_two_sites_never_mix(home: Home, writer: JournalWriter, target: Target, archive: Archive) -> None:
    made = writer.open_firing("Jars, invented", None, START_US)
    writer.append(made.id, firing_batch(20, 1))
    for site in ("barn", "yard"):
        send(home, Target(target.url, target.org, target.bucket, site, target.token))
    assert {f.site for f in archive.firings() if f.id == made.id} == {"barn", "yard"}
    with pytest.raises(UserError, match=r"several sites have it.*--site"):
        archive.firing(made.id)
    assert archive.firing(made.id, "yard").site == "yard"
    with pytest.raises(UserError, match="no such firing of site attic"):
        archive.firing(made.id, "attic")


def test_nothing_stays_behind_of_a_pull_that_breaks(
    home: Home,
    writer: JournalWriter,
    target: Target,
    archive: Archive,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = writer.open_firing("Jars, invented", None, START_US)
    writer.append(made.id, firing_batch(3000, 2))
    send(home, Target(target.url, target.org, target.bucket, "gone", target.token))
    there = Home(tmp_path / "there")
    found = archive.firing(made.id, "gone")
    calls = [0]
    readings = archive.readings

    def breaks(*arguments: Any) -> Any:
        calls[0] += 1
        if calls[0] == 3:
            raise InfluxError("gone")
        return readings(*arguments)

    monkeypatch.setattr(archive, "readings", breaks)
    with pytest.raises(InfluxError):
        pull(archive, found, there)
    assert calls[0] == 3
    assert list(there.root.iterdir()) == []


def test_the_server_thins_a_firing_without_losing_its_peaks(
    home: Home, writer: JournalWriter, target: Target, archive: Archive
) -> None:
    made = writer.open_firing("Jars, invented", None, START_US)
    batch = firing_batch(6000, 3)
    writer.append(made.id, batch)
    send(home, Target(target.url, target.org, target.bucket, "thin", target.token))
    found = archive.firing(made.id, "thin")
    (thin,) = archive.thinned(found, START_US, START_US + 600_000_000, 10)
    assert len(thin.t_us) <= 60 * 2 * 3
    rows = np.searchsorted(batch.t_us, thin.t_us)
    for j in range(3):
        there = thin.status[:, j] == Status.OK
        np.testing.assert_array_equal(thin.temperature_c[there, j], batch.temperature_c[rows[there], j])
        for step in range(60):
            inside = (thin.t_us - START_US) // 10_000_000 == step
            whole = batch.temperature_c[100 * step : 100 * (step + 1), j]
            kept = thin.temperature_c[inside & there, j]
            assert (kept.min(), kept.max()) == (whole.min(), whole.max())


def test_the_command(
    home: Home, writer: JournalWriter, target: Target, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STOKEWATCH_INFLUX_TOKEN", target.token)
    made = writer.open_firing("Jars, invented", None, START_US, invented=True)
    writer.append(made.id, firing_batch(50, 2))
    send(home, Target(target.url, target.org, target.bucket, "hill", target.token))
    there = tmp_path / "there"
    listed = stokewatch("pull", "--influx", target.url, "--site", "hill", home=there)
    assert listed == [
        {
            "firing": made.id,
            "site": "hill",
            "title": "Jars, invented",
            "started": "2026-11-25T10:00:00.000Z",
            "running": True,
            "invented": True,
        }
    ]
    done = stokewatch("pull", "last", "--influx", target.url, "--site", "hill", home=there)
    assert (done["firing"], done["readings"]) == (made.id, 100)
    assert [f["running"] for f in stokewatch("firings", home=there)] == [False]
    assert "no such firing" in refused("pull", "x", "--influx", target.url, home=there)
    assert "name the InfluxDB" in refused("pull", home=there)


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        ((401, {}, b"{}"), "refuses the token"),
        ((404, {}, b"{}"), "no such bucket"),
        ((500, {}, b'{"error": "full"}'), "full"),
        ((502, {}, b"<html>"), "it answers with an error"),
        ((200, {}, b"<html>"), "can't be read"),
        ((200, {}, b'{"results":[{"error":"database not found: x"}]}'), "has no bucket 'stokewatch'"),
        ((200, {}, b'{"results":[{"error":"timeout"}]}'), ": timeout$"),
        (
            (200, {}, b'{"results":[{"series":[{"columns":["time"],"values":[[1]],"partial":true}]}]}'),
            "cuts answers",
        ),
    ],
)
def test_answers_that_are_none(answer: Any, why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with Gate() as gate, contextlib.closing(Influx(Target(gate.url, token="s3cret"))) as influx:
        monkeypatch.setattr(Gate, "_hand_on", staticmethod(lambda *_: answer))
        with pytest.raises(InfluxError, match=why) as caught:
            influx.select("SELECT 1")
        assert "s3cret" not in str(caught.value)
        assert gate.headers[0]["Authorization"] == "Token s3cret"


def test_an_answer_in_pieces_is_put_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """A long series arrives on several lines, next to another one."""
    rows = ["[[1]]", "[[2],[3]]"]
    line = '{"results":[{"series":[{"tags":{"k":"%s"},"columns":["time"],"values":%s}]}]}'
    body = "\n".join([line % ("a", rows[0]), "", line % ("b", rows[0]), line % ("a", rows[1])])
    with Gate() as gate, contextlib.closing(Influx(Target(gate.url))) as influx:
        monkeypatch.setattr(Gate, "_hand_on", staticmethod(lambda *_: (200, {}, body.encode())))
        found = influx.select("SELECT 1")
    assert [(part.tags["k"], part.rows) for part in found] == [("a", [[1], [2], [3]]), ("b", [[1]])]


def test_a_long_series_comes_whole(
    home: Home, writer: JournalWriter, target: Target, archive: Archive
) -> None:
    """In pieces: longer than the server or this program sends at once."""
    made = writer.open_firing("Jars, invented", None, START_US)
    batch = firing_batch(21_000, 1)
    writer.append(made.id, batch)
    send(home, Target(target.url, target.org, target.bucket, "long", target.token))
    (back,) = archive.readings(archive.firing(made.id, "long"), START_US)
    np.testing.assert_array_equal(back.t_us, batch.t_us)


def test_a_firing_without_readings_is_not_pulled(
    home: Home, writer: JournalWriter, target: Target, archive: Archive, tmp_path: Path
) -> None:
    made = writer.open_firing("Not lit, invented", None, START_US)
    site = Target(target.url, target.org, target.bucket, "bare", target.token)
    mirror = Mirror(home, site)
    mirror.step()
    mirror.close()
    [firing] = [stored for stored in archive.firings("bare") if stored.id == made.id]
    there = Home(tmp_path / "there")
    with pytest.raises(UserError, match="this InfluxDB has no readings of it"):
        pull(archive, firing, there)
    assert not there.journal.exists()


def test_nobody_there() -> None:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        url = f"http://127.0.0.1:{s.getsockname()[1]}"
    with pytest.raises(InfluxError, match="can't be reached"):
        Influx(Target(url)).select("SELECT 1")
