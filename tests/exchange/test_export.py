"""What is exported, and that it imports back to the same readings."""

from __future__ import annotations

import csv
import re
import tomllib
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.conversion.amplifiers import encode_word
from logger.conversion.columns import convert
from logger.exchange.csv_in import import_csv
from logger.exchange.csv_table import CsvOptions
from logger.exchange.export import ExportError, export_csv, export_line_protocol, export_parquet, whole_file
from logger.exchange.line_protocol import escape_tag, lines_of
from logger.journal.reader import JournalReader
from logger.journal.writer import JournalWriter
from logger.plan import Plan, Probe, loads
from logger.reading import Batch, Channel, Status
from logger.simulator.demo import _shown_again
from tests.journal.journal_batches import START_US, firing_batch, make_batch


def toml_of(names: list[str]) -> str:
    return Plan(title="Jars", probes=tuple(Probe(n, f"k{i}", zone="z") for i, n in enumerate(names))).dumps()


NAMES = st.text(st.characters(categories=("L", "N", "P", "S", "Zs")), min_size=1, max_size=12).filter(
    lambda n: n.isprintable() and n == n.strip() and n != "time_s"
)


@pytest.mark.slow
@given(
    names=st.lists(NAMES, min_size=1, max_size=4, unique_by=lambda n: n.casefold()),
    seed=st.integers(0, 2**32),
    n=st.integers(1, 60),
)
@settings(max_examples=40, deadline=None)
def test_what_is_exported_imports_back_to_the_same_readings(
    names: list[str], seed: int, n: int, shared: tuple[JournalWriter, JournalReader]
) -> None:
    """To the microsecond and the last bit, with any names, faults, and two rigs out of step."""
    rng = np.random.default_rng(seed)
    writer, reader = shared
    folder = writer.path.parent
    firing = writer.open_firing("Jars", toml_of(names), START_US, ended_us=START_US).id
    for rig, channels in (("a1", names[::2]), ("b2", names[1::2])):
        if channels:
            t_us = START_US + np.sort(rng.choice(10**9, n, replace=False))
            values = rng.normal(400, 300, (n, len(channels))).clip(-270, 2400)
            values[rng.random(values.shape) < 0.2] = np.nan
            values[0, 0] = 20.0  # so that the firing's first time has a reading
            keys = [f"k{names.index(c)}" for c in channels]
            writer.append(firing, make_batch(t_us, values, rig=rig, names=keys))
    out = folder / "out.csv"
    export_csv(reader, firing, out)
    info, _ = import_csv(writer, out, plan=reader.firing(firing).plan, started_us=reader.span(firing)[0])  # type: ignore[index]
    before, after = reader.readings(firing), reader.readings(info.id)
    assert [c.probe.name for c in after.columns] == [c.probe.name for c in before.columns]
    for j in range(len(names)):
        ok = [traces.status[j] == Status.OK for traces in (before, after)]
        np.testing.assert_array_equal(after.t_us[j][ok[1]], before.t_us[j][ok[0]])
        np.testing.assert_array_equal(after.temperature_c[j][ok[1]], before.temperature_c[j][ok[0]])
    again = folder / "again.csv"
    export_csv(reader, info.id, again)
    assert again.read_bytes().splitlines()[0] == out.read_bytes().splitlines()[0]


def test_csv_by_eye(writer: JournalWriter, reader: JournalReader, tmp_path: Path) -> None:
    firing = writer.open_firing("", toml_of(["upper, left", "=cmd()", "-2", "'s"]), START_US).id
    t_us = START_US + np.array([0, 250_000, 2_000_000])
    values = [[20.0, 21.25, -3.5, 1 / 3], [np.nan, 22.0, 23.0, 24.0], [25.0, np.nan, np.nan, 1e-7]]
    writer.append(firing, make_batch(t_us, values, names=["k0", "k1", "k2", "k3"]))
    writer.append(firing, make_batch([START_US + 2_000_001], [[30.0]], rig="b2", names=["k9"]))
    out = tmp_path / "out.csv"
    assert export_csv(reader, firing, out) == 4
    assert out.read_text() == (
        "time_s,\"upper, left\",'=cmd(),'-2,''s,k9\n"
        "0,20.0,21.25,-3.5,0.3333333333333333,\n"
        "0.25,,22.0,23.0,24.0,\n"
        "2,25.0,,,1e-07,\n"
        "2.000001,,,,,30.0\n"
    )
    assert [p.name for p in tmp_path.iterdir() if not p.name.startswith("journal")] == ["out.csv"]


