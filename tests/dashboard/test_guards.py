"""Who may do what: every callback and every endpoint is guarded, or is here by name."""

from __future__ import annotations

import re
from pathlib import Path

from fastapi.routing import APIRoute

from dashboard.app import Page, create_app

HARMLESS = {
    "_pages_content.children..._pages_store.data": "which page is shown",
    "ended-summary.children": "an ended firing in short; works out what its record says",
    "replay-progress.value...replay-said.children...replay-working.hidden...replay-poll.disabled": "how far the working out is",
    "replay-poll.disabled": "asks again while it is worked out",
    "replay-title.children...replay-about.children...replay-doors.children...replay-body.hidden...replay-told.data...replay-values.children...replay-happened.children...replay-zones.children...replay-traces.figure...replay-heat.figure...replay-stack.figure...replay-side.data...replay-scrub.max": "a stored firing, as it was",
    "replay-settings.children": "the settings that a rehearsal would have",
    "replay-wish.data...replay-poll.disabled": "what is to be worked out; changes no record",
    "replay-wish.data": "the same",
    "replay-differences.children": "two rehearsals side by side",
}
"""Callbacks that everybody may call, by what they write, and why."""

OPEN = {
    "GET /healthz": "whether the journal can be read",
    "GET /manifest.webmanifest": "name and picture for the home screen",
    "GET /api/operator": "who one is",
    "POST /api/operator": "the PIN itself; attempts are counted",
    "POST /api/operator/leave": "ends one's own session",
}
"""Endpoints that everybody may call, and why; Dash's own are not here."""


def server_callbacks(app: Page) -> dict[str, bool]:
    return {
        name.strip("."): getattr(each["callback"], "operator_only", False)
        for name, each in app.callback_map.items()
        if "callback" in each
    }


def test_every_callback_is_guarded_or_declared_harmless(path: Path) -> None:
    open_ = {name for name, guarded in server_callbacks(create_app(path)).items() if not guarded}
    assert {re.sub("@[0-9a-f]+", "", name) for name in open_} == set(HARMLESS)


def test_every_endpoint_is_guarded_or_declared_harmless(path: Path) -> None:
    app = create_app(path)
    found = set()
    inner = [r for outer in app.server.routes for r in getattr(outer, "original_router", app.server).routes]
    for route in [*inner, *app.server.routes]:
        if not isinstance(route, APIRoute) or not route.endpoint.__module__.startswith("dashboard"):
            continue
        guarded = any(d.call.__name__ == "operator" for d in route.dependant.dependencies if d.call)
        if not guarded:
            found |= {f"{method} {route.path}" for method in route.methods}
    assert found == set(OPEN)


def test_several_applications_of_one_process_have_all_callbacks(path: Path) -> None:
    first, second = create_app(path), create_app(path)
    assert set(first.callback_map) == set(second.callback_map)
    assert len(server_callbacks(second)) > 2
