"""The Kalman filter behind the estimate: several zones side by side.

The state of each zone is listed in `logger.judgement.zone_model`.

Zones are filtered side by side with an extended Kalman filter [1]_. They touch in one way: the gas of a zone
is drawn slowly towards that of its neighbours, which is what a zone without any probe has to live on.

References
----------
.. [1] B. D. O. Anderson and J. B. Moore, Optimal Filtering, Prentice-Hall 1979 (extended Kalman filter,
   innovation gating).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from logger.judgement.credibility import AMBIENT_C, Bools, Credibility
from logger.judgement.zone_dynamics import DRY_C, noise, slopes
from logger.judgement.zone_model import (
    COMMON,
    CORE,
    EMBER,
    FILM,
    FLAME,
    GAS,
    GLOW,
    GUN,
    HEAT,
    INNER,
    OUTER,
    PLACE,
    THICKNESS,
    THROUGH,
    Looks,
    Model,
)
from logger.reading import Floats

LONGEST_STEP_S: Final = 5.0
COLDEST_C: Final = -60.0
HOTTEST_C: Final = 1500.0
RUNAWAY: Final = 1e6
"""No state of a filter that works comes near it. [°C]"""
MOST_LOG: Final = 50.0
"""Nor do those that are logarithms of factors come near this."""
ALIVE_S: Final = 20.0
"""A zone whose probes have said nothing credible for longer than this has no probe."""
REMEMBER_S: Final = 20.0
GATE: Final = 4.5
"""Innovations beyond this many standard deviations are not used."""


class ZoneFilter:
    """Filters z zones with up to p probes each, side by side.

    Parameters
    ----------
    looks : list of list of {'air', 'wall', 'surface', ''}
        What each probe of each zone reads; '' fills up. Coals are no part of it.
    neighbours : array, shape (z, z)
        Weight of one zone's gas in another's; zero diagonal.
    model : Model
    lag_s : array, shape (z, p), optional
        Time constants where known; NaN takes the model's. [s]
    forget_s : float, optional
        Left out, thickness and heat are only considered, and air probes move neither film, flame, ember nor
        place. A
        smoother has to have all states estimated: then thickness and heat are, and forgotten in this time, so
        that they never become surer than the model deserves. [s]
    """

    def __init__(
        self,
        looks: list[list[Looks]],
        neighbours: Floats,
        model: Model,
        lag_s: Floats | None = None,
        forget_s: float | None = None,
    ) -> None:
        kinds = np.array(looks, dtype=object).reshape(len(looks), -1)
        self.model = model
        self.neighbours = neighbours
        self.zones, self.slots = kinds.shape
        self.size = COMMON + 2 * self.slots
        self.is_air, self.is_wall = kinds == "air", kinds == "wall"
        self.is_probe = kinds != ""

        def by_kind(values: dict[str, float]) -> Floats:
            table = {"": 1.0, **values}
            return np.array([[table[k] for k in row] for row in kinds], dtype=np.float64).reshape(kinds.shape)

        lags = by_kind(model.lag_s)
        self.lag_s = lags if lag_s is None else np.where(np.isnan(lag_s), lags, lag_s)
        self.noise_c, self.noise_at_800_c = by_kind(model.noise_c), by_kind(model.noise_at_800_c)
        self.bias_u_c = by_kind(model.bias_u_c)
        self.of_gas = np.where(
            self.is_air, 1 - model.bead_glow, np.where(self.is_wall, model.wall_probe_gas, 0.0)
        )
        self.of_glow = np.where(self.is_air, model.bead_glow, 0.0)
        self.readings = COMMON + 2 * np.arange(self.slots)
        self.biases = self.readings + 1

        self.hold = np.zeros((self.slots, self.zones, self.size), dtype=np.bool_)
        self.hold_spot = np.zeros((self.zones, self.size), dtype=np.bool_)
        self.forget_s = forget_s
        if forget_s is None:
            # What an air probe says of these is too easily something else that the model lacks.
            self.hold[:, :, FILM : PLACE + 1] = self.is_air.T[:, :, None]
            self.hold[:, :, THICKNESS : HEAT + 1] = True
            self.hold_spot[:, THICKNESS : HEAT + 1] = True
        shape = (self.zones, self.slots)
        self.x = np.zeros((self.zones, self.size))
        self.p = np.zeros((self.zones, self.size, self.size))
        self.rate_c_s = np.zeros(self.zones)
        self.remembered = np.zeros((self.zones, 2, 2))
        self.remembered_s = np.zeros(1)
        self.silent_s = np.full(shape, np.inf)
        self.credibility = Credibility(self.is_wall, self.is_probe)
        self.wet = np.ones((self.zones, 3))

    STATE: Final = ("x", "p", "rate_c_s", "remembered", "remembered_s", "silent_s", "wet")
    """Attributes that change; all else follows from what the filter was made of."""

    # -- start -----------------------------------------------------------------------------------------

    prior: tuple[Floats, Floats, Bools]
    """For the smoother: state and covariance before the latest readings corrected them, and which states had
    just been begun anew, so that nothing can be learnt through them of what was before."""

    def start(self, reading_c: Floats) -> None:
        """Begin where the first readings are: a cold load, or one that is somewhere near its probes.

        Parameters
        ----------
        reading_c : array, shape (z, p)
            NaN where there is none. [°C]
        """
        known = np.isfinite(reading_c) & self.is_probe
        everywhere = float(np.median(reading_c[known])) if known.any() else AMBIENT_C
        for z in range(self.zones):
            level = float(reading_c[z][known[z]].min()) if known[z].any() else everywhere
            bead = level
            if not (known[z] & self.is_wall[z]).any():
                # A cold load beside a small fire: walls are between what it was in and what the bead says.
                level -= 0.5 * max(min(level, 120.0) - AMBIENT_C, 0.0)
            self.x[z] = 0.0
            self.x[z, :GAS] = level
            self.x[z, GAS] = bead
            self.x[z, self.readings] = np.where(known[z], reading_c[z], level)
            unsure = 8.0 + 0.25 * abs(bead - AMBIENT_C) + (0.0 if known[z].any() else 20.0)
            p = self.p[z]
            p[:] = 0.0
            p[: CORE + 1, : CORE + 1] = unsure**2
            own = np.zeros(self.size)
            own[: CORE + 1] = (0.3 * unsure) ** 2
            own[GAS] = (20 + 2 * unsure) ** 2
            own[GLOW] = 10.0**2
            own[FILM] = self.model.film_share_u**2
            own[FLAME] = self.model.flame_u**2
            own[EMBER] = self.model.ember_u**2
            own[PLACE] = self.model.place_u_c**2
            own[GUN] = 1.0
            own[THICKNESS] = self.model.wall_share_u**2
            own[HEAT] = self.model.heat_share_u**2
            own[self.readings] = 10.0**2
            own[self.biases] = self.bias_u_c[z] ** 2
            p[np.arange(self.size), np.arange(self.size)] += own
            self.wet[z] = float(level < 90.0)
        self.remembered = np.repeat(self.x[:, None, [GAS, GLOW]], 2, axis=1)

    # -- time passes -----------------------------------------------------------------------------------

    def predict(self, dt_s: float) -> Floats:
        """Let time pass.

        Parameters
        ----------
        dt_s : float
            Above 0; a long time is cut into steps. [s]

        Returns
        -------
        array, shape (z, m, m)
            How the state at the end depends on that at the start, for the smoother.

        Raises
        ------
        numpy.linalg.LinAlgError
            The filter has run away on impossible readings.
        """
        steps = min(max(int(np.ceil(dt_s / LONGEST_STEP_S - 1e-9)), 1), 720)
        transition = self._step(dt_s / steps)
        for _ in range(steps - 1):
            transition = self._step(dt_s / steps) @ transition
        return transition

    def _step(self, dt_s: float) -> Floats:
        """One linearly implicit step: stable however stiff the wall is against the step."""
        x = self.x
        if not (np.abs(x) < RUNAWAY).all() or not (np.abs(x[:, [FILM, THICKNESS]]) < MOST_LOG).all():
            raise np.linalg.LinAlgError("impossible readings have made the filter run away")
        outer, gas, glow = x[:, OUTER], x[:, GAS], x[:, GLOW]
        self.wet = np.where(x[:, :CORE] > DRY_C, 0.0, self.wet)
        around = self._neighbours_gas(gas, outer)
        rate, a = slopes(x, self.model, around, self.wet, self.forget_s)
        for slot, (at, of_gas, of_glow) in enumerate(
            zip(self.readings.tolist(), self.of_gas.T, self.of_glow.T, strict=True)
        ):
            lag = self.lag_s[:, slot]
            rate[:, at] = (outer + of_gas * (gas - outer) + of_glow * glow - x[:, at]) / lag
            a[:, at, OUTER] = (1 - of_gas) / lag
            a[:, at, GAS] = of_gas / lag
            a[:, at, GLOW] = of_glow / lag
            a[:, at, at] = -1 / lag

        transition = np.asarray(np.linalg.inv(np.eye(self.size) - dt_s * a), dtype=np.float64)
        self.x = x + (transition @ rate[:, :, None])[:, :, 0] * dt_s
        # Whatever a broken sensor says: fourth powers of what no fire reaches run away.
        np.clip(self.x[:, : GAS + 1], COLDEST_C, HOTTEST_C, out=self.x[:, : GAS + 1])
        self.rate_c_s = (self.x[:, OUTER] - outer) / dt_s
        p = transition @ self.p @ np.swapaxes(transition, 1, 2)
        every = np.arange(self.size)
        p[:, every, every] += noise(x, self.model, self.wet, self.forget_s) * dt_s
        self.p = 0.5 * (p + np.swapaxes(p, 1, 2))
        self.silent_s += dt_s
        return transition

    def _neighbours_gas(self, gas: Floats, outer: Floats) -> Floats:
        live = ((self.silent_s < ALIVE_S) & (self.is_air | self.is_wall)).any(axis=1)
        weights = self.neighbours * live
        total = weights.sum(axis=1)
        around: Floats = np.asarray(weights @ gas / np.maximum(total, 1e-9), dtype=np.float64)
        return np.where(total > 0, around, outer)

    # -- readings --------------------------------------------------------------------------------------

    def update(self, reading_c: Floats, dt_s: float, averaged_s: float = 1.0) -> Bools:
        """Take the readings of one instant.

        Parameters
        ----------
        reading_c : array, shape (z, p)
            NaN where there is none. [°C]
        dt_s : float
            Since the last. [s]
        averaged_s : float, default 1
            Time over which the readings were averaged, 1 or more. [s]

        Returns
        -------
        array of bool, shape (z, p)
            Which were used.
        """
        credible = self._credible(reading_c, dt_s)
        self.prior = self.x, self.p, self._anew
        used = np.zeros_like(credible)
        for slot in range(self.slots):
            ok = credible[:, slot]
            if not ok.any():
                continue
            at, off = int(self.readings[slot]), int(self.biases[slot])
            says = self.x[:, at]
            weight = np.maximum(says, 0.0) / 800.0
            along = self.p[:, :, at] + weight[:, None] * self.p[:, :, off]
            scatter = self.noise_c[:, slot] + self.noise_at_800_c[:, slot] * weight
            variance = along[:, at] + weight * along[:, off] + scatter**2 / averaged_s
            innovation = np.where(ok, reading_c[:, slot] - says - weight * self.x[:, off], 0.0)
            ok = ok & (np.abs(innovation) < GATE * np.sqrt(variance))
            self._correct(np.where(ok, innovation, 0.0), along, variance, ok, self.hold[slot])
            used[:, slot] = ok
        self.silent_s = np.where(used, 0.0, self.silent_s)
        self._remember(dt_s)
        return used

    def _credible(self, reading_c: Floats, dt_s: float) -> Bools:
        before = self.credibility.off | self.credibility.stuck
        self._anew = np.zeros((self.zones, self.size), dtype=np.bool_)
        credible = self.credibility.judge(
            reading_c,
            dt_s,
            self.x[:, OUTER],
            np.sqrt(self.p[:, OUTER, OUTER]),
            self.x[:, self.readings],
            np.sqrt(self.p[:, self.readings, self.readings]),
        )
        for z in np.flatnonzero(((self.credibility.off | self.credibility.stuck) & ~before).any(axis=1)):
            if not credible[z].any():
                self._distrust_gas(int(z))
        # Back after a while: the probe knows better than a model that went on without it.
        for z, slot in zip(*np.nonzero(credible & (self.silent_s > ALIVE_S)), strict=True):
            self._readmit(int(z), int(slot), float(reading_c[z, slot]))
        return credible

    def _distrust_gas(self, zone: int) -> None:
        """The last probe of a zone went off or stuck: what it said of the gas of late was not so either."""
        self.x, self.p = self.x.copy(), self.p.copy()
        hot = max(float(self.x[zone, OUTER]) - AMBIENT_C, 0.0)
        usual = (
            self.model.gas_step_c + 80.0,
            self.model.glow_u_c + self.model.glow_u_at_800_c * hot / 800,
        )
        for at, was, u in zip((GAS, GLOW), self.remembered[zone, 0], usual, strict=True):
            self.x[zone, at] = was
            self.p[zone, at, :] = 0.0
            self.p[zone, :, at] = 0.0
            self.p[zone, at, at] = u**2
            self._anew[zone, at] = True

    def _remember(self, dt_s: float) -> None:
        """Keep gas and glow as they were 20 to 40 s ago."""
        self.remembered_s += dt_s
        if self.remembered_s >= REMEMBER_S:
            self.remembered_s = np.zeros(1)
            now = self.x[:, [GAS, GLOW]]
            self.remembered = np.stack([self.remembered[:, 1], now], axis=1)

    def _readmit(self, zone: int, slot: int, value_c: float) -> None:
        at = int(self.readings[slot])
        self.x, self.p = self.x.copy(), self.p.copy()
        self.x[zone, at] = value_c
        self.p[zone, at, :] = 0.0
        self.p[zone, :, at] = 0.0
        self.p[zone, at, at] = 20.0**2
        self._anew[zone, at] = True
        if not (self.silent_s[zone] < ALIVE_S).any():
            self.p[zone, GAS, GAS] += 80.0**2

    def spot(self, zone: int, surface_c: float, u_c: float) -> None:
        """Take a reading of a zone's surface.

        Parameters
        ----------
        zone : int
        surface_c : float
            [°C]
        u_c : float
            Its standard uncertainty, above 0. [°C]
        """
        common = self.model.spot_common * u_c
        along = self.p[:, :, OUTER] + common * self.p[:, :, GUN]
        variance = along[:, OUTER] + common * along[:, GUN] + u_c**2 - common**2
        ok = np.arange(self.zones) == zone
        innovation = np.where(ok, surface_c - self.x[:, OUTER] - common * self.x[:, GUN], 0.0)
        self._correct(innovation, along, variance, ok, self.hold_spot)

    def _correct(self, innovation: Floats, along: Floats, variance: Floats, ok: Bools, hold: Bools) -> None:
        gain = np.where(ok[:, None], along / variance[:, None], 0.0)
        gain[hold] = 0.0
        self.x = self.x + gain * innovation[:, None]
        # The form that holds for any gain, for the considered states have none.
        both = gain[:, :, None] * along[:, None, :]
        own = (variance[:, None] * gain)[:, :, None] * gain[:, None, :]
        self.p = self.p - both - np.swapaxes(both, 1, 2) + own

    # -- keeping ---------------------------------------------------------------------------------------

    def save(self) -> dict[str, bytes]:
        """All that changes, as bytes by name.

        Returns
        -------
        dict of str to bytes
        """
        return {
            name: np.ascontiguousarray(getattr(owner, name)).tobytes()
            for owner in (self, self.credibility)
            for name in owner.STATE
        }

    def load(self, saved: Mapping[str, bytes]) -> None:
        """Go on from what a filter of the same make saved.

        Parameters
        ----------
        saved : mapping of str to bytes
        """
        for owner in (self, self.credibility):
            for name in owner.STATE:
                now = getattr(owner, name)
                setattr(owner, name, np.frombuffer(saved[name], dtype=now.dtype).reshape(now.shape).copy())


def wall_mean(x: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Mean through the wall and its standard uncertainty.

    Parameters
    ----------
    x : array, shape (z, m)
        State.
    p : array, shape (z, m, m)
        Covariance.

    Returns
    -------
    mean, u : array, shape (z,)
        [°C]
    """
    nodes = slice(OUTER, INNER + 1)
    variance = np.einsum("i,zij,j->z", THROUGH, p[:, nodes, nodes], THROUGH)
    return x[:, nodes] @ THROUGH, np.sqrt(np.maximum(variance, 0.0))