@pytest.mark.parametrize(
    "name", ["=1+1", "+1", "-1", "@SUM(A1)", "'=1", "＝1+1", "＋1", "－1", "＠A1", "T1 (mV)"]
)
def test_no_header_is_a_formula_or_a_voltage(
    name: str, writer: JournalWriter, reader: JournalReader, tmp_path: Path
) -> None:
    """OWASP, 'CSV Injection': cells that begin with = + - @, in some places their wide forms, are run.

    And a probe called `T1 (mV)` comes back, though a column of millivolts is left out.
    """
    firing = writer.open_firing("", toml_of([name]), START_US).id
    writer.append(firing, make_batch([START_US], [[20.0]], names=["k0"]))
    out = tmp_path / "out.csv"
    export_csv(reader, firing, out)
    with out.open(newline="") as file:
        header = next(csv.reader(file))
    assert header[1][0] == "'"
    info, _ = import_csv(writer, out)
    assert [c.probe.name for c in reader.columns(info.id)] == [name]


def test_a_long_firing_in_parts(
    writer: JournalWriter, reader: JournalReader, firing: str, tmp_path: Path
) -> None:
    """Longer than one part, with a silence longer than a part in it."""
    batch = firing_batch(4000, hz=1.0)
    keep = np.r_[0:900, 2500:4000]
    writer.append(
        firing, make_batch(batch.t_us[keep], batch.temperature_c[keep], names=["k0", "k1", "k2", "k3"])
    )
    out = tmp_path / "out.csv"
    assert export_csv(reader, firing, out) == 2400
    found = np.genfromtxt(out, delimiter=",", names=True)
    np.testing.assert_array_equal(found["time_s"], keep)
    np.testing.assert_array_equal(found["k2"], batch.temperature_c[keep, 2])


def test_an_empty_firing(writer: JournalWriter, reader: JournalReader, firing: str, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    assert export_csv(reader, firing, out) == 0
    assert out.read_text() == "time_s\n"
    assert export_line_protocol(reader, firing, out) == 0
    assert export_parquet(reader, firing, out) == 0


def test_temperatures_from_words_are_short_decimals(
    writer: JournalWriter, reader: JournalReader, firing: str, tmp_path: Path
) -> None:
    """Nobody wants 412.29998779296875 in a spreadsheet."""
    channels = (Channel("k0", "word", "max31855", "K"),)
    raw = np.array([[float(encode_word("max31855", t))] for t in np.linspace(20, 1200, 50)])
    none, sent = np.full_like(raw, np.nan), np.zeros(raw.shape, np.uint8)
    converted = convert(channels, raw, none, sent)
    t_us = START_US + np.arange(50) * 1_000_000
    zeros = np.zeros(50, np.int64)
    writer.append(
        firing,
        Batch("a1", channels, t_us, zeros, zeros, raw, none, converted.temperature_c, none, converted.status),
    )
    out = tmp_path / "out.csv"
    export_csv(reader, firing, out)
    cells = [line.split(",")[1] for line in out.read_text().splitlines()[1:]]
    assert all(re.fullmatch(r"\d+\.\d{1,4}", cell) for cell in cells)
    np.testing.assert_allclose(np.array(cells, float), converted.temperature_c[:, 0], rtol=0, atol=5.1e-5)


# --- Parquet ------------------------------------------------------------------------------------------------


def test_parquet(writer: JournalWriter, reader: JournalReader, tmp_path: Path) -> None:
    firing = writer.open_firing("Jars", toml_of(["upper", "lower"]), START_US).id
    values = np.array([[20.0, np.nan], [21.0, 1 / 3]])
    writer.append(firing, make_batch(START_US + np.array([0, 1]), values))
    out = tmp_path / "out.parquet"
    assert export_parquet(reader, firing, out) == 2
    table = pq.read_table(out)
    assert table.column_names == ["time", "upper", "lower"]
    assert table.schema.metadata[b"firing"].decode() == firing
    assert str(table.schema.field("time").type) == "timestamp[us, tz=UTC]"
    assert table["time"].cast("int64").to_pylist() == [START_US, START_US + 1]
    assert table["upper"].to_pylist() == [20.0, 21.0]
    assert table["lower"].to_pylist() == [None, 1 / 3]


def test_parquet_comes_with_what_readme_installs() -> None:
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]
    assert any(need.startswith("pyarrow") for need in project["dependencies"])


