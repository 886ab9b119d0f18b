"""The door of a page that shows what is written somewhere else: nobody acts there."""

from __future__ import annotations

from typing import Any, NoReturn

from fastapi import APIRouter, HTTPException
from starlette.requests import HTTPConnection, Request


class ViewDoor:
    """Everybody looks, nobody acts: the logger is elsewhere, and hears nothing from here."""

    async def operator(self, request: Request) -> NoReturn:
        """Let nobody through: HTTPException 403, always."""
        raise HTTPException(
            403, "this page only shows what an InfluxDB holds; act on the page beside the fire's own logger"
        )

    def knows(self, connection: HTTPConnection) -> bool:
        """Know nobody."""
        return False

    def routes(self) -> APIRouter:
        """Make the endpoint that says so."""
        router = APIRouter(prefix="/api/operator")

        @router.get("")
        def state() -> dict[str, Any]:
            return {"needed": False, "operator": False, "who": ""}

        return router
