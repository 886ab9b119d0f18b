"""The cold check on an invented rig's lines, from bytes to findings; its limits worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from msgspec import structs

from logger.cold_check.judge import FAIL_AT, PLACE_C, WARN_AT, check_order, check_readings
from logger.cold_check.look import Report, about_machine, hands_of
from logger.conversion.assembler import Assembler
from logger.diagnosis.finding import Finding
from logger.errors import UserError
from logger.plan import Plan, Probe
from logger.reading import Batch, Channel, Frame, Sample, Status
from logger.rig_line.wire import decode
from logger.simulator.demo import demo_scenario
from logger.simulator.wiring import wired_plan
from tests.cold_frames import ColdFrames

PLAN = wired_plan(demo_scenario().plan())
ROUND_S = 15.0 * 9


def heard(plan: Plan | None = PLAN, seconds: float = ROUND_S, **faults: object) -> list[Batch]:
    rig = ColdFrames(demo_scenario(), 4, "sim1", **faults)  # type: ignore[arg-type]
    frames = [(decode(rig.line(i)), round(i / 4 * 1e6)) for i in range(round(seconds * 4))]
    return Assembler(plan).take(frames)


def found(plan: Plan | None = PLAN, seconds: float = ROUND_S, **faults: object) -> list[Finding]:
    batches = heard(plan, seconds, **faults)
    return [*check_readings(plan, batches, hands_of(batches)), *check_order(batches)]


def failing(findings: list[Finding]) -> set[tuple[str, str]]:
    return {(f.what, f.where) for f in findings if f.level == "fail"}


def looks(findings: list[Finding]) -> set[str]:
    return {f.what for f in findings if f.level == "warn"}


def test_a_good_rig_whose_tips_were_all_warmed_passes_everything() -> None:
    findings = found()
    assert {f.level for f in findings} == {"pass"}, findings
    whats = {f.what for f in findings}
    assert whats == {"channels", "noise", "agreement", "cold_junction", "polarity", "frames", "clock"}


def test_nobody_has_warmed_a_tip() -> None:
    findings = found(hand_s=0, seconds=30)
    assert Report(findings).fit
    assert looks(findings) == {"polarity"}


@pytest.mark.parametrize("channel", ["k0", "k3", "k5", "k6"])
def test_swapped_wires_show_when_the_tip_is_warmed(channel: str) -> None:
    name = next(p.name for p in PLAN.probes if p.channel == channel)
    assert ("polarity", name) in failing(found(swapped=[channel]))


def test_plain_degrees_come_from_wires_too() -> None:
    """A rig that computes °C itself still has wires to swap; an infrared sensor has none."""
    batches = [
        replace(
            batch,
            channels=tuple(
                replace(c, kind="celsius", amp=None, letter=None) if c.name == "k3" else c
                for c in batch.channels
            ),
        )
        for batch in heard(swapped=["k3"])
    ]
    name = next(p.name for p in PLAN.probes if p.channel == "k3")
    findings = check_readings(PLAN, batches, hands_of(batches))
    assert ("polarity", name) in failing(findings)


@pytest.mark.parametrize("off_c", [-12.0, 12.0])
def test_a_probe_that_is_off_disagrees_with_the_others(off_c: float) -> None:
    assert failing(found(off_c={"k3": off_c})) >= {("agreement", "windward air")}
    assert all(where == "windward air" for _, where in failing(found(off_c={"k3": off_c})))


@pytest.mark.parametrize("channel", ["k0", "k1", "k2", "k4", "k5"])
def test_a_loose_wire(channel: str) -> None:
    name = next(p.name for p in PLAN.probes if p.channel == channel)
    findings = found(loose=[channel])
    assert failing(findings) == {("fault", name)}
    assert any("terminal" in f.mend for f in findings if f.what == "fault")


def test_what_the_plan_names_and_what_comes() -> None:
    more = structs.replace(PLAN, probes=(*PLAN.probes, Probe("upper back", "k9")))
    assert failing(found(more)) == {("channels", "upper back")}
    fewer = structs.replace(PLAN, probes=PLAN.probes[1:])
    [extra] = [f for f in found(fewer) if f.what == "channels"]
    assert (extra.level, extra.where) == ("warn", "k0")
    assert "not judged" in extra.text
    assert looks(found(None)) == {"channels"}
    assert failing(check_readings(PLAN, [], {})) >= {("channels", "rig")}


def batch(
    values: np.ndarray, *, amp: str = "max31855", cold_c: float = 20.0, status: Status = Status.OK
) -> Batch:
    n, k = values.shape
    t = np.arange(n, dtype=np.int64)
    good = np.where(np.isnan(values), np.uint8(Status.OPEN), np.uint8(status))
    return Batch(
        rig="a1",
        channels=tuple(Channel(f"k{j}", "word", amp, "K") for j in range(k)),
        t_us=t * 500_000,
        seq=t,
        ms=t * 500,
        raw=values,
        raw_cj=np.full(values.shape, np.nan),
        temperature_c=values,
        cold_junction_c=np.full(values.shape, cold_c),
        status=good,
    )


def judged(read: Batch) -> list[Finding]:
    return check_readings(None, [read], {})


def level_of(off_c: float) -> str:
    values = np.full((60, 9), 20.0)
    values[:, 4] += off_c
    [finding] = [f for f in judged(batch(values)) if f.what == "agreement"]
    return finding.level


def test_the_limit_of_agreement_is_what_a_hand_calculation_gives() -> None:
    """Type K class 2 is ±2.5 °C at 20 °C (IEC 60584-1, table of tolerances); MAX31855 ±2 °C and its cold
    junction ±2 °C (datasheet, from memory); rectangular limits and their sum by JCGM 100:2008, 4.3.7 and 5.1.2.
    """
    one = np.sqrt((2.5**2 + 2.0**2 + 2.0**2) / 3)
    u = np.sqrt(one**2 + PLACE_C**2 + one**2 / 8)  # eight others around it
    for sign in (-1, 1):
        assert level_of(sign * (WARN_AT * u - 0.05)) == "pass"
        assert level_of(sign * (WARN_AT * u + 0.05)) == "warn"
        assert level_of(sign * (FAIL_AT * u - 0.05)) == "warn"
        assert level_of(sign * (FAIL_AT * u + 0.05)) == "fail"


def drawn_rig(rng: np.random.Generator, off_c: float) -> Batch:
    """Eight probes anywhere within their limits, in different places; the first is off by something more."""
    limits = (2.5, 2.0, 2.0)  # class 2, amplifier, cold junction [°C]
    level = 18 + sum(rng.uniform(-a, a, 8) for a in limits) + rng.normal(0, PLACE_C, 8)
    level[0] += off_c
    made = batch(level + rng.normal(0, 0.2, (40, 8)))
    return replace(made, cold_junction_c=np.full((40, 8), 18 + rng.uniform(0, 4)))


@pytest.mark.slow
def test_good_rigs_pass_and_a_probe_that_is_far_off_is_found() -> None:
    """The limits hold what they promise: few false calls (3.5 % of 200 rigs, measured), few misses at 15 °C."""
    rng = np.random.default_rng(11)

    def failing_of(off_c: float, rigs: int) -> list[set[str]]:
        return [{w for _, w in failing(judged(drawn_rig(rng, off_c)))} for _ in range(rigs)]

    assert sum(bool(found) for found in failing_of(0.0, 80)) <= 8
    assert sum("k0" in found for found in failing_of(15.0, 40) + failing_of(-15.0, 40)) >= 72


def test_two_probes_that_disagree_are_both_named() -> None:
    values = np.full((60, 2), 20.0)
    values[:, 1] += 20.0
    assert {w for _, w in failing(judged(batch(values)))} >= {"k0", "k1"}


def test_a_warm_stack_can_not_be_checked() -> None:
    assert ("cold", "k0") in failing(judged(batch(np.full((60, 3), 80.0))))


def test_a_fire_is_reported_once_and_nothing_hot_is_judged() -> None:
    hot = np.full((60, 5), 640.0) + np.arange(5) * 30
    hot[:, 4] = 22.0  # outside the stack
    findings = judged(batch(hot))
    assert failing(findings) == {("fire", "cold check")}
    assert {f.level for f in findings} == {"fail"}
    assert "730 °C" in findings[0].text
    said = Report([Finding("pass", "clock", "rig", "it runs"), *findings]).text()
    assert said.splitlines()[0].startswith("NOT FIT  cold check: a fire is burning")
    assert said.splitlines()[-1] == "The cold check can't judge a rig while a fire is burning."
    # A broken probe is still reported.
    broken = batch(hot)
    broken.status[:, 2] = Status.OPEN
    assert "fault" in {f.what for f in judged(broken)}
    # One tip in hot water among cold ones is no fire.
    one = np.full((60, 5), 20.0)
    one[:, 0] = 101.0
    assert failing(judged(batch(one))) == {("cold", "k0")}


def test_a_box_in_the_sun() -> None:
    findings = judged(batch(np.full((60, 3), 20.0), cold_c=34.0))
    assert {w for w, _ in failing(findings)} == {"cold_junction"}
    hot = judged(batch(np.full((60, 3), 20.0), cold_c=55.0))
    assert any("55 °C" in f.text for f in hot if f.what == "cold_junction")


def test_a_probe_that_mirrors_the_others_about_its_cold_junction_has_swapped_wires() -> None:
    values = np.full((60, 5), 20.0)
    values[:, 2] = 2 * 30.0 - 20.0  # a box at 30 °C: swapped wires add what they should take away
    findings = judged(batch(values, cold_c=30.0))
    assert any(f.where == "k2" and "swap its two wires" in f.mend for f in findings)


@pytest.mark.parametrize(("sd", "level"), [(0.3, "pass"), (1.8, "warn"), (5.0, "fail")])
def test_noise(sd: float, level: str) -> None:
    values = np.full((120, 3), 20.0)
    values[:, 1] += np.random.default_rng(2).normal(0, sd, 120)
    told = {f.level for f in judged(batch(values)) if f.what == "noise" and "k1" in f.where}
    assert (told or {"pass"}) == {level}


def test_a_loose_screw_jumps() -> None:
    values = np.full((120, 3), 20.0)
    values[[20, 50, 51, 90], 1] += 15.0
    assert ("noise", "k1") in failing(judged(batch(values)))


def test_open_now_and_then_is_no_pass() -> None:
    values = np.full((120, 3), 20.0)
    values[[30, 70], 1] = np.nan
    [finding] = [f for f in judged(batch(values)) if f.what == "fault"]
    assert finding.where == "k1"
    assert "2 of 120 readings" in finding.text


def test_a_rig_whose_counter_and_clock_are_wrong() -> None:
    def order(step: int, ms: int) -> set[str]:
        frames = [(Frame("a1", i * step, i * ms, {"k0": Sample(c=20.0)}), i * 500_000) for i in range(60)]
        return {f.what for f in check_order(Assembler(None).take(frames)) if f.level == "fail"}

    assert order(1, 500) == set()
    assert order(2, 500) == {"frames"}
    assert order(1, 550) == {"clock"}


def test_no_such_channel() -> None:
    with pytest.raises(UserError, match="k77: no such channel"):
        ColdFrames(demo_scenario(), 4, "sim1", swapped=["k77"])


def supply(power: Path, name: str, **words: str) -> None:
    (power / name).mkdir(parents=True)
    for key, word in words.items():
        (power / name / key).write_text(word + "\n")


@pytest.mark.parametrize(
    ("capacity", "online", "level"),
    [("95", "0", "pass"), ("50", "0", "warn"), ("20", "0", "fail"), ("20", "1", "pass")],
)
def test_the_machines_battery(tmp_path: Path, capacity: str, online: str, level: str) -> None:
    supply(tmp_path, "BAT0", type="Battery", capacity=capacity, status="Discharging")
    supply(tmp_path, "AC", type="Mains", online=online)
    supply(tmp_path, "mouse", type="Battery", scope="Device", capacity="5")
    [battery] = [f for f in about_machine(tmp_path, tmp_path) if f.what == "battery"]
    assert battery.level == level


def test_a_machine_without_a_battery_passes(tmp_path: Path) -> None:
    findings = about_machine(tmp_path / "not" / "there", tmp_path / "none")
    assert {f.what for f in findings} == {"disk", "clock"}


def test_what_fails_comes_first() -> None:
    report = Report([Finding("pass", "a", "x", "good"), Finding("fail", "b", "y", "bad", "mend it")])
    assert not report.fit
    assert report.text().splitlines()[:2] == ["NOT FIT  y: bad", "         -> mend it"]
    assert report.as_dict()["findings"][0]["level"] == "fail"


def test_too_few_readings_are_reported_not_judged() -> None:
    """A rig that leaves a channel out of most frames: what isn't there is no fault."""
    values = np.full((200, 2), 20.0)
    one = batch(values)
    status = one.status.copy()
    status[5:, 1] = Status.ABSENT
    findings = judged(replace(one, status=status))
    [said] = [f for f in findings if f.what == "fault" and f.level != "pass"]
    assert (said.level, said.where, said.text) == ("warn", "k1", "only 5 readings")
