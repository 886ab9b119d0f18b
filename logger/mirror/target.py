"""Which InfluxDB to use, and the token for it."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from logger.errors import UserError

MAX_SITE = 64


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
    def checked(cls, url: str, org: str, bucket: str, site: str, token_file: Path | None) -> Target:
        """Check what was given, and read the token from its file or from STOKEWATCH_INFLUX_TOKEN.

        There is no option for the token: everyone on a machine can read command lines. UserError names what
        is wrong.
        """
        token = (
            _read_token(token_file) if token_file else os.environ.get("STOKEWATCH_INFLUX_TOKEN", "").strip()
        )
        if not token.isascii() or any(c.isspace() for c in token):
            raise UserError("the token for InfluxDB has spaces or odd characters in it; copy it exactly")
        if len(site) > MAX_SITE or not site.isprintable():
            raise UserError(f"site {site!r}: give up to {MAX_SITE} printable characters on one line")
        return cls(checked_url(url), org, bucket, site, token)


def checked_url(text: str) -> str:
    """Check the address of an InfluxDB, and return it without a trailing slash."""
    mend = "give http://host:8086 or https://host"
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise UserError(f"the address of InfluxDB can't be read; {mend}") from None
    if parts.username is not None or parts.password is not None:
        raise UserError(
            "the address of InfluxDB has a name or password in it, which anyone could read; put the token "
            "into a file and name that in STOKEWATCH_INFLUX_TOKEN_FILE"
        )
    if parts.scheme not in ("http", "https") or not parts.hostname or port == 0:
        raise UserError(f"{text}: not the address of an InfluxDB; {mend}")
    if parts.query or parts.fragment:
        raise UserError(f"{text}: leave out ? or # and what follows; {mend}")
    return text.rstrip("/")


def _read_token(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as exc:
        why = exc.strerror if isinstance(exc, OSError) else "not a text file"
        raise UserError(
            f"{path}: the token for InfluxDB can't be read ({why}); give the file it is in"
        ) from None
