"""Pieces that many pages are put together from: a row of doors, a graph. Pure."""

from __future__ import annotations

from typing import Any

from dash import dcc, html


def door_row(*children: Any, **more: Any) -> Any:
    """Make a row of links and buttons."""
    return html.Div(list(children), className="page-doors", **more)


def graph(name: str, **more: Any) -> Any:
    """Make a graph as wide as its place, without plotly's own buttons."""
    return dcc.Graph(id=name, responsive=True, config={"displayModeBar": False, "responsive": True}, **more)


def picture(name: str, label: str, kind: str = "graph") -> Any:
    """Make a graph that fills a box, with words for whoever can't see it."""
    filling = graph(name, style={"height": "100%"})
    return html.Div(filling, className=kind, role="img", **{"aria-label": label})
