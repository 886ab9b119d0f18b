"""A snapshot: what the judgement's parts remember, as bytes and back.

A part remembers its public attributes. What belongs to the current block or follows from the plan begins with
an underscore.
"""

from __future__ import annotations

from typing import Any, get_type_hints

import msgspec
import numpy as np

_ARRAY = 1


def memory(part: Any) -> dict[str, Any]:
    """What a part remembers, and the parts within it."""
    return {
        name: memory(value) if hasattr(value, "__dict__") else value
        for name, value in vars(part).items()
        if not name.startswith("_")
    }


def recall(part: Any, remembered: dict[str, Any]) -> None:
    """Put back what `memory` gave; attributes that the class annotates get their type back."""
    types = get_type_hints(type(part))
    for name in memory(part):
        value, mine = remembered[name], getattr(part, name)
        if hasattr(mine, "__dict__"):
            recall(mine, value)
        else:
            setattr(part, name, msgspec.convert(value, types[name]) if name in types else value)


def pack(state: dict[str, Any]) -> bytes:
    """Write numbers, text, lists, dicts, dataclasses and arrays as MessagePack."""
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
