"""Pieces that many pages are put together from: buttons, a row of doors, a graph, what a script does."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from dash import ClientsideFunction, clientside_callback, dcc, html


def button(words: Any, own: str | dict[str, Any], *, aloud: str = "", **more: Any) -> Any:
    """Make a button with an ID of its own; `aloud` is what a screen reader says instead of its words."""
    said = {"aria-label": aloud} if aloud else {}
    return html.Button(words, id=own, type="button", **said, **more)


def options(pairs: Iterable[tuple[str, str]]) -> list[dict[str, str]]:
    """List what can be chosen, from values and what they are called."""
    return [{"value": value, "label": label} for value, label in pairs]


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


def client(name: str, *args: Any, **kwargs: Any) -> None:
    """Register a callback that a script of `assets` carries out: an inline one breaks the security policy."""
    clientside_callback(ClientsideFunction("stokewatch", name), *args, **kwargs)
