"""Firings from CSV files: our own, and those of other people's loggers with options."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from logger.exchange.csv_columns import too_many
from logger.exchange.csv_format import read_table
from logger.exchange.csv_long import read_rows
from logger.exchange.csv_table import CsvError, CsvOptions, Hint, listed, shown
from logger.exchange.csv_text import Progress
from logger.exchange.csv_values import Part, mark_broken_ends, mark_long_gaps, only_name
from logger.journal.writer import FiringInfo, JournalWriter
from logger.plan import Plan, Probe
from logger.reading import MAX_CHANNELS, Batch, Bytes, Channel, Floats, Ints, Status

if TYPE_CHECKING:
    pass

__all__ = [
    "CsvError",
    "CsvFiring",
    "CsvOptions",
    "already_here",
    "digest_of",
    "import_csv",
    "merge_parts",
    "read_csv",
    "read_file",
]

RIG: Final = "import"
"""The rig that imported readings belong to, where the plan names no other."""

IMPORTED_SHA256: Final = "imported_sha256"
"""In a firing's facts: `digest_of` each file that it was imported from."""

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
    notes : tuple of str
        What was done with the files.
    left_out : tuple of (str, str)
        Columns that were left out, and why.
    own : bool
        Written by this program.
    """

    names: tuple[str, ...]
    t_us: Ints
    started_us: int | None
    temperature_c: Floats
    status: Bytes
    guesses: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    own: bool = False

    @property
    def t_s(self) -> Floats:
        """Seconds from the first row, shape (n,)."""
        return self.t_us / 1e6

    @property
    def readings(self) -> int:
        """Number of temperatures: what is empty, open or out of range is none."""
        return int(np.count_nonzero(self.status == Status.OK))

    def said(self) -> tuple[str, ...]:
        """Give all that is to be told of how it was read, in sentences."""
        why: dict[str, list[str]] = {}
        for column, reason in self.left_out:
            why.setdefault(reason, []).append(column)
        left_out = (f"left out: {listed(columns)} ({reason})" for reason, columns in why.items())
        return (*self.guesses, *self.notes, *left_out)

    @property
    def start(self) -> datetime | None:
        """Time of the first row, UTC."""
        if self.started_us is None:
            return None
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=self.started_us)


def read_csv(
    paths: Path | Sequence[Path],
    options: CsvOptions | None = None,
    *,
    plan: Plan | None = None,
    progress: Progress | None = None,
) -> CsvFiring:
    """Read a firing from a CSV file, or from several with a channel each.

    Parameters
    ----------
    paths : Path or sequence of Path
    options : CsvOptions, optional
    plan : Plan, optional
        Columns that its probes name are temperatures; of more than 64 columns only they are read.
    progress : callable, optional

    Returns
    -------
    CsvFiring

    Raises
    ------
    CsvError
        Something in it can't be read: names the row, the column, and the option that helps.
    """
    given = [paths] if isinstance(paths, Path) else list(paths)
    options = options or CsvOptions()
    once, notes = each_once(given)
    named = frozenset(
        name.casefold()
        for probe in (plan.probes if plan else ())
        for name in (probe.name, probe.channel)
        if name
    )
    parts = [read_file(path, options, named=named, progress=progress) for path in once]
    return merge_parts(parts, once, plan=plan, notes=notes)


def import_csv(
    writer: JournalWriter,
    paths: Path | Sequence[Path],
    options: CsvOptions | None = None,
    *,
    plan: Plan | None = None,
    title: str = "",
    started_us: int | None = None,
    invented: bool = False,
    progress: Progress | None = None,
) -> tuple[FiringInfo, CsvFiring]:
    """Put a firing from CSV files into the journal, all of it or nothing.

    Parameters
    ----------
    writer : JournalWriter
    paths : Path or sequence of Path
    options : CsvOptions, optional
    plan : Plan, optional
        Its probes' names, or their channels, are the columns' names.
    title : str, optional
        The plan's, or the file's name if left out.
    started_us : int, optional
        Time of the first reading, where the file doesn't say; now if left out. [µs]
    invented : bool, default False
        From a simulation.
    progress : callable, optional

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
    digests = [digest for path in paths if (digest := digest_of(path))]
    firing = read_csv(paths, options, plan=plan, progress=progress)
    begin = firing.started_us
    facts: dict[str, Any] = {
        "imported": [path.name for path in paths],
        IMPORTED_SHA256: digests,
        "time_known": begin is not None,
    }
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


