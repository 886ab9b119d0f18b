"""Check values from the trade: one firing from start to finish. Common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from logger.judgement.judge import Judge
from logger.judgement.verdicts import LoadVerdict
from tests.judgement.crude import lines, plan, raised, run

#                under  low  belly  windward  neck
A = [280.0, 200.0, 150.0, 120.0, 80.0]
B = [400.0, 250.0, 300.0, 450.0, 495.0]
C = [550.0, 700.0, 700.0, 700.0, 700.0]
E = [750.0, 800.0, 800.0, 795.0, 800.0]
D = [710.0, 690.0, 640.0, 600.0, 600.0]
F = [710.0, 781.0, 579.0, 540.0, 503.0]
G = [550.0, 330.0, 280.0, 240.0, 220.0]

# Pots over coals; wood flames; pots hot; wood crumbled too early; an armload; coals; coals pulled away.
KNOTS = [
    (0.0, [200.0, 20.0, 20.0, 20.0, 20.0]),
    (1800.0, A),
    (2000.0, B),
    (2500.0, C),
    (2600.0, C),
    (2800.0, D),
    (3000.0, E),
    (3200.0, E),
    (3900.0, F),
    (4500.0, F),
    (5100.0, G),
]


@pytest.fixture(scope="module")
def seen() -> dict[str, LoadVerdict]:
    t_s, values = lines(KNOTS)
    judge = Judge(plan())
    verdicts: dict[str, LoadVerdict] = {}
    start = 0
    for name, end in (
        ("a", 1800),
        ("b", 2000),
        ("c", 2580),
        ("d", 2800),
        ("e", 3200),
        ("f", 4500),
        ("g", 5100),
    ):
        judge.push(t_s[start:end], values[start:end], np.zeros((end - start, 5), np.uint8))
        verdicts[name] = judge.verdict()
        start = end
    return verdicts


@pytest.mark.parametrize(
    ("check", "stages", "leading"),
    [
        ("a", ("drying",), "bottom"),
        ("b", ("climb",), "top"),
        ("c", ("climb", "peak"), "top"),
        ("d", ("burn_down",), "bottom"),
        ("e", ("peak", "climb"), "bottom"),
        ("f", ("burn_down",), "bottom"),
        ("g", ("cooling",), "bottom"),
    ],
)
def test_stage_and_leading_end(
    seen: dict[str, LoadVerdict], check: str, stages: tuple[str, ...], leading: str
) -> None:
    assert seen[check].stage in stages
    if check not in ("c", "e"):  # nearly even: neither leads
        assert seen[check].leading == leading


def test_neck_below_burn_out_is_not_done_whatever_the_probe_below_says(seen: dict[str, LoadVerdict]) -> None:
    verdict = seen["f"]
    assert verdict.coldest == "upper"
    assert "upper" in verdict.line
    levels = {z.zone: z.level_c for z in verdict.zones}
    low, neck = levels["lower"], levels["upper"]
    assert low is not None
    assert neck is not None
    assert low - neck >= 200.0
    assert "below burn-out" in verdict.line
    assert not all(not z.missing for z in verdict.zones)


def test_a_stagnant_neck_stalls_when_it_never_got_there() -> None:
    knots = [KNOTS[0], (1800.0, A), (2000.0, B), (2400.0, F), (2900.0, F)]
    t_s, values = lines(knots)
    events = run(Judge(plan()), t_s, values)
    assert {e.data["zone"] for e in raised(events, "stalled_zone")} >= {"upper", "middle"}
    assert "lower" not in {e.data["zone"] for e in raised(events, "stalled_zone")}
    verdict_zone = raised(events, "stalled_zone")[0].data
    assert verdict_zone["advice"]
    assert verdict_zone["cause"]
    assert verdict_zone["consequence"]


def test_coals_only_never_lead_or_must_reach_target(seen: dict[str, LoadVerdict]) -> None:
    for verdict in seen.values():
        under = next(z for z in verdict.zones if z.zone == "under")
        assert under.coals
        assert not under.missing
        assert verdict.coldest != "under"
