"""What callbacks start from: the button that was pressed, what the browser has stored, the draft plan."""

import functools
import inspect
from collections.abc import Callable
from typing import Annotated, Any, Final, TypeVar

import msgspec
from dash import Input, Output, State, callback, ctx, no_update
from dash.exceptions import PreventUpdate

from dashboard.acts import ask
from dashboard.context import here
from dashboard.preparing.planning import Draft, draft_of
from dashboard.security.guard import operator_only, who_asks

MOST_IDS: Final = 10_000
WRONG: Final = "Something in the plan is wrong; fix that first."
PLAN: Final = Output("prepare-plan", "data", allow_duplicate=True)
TURN: Final = Output("prepare-turn", "data", allow_duplicate=True)

Pixels = Annotated[int, msgspec.Meta(ge=320, le=20_000)]
T = TypeVar("T")


def on_change(*parts: Any, **more: Any) -> Any:
    """Register a callback that never runs on its own."""
    return callback(*parts, **more, prevent_initial_call=True)


def act(*parts: Any, **more: Any) -> Callable[[Callable[..., Any]], Any]:
    """Register such a callback that only an operator may trigger."""
    return lambda do: on_change(*parts, **more)(operator_only(do))


def asking(dialog: str) -> list[Any]:
    """Let a dialog's buttons rest until its question is answered: a second tap would ask it again."""
    return [(Output(dialog, "className"), "asking", "")]


def read_kept(kind: type[T], given: Any) -> T | None:
    """Read a value stored in the browser; None if it isn't of that kind."""
    try:
        return msgspec.convert(given, kind)
    except msgspec.ValidationError:
        return None


def button_pressed() -> dict[str, Any]:
    """Return the ID of the one button of many that was pressed; PreventUpdate if one was only added."""
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
    return read_kept(tuple[Pixels, Pixels], given) or (390, 844)


def id_of(given: Any) -> str:
    """Read a firing's ID stored in the browser; empty if there is none."""
    return given if isinstance(given, str) else ""


def ids_of(given: Any) -> list[str]:
    """Read the IDs stored in the browser."""
    return (read_kept(list[str], given) or [])[:MOST_IDS]


# --- the draft plan -----------------------------------------------------------------------------------------


def needed_draft(kept: Any) -> Draft:
    """Read the draft stored in the browser (see `draft_of`), or raise PreventUpdate."""
    if (draft := draft_of(kept)) is None:
        raise PreventUpdate
    return draft


def changes_draft(*parts: Output | Input | State, another: bool = False) -> Callable[..., Any]:
    """Register a callback that replaces the draft, so that its forms are rebuilt.

    `parts` are its other inputs, states and outputs. Its last argument is the draft, unless it starts
    `another`; it returns the new draft, or None to keep the old one, then the values of its other outputs.
    """
    more = any(isinstance(part, Output) for part in parts)
    kept = (State("prepare-plan", "data"), State("prepare-turn", "data"))

    def register(change: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(change)
        async def changed(*given: Any) -> Any:
            *own, before, turn = given
            answer = change(*own) if another else change(*own, needed_draft(before))
            if inspect.isawaitable(answer):
                answer = await answer
            new, *rest = answer if more else (answer,)
            return *((no_update, no_update) if new is None else (new.kept(), next_turn(turn))), *rest

        guarded = getattr(change, "operator_only", False)  # checked before anything else
        return (act if guarded else on_change)(PLAN, TURN, *parts, *kept)(changed)

    return register
