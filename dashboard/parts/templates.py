"""Day and night on a page's figures, without the server. Pure."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Input, Output, State, clientside_callback, dcc

from dashboard.figures.look import TEMPLATES


def templates(prefix: str) -> Any:
    """Make the store of the figures' templates; its id is `prefix` and `-templates`."""
    return dcc.Store(id=f"{prefix}-templates", data=TEMPLATES)


def follow_theme(prefix: str) -> None:
    """Let all figures of a page follow day and night at once, from the store of `templates`."""
    clientside_callback(
        ClientsideFunction("stokewatch", "retemplate"),
        Output(f"{prefix}-templates", "storage_type"),
        Input("theme", "data"),
        State(f"{prefix}-templates", "data"),
        prevent_initial_call=True,
    )
