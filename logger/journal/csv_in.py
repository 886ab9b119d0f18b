"""Firings from CSV files: our own, and those of other people's loggers with options."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.journal.csv_format import read_table
from logger.journal.csv_table import CsvError, CsvOptions, Table
from logger.journal.csv_values import Part, mark_long_gaps, read_part, unmark_ends
from logger.journal.writer import FiringInfo, JournalWriter
from logger.plan import Plan
from logger.reading import MAX_CHANNELS, Batch, Bytes, Channel, Floats, Ints, Status

__all__ = ["CsvError", "CsvFiring", "CsvOptions", "import_csv", "merge_parts", "read_csv", "read_file"]

RIG: Final = "import"
"""The rig that imported readings belong to, where the plan names no other."""

MAX_BYTES: Final = 1 << 30

_SLICE: Final = 50_000


@dataclass(frozen=True, slots=True)
class CsvFiring:
    """What one or several CSV files say.

    n rows, k columns.

    Attributes
    ----------
    names : tuple of str, length k
    t_us : int64 array, shape (n,)
        From the first row on, strictly ascending. [µs]
    started_us : int or None
        Time of the first row, UTC; None where the file has no dates. [µs]
    temperature_c : float64 array, shape (n, k)
        NaN where there is no reading. [°C]
    status : uint8 array, shape (n, k)
        `Status.OPEN` where a word says so, or where a column stays empty for long; `Status.ABSENT` where it
        is only empty now and then, as when two instruments don't write at the same time.
    guesses : tuple of str
        What was found out and may be wrong.
    """

    names: tuple[str, ...]
    t_us: Ints
    started_us: int | None
    temperature_c: Floats
    status: Bytes
    guesses: tuple[str, ...] = ()

    @property
    def t_s(self) -> Floats:
        """Seconds from the first row, shape (n,)."""
        return self.t_us / 1e6

    @property
    def start(self) -> datetime | None:
        """Time of the first row, UTC."""
        if self.started_us is None:
            return None
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=self.started_us)


def read_csv(paths: Path | Sequence[Path], options: CsvOptions | None = None) -> CsvFiring:
    """Read a firing from a CSV file, or from several with a channel each.

    Parameters
    ----------
    paths : Path or sequence of Path
    options : CsvOptions, optional

    Returns
    -------
    CsvFiring

    Raises
    ------
    CsvError
        Something in it can't be read: names the row, the column, and the option that helps.
    """
    paths = [paths] if isinstance(paths, Path) else list(paths)
    options = options or CsvOptions()
    several = len(paths) > 1
    parts = [read_part(read_file(p, options), options, stem=p.stem if several else "") for p in paths]
    return merge_parts(parts, paths)


def import_csv(
    writer: JournalWriter,
    paths: Path | Sequence[Path],
    options: CsvOptions | None = None,
    *,
    plan: Plan | None = None,
    title: str = "",
    started_us: int | None = None,
    invented: bool = False,
) -> tuple[FiringInfo, CsvFiring]:
    """Put a firing from CSV files into the journal, all of it or nothing.

    Parameters
    ----------
    writer : JournalWriter
    paths : Path or sequence of Path
    options : CsvOptions, optional
    plan : Plan, optional
        Its probes' names are the columns' names.
    title : str, optional
        The plan's, or the file's name if left out.
    started_us : int, optional
        Time of the first reading, where the file doesn't say; now if left out. [µs]
    invented : bool, default False
        From a simulation.

    Returns
    -------
    FiringInfo, CsvFiring

    Raises
    ------
    CsvError
        Something can't be read.
    JournalError
        The journal can't be written to.
    """
    paths = [paths] if isinstance(paths, Path) else list(paths)
    firing = read_csv(paths, options)
    if len(firing.names) > MAX_CHANNELS:
        raise CsvError(f"{paths[0]}: {len(firing.names)} columns, more than {MAX_CHANNELS}; --leave-out some")
    begin = firing.started_us
    facts: dict[str, Any] = {"imported": [path.name for path in paths], "time_known": begin is not None}
    if begin is None:
        begin = started_us if started_us is not None else int(datetime.now(UTC).timestamp()) * 1_000_000
    with writer.transaction():
        info = writer.open_firing(
            title or (plan.title if plan else "") or paths[0].stem,
            plan.dumps() if plan else None,
            begin,
            ended_us=begin + int(firing.t_us[-1]),
            invented=invented,
            facts=facts,
        )
        for rig, channels, columns in _rigs(firing.names, plan):
            for a in range(0, len(firing.t_us), _SLICE):
                writer.append(info.id, _batch(firing, begin, rig, channels, columns, slice(a, a + _SLICE)))
        writer.pack(info.id)
        return writer.firing(info.id), firing


def read_file(path: Path, options: CsvOptions) -> Table:
    """Find the table in a file.

    Parameters
    ----------
    path : Path
    options : CsvOptions

    Returns
    -------
    Table

    Raises
    ------
    CsvError
        It can't be opened, is too large, or has no table in it.
    """
    try:
        if path.stat().st_size > MAX_BYTES:
            raise CsvError(f"{path.name}: larger than {MAX_BYTES >> 20} MiB; split it")
        data = path.read_bytes()
    except OSError as exc:
        raise CsvError(f"{path}: {exc.strerror or exc}; check the path") from exc
    return read_table(data, path.name, options)


def merge_parts(parts: Sequence[Part], paths: Sequence[Path]) -> CsvFiring:
    """Put the readings of several files onto one line of time.

    Parameters
    ----------
    parts : sequence of Part
    paths : sequence of Path
        Where each came from.

    Returns
    -------
    CsvFiring

    Raises
    ------
    CsvError
        One has dates and another none, or two columns have one name.
    """
    if len({part.times.absolute for part in parts}) > 1:
        odd = next(p for p, part in zip(paths, parts, strict=True) if not part.times.absolute)
        raise CsvError(f"{odd.name}: has no dates, but other files have; import them apart")
    absolute = parts[0].times.absolute
    t_us = np.unique(np.concatenate([part.times.t_us for part in parts]))
    names: list[str] = []
    last_rows: list[int] = []
    values = np.full((len(t_us), sum(len(part.names) for part in parts)), np.nan)
    status = np.full(values.shape, np.uint8(Status.ABSENT))
    for path, part in zip(paths, parts, strict=True):
        at = np.searchsorted(t_us, part.times.t_us)
        taken = {name.casefold() for name in names}
        for j, name in enumerate(part.names):
            full = name if name.casefold() not in taken else f"{path.stem} {name}"
            if full.casefold() in taken:
                raise CsvError(
                    f"{path.name}: column {name!r} is in another file too; rename one of the files"
                )
            values[at, len(names)] = part.values[:, j]
            status[at, len(names)] = part.status[:, j]
            names.append(full)
            last_rows.append(int(at[-1]) if len(at) else 0)
    for j in range(len(names)):
        mark_long_gaps(t_us, status[:, j])
    unmark_ends(status, last_rows)
    guesses = list(dict.fromkeys(guess for part in parts for guess in part.guesses))
    if not absolute:
        guesses.append("no dates: times count from the first row")
    return CsvFiring(
        names=tuple(names),
        t_us=t_us - t_us[0],
        started_us=int(t_us[0]) if absolute else None,
        temperature_c=np.where(status == Status.OK, values, np.nan),
        status=status,
        guesses=tuple(guesses),
    )


def _rigs(names: Sequence[str], plan: Plan | None) -> list[tuple[str, tuple[Channel, ...], list[int]]]:
    """Give each column the rig and the channel by which the plan knows it."""
    probes = {probe.name.casefold(): probe for probe in plan.probes} if plan else {}
    rigs: dict[str, list[tuple[Channel, int]]] = {}
    used: set[tuple[str, str]] = set()
    # Columns that the plan names come first: no other may take their channel.
    for j in sorted(range(len(names)), key=lambda j: names[j].casefold() not in probes):
        probe = probes.get(names[j].casefold())
        rig, channel = (probe.rig or RIG, probe.channel) if probe else (RIG, names[j])
        if (rig, channel) in used:
            rig = f"{RIG} beside the plan"
        used.add((rig, channel))
        rigs.setdefault(rig, []).append((Channel(channel, "celsius"), j))
    return [(rig, tuple(c for c, _ in own), [j for _, j in own]) for rig, own in rigs.items()]


def _batch(
    firing: CsvFiring, begin: int, rig: str, channels: tuple[Channel, ...], columns: list[int], rows: slice
) -> Batch:
    t_us = firing.t_us[rows]
    temperature = firing.temperature_c[rows, columns]
    none = np.full(temperature.shape, np.nan)
    return Batch(
        rig=rig,
        channels=channels,
        t_us=t_us + begin,
        seq=np.arange(rows.start, rows.start + len(t_us)),
        ms=t_us // 1000 % 2**32,
        raw=temperature,
        raw_cj=none,
        temperature_c=temperature,
        cold_junction_c=none,
        status=firing.status[rows, columns],
    )
