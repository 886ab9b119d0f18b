"""One line or zone among a figure's traces, singled out by a tap on its name."""

from typing import Any, Final

from dash import ALL, Input, Output, Patch, State, callback, ctx, no_update

from dashboard.parts.frame import button, stores

FADED: Final = 0.12
"""Opacity of the other lines while one is singled out."""


def name_of(prefix: str, zone: str, line: int | None = None) -> dict[str, Any]:
    """Make the id of a button that singles out one of the figure's lines, or all of the zone."""
    return {"type": f"{prefix}-one", "zone": zone, "line": -1 if line is None else line}


def one_of(prefix: str, zone: str, words: Any, *, line: int | None = None, **more: Any) -> Any:
    """Make such a button."""
    return button(words, name_of(prefix, zone, line), **{"aria-pressed": "false"}, **more)


def chosen(prefix: str) -> list[Any]:
    """Make the stores of what is singled out: `-chosen` (None: all) and `-all`, which brings all back."""
    return stores(prefix, chosen=None, all=None)


def let_single_out(prefix: str, graph: str) -> None:
    """Register what a tap on such a button does to the figure, whose first traces are the lines."""
    buttons = {"type": f"{prefix}-one", "zone": ALL, "line": ALL}

    @callback(
        Output(graph, "figure", allow_duplicate=True),
        Output(buttons, "aria-pressed"),
        Output(f"{prefix}-chosen", "data"),
        Input(buttons, "n_clicks"),
        Input(f"{prefix}-all", "data"),
        State(f"{prefix}-chosen", "data"),
        prevent_initial_call=True,
    )
    def single(clicks: list[int | None], back: Any, now: Any) -> Any:
        """Fade the others; a second tap brings them back."""
        there = [each["id"] for each in ctx.inputs_list[0]]
        if not ctx.triggered or not ctx.triggered[0]["value"]:  # buttons were rebuilt; nobody tapped
            return no_update, [str(now == name).lower() for name in there], no_update
        tapped = ctx.triggered_id
        now = None if tapped == f"{prefix}-all" or now == tapped else dict(tapped)
        figure = Patch()
        for line, opacity in opacities(there, now).items():
            figure["data"][line]["opacity"] = opacity
        return figure, [str(now == name).lower() for name in there], now


def opacities(there: list[dict[str, Any]], now: dict[str, Any] | None) -> dict[int, float]:
    """Return each line's opacity, from what can be tapped (`name_of`) and what is singled out."""
    lines = {name["line"]: name["zone"] for name in there if name["line"] >= 0}
    which = [
        line
        for line, zone in lines.items()
        if now and (line == now["line"] or (now["line"] < 0 and zone == now["zone"]))
    ]
    return {line: 1.0 if not which or line in which else FADED for line in sorted(lines)}
