"""What is read back: columns, histories that keep every peak, gaps, and other processes' commits."""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import UserError
from logger.journal.reader import JournalReader, Traces
from logger.journal.schema import JournalError
from logger.journal.traces import break_gaps
from logger.journal.writer import JournalWriter
from logger.reading import Status
from tests.journal.journal_batches import START_US, firing_batch, make_batch

ROOT = Path(__file__).parent.parent.parent
SECOND = 1_000_000
FLOAT32_C = 6.2e-5  # rounding of rollups below 1024 °C

PLAN = """
title = "Two rigs"
[[probe]]
name = "upper"
channel = "k1"
rig = "b2"
[[probe]]
name = "coals"
channel = "k0"
rig = "a1"
"""


def test_firings_are_found_by_id_and_by_last(writer: JournalWriter, reader: JournalReader) -> None:
    with pytest.raises(UserError, match="no firings yet"):
        reader.firing("last")
    assert reader.firings() == []
    assert reader.running() is None
    new = writer.open_firing("new", None, START_US).id
    old = writer.open_firing("old, imported later", None, 5, ended_us=9, facts={"wood": "ash"}).id
    assert [f.id for f in reader.firings()] == [new, old]
    assert reader.firing("last").id == old
    assert reader.firing("last").facts == {"wood": "ash"}
    running = reader.running()
    assert running is not None
    assert (running.id, running.running, running.last_us, running.readings) == (new, True, None, 0)
    with pytest.raises(UserError, match="nope: no such firing"):
        reader.firing("nope")
    with pytest.raises(UserError, match="nope: no such firing"):
        reader.readings("nope")