# --- line protocol ------------------------------------------------------------------------------------------


def test_line_protocol(writer: JournalWriter, reader: JournalReader, tmp_path: Path) -> None:
    probes = (
        Probe("upper, left", "k0", zone="upper zone"),
        Probe("base=1", "u0", zone="z", letter="S"),
        Probe("c", "c0", zone="z"),
    )
    firing = writer.open_firing("", Plan(probes=probes).dumps(), START_US).id
    channels = (
        Channel("k0", "word", "max31855", "K"),
        Channel("u0", "emf", letter="S"),
        Channel("c0", "celsius"),
    )
    word = encode_word("max31855", 500.0, 25.0)
    raw = np.array([[float(word), 5000.0, 20.0], [np.nan, np.nan, np.nan]])
    raw_cj = np.array([[np.nan, 27.4, np.nan]] * 2)
    sent = np.array([[0, 0, 0], [Status.OPEN, Status.SHORT_GROUND, Status.ABSENT]], np.uint8)
    converted = convert(channels, raw, raw_cj, sent)
    t_us = np.array([START_US, START_US + 1])
    zeros = np.zeros(2, np.int64)
    batch = Batch(
        "a1", channels, t_us, zeros, zeros, raw, raw_cj, converted.temperature_c, raw_cj, converted.status
    )
    writer.append(firing, batch)
    out = tmp_path / "out.lp"
    assert export_line_protocol(reader, firing, out, site="meadow") == 5
    lines = out.read_text().splitlines()
    temperature, emf = float(converted.temperature_c[0, 0].round(4)), float(converted.temperature_c[0, 1])
    head = "reading,site=meadow,rig=a1,channel"
    assert lines[0].startswith(
        f"{head}=k0,firing={firing},probe=upper\\,\\ left,zone=upper\\ zone temperature_c={temperature!r},"
        "cold_junction_c=25.0,emf_uv="
    )
    assert lines[0].endswith(f" {START_US}000")
    # Type K: 20.644 mV at 500 °C, 1.000 mV at 25 °C (NIST SRD 60 tables); the chip's last bit is 0.25 °C.
    assert float(re.search(r"emf_uv=([\d.]+)", lines[0])[1]) == pytest.approx(20_644 - 1_000, abs=11)  # type: ignore[index]
    assert (
        f"{head}=u0,firing={firing},probe=base\\=1,zone=z temperature_c={emf!r},cold_junction_c=27.4,emf_uv=5000.0 {START_US}000"
        in lines
    )
    assert f"{head}=c0,firing={firing},probe=c,zone=z temperature_c=20.0 {START_US}000" in lines
    assert (
        f'{head}=k0,firing={firing},probe=upper\\,\\ left,zone=upper\\ zone fault="open" {START_US * 1000 + 1000}'
        in lines
    )
    assert [line for line in lines if 'fault="short_ground"' in line and "temperature_c" not in line]


@pytest.mark.slow
@given(st.text(min_size=1))
def test_tags_end_where_they_should(text: str) -> None:
    """Scanned as the protocol's own reader does: a backslash takes the next character with it."""
    line = f"m,a={escape_tag(text)},b=x f=1"
    ends, i = [], 0
    while i < len(line):
        if line[i] == "\\":
            i += 2
            continue
        if line[i] in ", =":
            ends.append(line[i])
        i += 1
    assert ends == [",", "=", ",", "=", " ", "="]
    assert "\n" not in line


