"""Small rows with a checksum, so that a flipped bit is noticed. Pure.

SQLite's file has no checksums of its own: a bit that flips on a worn card makes another word, another number
or another channel's name, and nobody notices.
"""

from __future__ import annotations

import json
import zlib
from typing import Any, Final

_MARK: Final = "*"
_TAIL: Final = 9  # the mark and eight hex digits, as in a rig's line


class DamagedError(ValueError):
    """What was read isn't what was written."""


def to_json(data: Any) -> str:
    """Write compact JSON; ValueError for NaN or infinity."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def seal_text(text: str, *about: object) -> str:
    """Append a checksum to a text, over it and the other columns of its row (`about`)."""
    return f"{text}{_MARK}{_crc(text, about):08x}"


def unseal_text(sealed: Any, *about: object) -> str:
    """Check a text from `seal_text` against the same `about`, and remove the checksum."""
    if isinstance(sealed, str) and sealed[-_TAIL:-8] == _MARK:
        text = sealed[:-_TAIL]
        if sealed[-8:] == f"{_crc(text, about):08x}":
            return text
    raise DamagedError("damaged data: the checksum is wrong")


def load_json(sealed: Any, *about: object) -> Any:
    """Read sealed JSON, or plain JSON from older versions; DamagedError for anything else."""
    if not isinstance(sealed, str):
        raise DamagedError("damaged data: not text")
    try:
        return json.loads(unseal_text(sealed, *about))
    except DamagedError:
        # A sealed text is never JSON, whichever of its bits has flipped.
        try:
            return json.loads(sealed)
        except (ValueError, RecursionError) as exc:
            raise DamagedError(f"damaged data: {exc}") from exc


def load_dict(sealed: Any, *about: object) -> dict[str, Any]:
    """Read a sealed JSON object; see `load_json`."""
    data = load_json(sealed, *about)
    if not isinstance(data, dict):
        raise DamagedError("damaged data: not an object")
    return data


def _crc(text: str, about: tuple[object, ...]) -> int:
    words = "\x1f".join((*map(str, about), text))
    return zlib.crc32(words.encode("utf-8", "surrogatepass"))
