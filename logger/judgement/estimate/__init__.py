"""The pots' own temperature: each zone's wall with a band, from probes, bounded physics and gun readings."""

from logger.judgement.estimate.pots import Pots
from logger.judgement.estimate.shown import estimate_data, estimate_table
from logger.judgement.estimate.spots import surface_of_spot
from logger.judgement.estimate.zones import EstimateRow, ZoneEstimate, zones_of_pots

__all__ = (
    "EstimateRow",
    "Pots",
    "ZoneEstimate",
    "estimate_data",
    "estimate_table",
    "surface_of_spot",
    "zones_of_pots",
)
