"""What callbacks begin with: the button that was pressed, what a browser keeps."""

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


def act(*parts: Any, **more: Any) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Register a callback by which somebody does something: an operator's, and never called of itself."""

    def register(do: Callable[..., Any]) -> Callable[..., Any]:
        guarded: Callable[..., Any] = callback(*parts, **more, prevent_initial_call=True)(operator_only(do))
        return guarded

    return register


def read_kept(kind: type[T], given: Any) -> T | None:
    """Read what a browser keeps; None where it isn't of that kind."""
    try:
        return msgspec.convert(given, kind)
    except msgspec.ValidationError:
        return None


def button_pressed() -> dict[str, Any]:
    """Tell by its ID which of many buttons was pressed.

    PreventUpdate is raised if none was: a new button appeared, and that alone calls the callback.
    """
    if not isinstance(ctx.triggered_id, dict) or not ctx.triggered[0]["value"]:
        raise PreventUpdate
    return dict(ctx.triggered_id)


async def carry_out(kind: str, data: dict[str, Any]) -> dict[str, Any]:
    """Ask the logger for something (see `acts.ask`), in the name of whoever presses."""
    return await ask(here().journal_path, kind, data, who_asks())


def next_turn(turn: Any) -> int:
    """Count on, so that whatever looks at the count is drawn again."""
    return (turn if isinstance(turn, int) else 0) + 1


def glass_px(given: Any) -> tuple[int, int]:
    """Read how wide and how high the glass is [px]; a phone's where nobody said."""
    found = read_kept(tuple[Pixels, Pixels], given)
    return found or (390, 844)


def id_of(given: Any) -> str:
    """Read the ID of a firing that a browser keeps; empty where there is none."""
    return given if isinstance(given, str) else ""


def ids_of(given: Any) -> list[str]:
    """Read the IDs that a browser keeps."""
    return [each for each in given if isinstance(each, str)][:MOST_IDS] if isinstance(given, list) else []
