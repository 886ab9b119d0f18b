"""Read firings from an InfluxDB: which there are, what was read, what happened; copy one into a journal."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from logger.conversion.columns import DEFAULT_LETTER
from logger.errors import UserError
from logger.exchange.line_protocol import EVENT, FIRING, LOGGER, MEASUREMENT
from logger.home import Home
from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo
from logger.journal.writer import JournalWriter
from logger.mirror.influx import Influx, Series, literal
from logger.plan import Plan, Probe
from logger.reading import Batch, Channel, Event, Floats, Status

FIRST_WINDOW_US: Final = 60_000_000
FEW_ROWS: Final = 30_000
MANY_ROWS: Final = 120_000
FOREVER_US: Final = 2**52
_FAULTS: Final = {s.name.lower(): int(s) for s in Status}
_SERIES: Final = "rig, channel, probe, zone"
_FIELDS: Final = "temperature_c, cold_junction_c, emf_uv, fault"


@dataclass(frozen=True)
class StoredFiring(FiringInfo):
    """A firing in an InfluxDB, without what only a journal knows: number of readings, channels."""

    site: str = ""


class Archive:
    """Reads firings from an InfluxDB."""

    def __init__(self, influx: Influx) -> None:
        self._influx = influx

    def firings(self, site: str = "") -> list[StoredFiring]:
        """List firings, latest first."""
        where = f" WHERE site = {literal(site)}" if site else ""
        series = self._influx.select(f"SELECT * FROM {FIRING}{where} GROUP BY site, firing")
        return sorted(map(_firing, series), key=lambda f: (f.started_us, f.id), reverse=True)

    def firing(self, ref: str, site: str = "") -> StoredFiring:
        """Find a firing by its ID, or `last`; UserError: there is none, or several sites have it."""
        found = [f for f in self.firings(site) if ref in (f.id, "last")]
        place = f" of site {site}" if site else ""
        if not found:
            what = "there is no firing" if ref == "last" else f"{ref}: no such firing"
            raise UserError(f"{what}{place} in this InfluxDB; `stokewatch pull` without a name lists them")
        if ref != "last" and len(found) > 1:
            sites = ", ".join(repr(f.site) for f in found)
            raise UserError(f"{ref}: several sites have it ({sites}); name one with --site")
        return found[0]

    def extent(self, firing: StoredFiring) -> tuple[int, int] | None:
        """Return the times of the first and last reading [µs]; None where there are none."""
        times = [
            row[0] // 1000
            for pick in ("first", "last")
            for field in ("temperature_c", "fault")
            for series in self._influx.select(f"SELECT {pick}({field}) {_of(firing)}")
            for row in series.rows
        ]
        return (min(times), max(times)) if times else None

    def batches(self, firing: StoredFiring, since_us: int, until_us: int) -> Iterator[list[Batch]]:
        """Yield readings as the rigs sent them, span by span [µs], with a batch for each rig.

        A channel that sent emf and cold junction has them again; the others have plain °C.
        """
        window_us, begin_us = FIRST_WINDOW_US, since_us
        while begin_us < until_us:
            end_us = min(begin_us + window_us, until_us)
            batches = self.readings(firing, begin_us, end_us)
            if batches:
                yield batches
            begin_us = end_us
            rows = sum(batch.status.size for batch in batches)
            if rows < FEW_ROWS:
                window_us *= 2
            elif rows > MANY_ROWS:
                window_us = max(window_us // 2, 1_000_000)

    def readings(self, firing: StoredFiring, since_us: int, until_us: int = FOREVER_US) -> list[Batch]:
        """Return the readings of a short span of time; see `batches`."""
        series = self._influx.select(f"SELECT {_FIELDS} {_of(firing, since_us, until_us)} GROUP BY {_SERIES}")
        return _batches(series, firing.plan)

    def thinned(self, firing: StoredFiring, since_us: int, until_us: int, step_s: int) -> list[Batch]:
        """Return the lowest and highest reading of each step, with their own times, chosen by the server."""
        series = [
            found
            for pick in ("bottom", "top")
            for found in self._influx.select(
                f"SELECT {pick}(temperature_c, 1) {_of(firing, since_us, until_us)} "
                f"GROUP BY time({step_s}s), {_SERIES}"
            )
        ]
        for s in series:
            s.rows = [[t, c, None, None, None] for t, c, *_ in s.rows if c is not None]
        return _batches(series, firing.plan)

    def events(self, firing: StoredFiring, after_id: int = 0) -> list[Event]:
        """Return events in the order in which they were written, numbered as in the original journal."""
        query = f"SELECT id, kind, who, data FROM {EVENT} WHERE {_where(firing)} AND id > {int(after_id)}"
        found: dict[int, Event] = {}
        for series in self._influx.select(query):
            for time, number, kind, who, data in series.rows:
                # An event that was retracted later may be there twice, as it was and as it is.
                if data is not None and (number not in found or kind == "retracted"):
                    found[number] = Event(time // 1000, kind, json.loads(data), who or "", int(number))
        return [found[number] for number in sorted(found)]

    def beat(self, firing: StoredFiring) -> dict[str, Any] | None:
        """Return the logger's health as it was last reported."""
        for series in self._influx.select(f"SELECT beat FROM {LOGGER} WHERE {_where(firing)}"):
            return dict(json.loads(series.rows[-1][1]))
        return None


