"""The room where firings are laid over one another."""

from __future__ import annotations

from typing import Any

from dash import html
from fastapi import APIRouter

from dashboard.context import Context
from dashboard.gathering import gathering, told


def layout() -> Any:
    """Give the room, hidden and empty.

    Returns
    -------
    dash component
    """
    return html.Section(
        id="room-compare",
        className="room",
        hidden=True,
        **{"aria-label": "Compare"},
        children=[
            html.Div(
                className="compare-top",
                children=[html.H2("Compare firings"), html.P(id="compare-said", role="status")],
            ),
            html.Div(id="compare-choices"),
            html.Div(id="compare-chart", hidden=True, children=[html.Div(id="compare-graph")]),
            html.Ol(id="compare-chosen"),
            html.Ol(id="compare-how"),
            html.Div(id="compare-facts"),
        ],
    )


def routes(context: Context) -> APIRouter:
    """Give the room's endpoint.

    Parameters
    ----------
    context : Context

    Returns
    -------
    APIRouter
    """
    router = APIRouter(prefix="/api/compare")
    gathered = gathering(context.journal_path)

    @router.get("/{firing}")
    async def one(firing: str) -> dict[str, Any]:
        known, _ = await gathered.known(firing)
        return told(known)

    return router
