"""The pages: each module has a `layout`, and callbacks beside it."""

from importlib import import_module
from types import ModuleType
from typing import Final

PAGES: Final = {
    "fire": ("Stokewatch", "/"),
    "prepare": ("Prepare · Stokewatch", "/prepare"),
    "firings": ("Firings · Stokewatch", "/firings"),
    "replay": ("Replay · Stokewatch", "/replay/<firing>"),
    "compare": ("Compare · Stokewatch", "/compare"),
    "report": ("Report · Stokewatch", "/report/<firing>"),
}
"""By module: the tab's title, and a path, whose bracketed parts and query are keywords of `layout`."""


def modules() -> dict[str, ModuleType]:
    """Import the pages, which registers their callbacks."""
    return {name: import_module(f"dashboard.pages.{name}") for name in PAGES}
