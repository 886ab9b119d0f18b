"""Reads firings from CSV files: our own, and with options those of other people's loggers."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.exchange.csv_format import read_table
from logger.exchange.csv_merge import CsvFiring, merge_parts, probes_of, read_rows
from logger.exchange.csv_table import CsvError, CsvOptions, Table
from logger.exchange.csv_text import Progress
from logger.journal.traces import GAP_STEPS, GAP_US
from logger.journal.writer import FiringInfo, JournalWriter
from logger.plan import Plan
from logger.reading import MAX_CHANNELS, Batch, Channel

RIG: Final = "import"  # that imported readings belong to, unless the plan names one
IMPORTED_SHA256: Final = "imported_sha256"  # fact of a firing: `digest_of` each file it was imported from

_SLICE: Final = 50_000
HEAD_ROWS: Final = 5
_LINE_LENGTH: Final = 200


def read_csv(
    paths: Path | Sequence[Path],
    options: CsvOptions | None = None,
    *,
    plan: Plan | None = None,
    progress: Progress | None = None,
) -> CsvFiring:
    """Read a firing from a CSV file, or from several with a channel each.

    Columns that the plan's probes name are temperatures; if there are more than 64 columns, only those are
    read. CsvError names the row, the column and the option that helps.
    """
    given = [paths] if isinstance(paths, Path) else list(paths)
    options = options or CsvOptions()
    once, notes = each_once(given)
    probes = plan.probes if plan else ()
    named = frozenset(name.casefold() for probe in probes for name in (probe.name, probe.channel) if name)
    parts = [read_rows(*read_table(path, options, named), options, progress) for path in once]
    return merge_parts(parts, plan=plan, notes=notes)


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

    The plan's probes, or their channels, are named like the columns. The title defaults to the plan's, or the
    file's name. `started_us` is the time of the first reading if the file doesn't give it (default: now).
    `invented`: from a simulation. CsvError: something can't be read. JournalError: the journal can't be
    written to.
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
                t_us = firing.t_us[a : a + _SLICE]
                temperature = firing.temperature_c[a : a + _SLICE, columns]
                none = np.full(temperature.shape, np.nan)
                batch = Batch(
                    rig=rig,
                    channels=channels,
                    t_us=t_us + begin,
                    seq=np.arange(a, a + len(t_us)),
                    ms=t_us // 1000 % 2**32,
                    raw=temperature,
                    raw_cj=none,
                    temperature_c=temperature,
                    cold_junction_c=none,
                    status=firing.status[a : a + _SLICE, columns],
                )
                writer.append(info.id, batch)
        writer.pack(info.id)
        return writer.firing(info.id), firing


def preview(
    paths: Sequence[Path], options: CsvOptions | None = None
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Say what was understood of each file, and what firing they make together, for people to check first.

    For each file: its first `lines`, its first rows of readings as `head` (number, cells), the `headers` of
    all columns, those of `time` and those `read` as temperatures, and these `columns` (name, unit). For the
    firing: why it can't be imported (`error`, `refusal`); or by column its `names`, `lowest_c`, `highest_c`
    and number of `readings`; `rows`, time of the first (`started`), `duration_s`, the usual step (`step_s`),
    where rows are missing and for how long (`gaps`, s); and everything worth saying (`guesses`).
    """
    options = options or CsvOptions()
    once, notes = each_once(paths)
    tables: dict[Path, Table] = {}
    parts = []
    errors: list[CsvError] = []
    for path in once:
        try:
            text, tables[path] = read_table(path, options)
            parts.append(read_rows(text, tables[path], options))
        except CsvError as exc:
            errors.append(exc)
    files = [_seen(path, tables.get(path)) for path in paths]
    try:
        if errors:
            raise errors[0]
        return files, _understood(merge_parts(parts, notes=notes))
    except CsvError as exc:
        return files, {"error": str(exc), "refusal": exc.as_dict(), "started": None, "guesses": []}


def _seen(path: Path, table: Table | None) -> dict[str, Any]:
    return {
        "lines": _first_lines(path),
        "headers": table.headers if table else [],
        "head": table.head[:HEAD_ROWS] if table else [],
        "time": [table.headers[i] for i in table.time] if table else [],
        "read": [table.headers[column.at] for column in table.columns] if table else [],
        "columns": [(column.name, column.unit) for column in table.columns] if table else [],
    }


def _understood(firing: CsvFiring) -> dict[str, Any]:
    columns = [column[~np.isnan(column)] for column in firing.temperature_c.T]
    steps = np.diff(firing.t_us)
    usual_us = float(np.median(steps)) if len(steps) else 0.0
    at = np.flatnonzero(steps > max(GAP_STEPS * usual_us, GAP_US))
    return {
        "error": None,
        "refusal": None,
        "names": firing.names,
        "lowest_c": [float(c.min()) if len(c) else None for c in columns],
        "highest_c": [float(c.max()) if len(c) else None for c in columns],
        "readings": [len(c) for c in columns],
        "rows": len(firing.t_us),
        "started": firing.start,
        "duration_s": float(firing.t_s[-1]),
        "step_s": usual_us / 1e6,
        "gaps": [(float(firing.t_us[i]) / 1e6, float(steps[i]) / 1e6) for i in at],
        "guesses": firing.said(),
    }


def _first_lines(path: Path) -> list[str]:
    try:
        with path.open("rb") as file:
            data = file.read(HEAD_ROWS * 4 * _LINE_LENGTH)
    except OSError:
        return []  # reading it says why
    wide = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig", "ignore" if wide else "strict")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    return [line[:_LINE_LENGTH] for line in text.splitlines()[: HEAD_ROWS + 3]]


def each_once(paths: Sequence[Path]) -> tuple[list[Path], list[str]]:
    """Leave out files that repeat another one; return the rest, and notes on what was left out."""
    seen: dict[str, Path] = {}
    notes = []
    for path in paths:
        first = seen.setdefault((len(paths) > 1 and digest_of(path)) or str(path), path)
        if first is not path and first.name == path.name:
            notes.append(f"{path.name} was given twice: read once")
        elif first is not path:
            notes.append(f"{path.name} is the same file as {first.name}: read once")
    return list(seen.values()), notes


def digest_of(path: Path) -> str:
    """Return what identifies a file whatever its name: the SHA-256 of its bytes in hex.

    Empty if it can't be read (reading it says why), and for a pipe, which can be read only once.
    """
    if not path.is_file():
        return ""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def already_here(firings: Iterable[FiringInfo], digests: Iterable[str]) -> dict[str, FiringInfo]:
    """Find files that were imported before: by digest, the newest firing that has each.

    `firings` come newest first; `digests` come from `digest_of`; empty ones match nothing.
    """
    wanted = {digest for digest in digests if digest}
    found: dict[str, FiringInfo] = {}
    for firing in firings:
        kept = firing.facts.get(IMPORTED_SHA256)
        for digest in kept if isinstance(kept, list) else ():
            if digest in wanted:
                found.setdefault(digest, firing)
    return found


def _rigs(names: Sequence[str], plan: Plan | None) -> list[tuple[str, tuple[Channel, ...], list[int]]]:
    """Give each column the rig and channel by which the plan knows it, at most 64 to a rig."""
    probes = probes_of(names, plan)
    rigs: dict[str, list[tuple[Channel, int]]] = {}
    used: set[tuple[str, str]] = set()
    # Columns that the plan names come first: no other may take their channels.
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
