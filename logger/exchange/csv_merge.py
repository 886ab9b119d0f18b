"""Merges one or several files into one firing, on a common time line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from logger.exchange.csv_columns import too_many
from logger.exchange.csv_table import CsvError, Hint, listed, shown
from logger.exchange.csv_values import Part
from logger.plan import Plan, Probe
from logger.reading import MAX_CHANNELS, Bytes, Floats, Ints, Status

_HOT_END_C: Final = 100.0
"""Nobody switches off one channel while its probe is this hot. [°C]"""
_GENERIC: Final = frozenset(
    (
        *("temperature", "temp", "temp.", "value", "reading", "channel 1", "ch1", "tc", "tc1", "°c", "°f"),
        "column 2",
    )
)

Piece = tuple[Part, int]
"""A part and one of its columns."""


@dataclass(frozen=True, slots=True)
class CsvFiring:
    """A firing from one or several CSV files: n rows, k columns."""

    names: tuple[str, ...]
    t_us: Ints  # (n,), from the first row, strictly ascending
    started_us: int | None  # time of the first row, UTC; None if the file has no dates
    temperature_c: Floats  # (n, k), NaN where there is no reading
    # (n, k): OPEN where a word says so or a column stays empty for long; ABSENT where it is only empty now
    # and then, as when two instruments write at different times
    status: Bytes
    guesses: tuple[str, ...] = ()  # conclusions that may be wrong
    notes: tuple[str, ...] = ()  # what was done with the files
    left_out: tuple[tuple[str, str], ...] = ()  # columns, and why

    @property
    def t_s(self) -> Floats:
        """Seconds from the first row, shape (n,)."""
        return self.t_us / 1e6

    @property
    def readings(self) -> int:
        """Number of temperatures; empty, open or out of range doesn't count."""
        return int(np.count_nonzero(self.status == Status.OK))

    def said(self) -> tuple[str, ...]:
        """Return everything worth saying about how it was read."""
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


def merge_parts(parts: Sequence[Part], *, plan: Plan | None = None, notes: Sequence[str] = ()) -> CsvFiring:
    """Put the readings of several files on one time line; for `plan` see `read_csv`.

    `notes` say what was done with the files before. CsvError: some have dates and others don't, two columns
    share a name, there are more than 64 columns, or the plan fits none.
    """
    absolute, file = parts[0].times.absolute, parts[0].table.name
    odd = [part for part in parts if not part.times.absolute]
    if 0 < len(odd) < len(parts):
        what = "has no dates, but other files do; import them separately"
        raise CsvError(what, file=odd[0].table.name, code="no-dates")
    notes = list(notes)
    if len(parts) == 1:
        names, t_us = parts[0].table.names, parts[0].times.t_us
        values, status = parts[0].values, parts[0].status
    else:
        columns = _columns(parts, notes)
        names = list(columns)
        t_us, values, status = side_by_side(list(columns.values()))
    kept = _kept(names, plan, own=all(part.table.own for part in parts), file=file)
    left_out = [pair for part in parts for pair in part.table.left_out]
    if len(kept) < len(names):
        left_out += [(names[j], "the plan names no such probe") for j in range(len(names)) if j not in kept]
        names = [names[j] for j in kept]
        values, status = values[:, kept], status[:, kept]
    ends_us = [int(part.times.t_us[-1]) for part in parts for _ in part.table.columns]
    _mark_open(t_us, values, status, [ends_us[j] for j in kept])
    guesses = dict.fromkeys(guess for part in parts for guess in part.table.guesses)
    if not absolute:
        guesses["no dates: times count from the first row"] = None
    return CsvFiring(
        names=tuple(names),
        t_us=t_us - t_us[0],
        started_us=int(t_us[0]) if absolute else None,
        temperature_c=values,
        status=status,
        guesses=tuple(guesses),
        notes=tuple(dict.fromkeys([*notes, *(note for part in parts for note in part.table.notes)])),
        left_out=tuple(dict.fromkeys(left_out)),
    )


def _columns(parts: Sequence[Part], notes: list[str]) -> dict[str, list[Piece]]:
    """Return the pieces of each column of several files, by name; `notes` say which files continue others."""
    columns: dict[str, list[Piece]] = {}
    for part in parts:
        path = part.table.path
        if before := _goes_on(columns, part):
            notes.append(f"{path.name} continues where another file ends, with the same columns")
            for j, pieces in enumerate(before):
                pieces.append((part, j))
            continue
        taken = {name.casefold() for name in columns}
        names = part.table.names
        if len(names) == 1 and names[0].casefold() in _GENERIC:
            names = [path.stem]
        for j, name in enumerate(names):
            full = name if name.casefold() not in taken else f"{path.stem} {name}"
            if full.casefold() in taken:
                what = f"another file of this name has a column {shown(name)} too; rename one file"
                raise CsvError(what, file=path.name, code="same-name")
            columns[full] = [(part, j)]
    return columns


