from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from logger.errors import UserError
from logger.plan import loads
from logger.simulator import simulate, simulate_scenario, write_csv, write_truth
from logger.simulator.demo import demo_scenario
from logger.simulator.drawn import draw


def test_seeds_differ_in_what_matters() -> None:
    drawn = [draw(seed) for seed in range(60)]
    assert {len(s.probes) for s in drawn} == set(range(3, 13))
    assert {s.pace for s in drawn} == {"bonfire", "stoked"}
    assert {"under", "lower", "upper", "windward", "leeward"} <= {
        p.probe.zone for s in drawn for p in s.probes
    }
    assert any(not (s.collapses or s.stalls or s.rains or s.faults) for s in drawn)
    for name in ("collapses", "stalls", "rains", "faults"):
        assert any(getattr(s, name) for s in drawn)


def test_every_zone_of_pots_has_a_thermocouple() -> None:
    for seed in range(60):
        scenario = draw(seed)
        read = {s.probe.zone for s in scenario.probes if s.probe.reads in ("air", "wall")}
        assert read == {zone.name for zone in scenario.zones}


def test_plan_is_a_plan_and_marked_as_invented() -> None:
    firing = simulate(7, rate_hz=0.2)
    assert firing.plan.title == "Invented firing, seed 7"
    assert loads(firing.plan.dumps()) == firing.plan
    assert "nvented" in demo_scenario().title


def test_same_seed_with_and_without_mishaps_is_the_same_load() -> None:
    calm, any_ = draw(5, mishaps="none"), draw(5)
    assert calm.zones == any_.zones
    assert calm.probes == any_.probes


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"seed": -1}, "seed -1"),
        ({"seed": 1, "probes": 2}, "3 to 12"),
        ({"seed": 1, "probes": 13}, "3 to 12"),
        ({"seed": 1, "mishaps": {"earthquake"}}, "earthquake"),
        ({"seed": 1, "rate_hz": 51}, "0.05 to 50"),
        ({"seed": 1, "rate_hz": float("nan")}, "0.05 to 50"),
    ],
)
def test_what_it_cannot_do_is_refused(arguments: dict[str, object], said: str) -> None:
    with pytest.raises(UserError, match=said):
        simulate(**arguments)  # type: ignore[arg-type]


def test_csv_has_a_column_a_probe_and_blanks_where_there_was_no_reading(tmp_path: Path) -> None:
    firing = simulate_scenario(demo_scenario(), rate_hz=0.5)
    write_csv(firing, tmp_path / "fire.csv")
    rows = list(csv.reader((tmp_path / "fire.csv").read_text(encoding="utf-8").splitlines()))
    assert rows[0] == ["time_s", *(p.name for p in firing.plan.probes)]
    assert [float(r[0]) for r in rows[1:]] == firing.t_s.tolist()
    read = np.array([[float(v) if v else np.nan for v in r[1:]] for r in rows[1:]])
    np.testing.assert_allclose(read, firing.temperature_c, atol=0.0051)
    assert np.isnan(read).any()


def test_truth_file_is_json(tmp_path: Path) -> None:
    firing = simulate(2, rate_hz=0.2)
    write_truth(firing, tmp_path / "truth.json")
    assert json.loads((tmp_path / "truth.json").read_text(encoding="utf-8")) == firing.truth


def test_demo_shows_one_of_each() -> None:
    firing = simulate_scenario(demo_scenario(), rate_hz=0.5)
    truth = firing.truth
    assert 100 <= truth["duration_s"] / 60 <= 140
    assert [s["stage"] for s in truth["stages"]] == ["drying", "climb", "peak", "burn_down", "cooling"]
    assert {"armload", "gust", "rake_out"} <= {e["kind"] for e in truth["events"]}
    assert {m["kind"] for m in truth["mishaps"]} == {"coal_collapse", "probe_fault"}
    assert truth["crossing_s"] is not None
    reads = [p.reads for p in firing.plan.probes]
    assert reads.count("surface") == 1
    assert len(reads) == 8


def test_file_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    firing = simulate(2, rate_hz=0.1)
    (tmp_path / "folder").mkdir()
    for write in (write_csv, write_truth):
        with pytest.raises(UserError, match="folder"):
            write(firing, tmp_path / "folder")
    assert [p.name for p in tmp_path.iterdir()] == ["folder"]
