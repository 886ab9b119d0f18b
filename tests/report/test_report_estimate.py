"""The report tells measured from estimated: the pots' own temperature is marked, with its band."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest

from logger.journal.reader import JournalReader
from logger.report.document import document
from logger.report.gather import gather
from logger.report.shown import shown
from tests.invented_firings import START_US, invented_firing, open_journal

pytestmark = pytest.mark.slow  # whole firings, judged


def report(home: Path) -> str:
    with contextlib.closing(JournalReader(home / "journal.sqlite")) as reader:
        info = reader.firings()[-1]
        return document(gather(reader, info), reader.history(info.id, 300), shown("C", "UTC"))


def test_what_was_estimated_is_marked_and_has_its_band(tmp_path: Path) -> None:
    with contextlib.closing(open_journal(tmp_path)) as writer:
        firing, made = invented_firing(writer, 5, judged=True)
        [zone, *_] = dict.fromkeys(p.zone for p in made.plan.probes if p.reads != "coals")
        for k, c in enumerate((640.0, 731.0, 702.0)):
            t_us = START_US + k * 10_000_000
            writer.add_estimate(firing, t_us, {zone: (c, c - 14, c + 17, "probe")})
    told = report(tmp_path)
    assert "Peak of the pots themselves *" in told
    assert "717–748 °C" in told
    assert "nine times in ten" in told


def test_an_import_says_nothing_of_it(tmp_path: Path) -> None:
    with contextlib.closing(open_journal(tmp_path)) as writer:
        invented_firing(writer, 5)
    told = report(tmp_path)
    assert "Peak of the pots themselves" not in told
    assert "nine times in ten" not in told