def test_a_journal_in_the_making_is_never_seen(tmp_path: Path) -> None:
    """A reader finds no journal or a complete one: an empty one is damage."""
    path = tmp_path / "journal.sqlite"
    sizes: set[int] = set()
    over = threading.Event()

    def watch() -> None:
        while not over.is_set():
            with contextlib.suppress(FileNotFoundError):
                sizes.add(path.stat().st_size)

    watcher = threading.Thread(target=watch)
    watcher.start()
    for _ in range(5):
        JournalWriter(path).close()
        path.unlink()
    over.set()
    watcher.join()
    assert 0 not in sizes
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("opened", [JournalReader, JournalWriter])
def test_an_empty_file_is_no_new_journal(opened: type[JournalReader | JournalWriter], tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.touch()
    with pytest.raises(JournalError, match=r"empty \(0 bytes\).*put back a copy"):
        opened(path)
    assert path.stat().st_size == 0


def test_columns_follow_the_plan(writer: JournalWriter, reader: JournalReader) -> None:
    firing = writer.open_firing("", PLAN, START_US).id
    for rig in ("a1", "b2"):
        writer.append(firing, make_batch([START_US], [[1.0, 2.0]], rig=rig))
    columns = reader.columns(firing)
    assert [(c.probe.name, c.rig, c.channel) for c in columns] == [
        ("upper", "b2", "k1"),
        ("coals", "a1", "k0"),
        ("k1", "a1", "k1"),
        ("k0", "b2", "k0"),
    ]
    assert [t.tolist() for t in reader.readings(firing).temperature_c] == [[2.0], [1.0], [2.0], [1.0]]


def test_columns_without_a_plan(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    for rig in ("a1", "b2"):
        writer.append(firing, make_batch([START_US], [[1.0, 2.0]], rig=rig))
    assert [c.probe.name for c in reader.columns(firing)] == ["k0", "k1", "b2 k0", "b2 k1"]
    assert [p.name for p in reader.firing(firing).plan.probes] == ["k0", "k1", "b2 k0", "b2 k1"]


def test_channels_are_listed_in_order_of_first_appearance(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    for rig, names in (("a1", ["k1", "k0"]), ("b2", ["k0"]), ("a1", ["k0", "k2", "k1"])):
        writer.append(firing, make_batch([START_US], np.ones((1, len(names))), rig=rig, names=names))
    assert reader.firing(firing).seen == (("a1", "k1"), ("a1", "k0"), ("b2", "k0"), ("a1", "k2"))


def test_readings_of_a_span(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    writer.append(firing, firing_batch(2000))
    whole = firing_batch(2000)
    for packed in (False, True):
        if packed:
            writer.pack(firing)
        for since, until in ((0, 10), (590, 610), (1199, 1200), (1990, 2500), (3000, 4000), (0, 2000)):
            since_us, until_us = (START_US + x * 100_000 for x in (since, until))
            traces = reader.readings(firing, since_us, until_us)
            np.testing.assert_array_equal(traces.t_us[1], whole.t_us[since:until])
            np.testing.assert_array_equal(traces.temperature_c[1], whole.temperature_c[since:until, 1])
            batches = list(reader.batches(firing, since_us, until_us))
            assert sum(len(b.t_us) for b in batches) == len(whole.t_us[since:until])
        assert len(reader.readings(firing, START_US + 199_950_000).t_us[0]) == 0


def test_absent_and_faulty_readings(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    status = np.array([[0, 1], [0, 7], [4, 0]], np.uint8)
    writer.append(firing, make_batch(START_US + np.arange(3) * SECOND, np.full((3, 2), 20.0), status=status))
    traces = reader.readings(firing)
    assert [s.tolist() for s in traces.status] == [[0, 0, 4], [1, 0]]
    assert np.isnan(traces.temperature_c[0][2])
    assert np.isnan(traces.temperature_c[1][0])
    assert reader.firing(firing).readings == 5


def test_other_processes_see_what_is_committed(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    """And the cheap check tells when there is something new."""
    code = (
        "import sys; from pathlib import Path; from logger.journal.reader import JournalReader\n"
        "reader = JournalReader(Path(sys.argv[1]))\n"
        "for line in sys.stdin:\n"
        "    print(reader.changed(), reader.running().readings, flush=True)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(writer.path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=ROOT,
        text=True,
    ) as other:
        assert other.stdin is not None
        assert other.stdout is not None

        def ask() -> str:
            assert other.stdin is not None
            assert other.stdout is not None
            other.stdin.write("\n")
            other.stdin.flush()
            return other.stdout.readline().strip()

        assert ask() == "True 0"
        assert ask() == "False 0"
        with writer.transaction():
            writer.append(firing, firing_batch(3))
            assert ask() == "False 0"  # not yet committed
        assert ask() == "True 12"
        assert ask() == "False 12"
        other.stdin.close()
    assert reader.changed()
    assert not reader.changed()
    writer.heartbeat({})
    assert reader.changed()


def peaks_are_kept(history: Traces, traces: Traces, step_us: int) -> None:
    for j in range(len(traces.columns)):
        values, ok = traces.temperature_c[j], traces.status[j] == Status.OK
        drawn = history.temperature_c[j]
        if not ok.any():
            assert np.isnan(drawn).all()
            continue
        assert np.nanmax(drawn) == pytest.approx(values[ok].max(), abs=FLOAT32_C)
        assert np.nanmin(drawn) == pytest.approx(values[ok].min(), abs=FLOAT32_C)
        assert (np.diff(history.t_us[j]) > 0).all()
        assert history.t_us[j][0] >= traces.t_us[j][0] - step_us
        assert history.t_us[j][-1] == traces.t_us[j][-1]
        # each reading lies between the lowest and the highest drawn near it
        for t, value in zip(traces.t_us[j][ok][::17], values[ok][::17], strict=True):
            near = drawn[(history.t_us[j] >= t - step_us) & (history.t_us[j] <= t + step_us)]
            assert np.nanmin(near) - FLOAT32_C <= value <= np.nanmax(near) + FLOAT32_C


@pytest.mark.parametrize("max_points", [50, 400, 2000])
@pytest.mark.parametrize("packed", [False, True])
def test_a_history_keeps_every_peak(
    max_points: int, packed: bool, writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    batch = firing_batch(9000)
    batch.temperature_c[4321, 2] = batch.raw[4321, 2] = 999.0  # one spike of one frame
    batch.temperature_c[777, 3] = batch.raw[777, 3] = -40.0
    writer.append(firing, batch)
    if packed:
        writer.pack(firing)
    history, traces = reader.history(firing, max_points), reader.readings(firing)
    assert all(len(t) <= max_points for t in history.t_us)
    assert all(len(t) >= max_points / 5 for t in history.t_us)
    peaks_are_kept(history, traces, int(2.5 * 900 * SECOND / (max_points / 2 - 1)) + 2 * SECOND)


@given(data=st.data())
@settings(max_examples=25, deadline=None)
def test_a_history_keeps_every_peak_of_any_firing(
    data: st.DataObject, shared: tuple[JournalWriter, JournalReader]
) -> None:
    """Random walks with faults and silences, from one frame in 20 s to ten a second, partly packed."""
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32)))
    n = data.draw(st.integers(1, 3000))
    steps = rng.choice([100_000, 1_000_000, 20_000_000], n, p=[0.9, 0.09, 0.01])
    t_us = START_US + np.cumsum(steps)
    values = 400 + np.cumsum(rng.normal(0, 2, (n, 2)), axis=0)
    status = rng.choice([0, 1, 7], (n, 2), p=[0.9, 0.05, 0.05]).astype(np.uint8)
    writer, reader = shared
    firing = writer.open_firing("", None, START_US, ended_us=START_US).id
    writer.append(firing, make_batch(t_us, values, status=status))
    if data.draw(st.booleans()):
        writer.pack(firing)
    max_points = data.draw(st.integers(10, 1000))
    history, traces = reader.history(firing, max_points), reader.readings(firing)
    span = int(t_us[-1] - t_us[0])
    for j in range(len(traces.columns)):
        assert np.count_nonzero(history.status[j] != Status.ABSENT) <= max_points + 1
    peaks_are_kept(history, traces, 3 * max(60 * SECOND, span // max(1, max_points // 2 - 1)))


def test_a_short_firing_is_given_as_it_is(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    writer.append(firing, firing_batch(300))
    history, traces = reader.history(firing, 300), reader.readings(firing)
    for j in range(4):
        np.testing.assert_array_equal(history.t_us[j], traces.t_us[j])
        np.testing.assert_array_equal(history.temperature_c[j], traces.temperature_c[j])


def test_a_history_of_the_end(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    writer.append(firing, firing_batch(36_000))
    writer.pack(firing)
    since_us = START_US + 2600 * SECOND
    history = reader.history(firing, 200, since_us)
    assert since_us - 20 * SECOND <= history.t_us[0][0] < since_us + 20 * SECOND
    assert history.t_us[0][-1] == START_US + 3600 * SECOND - SECOND // 10
    traces = reader.readings(firing, since_us)
    assert np.nanmax(history.temperature_c[0]) == pytest.approx(traces.temperature_c[0].max(), abs=FLOAT32_C)


def test_gaps_break_the_line(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    """At full resolution and thinned; an open thermocouple gets no line either."""
    batch = firing_batch(12_000)
    status = batch.status.copy()
    status[6000:6600, 1] = Status.OPEN
    keep = np.r_[0:2000, 5000:12_000]
    values = np.where(status == 0, batch.temperature_c, np.nan)
    writer.append(firing, make_batch(batch.t_us[keep], values[keep], names=["k0", "k1", "k2", "k3"]))
    for max_points in (100, 20_000):
        history = reader.history(firing, max_points)
        for j in range(4):
            t_us, drawn = history.t_us[j], history.temperature_c[j]
            at = int(np.searchsorted(t_us, START_US + 350 * SECOND))
            assert np.isnan(drawn[at - 1])
            assert history.status[j][at - 1] == Status.ABSENT
            assert t_us[at] - t_us[at - 1] > 250 * SECOND
        middle = (history.t_us[1] > START_US + 625 * SECOND) & (history.t_us[1] < START_US + 635 * SECOND)
        assert np.isnan(history.temperature_c[1][middle]).all()
        assert set(history.status[1][np.isnan(history.temperature_c[1])]) == {Status.OPEN, Status.ABSENT}
        assert not np.isnan(history.temperature_c[0][history.t_us[0] > START_US + 540 * SECOND]).any()


def test_a_slow_channel_is_not_all_gaps(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    """One reading a minute among others at 10 Hz."""
    batch = firing_batch(12_000, k=2)
    status = batch.status.copy()
    status[:, 1] = np.where(np.arange(12_000) % 600 == 0, Status.OK, Status.ABSENT)
    writer.append(firing, make_batch(batch.t_us, batch.temperature_c, status=status))
    for max_points in (200, 20_000):
        history = reader.history(firing, max_points)
        slow = [c.channel for c in history.columns].index("k1")
        assert len(history.t_us[slow]) >= 20
        assert not np.isnan(history.temperature_c[slow]).any()


def test_a_few_lost_frames_are_no_gap() -> None:
    t_us = np.delete(np.arange(100) * 100_000, [40, 41, 42, 43, 44])
    values, status = np.ones(95), np.zeros(95, np.uint8)
    assert break_gaps((t_us, values, status))[0] is t_us
    t_us = np.delete(np.arange(100) * 100_000, np.arange(40, 65))
    broken, drawn, why = break_gaps((t_us, np.ones(75), np.zeros(75, np.uint8)))
    assert np.flatnonzero(np.isnan(drawn)).tolist() == [40]
    assert broken[40] == t_us[39] + 1
    assert why[40] == Status.ABSENT


def test_arrivals_are_all_given_once_or_more(
    writer: JournalWriter, reader: JournalReader, firing: str
) -> None:
    """Read as a mirror reads: in bites, while minutes are being packed and late frames arrive."""
    seen: set[tuple[str, int]] = set()
    after = 0

    def take(limit: int) -> None:
        nonlocal after
        found = reader.arrived(after, limit)
        for arrival, firing_id, batch in found:
            assert firing_id == firing
            assert arrival > after or arrival == max(a for a, _, _ in found)
            seen.update((batch.rig, int(t)) for t in batch.t_us)
        after = max([after, *(a for a, _, _ in found)])

    for first in range(0, 2400, 50):
        writer.append(firing, firing_batch(50, first=first))
        if first % 200 == 0:
            take(3)
        if first == 1500:
            writer.append(firing, firing_batch(700, hz=9.0, rig="late"))
    while reader.arrived(after, 1):
        take(5)
    expected = {("a1", int(t)) for t in firing_batch(2400).t_us} | {
        ("late", int(t)) for t in firing_batch(700, hz=9.0).t_us
    }
    assert seen == expected


def test_a_damaged_minute_is_a_gap_and_is_told(
    writer: JournalWriter, reader: JournalReader, firing: str, caplog: pytest.LogCaptureFixture
) -> None:
    writer.append(firing, firing_batch(1800))
    writer.pack(firing)
    minute = START_US // (60 * SECOND) + 1
    data = bytearray(writer._db.execute("SELECT data FROM chunk WHERE minute = ?", (minute,)).fetchone()[0])
    data[len(data) // 2] ^= 0x10
    writer._db.execute("UPDATE chunk SET data = ? WHERE minute = ?", (bytes(data), minute))
    for _ in range(2):
        traces = reader.readings(firing)
        assert len(traces.t_us[0]) == 1200
    assert [r.message.count("are lost") for r in caplog.records] == [1]
    writer.append(firing, firing_batch(10, first=700))  # late, into that minute: kept beside it
    writer.pack(firing)
    assert len(reader.readings(firing).t_us[0]) == 1210
    assert (
        bytes(data) == writer._db.execute("SELECT data FROM chunk WHERE minute = ?", (minute,)).fetchone()[0]
    )


def test_threads_may_share_a_reader(writer: JournalWriter, reader: JournalReader, firing: str) -> None:
    from concurrent.futures import ThreadPoolExecutor

    writer.append(firing, firing_batch(1000))
    with ThreadPoolExecutor(8) as pool:
        counts = list(pool.map(lambda _: len(reader.history(firing, 100).t_us[0]), range(40)))
    assert len(set(counts)) == 1
