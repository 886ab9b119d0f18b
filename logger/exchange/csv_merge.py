"""Several files, or one, on one line of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from logger.exchange.csv_columns import too_many
from logger.exchange.csv_table import CsvError, Hint, listed, shown
from logger.exchange.csv_values import Part, Piece, only_name, side_by_side
from logger.plan import Plan, Probe
from logger.reading import MAX_CHANNELS, Bytes, Floats, Ints, Status

_HOT_END_C: Final = 100.0
"""Nobody switches one channel off while its probe is so hot. [°C]"""


@dataclass(frozen=True, slots=True)
class CsvFiring:
    """What one or several CSV files say: n rows, k columns."""

    names: tuple[str, ...]
    t_us: Ints  # (n,), from the first row on, strictly ascending
    started_us: int | None  # of the first row, UTC; None where the file has no dates
    temperature_c: Floats  # (n, k), NaN where there is no reading
    # (n, k): OPEN where a word says so or a column stays empty for long; ABSENT where it is only empty now
    # and then, as when two instruments don't write at the same time
    status: Bytes
    guesses: tuple[str, ...] = ()  # what was found out and may be wrong
    notes: tuple[str, ...] = ()  # what was done with the files
    left_out: tuple[tuple[str, str], ...] = ()  # columns, and why

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


def merge_parts(
    parts: Sequence[Part], paths: Sequence[Path], *, plan: Plan | None = None, notes: Sequence[str] = ()
) -> CsvFiring:
    """Put the readings of several files onto one line of time; for `plan` see `read_csv`.

    `paths` say where each came from, `notes` what was done with the files before. CsvError: one has dates and
    another none, two columns have one name, there are more than 64 columns, or the plan fits none.
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
    _mark_long_gaps(t_us, status)
    ends_us = [int(part.times.t_us[-1]) for part in parts for _ in part.names]
    _mark_broken_ends(t_us, values, status, [ends_us[j] for j in kept])
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
    )


def _side_by_side(
    parts: Sequence[Part], paths: Sequence[Path], notes: list[str]
) -> tuple[list[str], Ints, Floats, Bytes]:
    columns: list[tuple[str, list[Piece]]] = []
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
                what = f"column {shown(name)} is in another file of that name too; rename one"
                raise CsvError(what, file=path.name, code="same-name")
            columns.append((full, [(part, j)]))
    return [name for name, _ in columns], *side_by_side([pieces for _, pieces in columns])


def _goes_on(columns: list[tuple[str, list[Piece]]], part: Part) -> list[tuple[str, list[Piece]]] | None:
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
    fits = probes_of(names, plan)
    if plan is not None and plan.probes and not fits:
        known = listed([shown(probe.name) for probe in plan.probes])
        what = (
            f"no probe of the plan is a column: it has {known}; "
            f"the file has {listed([shown(n) for n in names])}. "
            "Name the plan's probes (or their channels) as the columns, or import without a plan"
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


def _mark_long_gaps(t_us: Ints, status: Bytes) -> None:
    """Take a column that stays empty longer than three of its usual steps for an open thermocouple.

    Three that fall silent in one row, or all, are a logger that stopped. Before its first reading a column
    says nothing: its logger didn't run yet. For what comes after its last one see `_mark_broken_ends`. `t_us`
    (n,); `status` (n, k) changes in place.
    """
    read = status != Status.ABSENT
    silent = (read[:-1] & ~read[1:]).sum(axis=1)
    together = (silent > 2) | ((silent > 1) & (silent == read[:-1].sum(axis=1)))
    for column in status.T:
        there = np.flatnonzero(column != Status.ABSENT)
        if len(there) < 2:
            continue
        usual = float(np.median(np.diff(t_us[there])))
        empty = np.flatnonzero(column == Status.ABSENT)
        empty = empty[(empty > there[0]) & (empty < there[-1])]
        after = np.searchsorted(there, empty)
        long = t_us[there[after]] - t_us[there[after - 1]] > max(3 * usual, 2e6)
        column[empty[long & ~together[there[after - 1]]]] = Status.OPEN


def _mark_broken_ends(t_us: Ints, values_c: Floats, status: Bytes, ends_us: Sequence[int]) -> None:
    """Take a column that ends alone and hot, while its file goes on, for a couple that broke for good.

    Several that end together, or one that ends cold, are a logger that stopped. `t_us` (n,), `values_c` (n,
    k); `status` (n, k) changes in place; `ends_us` is the last time of the file that each column came from.
    """
    found = [np.flatnonzero(column != Status.ABSENT) for column in status.T]
    last = [int(there[-1]) if len(there) else -1 for there in found]
    for j, (there, end_us) in enumerate(zip(found, ends_us, strict=True)):
        together = sum(abs(other - last[j]) <= 2 for other in last)
        if len(there) < 2 or together > 1 or not values_c[last[j], j] > _HOT_END_C:
            continue
        usual = float(np.median(np.diff(t_us[there])))
        if end_us - t_us[last[j]] > max(3 * usual, 2e6):
            rest = status[last[j] + 1 :, j]
            rest[t_us[last[j] + 1 :] <= end_us] = Status.OPEN
