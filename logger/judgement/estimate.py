"""What the pots are at: each zone's wall temperature with a band, from probes, physics and spot readings.

An estimate, never a measurement: it rests on the model in `logger.judgement.zone_filter`. Probes whose zone
has none that can be believed live on their neighbours and on spot readings, and the band says so.

References
----------
.. [1] JCGM 100:2008 (GUM), table G.1: a band of 90 % is 1.645 standard uncertainties on either side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import msgspec
import numpy as np

from logger.judgement.credibility import Bools
from logger.judgement.zone_filter import ALIVE_S, wall_mean
from logger.judgement.zone_layout import ZoneLayout, median
from logger.judgement.zone_model import INNER, OUTER, Model
from logger.physics.uncertainty import COVERAGE
from logger.physics.wall import profile
from logger.plan import Plan
from logger.reading import Bytes, Floats, Status

BAND: Final = COVERAGE[0.90]
SPOT_S: Final = 900.0
"""A spot reading counts as what an estimate stands on for this long. [s]"""
CONSISTENT_S: Final = 600.0
"""How long a zone's probes must have been believed without a break before it counts as consistent. [s]"""
DOUBTFUL_S: Final = 120.0
"""A zone whose probes have said nothing credible for so long is no longer consistent. [s]"""

Basis = Literal["probe", "spot", "neighbours", "nothing"]


@dataclass(frozen=True, slots=True)
class ZoneEstimate:
    """What a zone's pots are at. Estimated, not measured.

    Attributes
    ----------
    wall_c, lo_c, hi_c : float
        Mean through the wall, and the band that should hold it nine times in ten. [°C]
    surface_c, surface_lo_c, surface_hi_c : float
        The same of the outer face. [°C]
    inside_lag_c : float
        Outer face less inner face. [°C]
    steepest_c_mm : float
        Steepest gradient in the wall. [°C/mm]
    basis : {'probe', 'spot', 'neighbours', 'nothing'}
        The best that it stands on now: a probe of its own that can be believed; a spot reading of the last
        15 min; other zones; or only what was known before.
    consistent : bool
        Its own probes have been believed for 10 min on end, never since been disbelieved for 2 min, and the
        last spot reading, if there was one, fell where it was expected.
    """

    wall_c: float
    lo_c: float
    hi_c: float
    surface_c: float
    surface_lo_c: float
    surface_hi_c: float
    inside_lag_c: float
    steepest_c_mm: float
    basis: Basis
    consistent: bool