def _where(firing: StoredFiring) -> str:
    """Select site and firing; a missing tag counts as an empty one."""
    return f"firing = {literal(firing.id)} AND site = {literal(firing.site)}"


def _of(firing: StoredFiring, since_us: int = 0, until_us: int = FOREVER_US) -> str:
    """Select a firing's readings in a span of time."""
    return f"FROM {MEASUREMENT} WHERE {_where(firing)} AND time >= {since_us}000 AND time < {until_us}000"


def _firing(series: Series) -> StoredFiring:
    row = dict(zip(series.columns, series.rows[-1], strict=True))
    return StoredFiring(
        id=series.tags["firing"],
        site=series.tags.get("site", ""),
        title=row.get("title") or "",
        invented=bool(row.get("invented")),
        started_us=int(row["started_us"]),
        ended_us=int(row["ended_us"]) or None,
        plan_toml=json.loads(row.get("plan") or "null"),
        facts=json.loads(row.get("facts") or "{}"),
    )


def _batches(series: list[Series], plan: Plan) -> list[Batch]:
    rigs: dict[str, dict[str, list[list[Any]]]] = {}
    for s in series:
        # A channel whose probe was renamed during the firing has several series.
        rigs.setdefault(s.tags["rig"], {}).setdefault(s.tags["channel"], []).extend(s.rows)
    batches = [_batch(rig, channels, plan) for rig, channels in rigs.items()]
    return sorted(batches, key=lambda batch: int(batch.t_us[0]))  # the first to appear has the plan's channel


