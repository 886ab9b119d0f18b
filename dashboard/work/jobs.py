"""The jobs that `dashboard.work.apart` runs in a separate process; each reports how much is done, 0 to 1."""

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from logger.exchange.csv_table import CsvOptions
from logger.journal.reader import FOREVER_US, JournalReader
from logger.journal.traces import Traces
from logger.plan import loads
from logger.reading import Batch

SHOWN_GAPS = 20

Tell = Callable[[float], None]
"""Receives how much is done, from 0 to 1."""


class TellingReader(JournalReader):
    """A journal reader that reports how much of a firing has been read."""

    def __init__(self, path: Path, tell: Tell) -> None:
        super().__init__(path)
        self._tell = tell
        self._spans: dict[str, tuple[int, int] | None] = {}

    def batches(self, firing: str, since_us: int = 0, until_us: int = FOREVER_US) -> Iterator[Batch]:
        """Read as `JournalReader.batches` does."""
        for batch in super().batches(firing, since_us, until_us):
            self._at(firing, int(batch.t_us[-1]))
            yield batch

    def readings(self, firing: str, since_us: int = 0, until_us: int = FOREVER_US) -> Traces:
        """Read as `JournalReader.readings` does."""
        self._at(firing, since_us)
        return super().readings(firing, since_us, until_us)

    def _at(self, firing: str, t_us: int) -> None:
        if firing not in self._spans:
            self._spans[firing] = self.span(firing)
        span = self._spans[firing]
        if span is not None and t_us:
            self._tell((t_us - span[0]) / max(1, span[1] - span[0]))


def read_plan(toml: str, *, tell: Tell) -> str:
    """Read a plan file from anywhere, and return it as this program writes it."""
    return loads(toml, "file").dumps()


def preview(files: list[str], options: dict[str, Any], *, tell: Tell) -> dict[str, Any]:
    """Return what is understood of CSV files read with `CsvOptions`: `files`, `whole`, and `digests`."""
    from logger.exchange import csv_in
    from logger.exchange.csv_in import digest_of

    paths = [Path(file) for file in files]
    found, whole = csv_in.preview(paths, CsvOptions(**options))
    gaps = whole.get("gaps", ())
    return {
        "files": [{"name": path.name, **each} for path, each in zip(paths, found, strict=True)],
        "whole": {**whole, "gaps": gaps[:SHOWN_GAPS], "gap_count": len(gaps)},
        "digests": [digest_of(path) for path in paths],
    }


def import_files(
    journal: str,
    files: list[str],
    options: dict[str, Any],
    title: str,
    started_us: int | None,
    invented: bool,
    plan: str | None,
    *,
    tell: Tell,
) -> dict[str, Any]:
    """Import a firing from CSV files, as ``stokewatch import`` does while a logger is running.

    `started_us` [µs] is for files without dates, `plan` is TOML. Returns `firing` and `title`.
    """
    from logger.exchange.csv_in import import_csv
    from logger.journal.writer import JournalWriter

    with contextlib.closing(JournalWriter(Path(journal))) as writer:
        info, _ = import_csv(
            writer,
            [Path(file) for file in files],
            CsvOptions(**options),
            plan=None if plan is None else loads(plan),
            title=title,
            started_us=started_us,
            invented=invented,
            progress=lambda done, of: tell(done / max(1, of)),
        )
    return {"firing": info.id, "title": info.title}


def delete(journal: str, firings: list[str], *, tell: Tell) -> dict[str, Any]:
    """Delete firings in the bin and everything kept about them; `gone` counts those still in it."""
    from dashboard.work.gathering import forget
    from logger.journal.bin import delete_for_good
    from logger.journal.writer import JournalWriter
    from logger.report.photos import drop_photos

    path, gone = Path(journal), 0
    with contextlib.closing(JournalWriter(path)) as writer, contextlib.closing(JournalReader(path)) as reader:
        there = {info.id for info in reader.firings(binned=True)}
        ids = [firing for firing in dict.fromkeys(firings) if firing in there]
        for n, firing in enumerate(ids):
            delete_for_good(writer, firing, tell=lambda done, n=n: tell((n + done) / len(ids)))  # type: ignore[misc]
            drop_photos(path.parent, firing)
            forget(path.parent, firing)
            gone += 1
    return {"gone": gone}


def export(journal: str, firing: str, kind: str, out: str, *, tell: Tell) -> int:
    """Write a firing to a file, and return its number of rows."""
    from logger.exchange import export as exports

    write = {
        "csv": exports.export_csv,
        "parquet": exports.export_parquet,
        "line-protocol": exports.export_line_protocol,
    }[kind]
    with contextlib.closing(TellingReader(Path(journal), tell)) as reader:
        return write(reader, firing, Path(out))


def judge(journal: str, firing: str, plan: str | None, *, tell: Tell) -> dict[str, Any]:
    """Judge a stored firing as `logger.replay.moments.judged` does, by its own plan or one in TOML."""
    from logger.replay.moments import judged

    with contextlib.closing(TellingReader(Path(journal), tell)) as reader:
        return judged(reader, reader.firing(firing), None if plan is None else loads(plan))


def rehearse(journal: str, firing: str, plan: str | None = None, *, tell: Tell) -> dict[str, Any]:
    """Rehearse a stored firing as `stokewatch rehearse` does (`judging.rehearse`)."""
    from logger.replay.judging import rehearse as run

    with contextlib.closing(TellingReader(Path(journal), tell)) as reader:
        return run(reader, reader.firing(firing), None if plan is None else loads(plan))
