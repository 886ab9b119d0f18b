"""Readings as bytes: a record for each frame, and whole minutes of them packed tightly. Pure."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.conversion.amplifiers import AMPLIFIERS
from logger.reading import Batch, Bytes, Channel, Floats, Ints

MINUTE_US: Final = 60_000_000

_NOT_SENT: Final = 0x80
"""Bit in the stored status that marks a reading without a raw value."""
_NO_NUMBER: Final = -(2**31)
_WIDE: Final = 8
"""Bytes for words of unknown chips, and for words too long for their chip."""

Records = NDArray[np.void]
"""Structured array, one record per frame."""


@dataclass(frozen=True)
class Layout:
    """The record format of one rig's frames.

    A record has the time within its minute [µs], the rig's `seq` and `ms`, and for each channel the raw value
    (a word in as few bytes as its chip needs, emf and cold junction, or °C), the temperature and the status.
    Temperatures from words are kept to 0.0001 °C: they follow from the word, and come out as short decimals.
    For channels that send °C, the temperature is kept as its bits XOR those sent: zero unless a correction
    applies.
    """

    id: int  # its row in the journal
    rig: str
    channels: tuple[Channel, ...]  # length k
    widths: tuple[int, ...]  # length k; bytes of each channel's words; 0 for other channels

    @classmethod
    def loads(cls, row_id: int, rig: str, text: str) -> Layout:
        """Read a layout as `dumps` wrote it; ValueError if it is damaged."""
        try:
            entries = json.loads(text)
            widths = tuple(int(e.pop("word_bytes")) for e in entries)
            channels = tuple(Channel(**e) for e in entries)
            if not isinstance(rig, str) or not all(isinstance(c.name, str) for c in channels):
                raise TypeError("a name that isn't text")
            if not {0, 2, 4, _WIDE}.issuperset(widths):
                raise TypeError("words of an odd width")
            return cls(row_id, rig, channels, widths)
        except (AttributeError, KeyError, TypeError, RecursionError) as exc:
            raise ValueError(f"damaged description of a rig's channels: {exc!r}") from exc

    def dumps(self) -> str:
        """Write the channels as JSON."""
        return json.dumps(
            [asdict(c) | {"word_bytes": w} for c, w in zip(self.channels, self.widths, strict=True)],
            ensure_ascii=False,
        )

    @cached_property
    def dtype(self) -> np.dtype[np.void]:
        """Type of one record: little-endian, without padding."""
        fields: list[tuple[str, str, tuple[int, ...]]] = [(name, "<u4", ()) for name in ("t", "seq", "ms")]
        for name, kind, columns in (
            *((f"w{width}", f"<u{width}", at) for width, at in self._words),
            ("uv", "<f8", self._emf),
            ("cj", "<f8", self._emf),
            ("c", "<f8", self._celsius),
            ("tw", "<i4", self._word),
            ("te", "<f8", self._emf),
            ("tc", "<i8", self._celsius),
        ):
            if columns:
                fields.append((name, kind, (len(columns),)))
        return np.dtype([*fields, ("status", "u1", (len(self.channels),))])

    @cached_property
    def _words(self) -> list[tuple[int, list[int]]]:
        widths = sorted(set(self.widths) - {0})
        return [(w, [j for j, width in enumerate(self.widths) if width == w]) for w in widths]

    @cached_property
    def _word(self) -> list[int]:
        return [j for _, at in self._words for j in at]

    @cached_property
    def _emf(self) -> list[int]:
        return [j for j, c in enumerate(self.channels) if c.kind == "emf"]

    @cached_property
    def _celsius(self) -> list[int]:
        return [j for j, c in enumerate(self.channels) if c.kind == "celsius"]

    def fits(self, raw: Floats) -> bool:
        """Whether every word in `raw`, shape (n, k), is short enough."""
        return all(
            width == _WIDE or not (raw[:, _span(at)] >= 2.0 ** (8 * width)).any() for width, at in self._words
        )

    def encode(self, batch: Batch) -> tuple[Records, Ints]:
        """Turn a batch of n frames whose words fit into n records, and the minute of each.

        Minutes are counted from 1970; they are not part of the record.
        """
        out = np.empty(len(batch.t_us), self.dtype)
        minute = batch.t_us // MINUTE_US
        out["t"] = batch.t_us - minute * MINUTE_US
        out["seq"] = batch.seq
        out["ms"] = batch.ms
        missing = np.isnan(batch.raw)
        out["status"] = batch.status | (missing * np.uint8(_NOT_SENT))
        for width, at in self._words:
            columns = _span(at)
            out[f"w{width}"] = np.where(missing[:, columns], 0.0, batch.raw[:, columns])
        if self._word:
            out["tw"] = _steps(batch.temperature_c[:, _span(self._word)])
        if self._emf:
            columns = _span(self._emf)
            out["uv"] = batch.raw[:, columns]
            out["cj"] = batch.raw_cj[:, columns]
            out["te"] = batch.temperature_c[:, columns]
        if self._celsius:
            columns = _span(self._celsius)
            out["c"] = batch.raw[:, columns]
            out["tc"] = _bits(batch.temperature_c[:, columns]) ^ _bits(batch.raw[:, columns])
        return out, minute

    def load(self, data: bytes, covered: Sequence[int], *, packed: bool) -> Records:
        """Read a row's records, read-only; ValueError if they, or its numbers in `covered`, are damaged.

        `packed`: a minute (`squeeze`); otherwise a batch as it came in (`seal`).
        """
        if packed:
            return unsqueeze(data, self.dtype, covered)
        return np.frombuffer(unseal(data, covered), self.dtype)

    def temperature_c(self, records: Records) -> Floats:
        """Temperatures of n records, shape (n, k); NaN where the status isn't OK. [°C]."""
        out = np.empty((len(records), len(self.channels)))
        if self._word:
            out[:, _span(self._word)] = _from_steps(records["tw"])
        if self._emf:
            out[:, _span(self._emf)] = records["te"]
        if self._celsius:
            out[:, _span(self._celsius)] = (_bits(records["c"]) ^ records["tc"]).view(np.float64)
        return out

    def status(self, records: Records) -> Bytes:
        """`Status` of each reading in n records; shape (n, k)."""
        return np.asarray(records["status"] & np.uint8(_NOT_SENT - 1), np.uint8)

    def decode(self, records: Records, minute: Ints | int) -> Batch:
        """Turn records, with their minutes from `encode`, back into a batch; its cold junctions are NaN."""
        raw = np.full((len(records), len(self.channels)), np.nan)
        raw_cj = np.full_like(raw, np.nan)
        for width, at in self._words:
            raw[:, _span(at)] = records[f"w{width}"]
        if self._emf:
            raw[:, _span(self._emf)] = records["uv"]
            raw_cj[:, _span(self._emf)] = records["cj"]
        if self._celsius:
            raw[:, _span(self._celsius)] = records["c"]
        raw[records["status"] >= _NOT_SENT] = np.nan
        return Batch(
            rig=self.rig,
            channels=self.channels,
            t_us=records["t"] + np.asarray(minute, np.int64) * MINUTE_US,
            seq=records["seq"].astype(np.int64),
            ms=records["ms"].astype(np.int64),
            raw=raw,
            raw_cj=raw_cj,
            temperature_c=self.temperature_c(records),
            cold_junction_c=np.full_like(raw, np.nan),
            status=self.status(records),
        )


