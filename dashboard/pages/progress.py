"""Work that somebody is waiting for: its progress, a button to stop it, and the callbacks for both."""

from collections.abc import Awaitable, Callable
from typing import Any

from dash import Input, Output, State, callback, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.pages.asked import on_change
from dashboard.parts.frame import button
from dashboard.work.works import Stopped, Work
from logger.errors import StokewatchError

Shown = tuple[str, str, bool, bool]
"""Share done, words, whether the bar is hidden, whether polling is off."""


def working(prefix: str) -> Any:
    """Make the display of work in progress.

    IDs after `prefix`: `-poll` asks twice a second while it is enabled, `-working` is the whole, `-progress`
    the bar, `-said` its words, `-stop` the button.
    """
    return html.Div(
        [
            dcc.Interval(id=f"{prefix}-poll", interval=500),
            html.Div(
                [
                    html.Progress(id=f"{prefix}-progress", value="0", max="1", **{"aria-label": "Progress"}),
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
    """List the outputs that `Shown` fills; `again` for every callback but the one that polls."""
    parts = (("progress", "value"), ("said", "children"), ("working", "hidden"), ("poll", "disabled"))
    return [Output(f"{prefix}-{part}", name, allow_duplicate=again) for part, name in parts]


async def so_far(work: Work) -> Shown | None:
    """Wait a moment for the work and report its progress; None once it is over."""
    await work.wait(0.3)
    far = f": {work.share:.0%}" if work.share else ""
    return None if work.done else (f"{work.share:.2f}", f"{work.words}{far}", False, False)


def over(words: str = "") -> Shown:
    """Show how it ended, or nothing."""
    return ("1", words, True, True)


def follow(
    prefix: str,
    ready: Output,
    *given: State,
    find: Callable[..., Awaitable[Work | None]],
    tell: Callable[..., tuple[str, Any]],
    failed: Callable[..., str] = lambda why, *_: why,
    stopped: Callable[..., str] | None = lambda *_: "Stopped.",
) -> None:
    """Register the callbacks that wait for a work and stop it.

    `find` finds or starts it from the states `given`, or returns None if nothing is wanted; `tell` returns
    words and the value for `ready` from its answer and those states; `failed` words its failure. `stopped`
    returns words from those states; if it is None, another callback stops the work.
    """

    @callback(*shown(prefix), ready, Input(f"{prefix}-poll", "n_intervals"), *given)
    async def look(_: int | None, *wanted: Any) -> Any:
        try:
            work = await find(*wanted)
            if work is None:
                return *over(), no_update
            if (far := await so_far(work)) is not None:
                return *far, no_update
            said, answer = tell(work.answer(), *wanted)
        except Stopped:
            raise PreventUpdate from None
        except StokewatchError as exc:
            return *over(failed(str(exc), *wanted)), no_update
        return *over(said), answer

    if stopped is None:
        return

    @on_change(*shown(prefix, again=True), Input(f"{prefix}-stop", "n_clicks"), *given)
    async def stop(_: int, *wanted: Any) -> Shown:
        if (work := await find(*wanted)) is not None:
            await work.stop()
        return over(stopped(*wanted))
