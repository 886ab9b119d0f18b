"""What the pots are at: each zone's wall temperature with a band, from probes, bounded physics and spots."""

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