class Estimator:
    """Estimates every zone's wall temperature reading by reading.

    Parameters
    ----------
    plan : Plan
        Zones are those of its probes that don't read coals.
    model : Model, optional
        Its `wall` should be that of the pots, where known: `Model.of_wall`.
    lag_s : mapping of str to float, optional
        Time constants by probe, from the cold check. [s]
    extra_zones : sequence of str, optional
        Zones that have no probe, only spot readings and neighbours.
    step_s : float, default 1
        Readings are taken together over this time (their median), so the estimate is up to a step old. It
        does not matter how readings are cut into batches. [s]
    """

    def __init__(
        self,
        plan: Plan,
        *,
        model: Model | None = None,
        lag_s: Mapping[str, float] | None = None,
        extra_zones: Sequence[str] = (),
        step_s: float = 1.0,
    ) -> None:
        self.model = model or Model()
        self._step_s = step_s
        self._layout = ZoneLayout(plan, extra_zones, lag_s or {})
        self.zones = self._layout.zones
        self._filter = self._layout.filter(self.model)
        self._t_s: float | None = None
        self._pending: list[tuple[float, Floats]] = []
        self._spot_s = np.full(len(self.zones), -np.inf)
        self._spot_fits = np.ones(len(self.zones), dtype=np.bool_)
        self._believed_s = np.zeros(len(self.zones))
        self._doubted_s = np.zeros(len(self.zones))
        self._proved = np.zeros(len(self.zones), dtype=np.bool_)

    def push(self, t_s: float | Floats, temperature_c: Floats, status: Bytes) -> None:
        """Take readings, in the order of the plan's probes.

        Parameters
        ----------
        t_s : float or array, shape (n,)
            Seconds since the firing's first reading, ascending. [s]
        temperature_c : array, shape (k,) or (n, k)
            [°C]
        status : uint8 array of the same shape
            Only `Status.OK` counts.

        Raises
        ------
        ValueError
            Not as many columns as the plan has probes.
        """
        times = np.atleast_1d(np.asarray(t_s, dtype=np.float64))
        rows = np.where(np.asarray(status) == Status.OK, temperature_c, np.nan).reshape(len(times), -1)
        if rows.shape[1] != self._layout.columns:
            raise ValueError(f"{rows.shape[1]} columns, but the plan has {self._layout.columns} probes")
        for t, row in zip(times.tolist(), rows, strict=True):
            if self._pending and t // self._step_s != self._pending[0][0] // self._step_s:
                self._flush()
            self._pending.append((t, row))

    def spot(self, t_s: float, zone: str, temperature_c: float, u_c: float) -> None:
        """Take a spot reading of a zone's surface.

        Parameters
        ----------
        t_s : float
            When it was taken; may be some minutes ago. [s]
        zone : str
        temperature_c : float
            Corrected for emissivity and reflection (`infrared.corrected_c`). [°C]
        u_c : float
            Its standard uncertainty (`uncertainty.infrared_budget`), above 0. [°C]

        Raises
        ------
        ValueError
            No such zone, or a value that is no number.
        """
        if zone not in self.zones:
            raise ValueError(f"no zone {zone!r} to estimate; there are {', '.join(self.zones) or 'none'}")
        if not (np.isfinite(temperature_c) and u_c > 0):
            raise ValueError(f"spot of {temperature_c!r} °C ± {u_c!r}: give numbers, the second above 0")
        z = self.zones.index(zone)
        if self._t_s is None:
            self._filter.start(np.full(self._layout.lag_s.shape, np.nan))
            self._t_s = t_s
        # The wall has moved on since: carry the spot with it, less surely.
        moved_c = float(self._filter.rate_c_s[z]) * max(self._t_s - t_s, 0.0)
        u = float(np.hypot(u_c, moved_c / 2))
        expected = self._filter.x[z, OUTER]
        sigma = float(np.hypot(np.sqrt(self._filter.p[z, OUTER, OUTER]), u))
        self._spot_fits[z] = abs(temperature_c + moved_c - expected) < 2.6 * sigma
        self._filter.spot(z, temperature_c + moved_c, u)
        self._spot_s[z] = max(t_s, self._spot_s[z])

    def state(self, t_s: float | None = None) -> dict[str, ZoneEstimate]:
        """Give the estimate by zone.

        Parameters
        ----------
        t_s : float, optional
            Look ahead to this time, for when readings stay away; nothing is kept of it. [s]

        Returns
        -------
        dict of str to ZoneEstimate
            Empty before the first reading.
        """
        if self._t_s is None:
            return {}
        now, filter_ = self._t_s, self._filter
        if t_s is not None and t_s > now + 1:
            filter_ = self._layout.filter(self.model)
            filter_.load(self._filter.save())
            filter_.predict(t_s - now)
            now = t_s
        wall, wall_u = wall_mean(filter_.x, filter_.p)
        outer, outer_u = filter_.x[:, OUTER], np.sqrt(filter_.p[:, OUTER, OUTER])
        through = profile(filter_.x[:, OUTER : INNER + 1], self.model.wall)
        live: Bools = np.any(filter_.silent_s < ALIVE_S, axis=1)
        return {
            zone: ZoneEstimate(
                wall_c=float(wall[z]),
                lo_c=float(wall[z] - BAND * wall_u[z]),
                hi_c=float(wall[z] + BAND * wall_u[z]),
                surface_c=float(outer[z]),
                surface_lo_c=float(outer[z] - BAND * outer_u[z]),
                surface_hi_c=float(outer[z] + BAND * outer_u[z]),
                inside_lag_c=float(through.inside_lag_c[z]),
                steepest_c_mm=float(through.steepest_c_mm[z]),
                basis=self._basis(z, live, now),
                consistent=bool(self._proved[z] and self._spot_fits[z]),
            )
            for z, zone in enumerate(self.zones)
        }

    def snapshot(self) -> bytes:
        """State as bytes, for `restore`.

        Returns
        -------
        bytes
        """
        return msgspec.msgpack.encode(
            {
                "version": 2,
                "zones": self.zones,
                "looks": self._layout.looks,
                "t_s": self._t_s,
                "pending": [(t, row.tobytes()) for t, row in self._pending],
                "spot_s": self._spot_s.tobytes(),
                "spot_fits": self._spot_fits.tobytes(),
                "believed_s": self._believed_s.tobytes(),
                "doubted_s": self._doubted_s.tobytes(),
                "proved": self._proved.tobytes(),
                "filter": self._filter.save(),
            }
        )

    @classmethod
    def restore(
        cls,
        plan: Plan,
        snapshot: bytes,
        *,
        model: Model | None = None,
        lag_s: Mapping[str, float] | None = None,
        extra_zones: Sequence[str] = (),
        step_s: float = 1.0,
    ) -> Estimator:
        """Go on from a snapshot: the same readings then give the same estimates.

        Parameters
        ----------
        plan, model, lag_s, extra_zones, step_s
            As the estimator was made with.
        snapshot : bytes

        Returns
        -------
        Estimator

        Raises
        ------
        ValueError
            The snapshot belongs to other zones or probes.
        """
        self = cls(plan, model=model, lag_s=lag_s, extra_zones=extra_zones, step_s=step_s)
        try:
            doc = msgspec.msgpack.decode(snapshot)
            same = (
                doc["version"] == 2
                and tuple(doc["zones"]) == self.zones
                and doc["looks"] == self._layout.looks
            )
        except (msgspec.DecodeError, KeyError, TypeError) as exc:
            raise ValueError("not an estimator's snapshot; start afresh") from exc
        if not same:
            raise ValueError("a snapshot of other zones or probes; start afresh")
        self._t_s = doc["t_s"]
        self._pending = [(t, np.frombuffer(row)) for t, row in doc["pending"]]
        self._spot_s = np.frombuffer(doc["spot_s"]).copy()
        self._spot_fits = np.frombuffer(doc["spot_fits"], dtype=np.bool_).copy()
        self._believed_s = np.frombuffer(doc["believed_s"]).copy()
        self._doubted_s = np.frombuffer(doc["doubted_s"]).copy()
        self._proved = np.frombuffer(doc["proved"], dtype=np.bool_).copy()
        self._filter.load(doc["filter"])
        return self

    def _flush(self) -> None:
        """Work in the step that is complete."""
        rows = np.stack([row for _, row in self._pending])
        t = self._pending[-1][0]
        self._pending = []
        reading = self._layout.spread(median(rows))
        if self._t_s is None:
            self._filter.start(reading)
            dt = 1.0
        else:
            dt = max(t - self._t_s, 1e-3)
            self._filter.predict(dt)
        self._t_s = t
        self._filter.update(reading, dt)
        known = np.isfinite(reading) & self._filter.is_probe
        believed = (self._filter.silent_s < ALIVE_S).any(axis=1)
        off = (self._filter.credibility.off & known).any(axis=1)
        self._believed_s = np.where(believed & ~off, self._believed_s + dt, 0.0)
        self._doubted_s = np.where(believed, 0.0, self._doubted_s + dt)
        self._proved |= self._believed_s >= CONSISTENT_S
        self._proved &= self._doubted_s < DOUBTFUL_S

    def _basis(self, zone: int, live: Bools, now_s: float) -> Basis:
        if live[zone]:
            return "probe"
        if now_s - self._spot_s[zone] <= SPOT_S:
            return "spot"
        return "neighbours" if live.any() else "nothing"