def test_a_whole_day_of_lines_is_made_without_dying_on_one_channel_too_many() -> None:
    batch = firing_batch(3, k=1)
    assert len(lines_of(batch, [Probe("x", "k0", zone="")], firing="f")) == 3
    assert lines_of(batch, [Probe("x", "k0", zone="")], firing="f")[0].startswith(
        "reading,rig=a1,channel=k0,firing=f,probe=x temp"
    )


# --- files --------------------------------------------------------------------------------------------------


def test_a_failed_export_leaves_what_was_there(tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    out.write_text("before")

    def fail() -> None:
        with whole_file(out) as file:
            file.write(b"half")
            raise ValueError("stop")

    with pytest.raises(ValueError, match="stop"):
        fail()
    assert out.read_text() == "before"
    assert list(tmp_path.iterdir()) == [out]


@pytest.mark.parametrize(
    ("place", "why"), [("no/out.csv", "No such file or directory"), (300 * "a", "File name too long")]
)
def test_an_export_to_nowhere(
    reader: JournalReader, firing: str, tmp_path: Path, place: str, why: str
) -> None:
    with pytest.raises(ExportError, match=f"{why}; nothing was written"):
        export_csv(reader, firing, tmp_path / place)


def test_options_survive_the_trip(
    writer: JournalWriter, reader: JournalReader, firing: str, tmp_path: Path
) -> None:
    """An export that somebody's spreadsheet has saved again, with semicolons and decimal commas."""
    writer.append(firing, firing_batch(50))
    out = tmp_path / "out.csv"
    export_csv(reader, firing, out)
    out.write_text("\ufeff" + out.read_text().replace(",", ";").replace(".", ","), encoding="utf-8")
    info, _ = import_csv(writer, out, CsvOptions(), started_us=START_US)
    for a, b in zip(
        reader.readings(info.id).temperature_c, reader.readings(firing).temperature_c, strict=True
    ):
        np.testing.assert_array_equal(a, b)


def test_a_probe_called_as_our_own_time_column(
    writer: JournalWriter, reader: JournalReader, tmp_path: Path
) -> None:
    firing = writer.open_firing("", None, START_US).id
    writer.append(
        firing,
        make_batch([START_US, START_US + 10**6], [[20.0, 30.0], [21.0, 31.0]], names=["time_s", "Time_UTC"]),
    )
    out = tmp_path / "out.csv"
    export_csv(reader, firing, out)
    info, _ = import_csv(writer, out)
    assert [c.probe.name for c in reader.columns(info.id)] == ["time_s", "Time_UTC"]
    assert reader.readings(info.id).temperature_c[1].tolist() == [30.0, 31.0]
    assert export_parquet(reader, firing, tmp_path / "out.parquet") == 2


def test_an_export_of_more_than_64_columns_imports_back(
    writer: JournalWriter, reader: JournalReader, tmp_path: Path
) -> None:
    """Two rigs of 40 channels each are one firing."""
    firing = writer.open_firing("", None, START_US).id
    for rig in ("a1", "b2"):
        names = [f"{rig}k{i}" for i in range(40)]
        writer.append(
            firing,
            make_batch(
                [START_US, START_US + 10**6], np.arange(80.0).reshape(2, 40) + 20, rig=rig, names=names
            ),
        )
    first, second = tmp_path / "first.csv", tmp_path / "second.csv"
    export_csv(reader, firing, first)
    info, _ = import_csv(writer, first, started_us=START_US)
    export_csv(reader, info.id, second)
    before, after = (list(csv.reader(path.read_text().splitlines())) for path in (first, second))
    assert len(before[0]) == 81
    assert sorted(zip(*after, strict=True)) == sorted(zip(*before, strict=True))


def test_a_stored_firing_with_a_probe_called_time_s_can_be_shown_again(tmp_path: Path) -> None:
    path = tmp_path / "out.csv"
    path.write_text("time_s,time_s,a\n0,20,21\n1,22,23\n")
    assert [p.name for p in loads(_shown_again(path).dumps()).probes] == ["time_s 2", "a"]
