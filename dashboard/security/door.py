"""The door between watching and acting: anyone who enters the PIN gets a session, and may act."""

import asyncio
import logging
import math
import time
from typing import Annotated, Any, Final

from fastapi import APIRouter, Body, HTTPException
from starlette.requests import HTTPConnection, Request
from starlette.responses import JSONResponse, Response

from dashboard.context import Asker
from dashboard.security.operators import MAX_NAME, SESSION_S, Attempts, Operators, PinError

COOKIE: Final = "stokewatch_operator"

log = logging.getLogger(__name__)


VIEWING: Final = "this page only shows what an InfluxDB holds; to act, use the page of the fire's own logger"


class Door:
    """Decides who may act: with `operators`, whoever has entered their PIN; without (on loopback), anyone.

    With a `refusal`, nobody. `secure`: the page is served over TLS, and the cookie is never sent without it.
    """

    def __init__(
        self, operators: Operators | None = None, *, secure: bool = False, refusal: str = ""
    ) -> None:
        self._operators, self._secure, self._refusal = operators, secure, refusal
        self._attempts = Attempts()
        self._turn = asyncio.Lock()

    def asks(self, connection: HTTPConnection) -> Asker:
        """Return whose session a connection has, or why it has none."""
        if self._operators is None:
            return Asker(None, self._refusal) if self._refusal else Asker("page")
        try:
            who = self._operators.who(connection.cookies.get(COOKIE))
        except PinError as exc:
            return Asker(None, str(exc))
        if who is None:
            return Asker(None, "only an operator may do that; enter the PIN first", may_enter=True)
        return Asker(who or "an operator")

    def routes(self) -> APIRouter:
        """Make the endpoints: who am I and, where there are operators, sign in and sign out."""
        router = APIRouter(prefix="/api/operator")
        operators = self._operators

        @router.get("")
        def state(request: Request) -> dict[str, Any]:
            if operators is None:
                return {"needed": False, "operator": not self._refusal, "who": ""}
            who = operators.who(request.cookies.get(COOKIE))
            return {"needed": True, "operator": who is not None, "who": who or ""}

        if operators is None:
            return router

        @router.post("")
        async def enter(
            request: Request,
            pin: Annotated[str, Body(max_length=20)],
            who: Annotated[str, Body(max_length=MAX_NAME)] = "",
        ) -> Response:
            address = request.client.host if request.client else ""
            token = await self._token(operators, address, pin, " ".join(who.split()))
            answer = JSONResponse({"needed": True, "operator": True, "who": who})
            answer.set_cookie(
                COOKIE, token, max_age=int(SESSION_S), httponly=True, samesite="strict", secure=self._secure
            )
            return answer

        @router.post("/leave")
        def leave(request: Request) -> Response:
            operators.end_session(request.cookies.get(COOKIE))
            answer = JSONResponse({"needed": True, "operator": False, "who": ""})
            answer.delete_cookie(COOKIE, httponly=True, samesite="strict", secure=self._secure)
            return answer

        return router

    async def _token(self, operators: Operators, address: str, pin: str, who: str) -> str:
        self._check_wait(address)
        async with self._turn:  # one at a time: checking a PIN is costly on purpose
            self._check_wait(address)
            if not await asyncio.to_thread(operators.is_pin, pin.strip()):
                count = self._attempts.wrong(address, time.monotonic())
                log.warning("a wrong operator PIN from %s (%d in the last 10 min)", address, count)
                raise HTTPException(403, "that is not the PIN")
        log.warning("an operator has signed in from %s", address)
        return await asyncio.to_thread(operators.open_session, who)

    def _check_wait(self, address: str) -> None:
        wait_s = self._attempts.wait_s(address, time.monotonic())
        if wait_s > 0:
            raise HTTPException(
                429,
                f"too many wrong PINs; wait {math.ceil(wait_s / 60)} min",
                headers={"retry-after": str(math.ceil(wait_s))},
            )
