"""A reading's own uncertainty: put together by hand, and over a firing's traces."""

from __future__ import annotations

import numpy as np
import pytest

from logger.journal.bands import ReadingBand, reading_bands
from logger.journal.traces import Column, Traces
from logger.plan import Probe
from logger.reading import Status


def test_put_together_by_hand() -> None:
    """GUM 5.1.2 and 4.3.7: type K, class 2 at 600 °C is ± 0.75 % (IEC 60584-1), amplifier ± 2, cold junction ± 2.

    The cold junction counts by the Seebeck coefficients at 25 and 600 °C: 40.5 and 42.5 µV/°C (NIST ITS-90).
    """
    limits = np.array([0.0075 * 600, 2.0, 2.0 * 40.5 / 42.5])
    still = 1.645 * np.sqrt(((limits / np.sqrt(3)) ** 2).sum())
    band = ReadingBand(Probe("a", "a"))
    assert band.at(600.0, 0.0) == pytest.approx(still, abs=0.05)
    # 60 °C a minute with a lag of 9 s: behind by up to 9 °C.
    moving = 1.645 * np.hypot(still / 1.645, 9.0 / np.sqrt(3))
    assert band.at(600.0, 1.0) == pytest.approx(moving, abs=0.05)
    assert band.at(600.0, -1.0) == band.at(600.0, 1.0)


@pytest.mark.parametrize(
    "probe",
    [
        Probe("a", "a"),
        Probe("w", "w", reads="wall", letter="N"),
        Probe("s", "s", reads="surface", letter=None),
    ],
    ids=lambda p: p.reads,
)
def test_one_reading_gets_what_an_array_gets(probe: Probe) -> None:
    band = ReadingBand(probe)
    values = np.linspace(-50, 1500, 301)
    together = band.half_width_c(values, np.full(301, 0.4))
    assert np.allclose([band.at(c, 0.4) for c in values], together, rtol=1e-9)
    assert band.at(-500.0, 0.0) > 0
    assert band.at(5000.0, 0.0) > 0


def test_over_traces_it_follows_the_rate_and_ends_where_readings_end() -> None:
    t_s = np.arange(0.0, 300.0)
    value = np.where(t_s < 150, 100.0, 100.0 + (t_s - 150) * 2.0)
    value[50:60] = np.nan
    column = Column(Probe("a", "a"), "rig", "a")
    traces = Traces((column, column))
    traces.add(
        (t_s * 1e6).astype(np.int64), value, np.where(np.isnan(value), Status.OPEN, 0).astype(np.uint8)
    )
    traces.add(np.array([5], np.int64), np.array([20.0]), np.zeros(1, np.uint8))
    bands, lone = reading_bands(traces)
    assert np.array_equal(np.isnan(bands), np.isnan(value))
    still, moving = ReadingBand(column.probe).at(100.0, 0.0), ReadingBand(column.probe).at(300.0, 2.0)
    assert bands[20] == pytest.approx(still)
    assert bands[250] == pytest.approx(moving, abs=0.2)
    assert lone[0] == pytest.approx(ReadingBand(column.probe).at(20.0, 0.0))


def test_a_better_class_is_surer_and_a_gun_is_less_sure_than_a_couple() -> None:
    one, two = ReadingBand(Probe("a", "a", tolerance_class=1)), ReadingBand(Probe("a", "a"))
    gun = ReadingBand(Probe("s", "s", reads="surface", letter=None))
    assert one.at(700.0, 0.0) < two.at(700.0, 0.0) < gun.at(700.0, 0.0)