def _goes_on(columns: dict[str, list[Piece]], part: Part) -> list[list[Piece]]:
    """Find the columns of earlier files that a file continues: the same names and, in any overlap, rows."""
    names = part.table.names
    same = [pieces for pieces in columns.values() if pieces[0][0].table.names == names]
    if not part.times.absolute or len(same) != len(names):
        return []
    fits = (_agree(other, k, part, j) for j, pieces in enumerate(same) for other, k in pieces)
    return same if all(fits) else []


def _agree(a: Part, i: int, b: Part, j: int) -> bool:
    """Say whether two columns have the same times and readings where they overlap in time."""
    begin = max(a.times.t_us[0], b.times.t_us[0])
    end = min(a.times.t_us[-1], b.times.t_us[-1])
    kept = []
    for part, column in ((a, i), (b, j)):
        rows = (begin <= part.times.t_us) & (part.times.t_us <= end)
        kept.append((part.times.t_us[rows], part.values[rows, column]))
    (t_a, values_a), (t_b, values_b) = kept
    return np.array_equal(t_a, t_b) and np.array_equal(values_a, values_b, equal_nan=True)


def side_by_side(columns: Sequence[Sequence[Piece]]) -> tuple[Ints, Floats, Bytes]:
    """Put columns, each of one piece or several that don't overlap, on one time line."""
    t_us = np.unique(np.concatenate([part.times.t_us for pieces in columns for part, _ in pieces]))
    values = np.full((len(t_us), len(columns)), np.nan, order="F")
    status = np.full(values.shape, np.uint8(Status.ABSENT), order="F")
    for i, pieces in enumerate(columns):
        for part, j in pieces:
            at = np.searchsorted(t_us, part.times.t_us)
            values[at, i], status[at, i] = part.values[:, j], part.status[:, j]
    return t_us, values, status


def _kept(names: Sequence[str], plan: Plan | None, *, own: bool, file: str) -> list[int]:
    """Say which columns to keep: all, or if there are too many, those that the plan names."""
    every = list(range(len(names)))
    fits = probes_of(names, plan)
    if plan is not None and plan.probes and not fits:
        known = listed([shown(probe.name) for probe in plan.probes])
        what = (
            f"none of the plan's probes is a column: the plan has {known}; "
            f"the file has {listed([shown(n) for n in names])}. "
            "Name the plan's probes (or their channels) like the columns, or import without a plan"
        )
        raise CsvError(what, file=file, code="plan-fits-nothing")
    if len(names) <= MAX_CHANNELS or own:
        return every
    if not fits:
        raise too_many(file, names, MAX_CHANNELS)
    if len(fits) > MAX_CHANNELS:
        what = f"the plan names {len(fits)} columns, more than {MAX_CHANNELS};"
        raise CsvError(what, Hint("leave_out", None, "leaves some out"), file=file, code="too-many-columns")
    return [j for j in every if j in fits]


def probes_of(names: Sequence[str], plan: Plan | None) -> dict[int, Probe]:
    """Find each column's probe in the plan: by name, else by channel."""
    found: dict[int, Probe] = {}
    folded = [name.casefold() for name in names]
    for by_name in (True, False):
        for probe in plan.probes if plan else ():
            said = (probe.name if by_name else probe.channel).casefold()
            if said in folded and folded.index(said) not in found and probe not in found.values():
                found[folded.index(said)] = probe
    return found


def _mark_open(t_us: Ints, values_c: Floats, status: Bytes, ends_us: Sequence[int]) -> None:
    """Mark a column as open where it stays empty for longer than three of its usual steps.

    If three fall silent in one row, or all do, a logger stopped. Before its first reading a column's logger
    wasn't running yet. After its last reading a column is open if it ends alone and hot while its file goes
    on: a thermocouple that broke for good. `t_us` (n,), `values_c` (n, k); `status` (n, k) changes in place;
    `ends_us` is the last time in the file that each column came from.
    """
    read = status != Status.ABSENT
    silent = (read[:-1] & ~read[1:]).sum(axis=1)
    together = (silent > 2) | ((silent > 1) & (silent == read[:-1].sum(axis=1)))
    last = np.where(read.any(axis=0), len(t_us) - 1 - np.argmax(read[::-1], axis=0), -1)
    for j, column in enumerate(status.T):
        there = np.flatnonzero(read[:, j])
        if len(there) < 2:
            continue
        long_us = max(3 * float(np.median(np.diff(t_us[there]))), 2e6)
        empty = np.flatnonzero(~read[: last[j], j])
        empty = empty[empty > there[0]]
        after = np.searchsorted(there, empty)
        long = t_us[there[after]] - t_us[there[after - 1]] > long_us
        column[empty[long & ~together[there[after - 1]]]] = Status.OPEN
        alone = np.count_nonzero(np.abs(last - last[j]) <= 2) == 1
        if alone and values_c[last[j], j] > _HOT_END_C and ends_us[j] - t_us[last[j]] > long_us:
            column[last[j] + 1 :][t_us[last[j] + 1 :] <= ends_us[j]] = Status.OPEN
