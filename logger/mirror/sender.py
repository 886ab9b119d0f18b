"""Write lines to an InfluxDB through its client library, and tell a bad line from a bad server."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Final

import urllib3.exceptions
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from logger.mirror.points import head
from logger.mirror.target import Target

MOST_LINES: Final = 5000
FEWEST_LINES: Final = 100
TIMEOUT_S: Final = 15.0
_BAD_LINES: Final = (400, 422)
_TOO_MUCH: Final = 413
_SERVERS_FAULT: Final = 500
_WORDS: Final = {
    401: "it refuses the token; put the right one into the token's file",
    403: "the token may not write to this bucket; give one that may",
    404: "it has no such bucket or organisation; make the bucket, or name the right one",
    429: "it is busy, and asks us to wait",
    503: "it is busy, and asks us to wait",
}

Refuse = Callable[[Sequence[str], str], None]


class ServerTrouble(Exception):
    """Nothing can be written for now.

    `doubtful`: the server may have forgotten what it had acknowledged; `wait_s`: how long it asks us to wait
    [s].
    """

    def __init__(self, text: str, *, doubtful: bool, wait_s: float = 0.0) -> None:
        super().__init__(text)
        self.doubtful, self.wait_s = doubtful, wait_s


class Sender:
    """One connection to an InfluxDB."""

    def __init__(self, target: Target, refuse: Refuse) -> None:
        self._target = target
        self._refuse = refuse
        self.size = MOST_LINES
        """How many lines to send at once."""
        self._client = InfluxDBClient(
            url=target.url,
            token=target.token,
            org=target.org,
            timeout=round(TIMEOUT_S * 1000),
            enable_gzip=True,
            retries=False,
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)
        self._connected = 0
        self._known = 0
        self._announced = True
        self._count_connections()

    def close(self) -> None:
        """Close the connection."""
        with contextlib.suppress(Exception):
            self._client.close()  # type: ignore[no-untyped-call]

    def write(self, lines: Sequence[str]) -> None:
        """Write lines; bad ones go to `refuse`, all others are acknowledged.

        ServerTrouble: some may have been written and others not; write all of them again later.
        """
        size = self.size
        for at in range(0, len(lines), size):
            self._write(lines[at : at + size])
        self.size = min(MOST_LINES, size * 11 // 10)

    def ping(self) -> None:
        """Check that the server is there."""
        self._ask("/ping")

    def interrupted(self) -> bool:
        """Tell whether the connection has broken since the last call, unannounced by the server.

        The server may have been restarted, and what it had just acknowledged may be gone.
        """
        doubtful = self._connected > self._known and not self._announced
        self._listen()
        return doubtful

    def started(self) -> str:
        """Ask the server when it was started, in its words; empty where it doesn't say."""
        try:
            return str(json.loads(self._ask("/ready"))["started"])
        except (ValueError, TypeError, KeyError):
            return ""
        finally:
            if self._connected == self._known or self._announced:
                self._listen()  # otherwise `interrupted` reports it

    def _ask(self, path: str) -> str | bytes:
        """Ask for something small; a refusal is an answer, too."""
        api = self._client.api_client
        try:
            with self._errors():
                api.call_api(path, "GET")  # type: ignore[no-untyped-call]
            said: str | bytes = api.last_response.data
            return said
        except ApiException:
            return b""
        except ServerTrouble as exc:
            if exc.doubtful:
                raise
            return b""

    def _listen(self) -> None:
        """Note whether the server has announced that it will end the connection."""
        self._known = self._connected
        response = self._client.api_client.last_response
        self._announced = (
            response is not None and "close" in str(response.getheader("Connection", "")).lower()
        )

    def _count_connections(self) -> None:
        """Count connections, because urllib3 reconnects without saying so."""
        pool = self._client.api_client.rest_client.pool_manager.connection_from_url(self._target.url)
        sender = self

        class Counted(pool.ConnectionCls):  # type: ignore[misc, name-defined]
            def connect(self) -> None:
                sender._connected += 1
                super().connect()

        pool.ConnectionCls = Counted

    def _write(self, lines: Sequence[str]) -> None:
        try:
            self._post(lines)
        except ApiException as exc:
            if exc.status != _TOO_MUCH:
                self._try_out(exc)
            self._sort_out(lines, exc)

    def _try_out(self, exc: ApiException) -> None:
        """Write a harmless line: a server that refuses even that refuses everything."""
        try:
            self._post([head("mirror", {"site": self._target.site}) + " refused=true"])
        except ApiException:
            what = f"{self._target.url}: it refuses whatever it is sent: {exc.status} {_message(exc)}"
            raise ServerTrouble(what, doubtful=False) from None

    def _sort_out(self, lines: Sequence[str], exc: ApiException) -> None:
        """Find the refused lines by halving, and write the others."""
        why = _message(exc)
        dropped = re.search(r"dropped=(\d+)", why)
        if len(lines) == 1 or (dropped is not None and int(dropped[1]) >= len(lines)):
            self._refuse(lines, f"{exc.status} {why}")
            return
        half = len(lines) // 2
        for part in (lines[:half], lines[half:]):
            try:
                self._post(part)
            except ApiException as again:
                self._sort_out(part, again)

    def _post(self, lines: Sequence[str]) -> None:
        with self._errors():
            self._writer.write(self._target.bucket, self._target.org, "\n".join(lines))

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        """Let errors about the lines through; all others are about the server."""
        try:
            yield
        except ApiException as exc:
            if exc.status in _BAD_LINES or exc.status == _TOO_MUCH:
                raise
            status = exc.status or 0
            said = _WORDS.get(status) or _message(exc) or "it answers with an error"
            wait_s = _retry_after_s(exc)
            if wait_s == 0 and status >= _SERVERS_FAULT:
                self._less()
            what = f"{self._target.url}: {said} ({status})"
            raise ServerTrouble(
                what, doubtful=status >= _SERVERS_FAULT and wait_s == 0, wait_s=wait_s
            ) from None
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            self._less()
            self._announced = True  # reported here
            raise ServerTrouble(self._target.unreachable(exc), doubtful=True) from None

    def _less(self) -> None:
        """Send less at a time from now on: the server may just be slow."""
        self.size = max(FEWEST_LINES, self.size // 2)


def _message(exc: ApiException) -> str:
    return " ".join(str(exc.message or exc.body or exc.reason or "").split())[:500]


def _retry_after_s(exc: ApiException) -> float:
    asked = exc.headers.get("Retry-After", "") if exc.headers else ""
    return min(float(asked), 600.0) if asked.isdigit() else 0.0
