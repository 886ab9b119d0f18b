"""Work that somebody waits for: how far it has come, a button that stops it, and what callbacks return."""

from collections.abc import Awaitable, Callable
from typing import Any, Final

from dash import Input, Output, State, callback, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.parts.frame import button
from dashboard.work.works import Stopped, Work
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


def shown(prefix: str) -> list[Output]:
    """List the outputs that `Shown` fills."""
    parts = (("progress", "value"), ("said", "children"), ("working", "hidden"), ("poll", "disabled"))
    return [Output(f"{prefix}-{part}", name) for part, name in parts]


def stops(prefix: str) -> list[Output]:
    """List the outputs of what stops it: whether nobody asks, whether the bar is hidden, and words."""
    parts = (("poll", "disabled"), ("working", "hidden"), ("said", "children"))
    return [Output(f"{prefix}-{part}", name, allow_duplicate=True) for part, name in parts]


async def so_far(work: Work) -> Shown | None:
    """Wait a moment for work, and say how far it has come; None where it is over."""
    await work.wait(0.3)
    far = f": {work.share:.0%}" if work.share else ""
    return None if work.done else (f"{work.share:.2f}", f"{work.words}{far}", False, False)


def over(words: str = "") -> Shown:
    """Say what came of it."""
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
    """Register the callbacks that wait for a work, and stop it.

    `find` finds it (or begins it) by the states `given`, or gives None where nothing is wanted; `tell` gives
    words, and what goes to `ready`, from its answer and those states; `failed` gives words for why nothing
    came of it. `stopped` gives words by those states; where it is None, another callback stops the work.
    """

    @callback(
        *shown(prefix),
        ready,
        Input(f"{prefix}-poll", "n_intervals"),
        *given,
    )
    async def look(_: int | None, *wanted: Any) -> Any:
        try:
            work = await find(*wanted)
            if work is None:
                return *NOTHING, no_update
            if (far := await so_far(work)) is not None:
                return *far, no_update
            said, answer = tell(work.answer(), *wanted)
        except Stopped:
            raise PreventUpdate from None
        except StokewatchError as exc:
            return "0", failed(str(exc), *wanted), True, True, no_update
        return *over(said), answer

    if stopped is None:
        return

    @callback(*stops(prefix), Input(f"{prefix}-stop", "n_clicks"), *given, prevent_initial_call=True)
    async def stop(_: int, *wanted: Any) -> Any:
        if (work := await find(*wanted)) is not None:
            await work.stop()
        return True, True, stopped(*wanted)