def widths_for(channels: Sequence[Channel], raw: Floats | None = None) -> tuple[int, ...]:
    """How many bytes each channel's words need; 0 for channels that don't send words.

    The values in `raw`, shape (n, k), must fit, even if a chip has sent longer words than it should.
    """
    widths = []
    for j, channel in enumerate(channels):
        chip = AMPLIFIERS.get(channel.amp or "")
        width = 0
        if channel.kind == "word":
            width = next(w for w in (2, 4, 8) if w >= (chip.word_bytes if chip else _WIDE))
            if raw is not None and (raw[:, j] >= 2.0 ** (8 * width)).any():
                width = _WIDE
        widths.append(width)
    return tuple(widths)


def as_stored(batch: Batch) -> Batch:
    """Round a batch's temperatures as the journal does, so that live and stored readings are judged alike."""
    words = [j for j, c in enumerate(batch.channels) if c.kind == "word"]
    if not words:
        return batch
    rounded = batch.temperature_c.copy()
    rounded[:, _span(words)] = _from_steps(_steps(rounded[:, _span(words)]))
    return replace(batch, temperature_c=rounded)


def seal(data: bytes, covered: Sequence[int]) -> bytes:
    """Append a checksum: the file itself has none, and flipped bits would read as temperatures.

    It also covers the numbers in `covered` (firing, minute, layout …): a flipped one would put readings under
    another probe's name.
    """
    return data + _crc(data, covered).to_bytes(4, "little")


