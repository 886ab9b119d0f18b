"""What the way in must know after a restart: which frames are here already, where each rig's clock stood."""

from __future__ import annotations

import logging
from operator import itemgetter
from typing import TYPE_CHECKING, Final

from logger.errors import UserError

if TYPE_CHECKING:
    from logger.journal.reader import JournalReader
    from logger.journal.rows import FiringInfo
    from logger.recording.placing import Placing

PRIME_US: Final = 15 * 60 * 1_000_000
"""How far back frames are looked up after a restart, to know a broker's redelivery. [µs]"""

log = logging.getLogger(__name__)


def prime(placing: Placing, reader: JournalReader, firing: str, now_us: int, *, ours: bool) -> None:
    """Tell it from a journal, `ours` where it is the one that is written.

    Of one that was set aside only what can be read counts; it is joined later.
    """
    try:
        _prime(placing, reader, reader.firing(firing), now_us)
    except UserError:
        pass  # it has no such firing
    except Exception as exc:
        if ours:
            raise
        log.warning("%s", exc)


def _prime(placing: Placing, reader: JournalReader, firing: FiringInfo, now_us: int) -> None:
    channels: dict[str, list[str]] = {}
    for rig, channel in firing.seen:
        channels.setdefault(rig, []).append(channel)
    since_us = (now_us if firing.last_us is None else firing.last_us) - PRIME_US
    if firing.last_us is not None:
        clocks = reader.meta("clocks")
        frames: dict[str, list[tuple[int, int, int]]] = {}
        checksums = reader.noted_lately()
        for batch in reader.batches(firing.id, since_us=since_us):
            rows = zip(batch.seq.tolist(), batch.ms.tolist(), batch.t_us.tolist(), strict=True)
            frames.setdefault(batch.rig, []).extend(rows)
        for rig, named in channels.items():
            of_rig = sorted(frames.get(rig, ()), key=itemgetter(2))
            placing.prime(rig, of_rig, named, checksums.get(rig, {}), clocks.get(rig, {}))
    rows_apart = reader.set_apart(firing.id, since_us)
    placing.prime_apart(*reader.set_apart_sums(), rows_apart)
