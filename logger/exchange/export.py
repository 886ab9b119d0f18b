"""Writes firings to files: CSV, Parquet, line protocol. A file appears whole or not at all."""

from __future__ import annotations

import contextlib
import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any, Final

import numpy as np

from logger.errors import UserError
from logger.exchange.csv_text import Progress
from logger.exchange.csv_words import VOLTS
from logger.exchange.line_protocol import lines_of
from logger.home import appearing
from logger.journal.reader import Column, JournalReader
from logger.plan import assign_probes
from logger.reading import Floats, Ints, Status

SLICE_US: Final = 600_000_000  # firings are written in pieces of this length. [µs]

FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", "'")
"""What a spreadsheet may take as the start of a formula, wide forms too; and the sign that guards it."""


class ExportError(UserError):
    """An export can't be made; says why, and what to do."""


def export_csv(reader: JournalReader, firing: str, out: Path, *, progress: Progress | None = None) -> int:
    """Write a firing as CSV, replacing `out`; return the number of rows. ExportError: it can't be written.

    The first column is `time_s`, from the first reading; then one column per probe in °C, with a row for each
    time at which a rig sent something; empty where there was no reading that is OK. Numbers are as short as
    they can be and still read back to the same double. A name that a spreadsheet would run as a formula (it
    begins with one of `FORMULA`), or that speaks of volts, gets an apostrophe in front, which an import
    removes again.

    `progress` is called now and then with how much is done, and of how much; an exception from it ends the
    export and leaves nothing behind.
    """
    columns = reader.columns(firing)
    names = [c.probe.name for c in columns]
    header = [f"'{name}" if name.startswith(FORMULA) or VOLTS.search(name) else name for name in names]
    rows = 0
    begin: int | None = None
    with whole_file(out) as raw:
        file = io.TextIOWrapper(raw, encoding="utf-8", newline="")
        csv.writer(file, lineterminator="\n").writerow(["time_s", *header])
        for t_us, temperature_c in _rows(reader, firing, columns, progress):
            begin = int(t_us[0]) if begin is None else begin
            times = [repr(t).removesuffix(".0") for t in ((t_us - begin) / 1e6).tolist()]
            cells = [["" if v != v else repr(v) for v in column] for column in temperature_c.T.tolist()]
            file.writelines(",".join(row) + "\n" for row in zip(times, *cells, strict=True))
            rows += len(t_us)
        file.detach()  # flushes
    return rows


def export_parquet(reader: JournalReader, firing: str, out: Path, *, progress: Progress | None = None) -> int:
    """Write a firing as a Parquet file; return the number of rows. ExportError: it can't be written.

    Column `time`, UTC in microseconds, and one column of float64 per probe, null where there was no reading
    that is OK. The metadata have the firing's ID, title and plan, and which rigs' readings are unproven.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    info = reader.firing(firing)
    columns = reader.columns(firing)
    unproven = reader.unproven(firing)
    schema = pa.schema(
        [("time", pa.timestamp("us", tz="UTC")), *((c.probe.name, pa.float64()) for c in columns)],
        metadata={
            "firing": info.id,
            "title": info.title,
            "plan": info.plan.dumps(),
            **({"proof": "none", "unproven": ", ".join(sorted(unproven))} if unproven else {}),
        },
    )
    rows = 0
    with whole_file(out) as file, pq.ParquetWriter(file, schema) as writer:
        for t_us, temperature_c in _rows(reader, firing, columns, progress):
            arrays: list[Any] = [pa.array(t_us.astype("datetime64[us]"), schema.field(0).type)]
            arrays += [pa.array(column, from_pandas=True) for column in temperature_c.T]
            writer.write_table(pa.table(arrays, schema=schema))
            rows += len(t_us)
    return rows


def export_line_protocol(
    reader: JournalReader, firing: str, out: Path, *, site: str = "", progress: Progress | None = None
) -> int:
    """Write a firing in InfluxDB's line protocol, replacing `out`; return the number of lines.

    See `line_protocol.lines_of`. ExportError: it can't be written.
    """
    info = reader.firing(firing)
    probes = dict(zip(info.seen, assign_probes(info.plan, info.seen), strict=True))
    count = done = 0
    unproven = reader.unproven(firing)
    with whole_file(out) as file:
        for batch in reader.batches(firing):
            own = [probes[batch.rig, c.name] for c in batch.channels if (batch.rig, c.name) in probes]
            if len(own) == len(batch.channels):
                lines = lines_of(
                    batch, own, firing=firing, site=site, proof="none" if batch.rig in unproven else ""
                )
                file.write("".join(f"{line}\n" for line in lines).encode())
                count += len(lines)
            done += batch.status.size
            if progress is not None:
                progress(done, info.readings)
    return count


def export_set_apart(reader: JournalReader, firing: str, out: Path) -> int:
    """Write a firing's frames that were set apart, as they came; return their number.

    Tab-separated, with a header line: when it came in (UTC), from what source, which rig it names, why it was
    set apart, and the line itself with its checksum. ExportError: it can't be written.
    """
    rows = reader.set_apart(firing)
    with whole_file(out) as file:
        file.write(b"came_utc\tsource\trig\twhy\tline\n")
        for row in rows:
            came = np.datetime_as_string(np.datetime64(row.t_us, "us")) + "Z"
            file.write("\t".join((came, row.source, row.rig, row.why, "")).encode() + row.line + b"\n")
    return len(rows)


@contextlib.contextmanager
def whole_file(out: Path) -> Iterator[IO[bytes]]:
    """Write a file under another name and rename it when complete; write straight to a device.

    ExportError: it can't be written; a file that was at `out` is still there.
    """
    device = False  # or a pipe: it can't be replaced
    try:
        device = out.exists() and not out.is_file()
        with out.open("wb") if device else appearing(out, 0o666) as file:
            yield file
    except OSError as exc:
        what = "only part of it was written" if device else "nothing was written"
        raise ExportError(f"{out}: {exc.strerror or exc}; {what}, choose another place") from exc


def _rows(
    reader: JournalReader, firing: str, columns: Sequence[Column], progress: Progress | None
) -> Iterator[tuple[Ints, Floats]]:
    """Yield rows on a common time line, piece by piece: times (n,) and temperatures (n, k)."""
    index = {(c.rig, c.channel): j for j, c in enumerate(columns)}
    stretches = list(reader.stretches(firing, SLICE_US))
    for done, (since, until) in enumerate(stretches):
        if progress is not None:
            progress(done, len(stretches))
        traces = reader.readings(firing, since, until)
        t_us = np.unique(np.concatenate([np.zeros(0, np.int64), *traces.t_us]))
        if not len(t_us):
            continue
        values = np.full((len(t_us), len(columns)), np.nan)
        for i, column in enumerate(traces.columns):
            j = index.get((column.rig, column.channel))
            if j is not None:
                ok = traces.status[i] == Status.OK
                values[np.searchsorted(t_us, traces.t_us[i][ok]), j] = traces.temperature_c[i][ok]
        yield t_us, values
