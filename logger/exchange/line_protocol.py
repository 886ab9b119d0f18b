"""Readings as lines of InfluxDB's line protocol. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from logger.conversion.amplifiers import AMPLIFIERS, decode_words
from logger.conversion.columns import reconvert
from logger.plan import Probe
from logger.reading import Batch, Floats, Status

MEASUREMENT: Final = "reading"

_ESCAPES: Final = str.maketrans(
    {
        ",": "\\,",
        "=": "\\=",
        " ": "\\ ",
        # The protocol can't write these in a tag.
        "\\": "\N{SET MINUS}",
        "\n": "\\ ",
        "\r": "\\ ",
    }
)


def escape_tag(text: str) -> str:
    r"""Write a tag's value, with commas, equals signs and spaces escaped.

    A backslash, which a tag can't have before one of those or at its end, becomes the sign '∖'.
    """
    return text.translate(_ESCAPES)


def lines_of(
    batch: Batch, probes: Sequence[Probe], *, firing: str, site: str = "", proof: str = ""
) -> list[str]:
    """Write a batch's readings, one line each; readings that weren't sent get none.

    Measurement `reading`; tags `site`, `rig`, `channel`, `firing` (its ID), `probe`, `zone`, `proof`, leaving
    out empty ones; fields `temperature_c`, `cold_junction_c`, `emf_uv` if there are any, and `fault`, the
    status name in lower case, if the reading isn't OK. Times in nanoseconds. `probes` has one per channel.
    """
    again = reconvert(batch, probes)
    emf_uv = _emf_uv(again)
    t_ns = (batch.t_us * 1000).tolist()
    lines: list[str] = []
    for j, probe in enumerate(probes):
        tags = {
            "site": site,
            "rig": batch.rig,
            "channel": batch.channels[j].name,
            "firing": firing,
            "probe": probe.name,
            "zone": probe.zone,
            "proof": proof,
        }
        head = ",".join([MEASUREMENT, *(f"{k}={escape_tag(v)}" for k, v in tags.items() if v)])
        columns = (batch.temperature_c[:, j], again.cold_junction_c[:, j], emf_uv[:, j])
        for t, status, values in zip(
            t_ns, batch.status[:, j].tolist(), zip(*(c.tolist() for c in columns), strict=True), strict=True
        ):
            if status == Status.ABSENT:
                continue
            fields = [f"{name}={v!r}" for name, v in zip(_FIELDS, values, strict=True) if v == v]
            if status != Status.OK:
                fields.append(f'fault="{Status(status).name.lower()}"')
            lines.append(f"{head} {','.join(fields)} {t}")
    return lines


_FIELDS: Final = ("temperature_c", "cold_junction_c", "emf_uv")


def _emf_uv(batch: Batch) -> Floats:
    """Thermoelectric voltage where a channel gives it, NaN elsewhere."""
    out = np.full(batch.raw.shape, np.nan)
    for j, c in enumerate(batch.channels):
        chip = AMPLIFIERS.get(c.amp or "")
        sent = ~np.isnan(batch.raw[:, j])
        if c.kind == "emf":
            out[:, j] = batch.raw[:, j]
        elif chip is not None and chip.kind == "emf" and c.letter in chip.letters:
            fits = sent & (batch.raw[:, j] < 2.0 ** (8 * chip.word_bytes))
            decoded = decode_words(
                c.amp or "", batch.raw[fits, j], c.letter or "K", batch.cold_junction_c[fits, j]
            )
            out[fits, j] = decoded.emf_uv
    return out
