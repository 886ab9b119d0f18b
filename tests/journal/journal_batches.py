"""Invented readings for the journal's tests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from logger.reading import Batch, Channel, Status

START_US = 1_795_600_800_000_000  # a whole minute

EVERY_KIND = (
    Channel("k0", "word", "max31855", "K"),
    Channel("k1", "word", "max6675", "K", cold_junction="k0"),
    Channel("k2", "word", "max31856", "N"),
    Channel("x0", "word", "nochip"),
    Channel("u0", "emf", letter="S"),
    Channel("c0", "celsius"),
    Channel("ir0", "word", "mlx90614"),
    Channel("c1", "celsius"),
)


def celsius(names: Sequence[str]) -> tuple[Channel, ...]:
    return tuple(Channel(name, "celsius") for name in names)


def make_batch(
    t_us: Sequence[int] | np.ndarray,
    temperature_c: Sequence[Sequence[float]] | np.ndarray,
    *,
    rig: str = "a1",
    names: Sequence[str] = ("k0", "k1"),
    status: np.ndarray | None = None,
) -> Batch:
    """Plain °C; NaN is an open thermocouple unless `status` says otherwise."""
    values = np.asarray(temperature_c, np.float64).reshape(len(t_us), len(names))
    if status is None:
        status = np.where(np.isnan(values), np.uint8(Status.OPEN), np.uint8(Status.OK))
    t = np.asarray(t_us, np.int64)
    return Batch(
        rig=rig,
        channels=celsius(names),
        t_us=t,
        seq=np.arange(len(t), dtype=np.int64),
        ms=(t - START_US) // 1000 % 2**32,
        raw=values,
        raw_cj=np.full_like(values, np.nan),
        temperature_c=np.where(status == Status.OK, values, np.nan),
        cold_junction_c=np.full_like(values, np.nan),
        status=status.astype(np.uint8),
    )


def firing_batch(
    n: int, k: int = 4, *, hz: float = 10.0, first: int = 0, rig: str = "a1", seed: int = 1
) -> Batch:
    """Frames `first` to `first + n` of a slow rise and fall with noise; the same however they are cut."""
    rng = np.random.default_rng(seed)
    frames = np.arange(first, first + n)
    t_us = START_US + np.round(frames * 1e6 / hz).astype(np.int64)
    slow = 20 + 780 * np.sin(np.pi * np.clip(frames / hz / 10_800, 0, 1))
    noise = np.sin(frames[:, None] * (1.3 + 0.1 * np.arange(k)) + rng.uniform(0, 6, k))
    return make_batch(
        t_us, slow[:, None] + 7 * np.arange(k) + noise, rig=rig, names=[f"k{j}" for j in range(k)]
    )


def same_batch(a: Batch, b: Batch) -> bool:
    """Equal to the bit, except for cold junctions, which aren't stored."""
    return (
        a.rig == b.rig
        and a.channels == b.channels
        and all(
            np.array_equal(
                getattr(a, name), getattr(b, name), equal_nan=name in ("raw", "raw_cj", "temperature_c")
            )
            for name in ("t_us", "seq", "ms", "raw", "raw_cj", "temperature_c", "status")
        )
    )
