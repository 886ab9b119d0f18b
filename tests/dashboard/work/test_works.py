"""Work that is waited for: found by its key, and not kept for ever once finished."""

from __future__ import annotations

import asyncio

from dashboard.work.works import Work, Works


async def nothing(work: Work) -> str:
    work.come(1.0)
    return "done"


async def test_finished_works_stay_until_there_are_too_many() -> None:
    """Half of the kept work used to be dropped as soon as more than half was there."""
    works = Works(kept=4)
    begun = [await works.begin(nothing, "Nothing").wait() for _ in range(4)]
    assert [works.find(work.key) for work in begun] == begun
    new = await works.begin(nothing, "Nothing").wait()
    assert [works.find(work.key) for work in begun] == [None, *begun[1:]]
    assert works.find(new.key) is new


async def test_what_goes_on_is_never_forgotten_and_can_be_stopped() -> None:
    works, gate = Works(kept=1), asyncio.Event()

    async def waits(work: Work) -> bool:
        return await gate.wait()

    work = works.begin(waits, "Waiting")
    for _ in range(3):
        await works.begin(nothing, "Nothing").wait()
    assert works.find(work.key) is work
    assert not work.failed
    await works.stop(work.key)
    assert work.failed
    assert works.find(work.key) is None
    await works.stop([work.key])  # nonsense from a browser
