"""The pages: each module has a `layout`, and callbacks beside it."""

import importlib
import importlib.util
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Final


@dataclass(frozen=True, slots=True)
class Entry:
    """A page."""

    module: str  # in this package
    title: str  # of the tab
    # a path or a template such as `/replay/<firing>`; bracketed parts and the query are keywords of `layout`
    path: str

    def load(self) -> ModuleType:
        """Import the page's module, which registers its callbacks."""
        return importlib.import_module(f"dashboard.pages.{self.module}")

    def registering(self) -> dict[str, Any]:
        """Return the arguments for `dash.register_page`."""
        where = {"path_template": self.path} if "<" in self.path else {"path": self.path}
        layout = self.load().layout
        return {"module": f"dashboard.pages.{self.module}", "title": self.title, "layout": layout, **where}


PAGES: Final = (
    Entry("fire", "Stokewatch", "/"),
    Entry("prepare", "Prepare · Stokewatch", "/prepare"),
    Entry("firings", "Firings · Stokewatch", "/firings"),
    Entry("replay", "Replay · Stokewatch", "/replay/<firing>"),
    Entry("compare", "Compare · Stokewatch", "/compare"),
    Entry("report", "Report · Stokewatch", "/report/<firing>"),
)
