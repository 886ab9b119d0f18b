"""A snapshot: the plain attributes of the judgement's parts, as bytes and back."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

_ARRAY = 1


def pack(state: dict[str, Any]) -> bytes:
    """Write numbers, text, lists, dicts and arrays as MessagePack."""
    return msgspec.msgpack.encode(state, enc_hook=_encode)


def unpack(data: bytes) -> dict[str, Any]:
    """Read what `pack` wrote; arrays are writable copies."""
    decoder = msgspec.msgpack.Decoder(dict[str, Any], ext_hook=_decode)
    return decoder.decode(data)


def _encode(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        head = msgspec.msgpack.encode((value.dtype.str, value.shape))
        return msgspec.msgpack.Ext(_ARRAY, bytes([len(head)]) + head + value.tobytes())
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(f"no snapshot of {type(value).__name__}")


def _decode(code: int, data: memoryview) -> Any:
    if code != _ARRAY:
        raise ValueError(f"unknown extension {code} in a snapshot")
    body = bytes(data)
    n = body[0]
    dtype, shape = msgspec.msgpack.decode(body[1 : 1 + n])
    return np.frombuffer(body[1 + n :], np.dtype(dtype)).reshape(shape).copy()
