"""Copy a firing from an InfluxDB into a journal, all of it or nothing."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterable
from pathlib import Path

from logger.errors import UserError
from logger.home import Home
from logger.journal.reader import JournalReader
from logger.journal.rows import FiringInfo
from logger.journal.writer import JournalWriter
from logger.mirror.archive import Archive, StoredFiring
from logger.reading import Event


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
