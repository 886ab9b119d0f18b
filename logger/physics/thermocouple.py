"""Letter-designated thermocouples: emf from temperature and back, cold junction, tolerance classes.

The forward functions are exact: the ITS-90 reference functions themselves. The inverse is read from tables
built from the forward function when a letter is first used (a few milliseconds), with steps so small that
straight lines between them stay within `INVERSE_ERROR_C` of the exact inverse.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, TypeVar, cast

import numpy as np

from logger.physics.its90 import PIECES, Piece
from logger.reading import Floats

LETTERS: Final = tuple(PIECES)

INVERSE_ERROR_C: Final = 0.0005
"""The inverse is within this of the exact inverse of the reference function. [°C]"""

SINGLE_VALUED_FROM_C: Final = {"B": 42.2}
"""Where the inverse begins, for letters whose emf isn't single-valued over the whole range. [°C]

The emf of type B falls to −2.6 µV at 21 °C and is back at zero at 42.15 °C; below that, one emf belongs to
two temperatures.
"""

_CELLS: Final = 8192
_CHUNK: Final = 16384
"""Readings converted at a time, so that all intermediate arrays stay in a small processor's cache."""
_ROUNDING_UV: Final = 1e-6
"""Room at both ends, so that a sum of emfs that is off in its last digits isn't out of range. [µV]"""
_FEW: Final = 400
"""Up to this many, one call of `np.interp` is cheaper than the cell table's several array operations."""

_Numeric = TypeVar("_Numeric", float, Floats)


def emf_uv(letter: str, temperature_c: _Numeric) -> _Numeric:
    """Thermoelectric voltage with the cold junction at 0 °C [µV]: the ITS-90 reference function [1]_.

    NaN outside its range: 0 to 1820 °C (B), -270 to 1000 °C (E), -210 to 1200 °C (J), -270 to 1372 °C (K),
    -270 to 1300 °C (N), -50 to 1768.1 °C (R and S), -270 to 400 °C (T). ValueError: `letter` isn't one of the
    eight.

    .. [1] Burns, G. W. et al., Temperature-Electromotive Force Reference Functions and Tables for the
       Letter-Designated Thermocouple Types Based on the ITS-90, NIST Monograph 175, 1993; the same functions
       are in IEC 60584-1:2013.

    >>> round(emf_uv("K", 750.0))
    31213
    """
    return _evaluate(letter, temperature_c, Piece.emf_uv)


def slope_uv_per_c(letter: str, temperature_c: _Numeric) -> _Numeric:
    """Seebeck coefficient, in µV/°C: the derivative of `emf_uv`, with the same range and errors."""
    return _evaluate(letter, temperature_c, Piece.slope_uv_per_c)


def temperature_c(letter: str, emf_uv: _Numeric) -> _Numeric:
    """Temperature of the hot junction, with the cold junction at 0 °C. [°C].

    The inverse of the reference function, within `INVERSE_ERROR_C` of the exact one. (NIST's own inverse
    polynomials are good to about 0.05 °C, and end at -200 °C.) NaN if `emf_uv` is NaN or outside the
    function's range; for type B also if it belongs to more than one temperature, below
    `SINGLE_VALUED_FROM_C`. ValueError: `letter` isn't one of the eight.

    >>> round(temperature_c("K", 31213.0), 1)
    750.0
    """
    inverse = _inverse(letter)
    if isinstance(emf_uv, np.ndarray) and emf_uv.size > _FEW:
        flat = emf_uv.astype(np.float64, copy=False).ravel()
        out = np.empty_like(flat)
        for start in range(0, flat.size, _CHUNK):
            out[start : start + _CHUNK] = inverse.cells(flat[start : start + _CHUNK])
        return out.reshape(emf_uv.shape)
    t = np.interp(emf_uv, inverse.node_uv, inverse.node_c, np.nan, np.nan)
    return t if isinstance(t, np.ndarray) else float(t)


