"""One InfluxDB: write lines, query it, and tell a bad line from a bad server.

Queries are InfluxQL, which versions 1, 2 and 3 all answer at `/query`.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

import msgspec
import urllib3.exceptions
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from logger.errors import StokewatchError
from logger.exchange.line_protocol import head
from logger.mirror.target import Target

MOST_LINES: Final = 5000
FEWEST_LINES: Final = 100
TIMEOUT_S: Final = 15.0
"""For a write; a query may take longer."""
_QUERY_MS: Final = (10_000, 60_000)
"""To connect, and to read the answer."""
_CHUNK_ROWS: Final = 20_000
_TOO_MUCH: Final = 413
_ABOUT_LINES: Final = (400, _TOO_MUCH, 422)
_TOKEN: Final = {401: "it refuses the token; put the right one into the token's file"}
_WRITING: Final = {
    **_TOKEN,
    403: "the token may not write to this bucket; give one that may",
    404: "it has no such bucket or organisation; make the bucket, or name the right one",
    429: "it is busy, and asks us to wait",
    503: "it is busy, and asks us to wait",
}
_READING: Final = {
    **_TOKEN,
    403: "the token may not read this bucket; give one that may",
    404: "it has no such bucket, or doesn't answer at /query; name the right one",
}

Refuse = Callable[[Sequence[str], str], None]


class InfluxError(StokewatchError):
    """An InfluxDB doesn't answer, or answers something else.

    `doubtful`: it may have forgotten what it had acknowledged; `wait_s`: how long it asks us to wait [s].
    """

    def __init__(self, text: str, *, doubtful: bool = False, wait_s: float = 0.0) -> None:
        super().__init__(text)
        self.doubtful, self.wait_s = doubtful, wait_s


class Series(msgspec.Struct):
    """Rows with the same tags."""

    columns: list[str]  # the first is `time` [ns]
    rows: list[list[Any]] = msgspec.field(name="values", default_factory=list)
    tags: dict[str, str] = {}  # those named in GROUP BY
    partial: bool = False  # whether more rows were to follow


class _Result(msgspec.Struct):
    series: list[Series] = []
    error: str = ""
    partial: bool = False


class _Answer(msgspec.Struct):
    results: list[_Result] = []
    error: str = ""


class Influx:
    """One connection to an InfluxDB."""

    def __init__(self, target: Target) -> None:
        self._target = target
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
        self._broke = False
        self._announced = True
        """Whether the server has said that it ends the connection."""
        self._watch_connections()

    def close(self) -> None:
        """Close the connection."""
        with contextlib.suppress(Exception):
            self._client.close()  # type: ignore[no-untyped-call]

    def write(self, lines: Sequence[str], refuse: Refuse) -> None:
        """Write lines; bad ones go to `refuse`, all others are acknowledged.

        InfluxError: some may have been written and others not; write all of them again later.
        """
        size = self.size
        for at in range(0, len(lines), size):
            part = lines[at : at + size]
            try:
                self._post(part)
            except ApiException as exc:
                if exc.status != _TOO_MUCH:
                    self._try_out(exc)
                self._sort_out(part, exc, refuse)
        self.size = min(MOST_LINES, size * 11 // 10)

    def select(self, query: str) -> list[Series]:
        """Run a SELECT, its texts made safe by `literal`."""
        # Since 2.4 every bucket is also a database, and one named `a/b` is the retention policy b of a.
        database, slash, policy = self._target.bucket.partition("/")
        asked = {
            "db": database,
            **({"rp": policy} if slash else {}),
            "epoch": "ns",
            "chunked": "true",
            "chunk_size": str(_CHUNK_ROWS),
            "q": query,
        }
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "application/json"}
        try:
            with self._errors(_READING):
                body = self._call(
                    "/query", "POST", header_params=headers, post_params=asked, _request_timeout=_QUERY_MS
                )
            answers = msgspec.json.Decoder(_Answer).decode_lines(body)
        except (UnicodeDecodeError, msgspec.MsgspecError) as exc:
            raise InfluxError(f"{self._target.url}: its answer can't be read ({exc})") from None
        found: dict[tuple[tuple[str, str], ...], Series] = {}
        cut_short = False
        for error, result in ((answer.error, result) for answer in answers for result in answer.results):
            if error := error or result.error:
                raise InfluxError(f"{self._target.url}: {self._explained(error)}")
            cut_short = result.partial or any(part.partial for part in result.series)
            for part in result.series:
                known = found.setdefault(tuple(sorted(part.tags.items())), part)
                if known is not part:
                    known.rows.extend(part.rows)
        if cut_short:
            raise InfluxError(
                f"{self._target.url}: it cuts answers short; raise its limit on rows per answer"
            )
        return list(found.values())

    def ping(self) -> None:
        """Check that the server is there."""
        self._look("/ping")

    def interrupted(self) -> bool:
        """Tell whether the connection has broken since the last call, unannounced by the server.

        The server may have been restarted, and what it had just acknowledged may be gone.
        """
        broke, self._broke = self._broke, False
        return broke

    def started(self) -> str:
        """Ask the server when it was started, in its words; empty where it doesn't say."""
        try:
            return str(json.loads(self._look("/ready"))["started"])
        except (ValueError, TypeError, KeyError):
            return ""

    def _look(self, path: str) -> str:
        """Ask for something small; a refusal is an answer, too."""
        try:
            with self._errors(_WRITING):
                return self._call(path, "GET")
        except InfluxError as exc:
            if exc.doubtful:
                raise
            return ""

    def _call(self, path: str, method: str, **given: Any) -> str:
        api = self._client.api_client
        api.call_api(path, method, **given)  # type: ignore[no-untyped-call]
        return str(api.last_response.data)

    def _watch_connections(self) -> None:
        """Notice new connections, because urllib3 reconnects without saying so."""
        pool = self._client.api_client.rest_client.pool_manager.connection_from_url(self._target.url)
        influx = self

        class Watched(pool.ConnectionCls):  # type: ignore[misc, name-defined]
            def connect(self) -> None:
                influx._broke = influx._broke or not influx._announced
                super().connect()

        pool.ConnectionCls = Watched

    def _try_out(self, exc: ApiException) -> None:
        """Write a harmless line: a server that refuses even that refuses everything."""
        try:
            self._post([head("mirror", {"site": self._target.site}) + " refused=true"])
        except ApiException:
            what = f"{self._target.url}: it refuses whatever it is sent: {exc.status} {_message(exc)}"
            raise InfluxError(what) from None

    def _sort_out(self, lines: Sequence[str], exc: ApiException, refuse: Refuse) -> None:
        """Find the refused lines by halving, and write the others."""
        why = _message(exc)
        dropped = re.search(r"dropped=(\d+)", why)
        if len(lines) == 1 or (dropped is not None and int(dropped[1]) >= len(lines)):
            refuse(lines, f"{exc.status} {why}")
            return
        half = len(lines) // 2
        for part in (lines[:half], lines[half:]):
            try:
                self._post(part)
            except ApiException as again:
                self._sort_out(part, again, refuse)

    def _post(self, lines: Sequence[str]) -> None:
        with self._errors(_WRITING, about_lines=_ABOUT_LINES):
            self._writer.write(self._target.bucket, self._target.org, "\n".join(lines))

    @contextlib.contextmanager
    def _errors(self, words: Mapping[int, str], about_lines: Sequence[int] = ()) -> Iterator[None]:
        """Let errors about the lines through; all others are about the server."""
        try:
            yield
            response = self._client.api_client.last_response
            self._announced = "close" in str(response.getheader("Connection", "")).lower()
            return
        except ApiException as exc:
            status = exc.status or 0
            if status in about_lines:
                raise
            wait_s = _retry_after_s(exc)
            said = words.get(status) or _message(exc) or "it answers with an error"
            error = InfluxError(
                f"{self._target.url}: {said} ({status})",
                doubtful=status >= 500 and not wait_s,
                wait_s=wait_s,
            )
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            said = f"can't be reached ({type(exc).__name__}); is it running, and is the network up?"
            error = InfluxError(f"{self._target.url}: {said}", doubtful=True)
        if error.doubtful:
            self.size = max(FEWEST_LINES, self.size // 2)  # the server may just be slow
            self._announced, self._broke = True, False  # reported here
        raise error

    def _explained(self, error: str) -> str:
        """Add what to do to what the server says."""
        if not error.startswith("database not found"):
            return error
        return (
            f"it has no bucket {self._target.bucket!r}, or the token may not read it; name the right one, or "
            f"give a token that may; before InfluxDB 2.4 also map it with `influx v1 dbrp create` ({error})"
        )


def literal(text: str) -> str:
    """Quote a text for a query, escaping whatever could end the quotation."""
    safe = text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n")
    return f"'{safe}'"


def _message(exc: ApiException) -> str:
    said = " ".join(str(exc.message or exc.body or exc.reason or "").split())[:500]
    return "" if said.startswith("<") else said  # a page in HTML


def _retry_after_s(exc: ApiException) -> float:
    asked = exc.headers.get("Retry-After", "") if exc.headers else ""
    return min(float(asked), 600.0) if asked.isdigit() else 0.0
