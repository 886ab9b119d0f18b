"""Guard callbacks with one decorator, and show refusals on the page."""

import functools
import inspect
import logging
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any, Final

from dash import set_props

from dashboard.parts.frame import notice
from logger.errors import StokewatchError

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Asker:
    """Who is asking, as the door knows it."""

    who: str | None  # None: not allowed to act
    refusal: str = ""  # why not
    may_enter: bool = False  # whether the PIN would help


asker: ContextVar[Asker] = ContextVar("stokewatch_asker")
"""Set by `dashboard.front` for each request to Dash's endpoint."""

NOBODY: Final = Asker(None, "nobody is signed in", False)


class RefusedError(StokewatchError):
    """Somebody tried to act who may only watch."""

    def __init__(self, asker: Asker) -> None:
        super().__init__(asker.refusal)
        self.may_enter = asker.may_enter


def who_asks() -> str:
    """Return who is acting, for the record; RefusedError: they may not."""
    found = asker.get(NOBODY)
    if found.who is None:
        raise RefusedError(found)
    return found.who


def may_act() -> bool:
    """Tell whether whoever is asking may act."""
    return asker.get(NOBODY).who is not None


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
    if isinstance(error, RefusedError) and error.may_enter:
        set_props("pin-dialog", {"opened": True})
        return
    if isinstance(error, StokewatchError):
        notice(str(error), bad=True)
        return
    log.error("a callback failed", exc_info=error)
    text = "Something went wrong on the server; its log says what. Try again."
    notice(text, bad=True)
