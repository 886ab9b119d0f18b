"""Which InfluxDB to use, and the token for it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from logger.errors import UserError

MAX_SITE = 64


class TargetError(UserError):
    """A setting for the InfluxDB is wrong."""


@dataclass(frozen=True, slots=True)
class Target:
    """One InfluxDB."""

    url: str  # `http[s]://host[:port][/path]`, without a slash at the end
    # org, bucket: for InfluxDB 1 the bucket is a database, and there are no organisations
    org: str = "stokewatch"
    bucket: str = "stokewatch"
    site: str = ""  # where the rigs are; it keeps sites that share a bucket apart
    token: str = field(default="", repr=False)  # empty where the server needs none; never shown

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
        """Combine the command line and the environment; the command line comes first.

        The environment has STOKEWATCH_INFLUX_URL (None without one), _ORG, _BUCKET and STOKEWATCH_SITE, and
        the token in the file named by STOKEWATCH_INFLUX_TOKEN_FILE, or in STOKEWATCH_INFLUX_TOKEN itself.
        There is no option for the token: everyone on a machine can read command lines. TargetError names what
        is wrong.
        """
        env = os.environ if environ is None else environ
        given = url or env.get("STOKEWATCH_INFLUX_URL", "")
        if not given:
            return None
        named = token_file or env.get("STOKEWATCH_INFLUX_TOKEN_FILE", "")
        token = _read_token(Path(named)) if named else env.get("STOKEWATCH_INFLUX_TOKEN", "").strip()
        if not token.isascii() or any(c.isspace() for c in token):
            raise TargetError("the token for InfluxDB has spaces or odd characters in it; copy it exactly")
        place = env.get("STOKEWATCH_SITE", "") if site is None else site
        if len(place) > MAX_SITE or not place.isprintable():
            raise TargetError(f"site {place!r}: give up to {MAX_SITE} printable characters on one line")
        return cls(
            url=checked_url(given),
            org=org or env.get("STOKEWATCH_INFLUX_ORG") or "stokewatch",
            bucket=bucket or env.get("STOKEWATCH_INFLUX_BUCKET") or "stokewatch",
            site=place,
            token=token,
        )

    def unreachable(self, exc: Exception) -> str:
        """Say that the server can't be reached."""
        why = type(exc).__name__
        return f"{self.url}: can't be reached ({why}); is it running, and is the network up?"

    @property
    def name(self) -> str:
        """Address and bucket, for messages and to recognise the target."""
        return f"{self.url} {self.org}/{self.bucket}"


def checked_url(text: str) -> str:
    """Check the address of an InfluxDB, and return it without a trailing slash."""
    mend = "give http://host:8086 or https://host"
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise TargetError(f"the address of InfluxDB can't be read; {mend}") from None
    if parts.username is not None or parts.password is not None:
        raise TargetError(
            "the address of InfluxDB has a name or password in it, which anyone could read; put the token "
            "into a file and name that in STOKEWATCH_INFLUX_TOKEN_FILE"
        )
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0:
        raise TargetError(f"{text}: not the address of an InfluxDB; {mend}")
    if parts.query or parts.fragment:
        raise TargetError(f"{text}: leave out ? or # and what follows; {mend}")
    return text.rstrip("/")


def _read_token(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else "not a text file"
        raise TargetError(
            f"{path}: the token for InfluxDB can't be read ({why}); give the file it is in"
        ) from None