def unseal(data: bytes, covered: Sequence[int]) -> bytes:
    """Remove the checksum; ValueError if the data is damaged."""
    if not is_whole(data, covered):
        raise ValueError("damaged data: the checksum is wrong")
    return data[:-4]


def is_whole(data: Any, covered: Sequence[Any]) -> bool:
    """Whether data, and the numbers in `covered`, match their checksum."""
    if not isinstance(data, bytes) or len(data) < 4:
        return False
    body, crc = data[:-4], int.from_bytes(data[-4:], "little")
    # Older versions left the row's numbers out of the checksum.
    return all(isinstance(n, int) for n in covered) and crc in (_crc(body, covered), zlib.crc32(body))


def _crc(data: bytes, covered: Sequence[int]) -> int:
    return zlib.crc32(data, zlib.crc32(struct.pack(f"<{len(covered)}q", *covered)))


def squeeze(array: NDArray[np.generic], covered: Sequence[int]) -> bytes:
    """Pack and seal an array whose items change little from one to the next.

    The first bytes of all items come first, then the second ones and so on, each as the difference from the
    item before: the upper bytes of slow temperatures become zeros. Then zlib at its fastest: working harder
    gains a tenth.
    """
    planes = np.ascontiguousarray(array).view(np.uint8).reshape(len(array), -1).T
    return seal(zlib.compress(np.diff(planes, axis=1, prepend=np.uint8(0)).tobytes(), 1), covered)


def unsqueeze(data: bytes, dtype: np.dtype[np.void], covered: Sequence[int]) -> NDArray[np.void]:
    """Unpack what `squeeze` packed, as items of a type; ValueError if it is damaged.

    If rows of several items were packed, each item is a whole row.
    """
    try:
        flat = np.frombuffer(zlib.decompress(unseal(data, covered)), np.uint8)
    except zlib.error as exc:
        raise ValueError(f"damaged data: {exc}") from exc
    if flat.size % dtype.itemsize:
        raise ValueError(f"damaged data: {flat.size} bytes aren't a whole number of records")
    planes = flat.reshape(dtype.itemsize, -1)
    items = np.ascontiguousarray(np.cumsum(planes, axis=1, dtype=np.uint8).T)
    return items.reshape(-1).view(dtype)


def _span(at: list[int]) -> slice | list[int]:
    """Return a slice if one will do: numpy indexes by it several times faster."""
    return slice(at[0], at[-1] + 1) if at == list(range(at[0], at[-1] + 1)) else at


def _steps(temperature_c: Floats) -> NDArray[np.int32]:
    """Round to whole steps of 0.0001 °C."""
    return np.where(np.isnan(temperature_c), _NO_NUMBER, np.rint(temperature_c * 1e4)).astype(np.int32)


def _from_steps(steps: NDArray[np.int32]) -> Floats:
    # Dividing by a whole number gives the double nearest to the decimal; multiplying by 1e-4 would not.
    return np.where(steps == _NO_NUMBER, np.nan, steps / 1e4)


def _bits(values: Floats) -> Ints:
    return np.ascontiguousarray(values).view(np.int64)
