"""What comes of each zone as it is going: burn-out, target, and when it will have cooled."""

from logger.judgement.forecast.arrivals import PAST_ROWS, Arrival, Forecast, forecast

__all__ = ("PAST_ROWS", "Arrival", "Forecast", "forecast")
