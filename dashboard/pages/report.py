"""The room of one firing's report: what was fired, how it went, what came of it, and the file to keep."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Annotated, Any, Final, Literal

from dash import html
from fastapi import APIRouter, Body, Depends, Query
from starlette.responses import Response

from dashboard.context import Context
from dashboard.gathering import gathering, told
from dashboard.pages.archive import download_headers
from dashboard.spool import plain_name
from logger.describe import FIELDS, TITLE, describe
from logger.journal.writer import JournalWriter
from logger.report.document import document, picture
from logger.report.shown import Shown, shown
from logger.report.story import verdict

Unit = Literal["C", "F"]
MAX_ZONE: Final = 60


def layout() -> Any:
    """Give the room, hidden and empty.

    Returns
    -------
    dash component
    """
    return html.Section(
        id="room-report",
        className="room",
        hidden=True,
        **{"aria-label": "Report"},
        children=[
            html.Div(
                className="report-top",
                children=[html.H2("Report", id="report-name"), html.P(id="report-said", role="status")],
            ),
            html.Div(id="report-doors"),
            html.Div(id="report-body", hidden=True),
        ],
    )


def routes(context: Context) -> APIRouter:
    """Give the room's endpoints.

    Parameters
    ----------
    context : Context

    Returns
    -------
    APIRouter
    """
    router = APIRouter(prefix="/api/report")
    gathered = gathering(context.journal_path)

    @router.get("/{firing}")
    async def one(firing: str, unit: Unit = "C") -> dict[str, Any]:
        known, _ = await gathered.known(firing)
        written_in = Shown(unit, *_UTC)
        pots = dict(zip(known.levels.zones, known.levels.pots, strict=True))
        data = told(known)
        del data["lines"]
        return {
            **data,
            "verdicts": [
                {**zone, "verdict": verdict(zone, known.plan, written_in, pots=pots[zone["zone"]])}
                for zone in known.rehearsal["zones"]
            ],
            "fields": [
                {"name": f.name, "label": f.label, "hint": f.hint, "after": f.after} for f in (TITLE, *FIELDS)
            ],
            "texts": _texts(known.info.title, known.info.facts),
        }

    @router.get("/{firing}/traces.svg")
    async def traces(
        firing: str,
        unit: Unit = "C",
        width: Annotated[int, Query(ge=300, le=2400)] = 1000,
    ) -> Response:
        known, lines = await gathered.known(firing)
        height = min(560, max(340, width // 2))
        drawn = await asyncio.to_thread(picture, known, lines, Shown(unit, *_UTC), width, height)
        return Response(drawn, media_type="image/svg+xml", headers={"cache-control": "no-store"})

    @router.get("/{firing}/page")
    async def page(
        firing: str,
        unit: Unit = "C",
        zone: Annotated[str, Query(max_length=MAX_ZONE)] = "",
        keep: bool = False,
    ) -> Response:
        written_in = shown(unit, zone)
        known, lines = await gathered.known(firing)
        text = (await asyncio.to_thread(document, known, lines, written_in)).encode()
        headers = {"cache-control": "no-store"}
        if keep:
            plain = f"{known.info.title} {known.info.id}".replace(".", "_") + ".html"
            headers = download_headers(plain_name(plain, f"{known.info.id}.html"), len(text))
        return Response(text, media_type="text/html; charset=utf-8", headers=headers)

    @router.post("/{firing}/describe", dependencies=[Depends(context.operator)])
    async def write_down(firing: str, texts: Annotated[dict[str, Any], Body(embed=True)]) -> dict[str, Any]:
        def write() -> dict[str, Any]:
            info = gathered.firing(firing)
            # Beside a running logger, as an import does: one short transaction of another table's row.
            with contextlib.closing(JournalWriter(context.journal_path)) as writer:
                changed = describe(writer, info, texts)
            return {"texts": _texts(changed.title, changed.facts)}

        return await asyncio.to_thread(write)

    return router


def _texts(title: str, facts: dict[str, Any]) -> dict[str, str]:
    texts = {f.name: text for f in FIELDS if isinstance(text := facts.get(f.name), str)}
    return {TITLE.name: title, **texts}


def _utc() -> tuple[Any, str]:
    utc = shown("C", "UTC")
    return utc.zone, utc.zone_name


_UTC: Final = _utc()
"""Verdicts and traces speak of minutes since the first reading only: any zone will do."""
