"""What callbacks start from: the button that was pressed, what the browser has stored."""

from collections.abc import Callable
from typing import Annotated, Any, Final, TypeVar

import msgspec
from dash import callback, ctx
from dash.exceptions import PreventUpdate

from dashboard.acts import ask
from dashboard.context import here
from dashboard.security.guard import operator_only, who_asks

MOST_IDS: Final = 10_000

Pixels = Annotated[int, msgspec.Meta(ge=320, le=20_000)]
T = TypeVar("T")


def on_change(*parts: Any, **more: Any) -> Any:
    """Register a callback that never runs on its own."""
    return callback(*parts, **more, prevent_initial_call=True)


def act(*parts: Any, **more: Any) -> Callable[[Callable[..., Any]], Any]:
    """Register such a callback that only an operator may trigger."""
    return lambda do: on_change(*parts, **more)(operator_only(do))


def read_kept(kind: type[T], given: Any) -> T | None:
    """Read a value stored in the browser; None if it isn't of that kind."""
    try:
        return msgspec.convert(given, kind)
    except msgspec.ValidationError:
        return None


def button_pressed() -> dict[str, Any]:
    """Return the ID of the one button of many that was pressed.

    PreventUpdate if none was: a new button alone triggers the callback too.
    """
    if not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
        raise PreventUpdate
    return dict(ctx.triggered_id)


async def carry_out(kind: str, data: dict[str, Any]) -> dict[str, Any]:
    """Send the logger a request (see `acts.ask`) in the name of whoever pressed."""
    return await ask(here().journal_path, kind, data, who_asks())


def next_turn(turn: Any) -> int:
    """Increment a counter, so that whatever depends on it is redrawn."""
    return (turn if isinstance(turn, int) else 0) + 1


def glass_px(given: Any) -> tuple[int, int]:
    """Read the screen's width and height [px]; a phone's if unknown."""
    found = read_kept(tuple[Pixels, Pixels], given)
    return found or (390, 844)


def id_of(given: Any) -> str:
    """Read a firing's ID stored in the browser; empty if there is none."""
    return given if isinstance(given, str) else ""


def ids_of(given: Any) -> list[str]:
    """Read the IDs stored in the browser."""
    return [each for each in given if isinstance(each, str)][:MOST_IDS] if isinstance(given, list) else []
