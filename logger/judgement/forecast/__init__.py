"""Where each zone is heading at the present rate: burn-out, target, and when it will have cooled."""

from logger.judgement.forecast.arrivals import PAST_ROWS, Arrival, Forecast, forecast

__all__ = ("PAST_ROWS", "Arrival", "Forecast", "forecast")
