"""The estimate from the rig's lines to the journal: rows, the heartbeat's words, a gun reading made and taken back."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from typing import Any

from tests.recording.made_recorder import hear
from tests.recording.test_requests_carried_out import Running, running  # noqa: F401


async def burn(running: Running, seen: Callable[[], object], most_s: float = 60.0) -> None:  # noqa: F811
    """Five frames a second, by the rig's own clock and the host's, until they show an effect."""
    begun = time.monotonic()
    seq = 3
    while not seen():
        assert time.monotonic() - begun < most_s, "in vain"
        ms = 300 + round(1000 * (time.monotonic() - begun))
        await hear(running.intake, seq, ms, k0=22.0 + 0.2 * seq)
        seq += 1
        await asyncio.sleep(0.2)


def told(running: Running) -> dict[str, Any]:  # noqa: F811
    """What the logger says of the pots; nothing before the first estimate."""
    verdict = (running.reader().heartbeat() or {}).get("verdict") or {}
    return dict(verdict.get("estimates", {}).get("k0") or {})


async def test_rows_words_and_a_spot_reading(running: Running) -> None:  # noqa: F811
    await running.light()
    firing = running.reader().firing("last").id
    await burn(running, lambda: running.reader().estimates(firing) and told(running))
    [(zone, line)] = running.reader().estimates(firing).items()
    assert zone == "k0"
    assert line.basis[-1] == "probe"
    assert (line.low_c < line.estimate_c).all()
    assert (line.estimate_c < line.high_c).all()
    before = told(running)
    assert before["kind"] == "estimated"
    noted = running.ask("spot", zone="k0", temperature_c=150.0, emissivity=0.95)
    assert noted["ok"]
    await burn(running, lambda: told(running)["surface_c"] > before["surface_c"] + 5)
    moved = told(running)
    assert running.ask("retract", event=noted["event"])["ok"]
    await burn(running, lambda: told(running)["surface_c"] < moved["surface_c"] - 4)


async def test_a_spot_reading_of_nowhere_is_kept_all_the_same(running: Running) -> None:  # noqa: F811
    await running.light()
    assert running.ask("spot", zone="the far jar", temperature_c=150.0)["ok"]
    assert [e.data["zone"] for e in running.events("spot")] == ["the far jar"]