def _batch(rig: str, channels: dict[str, list[list[Any]]], plan: Plan) -> Batch:
    t_us = np.unique(np.array([row[0] // 1000 for rows in channels.values() for row in rows], np.int64))
    probes = {p.channel: p for p in reversed(plan.probes) if p.rig in (None, rig)}
    rank = {name: i for i, name in enumerate(reversed(probes))}
    names = sorted(channels, key=lambda name: (rank.get(name, len(rank)), len(name), name))
    shape = (len(t_us), len(names))
    temperature_c, raw, raw_cj = (np.full(shape, np.nan) for _ in range(3))
    status = np.full(shape, np.uint8(Status.ABSENT))
    described = []
    for j, name in enumerate(names):
        times, *columns, faults = zip(*channels[name], strict=True)
        at = np.searchsorted(t_us, np.array(times, np.int64) // 1000)
        c, cold_junction_c, emf_uv = (np.array(column, np.float64) for column in columns)
        fault = np.array([0 if f is None else _FAULTS.get(f, int(Status.CORRUPT)) for f in faults], np.uint8)
        ok = fault == Status.OK
        temperature_c[at, j] = np.where(ok, c, np.nan)
        status[at, j] = fault
        probe = probes.get(name)
        whole = ~np.isnan(emf_uv + cold_junction_c)
        if whole.any() and whole[ok].all():
            described.append(Channel(name, "emf", letter=(probe and probe.letter) or DEFAULT_LETTER))
            raw[at, j], raw_cj[at, j] = emf_uv, cold_junction_c
        else:
            described.append(Channel(name, "celsius"))
            raw[at, j] = _as_sent(temperature_c[at, j], probe)
    return Batch(
        rig=rig,
        channels=tuple(described),
        t_us=t_us,
        seq=np.arange(len(t_us), dtype=np.int64),
        ms=t_us // 1000 % 2**32,
        raw=raw,
        raw_cj=raw_cj,
        temperature_c=temperature_c,
        cold_junction_c=raw_cj,
        status=status,
    )


def _as_sent(temperature_c: Floats, probe: Probe | None) -> Floats:
    """Work out what a channel that sends °C had sent before its probe's correction."""
    if probe is None or not probe.correction:
        return temperature_c
    (reading, truth), *more = probe.correction
    slope = 1.0
    for reading_2, truth_2 in more:
        slope = (truth_2 - truth) / (reading_2 - reading)
    return reading + (temperature_c - truth) / slope if slope else temperature_c


def pull(archive: Archive, firing: StoredFiring, home: Home) -> FiringInfo:
    """Copy a firing into the journal, under the same ID.

    It is first fetched into a separate journal, so that the real one is held up only while it is copied on
    this machine, and never contains anything half-fetched. UserError: it is already in the journal, or has no
    readings; InfluxError: the server doesn't answer.
    """
    home.create()
    if home.journal.exists():
        with contextlib.closing(JournalReader(home.journal)) as reader:
            if any(info.id == firing.id for info in reader.firings(binned=None)):
                raise UserError(
                    f"{firing.id} is already in {home.root}; give another --home for a second copy"
                )
    extent = archive.extent(firing)
    if extent is None:
        raise UserError(f"{firing.id}: this InfluxDB has no readings of it")
    with tempfile.TemporaryDirectory(prefix="pull-", dir=home.root) as folder:
        fetched = Path(folder) / "journal.sqlite"
        _fetch(archive, firing, extent, fetched)
        with (
            contextlib.closing(JournalReader(fetched)) as reader,
            contextlib.closing(JournalWriter(home.journal)) as writer,
            writer.transaction(),
        ):
            info = writer.open_copy(firing, firing.ended_us or extent[1])
            for batch in reader.batches(firing.id):
                writer.append(info.id, batch)
            writer.pack(info.id)
            copy_events(writer, info.id, reader.events(firing.id), {})
            return writer.firing(info.id)


def copy_events(writer: JournalWriter, firing: str, events: Iterable[Event], numbers: dict[int, int]) -> None:
    """Copy events in order, including those retracted later; `numbers` maps their old numbers to the new."""
    for event in events:
        data = event.data
        if event.kind == "retract" and (known := numbers.get(data.get("event", -1))) is not None:
            if writer.retract_event(firing, known, event.t_us, 0, event.who) is not None:
                continue
            data = {**data, "event": known}
        numbers[event.id] = writer.add_event(firing, event.t_us, event.kind, data, event.who)


def _fetch(archive: Archive, firing: StoredFiring, extent: tuple[int, int], path: Path) -> None:
    first, last = extent
    with contextlib.closing(JournalWriter(path)) as writer:
        info = writer.open_copy(firing, firing.ended_us or last)
        for batches in archive.batches(firing, first, last + 1):
            with writer.transaction():
                for batch in batches:
                    writer.append(info.id, batch)
        copy_events(writer, info.id, archive.events(firing), {})
