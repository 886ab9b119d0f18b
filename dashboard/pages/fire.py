"""The fire as it burns."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Input, Output, clientside_callback, dcc, html


def layout(**_query: str) -> Any:
    """Give the page; the live link fills it."""
    return html.Div(
        id="fire", children=[html.H1("Fire", className="unseen"), dcc.Store(id="fire-here", data=1)]
    )


clientside_callback(
    ClientsideFunction("stokewatch", "arrive"),
    Output("fire-here", "storage_type"),
    Input("fire-here", "data"),
)
