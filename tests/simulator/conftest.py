from __future__ import annotations

from typing import Any

import pytest

from logger.simulator.demo import demo_scenario
from logger.simulator.drawn import draw
from logger.simulator.fire import Fire
from logger.simulator.probes import read
from logger.simulator.scenario import Scenario
from logger.simulator.truth import reachable_target_c, tell
from tests.burnt import burnt
from tests.long_form import times

SEEDS = range(times(20, 50))


@pytest.fixture(scope="session")
def clean_firings() -> list[tuple[Scenario, Fire]]:
    """Firings with nothing wrong: fifty in the long form. Burning one takes a second."""
    scenarios = [draw(seed, mishaps="none") for seed in SEEDS]
    return [(scenario, burnt(scenario)) for scenario in scenarios]


@pytest.fixture(scope="session")
def clean_truths(clean_firings: list[tuple[Scenario, Fire]]) -> list[dict[str, Any]]:
    """What really happened in the same firings."""
    return [
        tell(fire, scenario, read(fire, scenario, 0.2), reachable_target_c(fire, scenario))
        for scenario, fire in clean_firings
    ]


@pytest.fixture(scope="session")
def demo_fire() -> Fire:
    return burnt(demo_scenario())
