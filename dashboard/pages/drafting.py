"""The draft plan, stored in the browser, and how callbacks change it."""

import functools
import inspect
from collections.abc import Callable
from typing import Any, Final

from dash import Input, Output, State, no_update
from dash.exceptions import PreventUpdate

from dashboard.pages.asked import act, next_turn, on_change
from dashboard.preparing.planning import Draft, draft_of

WRONG: Final = "Something in the plan is wrong; fix that first."
PLAN: Final = Output("prepare-plan", "data", allow_duplicate=True)
TURN: Final = Output("prepare-turn", "data", allow_duplicate=True)


def needed_draft(kept: Any) -> Draft:
    """Read the draft stored in the browser (see `draft_of`), or raise PreventUpdate."""
    draft = draft_of(kept)
    if draft is None:
        raise PreventUpdate
    return draft


def changes_draft(*parts: Output | Input | State, another: bool = False) -> Callable[..., Any]:
    """Register a callback that replaces the draft, so that its forms are rebuilt.

    `parts` are its other inputs, states and outputs. Its last argument is the draft, unless it starts
    `another`; it returns the new draft, or None to keep the old one, then the values of its other outputs.
    """
    others = [part for part in parts if isinstance(part, Output)]
    told = [part for part in parts if not isinstance(part, Output)]
    kept = (State("prepare-plan", "data"), State("prepare-turn", "data"))

    def register(change: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(change)
        async def changed(*given: Any) -> Any:
            *own, before, turn = given
            answer = change(*own) if another else change(*own, needed_draft(before))
            if inspect.isawaitable(answer):
                answer = await answer
            new, *rest = answer if others else (answer,)
            return *((no_update, no_update) if new is None else (new.kept(), next_turn(turn))), *rest

        guarded = getattr(change, "operator_only", False)  # checked before anything else
        register_it = (act if guarded else on_change)(PLAN, TURN, *others, *told, *kept)
        return register_it(changed)

    return register
