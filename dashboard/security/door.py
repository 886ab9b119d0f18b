"""The door between watching and acting: who has shown the PIN holds a session and may act."""

import asyncio
import logging
import math
import time
from typing import Annotated, Any, Final

from fastapi import APIRouter, Body, HTTPException
from starlette.requests import HTTPConnection, Request
from starlette.responses import JSONResponse, Response

from dashboard.context import anybody
from dashboard.security.operators import MAX_NAME, SESSION_S, Attempts, Operators, PinError

COOKIE: Final = "stokewatch_operator"

log = logging.getLogger(__name__)


VIEWING: Final = "this page only shows what an InfluxDB holds; act on the page beside the fire's own logger"


class OpenDoor:
    """The same for everybody: all act, on this machine's loopback address; or none, if there is a refusal."""

    def __init__(self, refusal: str = "") -> None:
        self._refusal = refusal

    async def operator(self, request: Request) -> str:
        """Let everybody through, or raise HTTPException 403."""
        if self._refusal:
            raise HTTPException(403, self._refusal)
        return await anybody(request)

    def knows(self, connection: HTTPConnection) -> bool:
        """Know everybody, or nobody."""
        return not self._refusal

    def routes(self) -> APIRouter:
        """Make the endpoint that says so."""
        router = APIRouter(prefix="/api/operator")

        @router.get("")
        def state() -> dict[str, Any]:
            return {"needed": False, "operator": not self._refusal, "who": ""}

        return router


class PinDoor:
    """Watchers look; whoever has shown the PIN acts.

    `secure`: the page is served by TLS; then the cookie never travels without.
    """

    def __init__(self, operators: Operators, *, secure: bool) -> None:
        self._operators = operators
        self._secure = secure
        self._attempts = Attempts()
        self._turn = asyncio.Lock()

    async def operator(self, request: Request) -> str:
        """Say whose session the request comes with, or raise HTTPException 401."""
        who = self._operators.who(request.cookies.get(COOKIE))
        if who is None:
            raise HTTPException(401, "only an operator may do that; enter the PIN first")
        return who or "an operator"

    def knows(self, connection: HTTPConnection) -> bool:
        """Tell whether a connection comes with a session; False where their file can't be read, too."""
        try:
            return self._operators.who(connection.cookies.get(COOKIE)) is not None
        except PinError:
            return False

    def routes(self) -> APIRouter:
        """Make the endpoints: who am I, sign in, sign out."""
        router = APIRouter(prefix="/api/operator")

        @router.get("")
        def state(request: Request) -> dict[str, Any]:
            who = self._operators.who(request.cookies.get(COOKIE))
            return {"needed": True, "operator": who is not None, "who": who or ""}

        @router.post("")
        async def enter(
            request: Request,
            pin: Annotated[str, Body(max_length=20)],
            who: Annotated[str, Body(max_length=MAX_NAME)] = "",
        ) -> Response:
            address = request.client.host if request.client else ""
            token = await self._token(address, pin, " ".join(who.split()))
            answer = JSONResponse({"needed": True, "operator": True, "who": who})
            answer.set_cookie(
                COOKIE, token, max_age=int(SESSION_S), httponly=True, samesite="strict", secure=self._secure
            )
            return answer

        @router.post("/leave")
        def leave(request: Request) -> Response:
            self._operators.end_session(request.cookies.get(COOKIE))
            answer = JSONResponse({"needed": True, "operator": False, "who": ""})
            answer.delete_cookie(COOKIE, httponly=True, samesite="strict", secure=self._secure)
            return answer

        return router

    async def _token(self, address: str, pin: str, who: str) -> str:
        self._check_wait(address)
        async with self._turn:  # one at a time: each takes memory and time on purpose
            self._check_wait(address)
            if not await asyncio.to_thread(self._operators.is_pin, pin.strip()):
                count = self._attempts.wrong(address, time.monotonic())
                log.warning("a wrong operator PIN from %s (%d in the last 10 min)", address, count)
                raise HTTPException(403, "that is not the PIN")
        log.warning("an operator has come in from %s", address)
        return await asyncio.to_thread(self._operators.open_session, who)

    def _check_wait(self, address: str) -> None:
        wait_s = self._attempts.wait_s(address, time.monotonic())
        if wait_s > 0:
            raise HTTPException(
                429,
                f"too many wrong PINs; wait {math.ceil(wait_s / 60)} min",
                headers={"retry-after": str(math.ceil(wait_s))},
            )


Door = OpenDoor | PinDoor
"""What decides who may act."""
