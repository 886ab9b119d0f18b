"""Day and night on a page's figures, without the server. Pure."""

from __future__ import annotations

from typing import Any

from dash import Input, Output, State, dcc

from dashboard.figures.look import TEMPLATES
from dashboard.parts.frame import client


def templates(prefix: str) -> Any:
    """Make the store of the figures' templates; its id is `prefix` and `-templates`."""
    return dcc.Store(id=f"{prefix}-templates", data=TEMPLATES)


def follow_theme(prefix: str) -> None:
    """Let all figures of a page follow day and night at once, from the store of `templates`."""
    client(
        "retemplate",
        Output(f"{prefix}-templates", "storage_type"),
        Input("theme", "data"),
        State(f"{prefix}-templates", "data"),
        prevent_initial_call=True,
    )
