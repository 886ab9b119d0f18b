"""Who may do what: every callback and every endpoint is guarded, or is here by name."""

from __future__ import annotations

from pathlib import Path

from fastapi.routing import APIRoute

from dashboard.app import Page, create_app

HARMLESS = {
    "_pages_content.children..._pages_store.data": "which page is shown",
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
    assert {name.split("@")[0] for name in open_} == set(HARMLESS)


def test_every_endpoint_is_guarded_or_declared_harmless(path: Path) -> None:
    app = create_app(path)
    found = set()
    for route in app.server.routes:
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
