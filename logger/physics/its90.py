"""Reference functions of the letter-designated thermocouples on the ITS-90: their coefficients.

The emf of a thermocouple whose cold junction is at 0 °C is, piece by piece,

    E(t) = c0 + c1 t + c2 t² + … (+ a0 exp(a1 (t − a2)²) for type K above 0 °C)

with t in °C and E in mV. The digits are those of Burns et al., *Temperature-Electromotive Force Reference
Functions and Tables for the Letter-Designated Thermocouple Types Based on the ITS-90*, NIST Monograph 175
(1993), also found in NIST Standard Reference Database 60 and IEC 60584-1. `thermocouple` evaluates them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np


@dataclass(frozen=True)
class Piece:
    """One piece of a reference function."""

    # low_c, high_c: its range, ends included. [°C]
    low_c: float
    high_c: float
    polynomial: tuple[float, ...]  # c0, c1, c2, … [mV, mV/°C, mV/°C², …]
    exponential: tuple[float, float, float] | None = None  # a0, a1, a2. [mV, °C⁻², °C]

    # In µV, the highest coefficient first.
    @cached_property
    def _emf(self) -> list[float]:
        return [1e3 * c for c in reversed(self.polynomial)]

    @cached_property
    def _slope(self) -> list[float]:
        return [n * (1e3 * c) for n, c in enumerate(self.polynomial)][:0:-1]

    def emf_uv(self, t: Any) -> Any:
        """The emf at t within the range [µV]."""
        e = _horner(self._emf, t)
        if self.exponential is not None:
            a0, a1, a2 = self.exponential
            e += 1e3 * a0 * np.exp(a1 * (t - a2) ** 2)
        return e

    def slope_uv_per_c(self, t: Any) -> Any:
        """Its derivative [µV/°C]."""
        s = _horner(self._slope, t)
        if self.exponential is not None:
            a0, a1, a2 = self.exponential
            s += 2 * (1e3 * a0) * a1 * (t - a2) * np.exp(a1 * (t - a2) ** 2)
        return s


def _horner(coefficients: list[float], t: Any) -> Any:
    value = coefficients[0] * t
    for c in coefficients[1:-1]:
        value += c
        value *= t
    value += coefficients[-1]
    return value


_TABLE: Final = """
B 0 630.615
                  0.0 -0.246508183460e-03  0.590404211710e-05 -0.132579316360e-08  0.156682919010e-11
  -0.169445292400e-14  0.629903470940e-18
B 630.615 1820
   -0.389381686210e01  0.285717474700e-01 -0.848851047850e-04  0.157852801640e-06 -0.168353448640e-09
   0.111097940130e-12 -0.445154310330e-16  0.989756408210e-20 -0.937913302890e-24
E -270 0
                  0.0  0.586655087080e-01  0.454109771240e-04 -0.779980486860e-06 -0.258001608430e-07
  -0.594525830570e-09 -0.932140586670e-11 -0.102876055340e-12 -0.803701236210e-15 -0.439794973910e-17
  -0.164147763550e-19 -0.396736195160e-22 -0.558273287210e-25 -0.346578420130e-28
E 0 1000
                  0.0  0.586655087100e-01  0.450322755820e-04  0.289084072120e-07 -0.330568966520e-09
   0.650244032700e-12 -0.191974955040e-15 -0.125366004970e-17  0.214892175690e-20 -0.143880417820e-23
   0.359608994810e-27
J -210 760
                  0.0  0.503811878150e-01  0.304758369300e-04 -0.856810657200e-07  0.132281952950e-09
  -0.170529583370e-12  0.209480906970e-15 -0.125383953360e-18  0.156317256970e-22
J 760 1200
    0.296456256810e03  -0.149761277860e01  0.317871039240e-02 -0.318476867010e-05  0.157208190040e-08
  -0.306913690560e-12
K -270 0
                  0.0  0.394501280250e-01  0.236223735980e-04 -0.328589067840e-06 -0.499048287770e-08
  -0.675090591730e-10 -0.574103274280e-12 -0.310888728940e-14 -0.104516093650e-16 -0.198892668780e-19
  -0.163226974860e-22
K 0 1372
  -0.176004136860e-01  0.389212049750e-01  0.185587700320e-04 -0.994575928740e-07  0.318409457190e-09
  -0.560728448890e-12  0.560750590590e-15 -0.320207200030e-18  0.971511471520e-22 -0.121047212750e-25
exp 0.118597600000e00 -0.118343200000e-03 0.126968600000e03
N -270 0
                  0.0  0.261591059620e-01  0.109574842280e-04 -0.938411115540e-07 -0.464120397590e-10
  -0.263033577160e-11 -0.226534380030e-13 -0.760893007910e-16 -0.934196678350e-19
N 0 1300
                  0.0  0.259293946010e-01  0.157101418800e-04  0.438256272370e-07 -0.252611697940e-09
   0.643118193390e-12 -0.100634715190e-14  0.997453389920e-18 -0.608632456070e-21  0.208492293390e-24
  -0.306821961510e-28
R -50 1064.18
                  0.0  0.528961729765e-02  0.139166589782e-04 -0.238855693017e-07  0.356916001063e-10
  -0.462347666298e-13  0.500777441034e-16 -0.373105886191e-19  0.157716482367e-22 -0.281038625251e-26
R 1064.18 1664.5
    0.295157925316e01 -0.252061251332e-02  0.159564501865e-04 -0.764085947576e-08  0.205305291024e-11
  -0.293359668173e-15
R 1664.5 1768.1
    0.152232118209e03  -0.268819888545e00  0.171280280471e-03 -0.345895706453e-07 -0.934633971046e-14
S -50 1064.18
                  0.0  0.540313308631e-02  0.125934289740e-04 -0.232477968689e-07  0.322028823036e-10
  -0.331465196389e-13  0.255744251786e-16 -0.125068871393e-19  0.271443176145e-23
S 1064.18 1664.5
    0.132900444085e01  0.334509311344e-02  0.654805192818e-05 -0.164856259209e-08  0.129989605174e-13
S 1664.5 1768.1
    0.146628232636e03  -0.258430516752e00  0.163693574641e-03 -0.330439046987e-07 -0.943223690612e-14
T -270 0
                  0.0  0.387481063640e-01  0.441944343470e-04  0.118443231050e-06  0.200329735540e-07
   0.901380195590e-09  0.226511565930e-10  0.360711542050e-12  0.384939398830e-14  0.282135219250e-16
   0.142515947790e-18  0.487686622860e-21  0.107955392700e-23  0.139450270620e-26  0.797951539270e-30
T 0 400
                  0.0  0.387481063640e-01  0.332922278800e-04  0.206182434040e-06 -0.218822568460e-08
   0.109968809280e-10 -0.308157587720e-13  0.454791352900e-16 -0.275129016730e-19
"""
"""For each piece: letter, start and end, then c0, c1, … in order; after `exp` a0, a1, a2."""


def _pieces() -> dict[str, tuple[Piece, ...]]:
    found: dict[str, tuple[Piece, ...]] = {}
    for text in re.split(r"\n(?=[A-Z])", _TABLE.strip()):
        head, _, below = text.partition("\n")
        letter, low, high = head.split()
        polynomial, _, behind = below.partition("exp")
        a0, a1, a2 = map(float, behind.split() or (0.0, 0.0, 0.0))
        coefficients = tuple(map(float, polynomial.split()))
        piece = Piece(float(low), float(high), coefficients, (a0, a1, a2) if behind else None)
        found[letter] = (*found.get(letter, ()), piece)
    return found


PIECES: Final = _pieces()
"""By letter, in ascending order of temperature."""
