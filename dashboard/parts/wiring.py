"""How callbacks are wired: what sets them off, what they read, what they change."""

from typing import Any

from dash import ClientsideFunction, Input, Output, State, clientside_callback


def outputs(*names: str, again: bool = False) -> list[Output]:
    """Make a callback's outputs from `id.property`; `again`: another callback has them, too."""
    return [Output(*name.rsplit(".", 1), allow_duplicate=again) for name in names]


def inputs(*names: str) -> list[Input]:
    """Make a callback's inputs from `id.property`."""
    return [Input(*name.rsplit(".", 1)) for name in names]


def states(*names: str) -> list[State]:
    """Make a callback's states from `id.property`."""
    return [State(*name.rsplit(".", 1)) for name in names]


def client(name: str, *args: Any, **kwargs: Any) -> None:
    """Register a callback that a script in `assets` runs: the security policy forbids inline ones."""
    clientside_callback(ClientsideFunction("stokewatch", name), *args, **kwargs)
