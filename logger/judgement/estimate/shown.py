"""The estimate as JSON: one zone's state, and a whole firing as a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from logger.judgement.estimate.pots import ROW_S
from logger.judgement.estimate.zones import EstimateRow, ZoneEstimate
from logger.plan import Plan


def estimate_data(zone: ZoneEstimate) -> dict[str, Any]:
    """A zone's estimate as JSON; `kind` says that it is not a measurement."""
    return {
        "kind": "estimated",
        "estimate_c": round(zone.wall_c, 1),
        "low_c": round(zone.lo_c, 1),
        "high_c": round(zone.hi_c, 1),
        "surface_c": round(zone.surface_c, 1),
        "inside_lag_c": round(zone.inside_lag_c, 1),
        "steepest_c_mm": round(zone.steepest_c_mm, 2),
        "basis": zone.basis,
        "consistent": zone.consistent,
    }


def estimate_table(plan: Plan, rows: Sequence[EstimateRow], duration_s: float) -> dict[str, Any]:
    """A firing's estimate on an even grid: `time_s` 0, 10, 20 …, and by zone `c`, `low_c` and `high_c`.

    These are the mean temperature of the pots' walls and its 90 % band, null where there is none.
    """
    zones = tuple(dict.fromkeys([*plan.zones, *plan.clay.zones]))
    n = int(duration_s // ROW_S) + 1
    lines: dict[str, dict[str, list[float | None]]] = {
        zone: {name: [None] * n for name in ("c", "low_c", "high_c")} for zone in zones
    }
    for row in rows:
        i = int(row.t_s // ROW_S)
        for zone, told in row.zones.items() if i < n else ():
            for name, value in (("c", told.wall_c), ("low_c", told.lo_c), ("high_c", told.hi_c)):
                lines[zone][name][i] = round(value, 1)
    return {"time_s": [float(ROW_S * i) for i in range(n)], "zones": lines}