def compensated_temperature_c(letter: str, emf_uv: _Numeric, cold_junction_c: _Numeric | float) -> _Numeric:
    """Temperature of the hot junction, from the emf measured at the cold junction. [°C].

    Adds the emf that the cold junction's temperature corresponds to, then inverts: temperatures themselves
    must never be added, since the emf isn't linear. NaN if either is NaN or outside the reference function.
    ValueError: `letter` isn't one of the eight.
    """
    junction_uv: _Numeric = _evaluate(letter, cast(Any, cold_junction_c), Piece.emf_uv)
    return temperature_c(letter, emf_uv + junction_uv)


def range_c(letter: str) -> tuple[float, float]:
    """Lowest and highest temperature of the reference function [°C]; ValueError: unknown `letter`."""
    pieces = _pieces(letter)
    return pieces[0].low_c, pieces[-1].high_c


def _pieces(letter: str) -> tuple[Piece, ...]:
    if letter not in PIECES:
        raise ValueError(f"{letter!r} isn't a thermocouple letter; use one of {', '.join(LETTERS)}")
    return PIECES[letter]


def _evaluate(letter: str, temperature_c: _Numeric, what: Callable[[Piece, Any], Any]) -> _Numeric:
    pieces = _pieces(letter)
    if isinstance(temperature_c, float | int):
        for piece in pieces:
            if piece.low_c <= temperature_c <= piece.high_c:
                return float(what(piece, float(temperature_c)))
        return float("nan")
    t = np.asarray(temperature_c, np.float64)
    if t.size:
        low_c, high_c = t.min(), t.max()
        for piece in pieces:
            if piece.low_c <= low_c and high_c <= piece.high_c:
                return cast(Floats, what(piece, t))
    out = np.full(t.shape, np.nan)
    for piece in pieces:
        inside = (t >= piece.low_c) & (t <= piece.high_c)
        out[inside] = what(piece, t[inside])
    return out


@dataclass(frozen=True, slots=True)
class _Inverse:
    """One letter's inverse, as straight lines from node to node.

    From `cell_from_uv` on, the nodes are the edges of cells of equal emf, so that a reading's cell can be
    calculated, which is fastest for many readings. Bisection finds the same line, and is fastest for a few.
    Below that, where the emf hardly changes with temperature, the nodes get closer and closer together.
    """

    node_uv: Floats
    node_c: Floats
    cell_from_uv: float
    cells_per_uv: float
    cell_c: Floats
    cell_c_per_uv: Floats

    def cells(self, emf_uv: Floats) -> Floats:
        # A NaN makes both comparisons false. Chunks with a reading outside the cells are rare.
        if not (emf_uv.min() >= self.cell_from_uv and emf_uv.max() <= self.node_uv[-1]):
            return np.interp(emf_uv, self.node_uv, self.node_c, np.nan, np.nan)
        position = emf_uv - self.cell_from_uv
        position *= self.cells_per_uv
        cell = position.astype(np.intp)
        t = self.cell_c_per_uv.take(cell, mode="clip")
        t *= emf_uv
        t += self.cell_c.take(cell, mode="clip")
        return t


@cache
def _inverse(letter: str) -> _Inverse:
    low_c, high_c = range_c(letter)
    low_c = SINGLE_VALUED_FROM_C.get(letter, low_c)
    t = np.linspace(low_c, high_c, 4001)
    emf = emf_uv(letter, t)
    slope = slope_uv_per_c(letter, t)
    bend = np.abs(np.gradient(slope, t))

    # A chord over Δe is off by at most Δe² |E''| / 8 |E'|³. Aim for half of what is allowed: E'' isn't quite
    # constant along it, and type N's slope jumps by 0.9 % at 0 °C, which costs up to 0.00045 °C.
    fault_c = bend / slope**3 * ((emf[-1] - emf[0]) / _CELLS) ** 2 / 8
    first = int(np.flatnonzero(fault_c > INVERSE_ERROR_C / 2)[-1]) + 1
    edge_uv = np.linspace(emf[first], emf[-1], _CELLS + 1)
    edge_c = np.interp(edge_uv, emf, t)
    for _ in range(3):  # Newton
        edge_c -= (emf_uv(letter, edge_c) - edge_uv) / slope_uv_per_c(letter, edge_c)
        edge_c = np.clip(edge_c, low_c, high_c)
    edge_uv[-1] += _ROUNDING_UV

    # Colder than that, the same over Δt: off by at most Δt² |E''| / 8 |E'|.
    per_c = np.sqrt(bend / slope / (8 * INVERSE_ERROR_C / 2))[: first + 1]
    count = np.concatenate(([0.0], np.cumsum((per_c[1:] + per_c[:-1]) / 2 * np.diff(t[: first + 1]))))
    cold_c = np.interp(np.linspace(0, count[-1], int(count[-1]) + 2)[:-1], count, t[: first + 1])
    cold_uv = emf_uv(letter, cold_c)
    cold_uv[0] -= _ROUNDING_UV

    c_per_uv = np.diff(edge_c) / np.diff(edge_uv)
    c_per_uv = np.append(c_per_uv, c_per_uv[-1])  # the upper end belongs to the last cell
    return _Inverse(
        node_uv=np.concatenate((cold_uv, edge_uv)),
        node_c=np.concatenate((cold_c, edge_c)),
        cell_from_uv=float(edge_uv[0]),
        cells_per_uv=float(_CELLS / (edge_uv[-1] - edge_uv[0])),
        cell_c=edge_c - c_per_uv * edge_uv,
        cell_c_per_uv=c_per_uv,
    )


