"""Work that somebody waits for: how far it has come, a button that stops it, and what callbacks return."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Final

from dash import Input, Output, State, callback, dcc, html, no_update

from dashboard.context import here
from dashboard.parts.frame import button
from dashboard.work.gathering import Work, gathering
from logger.errors import StokewatchError

Shown = tuple[str, str, bool, bool]
"""Share, words, whether the bar is hidden, whether nobody asks again."""
NOTHING: Final[Shown] = ("0", "", True, True)


def working(prefix: str) -> Any:
    """Make what shows that something is being worked out.

    IDs after `prefix`: `-poll` asks twice a second while it is enabled, `-working` is the whole, `-progress`
    the bar, `-said` its words, `-stop` the button.
    """
    return html.Div(
        [
            dcc.Interval(id=f"{prefix}-poll", interval=500),
            html.Div(
                [
                    html.Progress(
                        id=f"{prefix}-progress", value="0", max="1", **{"aria-label": "How far it has come"}
                    ),
                    button("Stop", f"{prefix}-stop"),
                ],
                id=f"{prefix}-working",
                className="working",
            ),
            html.P("", id=f"{prefix}-said", role="status"),
        ],
        className="work",
    )


def shown(prefix: str, *, again: bool = False) -> list[Output]:
    """List the outputs that `Shown` fills; `again` where another callback has them too."""
    parts = (("progress", "value"), ("said", "children"), ("working", "hidden"), ("poll", "disabled"))
    return [Output(f"{prefix}-{part}", name, allow_duplicate=again) for part, name in parts]


def stopped(prefix: str) -> list[Output]:
    """List the outputs of what stops it: whether nobody asks, whether the bar is hidden, and words."""
    parts = (("poll", "disabled"), ("working", "hidden"), ("said", "children"))
    return [Output(f"{prefix}-{part}", name, allow_duplicate=True) for part, name in parts]


async def so_far(work: Work, words: str = "Working it out") -> Shown | None:
    """Wait a moment for work, and say how far it has come; None where it is over."""
    await asyncio.wait([work.task], timeout=0.3)
    return None if work.done else (f"{work.share:.2f}", f"{words}: {work.share:.0%}", False, False)


def over(words: str = "") -> Shown:
    """Say what came of it."""
    return ("1", words, True, True)


def failed(words: str) -> Shown:
    """Say why nothing came of it."""
    return ("0", words, True, True)


def follow(
    prefix: str,
    ready: Output,
    *given: State,
    find: Callable[..., Awaitable[Work | None]],
    tell: Callable[..., tuple[str, Any]],
    words: str = "Working it out",
    failure: str = "",
    end: str = "Stopped.",
    again: bool = False,
) -> None:
    """Register the callbacks that wait for a work of `gathering`, and stop it.

    `find` begins it by the states `given`, or gives None where nothing is wanted; `tell` gives words, and
    what goes to `ready`, from its answer and those states. `again`: other callbacks have these outputs, too.
    """

    @callback(
        *shown(prefix, again=again),
        ready,
        Input(f"{prefix}-poll", "n_intervals"),
        *given,
        prevent_initial_call=again,
    )
    async def look(_: int | None, *wanted: Any) -> Any:
        try:
            work = await find(*wanted)
            if work is None:
                return *NOTHING, no_update
            if (far := await so_far(work, words)) is not None:
                return *far, no_update
            said, answer = tell(work.answer(), *wanted)
        except StokewatchError as exc:
            return *failed(f"{failure}{exc}"), no_update
        return *over(said), answer

    @callback(*stopped(prefix), Input(f"{prefix}-stop", "n_clicks"), *given, prevent_initial_call=True)
    async def stop(_: int, *wanted: Any) -> Any:
        if (work := await find(*wanted)) is not None:
            gathering(here().journal_path).stop(work)
        return True, True, end