def read_file(
    path: Path, options: CsvOptions, *, named: frozenset[str] = frozenset(), progress: Progress | None = None
) -> Part:
    """Read one file.

    Parameters
    ----------
    path : Path
    options : CsvOptions
    named : frozenset of str, optional
        Columns that a plan names, in lower case.
    progress : callable, optional

    Returns
    -------
    Part

    Raises
    ------
    CsvError
        It can't be opened, is too large, or can't be read.
    """
    text, table = read_table(path, options, named)
    return read_rows(text, table, options, progress)


def each_once(paths: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """Leave out files that are another one over again.

    Parameters
    ----------
    paths : sequence of Path

    Returns
    -------
    list of Path
    list of str
        What was left out, in words.
    """
    if len(paths) < 2:
        return list(paths), []
    seen: dict[str, Path] = {}
    notes = []
    for path in paths:
        first = seen.setdefault(digest_of(path) or str(path), path)
        if first is not path:
            notes.append(
                f"{path.name} was given twice: read once"
                if first.name == path.name
                else f"{path.name} is the same file as {first.name}: read once"
            )
    return list(seen.values()), notes


def digest_of(path: Path) -> str:
    """Work out by what a file is known again, whatever its name.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        SHA-256 of its bytes in hex; empty where it can't be read, since reading it says why, and for a pipe,
        which could be read only once.
    """
    if not path.is_file():
        return ""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def already_here(firings: Iterable[FiringInfo], digests: Iterable[str]) -> dict[str, FiringInfo]:
    """Find files that were imported before.

    Parameters
    ----------
    firings : iterable of FiringInfo
        The newest first.
    digests : iterable of str
        As `digest_of` gives them; empty ones are never here.

    Returns
    -------
    dict
        The newest firing that holds each file; digests of files that are new are no keys.
    """
    wanted = {digest for digest in digests if digest}
    found: dict[str, FiringInfo] = {}
    for firing in firings:
        kept = firing.facts.get(IMPORTED_SHA256)
        for digest in kept if isinstance(kept, list) else ():
            if digest in wanted:
                found.setdefault(digest, firing)
    return found


def merge_parts(
    parts: Sequence[Part], paths: Sequence[Path], *, plan: Plan | None = None, notes: Sequence[str] = ()
) -> CsvFiring:
    """Put the readings of several files onto one line of time.

    Parameters
    ----------
    parts : sequence of Part
    paths : sequence of Path
        Where each came from.
    plan : Plan, optional
        See `read_csv`.
    notes : sequence of str, optional
        What was done with the files before.

    Returns
    -------
    CsvFiring

    Raises
    ------
    CsvError
        One has dates and another none, two columns have one name, there are more than 64 columns, or the plan
        fits none.
    """
    if len({part.times.absolute for part in parts}) > 1:
        odd = next(p for p, part in zip(paths, parts, strict=True) if not part.times.absolute)
        raise CsvError(
            "has no dates, but other files have; import them apart", file=odd.name, code="no-dates"
        )
    absolute, own = parts[0].times.absolute, all(part.table.own for part in parts)
    notes = list(notes)
    if len(parts) == 1:
        names, t_us, values, status = parts[0].names, parts[0].times.t_us, parts[0].values, parts[0].status
    else:
        names, t_us, values, status = _side_by_side(parts, paths, notes)
    kept = _kept(names, plan, own=own, file=paths[0].name)
    left_out = [pair for part in parts for pair in part.table.left_out]
    if len(kept) < len(names):
        left_out += [(names[j], "the plan names no such probe") for j in range(len(names)) if j not in kept]
        names = [names[j] for j in kept]
        values, status = values[:, kept], status[:, kept]
    # No fire opens all wires at once and closes them again: where nothing was read the logger had stopped.
    told = (status != Status.ABSENT).any(axis=1) | (len(names) == 1)
    for j in range(len(names)):
        mark_long_gaps(t_us, status[:, j], told)
    ends_us = [int(part.times.t_us[-1]) for part in parts for _ in part.names]
    mark_broken_ends(t_us, values, status, [ends_us[j] for j in kept])
    guesses = list(dict.fromkeys(guess for part in parts for guess in part.table.guesses))
    if not absolute:
        guesses.append("no dates: times count from the first row")
    return CsvFiring(
        names=tuple(names),
        t_us=t_us - t_us[0],
        started_us=int(t_us[0]) if absolute else None,
        temperature_c=values,
        status=status,
        guesses=tuple(guesses),
        notes=tuple(dict.fromkeys([*notes, *(note for part in parts for note in part.table.notes)])),
        left_out=tuple(dict.fromkeys(left_out)),
        own=own,
    )


def _side_by_side(
    parts: Sequence[Part], paths: Sequence[Path], notes: list[str]
) -> tuple[list[str], Ints, Floats, Bytes]:
    t_us = np.unique(np.concatenate([part.times.t_us for part in parts]))
    columns: list[tuple[str, list[tuple[Part, int]]]] = []
    for path, part in zip(paths, parts, strict=True):
        before = _goes_on(columns, part)
        if before:
            notes.append(f"{path.name} goes on where another file ends: its columns are the same")
            for j, (_, pieces) in enumerate(before):
                pieces.append((part, j))
            continue
        taken = {name.casefold() for name, _ in columns}
        for j, name in enumerate(only_name(part, path.stem)):
            full = name if name.casefold() not in taken else f"{path.stem} {name}"
            if full.casefold() in taken:
                raise CsvError(
                    f"column {shown(name)} is in another file of that name too; rename one",
                    file=path.name,
                    code="same-name",
                )
            columns.append((full, [(part, j)]))
    values = np.full((len(t_us), len(columns)), np.nan, order="F")
    status = np.full(values.shape, np.uint8(Status.ABSENT), order="F")
    for i, (_, pieces) in enumerate(columns):
        for part, j in pieces:
            at = np.searchsorted(t_us, part.times.t_us)
            values[at, i] = part.values[:, j]
            status[at, i] = part.status[:, j]
    return [name for name, _ in columns], t_us, values, status


def _goes_on(
    columns: list[tuple[str, list[tuple[Part, int]]]], part: Part
) -> list[tuple[str, list[tuple[Part, int]]]] | None:
    """Find the columns of earlier files that a file goes on with: the same names, and no time in both."""
    if not part.times.absolute:
        return None
    same = [column for column in columns if column[1][0][0].names == part.names]
    earlier = [other.times.t_us for _, pieces in same for other, _ in pieces]
    a, b = part.times.t_us[0], part.times.t_us[-1]
    apart = all(b < other[0] or a > other[-1] for other in earlier)
    return same[: len(part.names)] if same and apart and len(same) == len(part.names) else None


def _kept(names: Sequence[str], plan: Plan | None, *, own: bool, file: str) -> list[int]:
    """Say which columns stay: all, or where there are too many those that the plan names."""
    every = list(range(len(names)))
    fits = _probes(names, plan)
    if plan is not None and plan.probes and not fits:
        known = listed([shown(probe.name) for probe in plan.probes])
        raise CsvError(
            f"no probe of the plan is a column: it has {known}; "
            f"the file has {listed([shown(n) for n in names])}. "
            "Name the plan's probes (or their channels) as the columns, or import without a plan",
            file=file,
            code="plan-fits-nothing",
        )
    if len(names) <= MAX_CHANNELS or own:
        return every
    if not fits:
        raise too_many(file, names, MAX_CHANNELS)
    if len(fits) > MAX_CHANNELS:
        raise CsvError(
            f"the plan names {len(fits)} columns, more than {MAX_CHANNELS};",
            Hint("leave_out", None, "leaves some out"),
            file=file,
            code="too-many-columns",
        )
    return [j for j in every if j in fits]


def _probes(names: Sequence[str], plan: Plan | None) -> dict[int, Probe]:
    """Find the plan's probe of each column: by its name, else by its channel."""
    found: dict[int, Probe] = {}
    folded = [name.casefold() for name in names]
    rest: list[Probe] = []
    for probe in plan.probes if plan else ():
        if probe.name.casefold() in folded:
            found[folded.index(probe.name.casefold())] = probe
        else:
            rest.append(probe)
    for probe in rest:
        channel = probe.channel.casefold()
        if channel in folded and folded.index(channel) not in found:
            found[folded.index(channel)] = probe
    return found


def _rigs(names: Sequence[str], plan: Plan | None) -> list[tuple[str, tuple[Channel, ...], list[int]]]:
    """Give each column the rig and the channel by which the plan knows it, at most 64 to a rig."""
    probes = _probes(names, plan)
    rigs: dict[str, list[tuple[Channel, int]]] = {}
    used: set[tuple[str, str]] = set()
    # Columns that the plan names come first: no other may take their channel.
    for j in sorted(range(len(names)), key=lambda j: j not in probes):
        probe = probes.get(j)
        rig, channel = (probe.rig or RIG, probe.channel) if probe else (RIG, names[j])
        if (rig, channel) in used:
            rig = f"{RIG} beside the plan"
        base, more = rig, 2
        while len(rigs.get(rig, ())) >= MAX_CHANNELS:
            rig, more = f"{base} {more}", more + 1
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
