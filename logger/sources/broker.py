"""What a broker's address says: where it is, and as whom to go there."""

from __future__ import annotations

import os
import ssl
from typing import Any
from urllib.parse import unquote, urlsplit


def login(url: str) -> dict[str, Any]:
    """Read ``mqtt[s]://[user[:password]@]host[:port]``; give what `aiomqtt.Client` needs of it.

    A password may also stand in STOKEWATCH_MQTT_PASSWORD. ValueError: the address is no broker's.
    """
    parts = urlsplit(url)
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
        raise ValueError("not a broker's address")
    secure = parts.scheme == "mqtts"
    user = unquote(parts.username) if parts.username else None
    password = unquote(parts.password) if parts.password else os.environ.get("STOKEWATCH_MQTT_PASSWORD")
    return {
        "hostname": parts.hostname,
        "port": parts.port or (8883 if secure else 1883),
        "username": user,
        "password": password if user else None,
        "tls_context": ssl.create_default_context() if secure else None,
    }
