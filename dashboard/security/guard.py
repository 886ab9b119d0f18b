"""Guard callbacks with one decorator, and show refusals on the page."""

import functools
import inspect
import logging
from collections.abc import Callable
from typing import Any

from dash import set_props

from dashboard.context import asker
from dashboard.parts.frame import notice
from logger.errors import StokewatchError

log = logging.getLogger(__name__)


class RefusedError(StokewatchError):
    """Somebody tried to act who may only watch."""


def who_asks() -> str:
    """Return who is acting, for the record; RefusedError: they may not."""
    found = asker.get()
    if found.who is None:
        raise RefusedError(found.refusal)
    return found.who


def may_act() -> bool:
    """Tell whether whoever is asking may act."""
    return asker.get().who is not None


def operator_only(callback: Callable[..., Any]) -> Callable[..., Any]:
    """Let only an operator call this, sync or async; put it below `@callback`.

    The attribute `operator_only` lets a test tell guarded callbacks from open ones.
    """
    guarded: Any
    if inspect.iscoroutinefunction(callback):

        @functools.wraps(callback)
        async def guarded(*args: Any, **kwargs: Any) -> Any:
            who_asks()
            return await callback(*args, **kwargs)
    else:

        @functools.wraps(callback)
        def guarded(*args: Any, **kwargs: Any) -> Any:
            who_asks()
            return callback(*args, **kwargs)

    guarded.operator_only = True
    return guarded  # type: ignore[no-any-return]


def on_error(error: Exception) -> None:
    """Show what went wrong in a callback; our own faults go to the log, too.

    Without this, Dash leaves no trace of an exception in a callback, neither on the page nor in the log.
    """
    if isinstance(error, RefusedError) and asker.get().may_enter:
        set_props("pin-dialog", {"opened": True})
    elif isinstance(error, StokewatchError):
        notice(str(error), bad=True)
    else:
        log.error("a callback failed", exc_info=error)
        notice("Something went wrong on the server; its log says what. Try again.", bad=True)
