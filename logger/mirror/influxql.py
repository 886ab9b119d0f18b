"""Query an InfluxDB in InfluxQL, which versions 1, 2 and 3 all speak at `/query`."""

from __future__ import annotations

import json
from typing import Any, Final

import msgspec
import urllib3

from logger.errors import StokewatchError
from logger.mirror.target import Target

TIMEOUT_S: Final = 60.0
_CHUNK_ROWS: Final = 20_000
_WORDS: Final = {
    401: "it refuses the token; put the right one into the token's file",
    403: "the token may not read this bucket; give one that may",
    404: "it has no such bucket, or doesn't answer at /query; name the right one",
}


class InfluxError(StokewatchError):
    """An InfluxDB doesn't answer, or answers something else."""


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


_decoder: Final = msgspec.json.Decoder(_Answer)


class InfluxQL:
    """Queries one InfluxDB."""

    def __init__(self, target: Target) -> None:
        self._target = target
        self._pool = urllib3.PoolManager(timeout=urllib3.Timeout(TIMEOUT_S, connect=10.0), retries=False)
        self._headers = {"Accept": "application/json", "Accept-Encoding": "gzip"}
        if target.token:
            self._headers["Authorization"] = f"Token {target.token}"

    def close(self) -> None:
        """Close the connection."""
        self._pool.clear()

    def select(self, query: str) -> list[Series]:
        """Run a SELECT, its texts made safe by `literal`; InfluxError where that fails."""
        # Since 2.4 every bucket is also a database, and one named `a/b` is the retention policy b of a.
        database, slash, policy = self._target.bucket.partition("/")
        fields = {
            "db": database,
            **({"rp": policy} if slash else {}),
            "epoch": "ns",
            "chunked": "true",
            "chunk_size": str(_CHUNK_ROWS),
            "q": query,
        }
        try:
            answer = self._pool.request_encode_body(
                "POST",
                f"{self._target.url}/query",
                fields=fields,
                headers=self._headers,
                encode_multipart=False,
            )
        except (urllib3.exceptions.HTTPError, OSError) as exc:
            raise InfluxError(self._target.unreachable(exc)) from None
        if answer.status != 200:
            said = _WORDS.get(answer.status) or _said(answer.data)
            raise InfluxError(f"{self._target.url}: {said} ({answer.status})")
        return self._read(answer.data)

    def _read(self, body: bytes) -> list[Series]:
        found: dict[tuple[tuple[str, str], ...], Series] = {}
        cut_short = False
        try:
            for line in body.splitlines():
                if not line:
                    continue
                answer = _decoder.decode(line)
                for result in answer.results:
                    if error := answer.error or result.error:
                        raise InfluxError(f"{self._target.url}: {self._explained(error)}")
                    cut_short = result.partial
                    for part in result.series:
                        cut_short = cut_short or part.partial
                        key = tuple(sorted(part.tags.items()))
                        if key in found:
                            found[key].rows.extend(part.rows)
                        else:
                            found[key] = part
        except msgspec.MsgspecError as exc:
            raise InfluxError(f"{self._target.url}: its answer can't be read ({exc})") from None
        if cut_short:
            raise InfluxError(
                f"{self._target.url}: it cuts answers short; raise its limit on rows per answer"
            )
        return list(found.values())

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


def _said(body: bytes) -> str:
    try:
        data = json.loads(body)
        return " ".join(str(data.get("error") or data.get("message")).split())[:300]
    except (ValueError, AttributeError):
        return "it answers with an error"
