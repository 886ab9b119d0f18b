"""Which InfluxDB, and as whom."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from logger.errors import UserError

MAX_SITE = 64


class TargetError(UserError):
    """What was said about the InfluxDB is wrong."""


@dataclass(frozen=True, slots=True)
class Target:
    """One InfluxDB."""

    url: str  # `http[s]://host[:port][/path]`, without a slash at the end
    # org, bucket: InfluxDB 1 knows the bucket as a database and no organisation
    org: str = "stokewatch"
    bucket: str = "stokewatch"
    site: str = ""  # where the rigs stand; it keeps places apart that share a bucket
    token: str = field(default="", repr=False)  # empty where the server wants none. It is never shown.

    @classmethod
    def find(
        cls,
        url: str | None = None,
        *,
        org: str | None = None,
        bucket: str | None = None,
        site: str | None = None,
        token_file: Path | None = None,
        environ: Mapping[str, str] | None = None,
    ) -> Target | None:
        """Put together what the command line and the environment say; the command line goes first.

        Else STOKEWATCH_INFLUX_URL (None without one), _ORG, _BUCKET and STOKEWATCH_SITE, and the token from
        the file that STOKEWATCH_INFLUX_TOKEN_FILE names, or STOKEWATCH_INFLUX_TOKEN itself. There is no
        option for the token: everybody on a machine can read command lines. TargetError names what is wrong.
        """
        env = os.environ if environ is None else environ
        given = url or env.get("STOKEWATCH_INFLUX_URL", "")
        if not given:
            return None
        named = token_file or env.get("STOKEWATCH_INFLUX_TOKEN_FILE", "")
        token = _read_token(Path(named)) if named else env.get("STOKEWATCH_INFLUX_TOKEN", "").strip()
        if not token.isascii() or any(c.isspace() for c in token):
            raise TargetError("the token for InfluxDB has spaces or odd letters in it; copy it exactly")
        place = env.get("STOKEWATCH_SITE", "") if site is None else site
        if len(place) > MAX_SITE or not place.isprintable():
            raise TargetError(f"site {place!r}: give up to {MAX_SITE} printable letters on one line")
        return cls(
            url=checked_url(given),
            org=org or env.get("STOKEWATCH_INFLUX_ORG") or "stokewatch",
            bucket=bucket or env.get("STOKEWATCH_INFLUX_BUCKET") or "stokewatch",
            site=place,
            token=token,
        )

    def unreachable(self, exc: Exception) -> str:
        """Say that nobody answers there."""
        why = type(exc).__name__
        return f"{self.url}: can't be reached ({why}); is it running, and the network there?"

    @property
    def name(self) -> str:
        """What is written to, for messages and to know it again."""
        return f"{self.url} {self.org}/{self.bucket}"


def checked_url(text: str) -> str:
    """Check the address of an InfluxDB; give it without a slash at the end."""
    mend = "give http://host:8086 or https://host"
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise TargetError(f"the address of InfluxDB can't be read; {mend}") from None
    if parts.username is not None or parts.password is not None:
        raise TargetError(
            "the address of InfluxDB has a name or password in it, which everybody could read; put the token "
            "into a file and name it in STOKEWATCH_INFLUX_TOKEN_FILE"
        )
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0:
        raise TargetError(f"{text}: not the address of an InfluxDB; {mend}")
    if parts.query or parts.fragment:
        raise TargetError(f"{text}: leave out what follows ? or #; {mend}")
    return text.rstrip("/")


def _read_token(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else "not a text file"
        raise TargetError(f"{path}: the token for InfluxDB can't be read ({why}); name its file") from None
