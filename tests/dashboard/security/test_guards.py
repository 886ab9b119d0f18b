"""Who may do what: every callback and every endpoint is guarded, or is listed here by name."""

from __future__ import annotations

import re
from pathlib import Path

from fastapi.routing import APIRoute

from dashboard.app import Page, create_app
from dashboard.security.door import Door
from dashboard.security.operators import Operators

HARMLESS = {
    "_pages_content.children..._pages_store.data": "which page is shown",
    "replay-progress.value...replay-said.children...replay-working.hidden...replay-poll.disabled"
    "...replay-judged.data": ("judges a stored firing apart, few at once, and writes nothing"),
    "replay-progress.value...replay-said.children...replay-working.hidden...replay-poll.disabled": "ends judging; writes nothing",
    "replay-title.children...replay-about.children...replay-doors.children...replay-body.hidden"
    "...replay-told.data...replay-marks.data...replay-values.children...replay-happened.children...replay-zones.children"
    "...replay-traces.figure...replay-heat.figure...replay-stack.figure...replay-side.data"
    "...replay-standing.children...replay-scrub.max": "shows a stored firing",
    "replay-traces.figure": "names in the traces, for a glass that was turned",
    "replay-settings.children": "a form of alarm settings",
    'replay-wish.data...replay-poll.disabled...{"as":["ALL"],"path":["ALL"],"type":"replay-field"}.error': (
        "checks alarm settings that a stored firing is judged by"
    ),
    "replay-differences.children": "compares two judgements",
    "compare-choice.data": "lists the firings",
    "compare-address.search": "an address for the firings that were chosen",
    "compare-progress.value...compare-said.children...compare-working.hidden...compare-poll.disabled"
    "...compare-ready.data": ("rehearses stored firings apart, few at once; keeps the answers"),
    "compare-progress.value...compare-said.children...compare-working.hidden...compare-poll.disabled": "ends that",
    "compare-chosen.children...compare-body.hidden...compare-key.children...compare-endured.figure...compare-endured.style"
    "...compare-facts.children...compare-line.data...compare-zone.data...compare-zone.value": "shows firings beside one another",
    "compare-curves.figure...compare-moments.children...compare-at.error...compare-at.suffix"
    "...compare-passing.hidden": "draws their curves",
    "compare-file.data": "gives the table as a file",
    "report-progress.value...report-said.children...report-working.hidden...report-poll.disabled"
    "...report-ready.data": "rehearses a stored firing apart; keeps the answer",
    "report-progress.value...report-said.children...report-working.hidden...report-poll.disabled": "ends that",
    "report-name.children...report-about.children...report-doors.children...report-body.hidden"
    "...report-verdicts.children...report-traces.figure...report-heat.figure...report-facts.children": (
        "shows how a firing went"
    ),
    "report-written.children": "compares what is typed with what is saved",
    "report-form.children...report-saved.data...report-photos.children": "shows what was written down",
    "ended-summary.children": "shows how the ended firing went",
    "replay-scrub.value...replay-jumped.children": "goes to the next mark",
    'replay-traces.figure...{"line":["ALL"],"type":"replay-one","zone":["ALL"]}.aria-pressed'
    "...replay-chosen.data": "lets other lines fade",
    'traces.figure...{"line":["ALL"],"type":"fire-one","zone":["ALL"]}.aria-pressed...fire-chosen.data': (
        "lets other lines fade"
    ),
    "side-now.hidden...side-zones.hidden...side-log.hidden": "turns over what stands beside the traces",
    "glance.opened": "shows the coldest zone large",
    "end-dialog.opened": "asks whether the end is meant; the end itself is guarded",
    "firings-list.children...firings-count.children...firings-waiting.data...firings-peaks.disabled"
    "...firings-pages.hidden...firings-before.disabled...firings-after.disabled...firings-page.data": (
        "lists the firings, or what lies in the bin"
    ),
    "firings-page.data": "those before or after",
    '{"firing":["ALL"],"type":"firing-peak"}.children...firings-waiting.data...firings-peaks.disabled...firings-turn.data': "rehearses a stored firing apart; keeps the answer",
    'firings-chosen.data...{"firing":["ALL"],"type":"firing-choose"}.aria-pressed': "which are to be compared",
    "firings-bar.hidden...firings-bar-count.children...firings-bar-door.children": "the way to compare them",
    "firings-errand.data...firings-poll.disabled": "writes a firing as a file apart, few at once",
    "firings-progress.value...firings-said.children...firings-working.hidden...firings-poll.disabled"
    "...firings-made.data": "how far that has come, to whoever has its token",
    "firings-progress.value...firings-said.children...firings-working.hidden...firings-poll.disabled": "ends that, for whoever has its token",
    "import-progress.value...import-said.children...import-working.hidden...import-poll.disabled"
    "...import-found.data": "how far a look at files, or an import, has come, to whoever has its token",
    # Preparing: the draft is in the browser; whatever is kept, sent or listened to goes through operator_only.
    "prepare-plans.children...prepare-from.data...prepare-on-firing.data...prepare-save.children...prepare-copy.hidden": "lists plans",
    "prepare-plan.data...prepare-turn.data...prepare-plan-said.children": "takes a plan into the draft; keeps nothing",
    "prepare-plan.data...prepare-turn.data...prepare-plan-said.children...prepare-upload.contents": (
        "takes a file's; keeps nothing"
    ),
    "prepare-file.data...prepare-plan-said.children": "gives the draft as a file",
    "prepare-wish.data...prepare-progress.value...prepare-said.children...prepare-working.hidden...prepare-poll.disabled": (
        "begins to rehearse a stored firing apart"
    ),
    "prepare-progress.value...prepare-said.children...prepare-working.hidden...prepare-poll.disabled"
    "...prepare-rehearsed.data": "rehearses a stored firing apart, few at once, and writes nothing",
    "prepare-progress.value...prepare-said.children...prepare-working.hidden...prepare-poll.disabled": "ends that",
    "prepare-rehearsal.figure...prepare-rehearsal-box.hidden...prepare-calls.children": "draws it",
    '{"name":["ALL"],"type":"prepare-source"}.style': "which fields a source has",
    "prepare-numbers.children...prepare-source-take.hidden...prepare-source-leave.hidden": (
        "a form of numbers that were found"
    ),
    '{"name":["ALL"],"type":"prepare-source"}.value...prepare-changing.data...prepare-found-keys.data'
    "...prepare-heard-said.children...prepare-setup.open": "takes a source of the draft into the form",
    "prepare-changing.data...prepare-found-keys.data...prepare-heard-said.children": "or leaves it as it is",
    "prepare-sources.children": "lists the draft's sources",
    "prepare-plan.data": "writes fields into the draft, or takes a source out of it",
    "prepare-probes.children": "lists the draft's probes",
    "prepare-stack.figure": "draws them",
    "prepare-selected.data": "which probe is chosen",
    "prepare-plan.data...prepare-turn.data...prepare-selected.data": "probes into the draft, or out of it",
    "prepare-plan.data...prepare-turn.data...prepare-plan-form.children...prepare-alarm-form.children": (
        "begins a draft"
    ),
    "prepare-plan.data...prepare-turn.data": "drags a probe in a draft, takes defaults back",
    "prepare-rig.data...prepare-in-hand.data...prepare-standing.data...prepare-tried.data...prepare-rig-said.children"
    "...prepare-wake.hidden...prepare-hand-said.children...prepare-hand.data-way...prepare-name-it.hidden"
    "...prepare-more-said.children...prepare-more.hidden...prepare-look.disabled": "shows what the rig says",
    '{"i":["ALL"],"type":"prepare-reading"}.children': "shows what probes read",
    "prepare-kit.data": "gives the packing list",
    "prepare-kit-list.children": "shows the packing list",
    "prepare-kit.data...prepare-kit-new.value...prepare-kit-new.error": (
        "compares the packing list; keeping another one is an operator's (test_prepare tries it)"
    ),
    "prepare-report.data...prepare-verdict.children...prepare-found.children"
    "...prepare-check-again.disabled": "the cold check: reads the journal",
    "prepare-hands.children...prepare-beacons.hidden": "shows which tips were warmed",
    '{"step":["ALL"],"type":"prepare-state"}.children...prepare-facts.children...prepare-reasons.children'
    "...prepare-anyway-row.hidden...prepare-ending-row.hidden...prepare-ending.label...prepare-arm.disabled": (
        "shows what is ready"
    ),
    "prepare-step.value": "which step is shown",
    "prepare-plan-form.children...prepare-alarm-form.children...prepare-editor.children": "the draft's forms",
    'prepare-checked.data...{"as":["ALL"],"path":["ALL"],"type":"prepare-field"}.error'
    '...{"rule":["ALL"],"type":"prepare-changed"}.children...{"rule":["ALL"],"type":"prepare-when"}.children'
    "...prepare-limits.children...prepare-arm-limits.children...prepare-report.data": "says what is wrong with the draft",
}
"""Callbacks that everybody may call, by what they write, and why."""

OPEN = {
    "GET /healthz": "whether the journal can be read",
    "GET /api/operator": "who one is",
    "GET /api/report/{firing}/page": "a firing's report",
    "GET /api/report/{firing}/file/{kind}": "a firing's readings as a file",
    "GET /api/report/{firing}/photo/{name}": "a photo of its pots",
    "GET /api/firings/made/{token}": "a file that was made, to whoever has its token",
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
    app = create_app(path, door=Door(Operators(path.parent), secure=False))
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