_TOLERANCES: Final = {
    ("B", 2): (600, 1700, 1.5, 0.0025, 0.0),
    ("B", 3): (600, 1700, 4.0, 0.005, 0.0),
    ("E", 1): (-40, 800, 1.5, 0.004, 0.0),
    ("E", 2): (-40, 900, 2.5, 0.0075, 0.0),
    ("E", 3): (-200, 40, 2.5, 0.015, 0.0),
    ("J", 1): (-40, 750, 1.5, 0.004, 0.0),
    ("J", 2): (-40, 750, 2.5, 0.0075, 0.0),
    ("K", 1): (-40, 1000, 1.5, 0.004, 0.0),
    ("K", 2): (-40, 1200, 2.5, 0.0075, 0.0),
    ("K", 3): (-200, 40, 2.5, 0.015, 0.0),
    ("N", 1): (-40, 1000, 1.5, 0.004, 0.0),
    ("N", 2): (-40, 1200, 2.5, 0.0075, 0.0),
    ("N", 3): (-200, 40, 2.5, 0.015, 0.0),
    ("R", 1): (0, 1600, 1.0, 0.003, -2.3),
    ("R", 2): (0, 1600, 1.5, 0.0025, 0.0),
    ("S", 1): (0, 1600, 1.0, 0.003, -2.3),
    ("S", 2): (0, 1600, 1.5, 0.0025, 0.0),
    ("T", 1): (-40, 350, 0.5, 0.004, 0.0),
    ("T", 2): (-40, 350, 1.0, 0.0075, 0.0),
    ("T", 3): (-200, 40, 1.0, 0.015, 0.0),
}
"""From, to, fixed, share, offset: the tolerance is max(fixed, offset + share of |t|). [°C]"""


def tolerance_c(letter: str, tolerance_class: int, temperature_c: _Numeric) -> _Numeric:
    """How far (±) a new thermocouple may be off the reference function, by IEC 60584-1 [1]_. [°C].

    The greater of a fixed value and a share of the temperature; class 1 is the tightest, class 3 is for use
    below 40 °C (except for type B). It applies to wire as delivered; type K drifts and ages above 800 °C and
    in smoke, and may then be further off. Outside the class's range it is no better than at the range's end.
    ValueError: the letter has no such class.

    .. [1] IEC 60584-1:2013, Thermocouples - Part 1: EMF specifications and tolerances, clause on tolerances
       (formerly IEC 60584-2).

    >>> tolerance_c("K", 2, 800.0)
    6.0
    """
    if (letter, tolerance_class) not in _TOLERANCES:
        raise ValueError(f"type {letter} has no class {tolerance_class} in IEC 60584-1; choose another class")
    low_c, high_c, fixed_c, share, offset_c = _TOLERANCES[letter, tolerance_class]
    allowed = np.maximum(fixed_c, offset_c + share * np.abs(np.clip(temperature_c, low_c, high_c)))
    return float(allowed) if isinstance(temperature_c, float | int) else allowed
