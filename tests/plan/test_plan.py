"""Plans: what interfaces promise of the file, and that mistakes are refused where they are."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.plan import (
    LETTERS,
    MAX_TOML,
    Clay,
    Plan,
    PlanError,
    Probe,
    assign_probes,
    default_alarms,
    guess_reads,
    load,
    loads,
    mistakes,
)
from logger.plan.alarm_rules import RULES

JARS = """
title = "Six cooking jars, level ground"
target_c = 780        # every zone should reach it
burnout_c = 650
soak_min = 10

[[probe]]
name = "coals"
channel = "k0"
height_cm = 0
side = "centre"
reads = "coals"
zone = "under"
type = "K"

[[probe]]
name = "top"
height_cm = 45
reads = "air"
zone = "upper"

[alarm.coal_collapse]
enabled = false
"""


def test_reads_a_plan_file(tmp_path: Path) -> None:
    path = tmp_path / "jars.toml"
    path.write_text(JARS, encoding="utf-8")
    plan = load(path)
    assert plan.title == "Six cooking jars, level ground"
    assert (plan.target_c, plan.burnout_c, plan.soak_min) == (780.0, 650.0, 10.0)
    assert plan.zones == ("under", "upper")
    coals, top = plan.probes
    assert (coals.channel, coals.height_cm, coals.reads, coals.letter) == ("k0", 0.0, "coals", "K")
    assert top.channel == "top", "a channel left out is the probe's name"
    assert plan.alarms["coal_collapse"]["enabled"] is False
    assert plan.alarms["stalled_zone"]["enabled"] is True, "a table left out keeps its defaults"


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xef\xbb\xbf" + JARS.encode())
    assert load(path).zones == ("under", "upper")


def test_every_rule_of_the_interface_is_there_with_documented_settings() -> None:
    assert list(RULES) == [
        *("coal_collapse", "stalled_zone", "heating_too_fast", "cooling_too_fast", "spread_too_wide"),
        *("over_temperature", "probe_fault", "rig_silent", "beacon_failed", "target_reached", "soak_done"),
    ]
    for rule in RULES.values():
        for setting in rule.settings:
            assert setting.minimum <= setting.default <= setting.maximum
            assert setting.doc.strip()


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (("target_c = 780", "target_c = 7800"), 3, "target_c: 7800 is out of range; give a number from 100 to"),
        (("target_c = 780", "target = 780"), 3, "target: unknown key; known here: title, target_c"),
        (("target_c = 780", 'target_c = "hot"'), 3, "'hot' is not a number"),
        (("target_c = 780", "target_c = nan"), 3, "not a number"),
        (("burnout_c = 650", "burnout_c = 790"), 4, "above target_c"),
        (('reads = "coals"', 'reads = "coal"'), 12, "probe[1].reads: 'coal' won't do; give one of air, coals, surface, wall"),
        (('type = "K"', 'type = "Q"'), 14, "'Q' won't do; give one of B, E, J"),
        (('name = "top"', 'name = "Coals"'), 17, "probe[2].name: 'Coals' is already"),
        (('name = "top"', 'name = "top"\nchannel = "k0"'), 18, "already belongs to probe 'coals'"),
        (('name = "top"', "name = 3"), 17, "is not text"),
        (('name = "top"', 'name = "time_s"'), 17, "time column"),
        (('name = "top"', 'name = "t\\nop"'), 17, "control character"),
        (("[alarm.coal_collapse]", "[alarm.coal_colapse]"), 22, "no such rule; the rules are coal_collapse"),
        (("enabled = false", "enabled = 0"), 23, "alarm.coal_collapse.enabled: 0 won't do; give true or false"),
        (("enabled = false", "delay = 3"), 23, "alarm.coal_collapse.delay: unknown key; known here: enabled"),
        (("zone = \"upper\"", 'zone = "upper"\ncorrection = [[0, 80]]'), 21, "is a fault, not a correction"),
    ],
)  # fmt: skip
def test_a_mistake_is_refused_with_its_line_and_the_mend(
    change: tuple[str, str], line: int, words: str
) -> None:
    assert change[0] in JARS
    with pytest.raises(PlanError) as caught:
        loads(JARS.replace(*change, 1), source="jars.toml")
    assert str(caught.value).startswith(f"jars.toml line {line}: ")
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ("probe = 3", "write [[probe]] above each probe"),
        ('[[probe]]\nreads = "air"', "line 1: probe[1].name: is missing; give text"),
        ('[[probe]]\nname = " "', "probe[1].name: is empty"),
        ('[[probe]]\nname = "a"\ntolerance_class = 4', "4 won't do; give one of 1, 2, 3"),
        ('[[probe]]\nname = "a"\ncorrection = 3', "give one or two pairs of [reading, truth]"),
        ('[[probe]]\nname = "a"\ncorrection = [3]', "give one or two pairs of [reading, truth]"),
        ('[[probe]]\nname = "a"\ncorrection = [[0, 1], [5, 6]]', "less than 10 °C apart"),
        ("alarm = 3", "write [alarm.RULE] above"),
        ("alarm.coal_collapse = 3", "write [alarm.coal_collapse] above"),
        ('[[source]]\nformat = "telex"', "source[1].format: "),
        ("a." * 200 + "b = 1", "a key with too many parts"),
        ("#" * (MAX_TOML + 1), "this is not a plan"),
        ("target_c = 1" + "0" * 400, "out of range; give a number from 100 to 1400 °C"),
        ("target_c = 1" + "0" * 5000, "thousands of digits"),
        ("title = " + "[" * 2000 + "]" * 2000, "nested too deep"),
        ("\n".join(f'[[probe]]\nname = "p{n}"' for n in range(65)), "more than 64 probes; leave some out"),
        ('title = "' + "a" * 5000 + '"', "characters; shorten it"),
        ("title = 'x'\ntarget_c = = 3\n", "plan: not valid TOML: Invalid value (at line 2"),
        ("estimate = 3", "line 1: estimate: must be a table"),
        ('[estimate]\njudge_on = "clay"', "line 2: estimate.judge_on: zones are judged by their probes"),
        ("[estimate]\njudge_on = true", "line 2: estimate.judge_on: zones are judged by their probes"),
        (
            "[estimate]\nwall_mm = 0.6",
            "line 2: estimate.wall_mm: 0.6 is out of range; give a number from 2 to",
        ),
        ('[estimate]\nwall_mm = "thin"', "line 2: estimate.wall_mm: 'thin' is not a number"),
        ('[estimate]\nzones = "lee"', "line 2: estimate.zones: 'lee' won't do; give a list of at most"),
        ("[estimate]\nzones = [3]", "line 2: estimate.zones[1]: 3 is not text"),
        ('[estimate]\nzones = [""]', "line 2: estimate.zones[1]: is empty"),
        ("[estimate]\nclay = 3", "line 2: estimate.clay: unknown key; known here: wall_mm, zones"),
    ],
)
def test_anything_not_shaped_like_a_plan_is_refused_with_the_fix(toml: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        loads(toml)
    assert words in str(caught.value)


def test_what_is_known_of_the_pots() -> None:
    assert loads('title = "Invented"').clay == Clay(wall_mm=None, zones=())
    plan = loads('[estimate]\nwall_mm = 6\nzones = ["windward", " lee ", "windward"]\n')
    assert plan.clay == Clay(6.0, ("windward", "lee"))


def test_plans_that_were_judged_by_the_estimate_are_refused_but_old_firings_open() -> None:
    text = 'title = "Old, invented"\n[estimate]\njudge_on = "estimate"\nwall_mm = 6\n'
    with pytest.raises(PlanError, match=r"line 3: estimate\.judge_on: zones are judged by their probes"):
        loads(text)
    assert loads(text, stored=True).clay == Clay(6.0)
    assert loads(text.replace('"estimate"', '"probes"')).clay == Clay(6.0), "what is so anyhow is no mistake"


def test_every_mistake_is_found_at_once_and_a_file_names_the_first_line() -> None:
    text = """
soak_min = 900
[alarm.rig_silent]
after_s = 1
[[probe]]
name = "a"
height_cm = 5000
type = "Q"
[[probe]]
reads = "air"
[[probe]]
name = "b"
[[probe]]
name = "B"
"""
    fields = {
        "soak_min",
        "alarm.rig_silent.after_s",
        "probe.0.height_cm",
        "probe.0.type",
        "probe.1.name",
        "probe.3.name",
    }
    assert {exc.field for exc in mistakes(tomllib.loads(text))} == fields
    with pytest.raises(PlanError, match="line 2: soak_min"):
        loads(text)


@pytest.mark.parametrize("rule", RULES.values(), ids=lambda r: r.name)
def test_each_setting_keeps_its_range(rule) -> None:
    for setting in rule.settings:
        for value in (setting.minimum, setting.maximum):
            plan = loads(f"[alarm.{rule.name}]\n{setting.name} = {value}\n")
            assert plan.alarms[rule.name][setting.name] == value
        with pytest.raises(PlanError, match=rf"line 2: alarm\.{rule.name}\.{setting.name}: .*out of range"):
            loads(f"[alarm.{rule.name}]\n{setting.name} = {setting.maximum + 1}\n")


def test_a_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"gone\.toml: No such file"):
        load(tmp_path / "gone.toml")
    path = tmp_path / "latin.toml"
    path.write_bytes("title = 'Töpfe'".encode("latin-1"))
    with pytest.raises(PlanError, match="not UTF-8"):
        load(path)


_names = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1, max_size=20)
_probes = st.builds(
    Probe,
    name=_names.filter(lambda n: n != "time_s"),
    channel=_names,
    rig=st.none() | _names,
    height_cm=st.none() | st.floats(-200, 1000),
    side=st.just("") | _names,
    reads=st.sampled_from(["coals", "air", "wall", "surface"]),
    zone=_names,
    letter=st.none() | st.sampled_from(LETTERS),
    cold_junction=st.none() | _names,
    tolerance_class=st.sampled_from([1, 2, 3]),
    correction=st.just(()) | st.just(((0.5, 0.0),)) | st.just(((0.5, 0.0), (101.0, 99.5))),
)


@given(
    st.lists(_probes, max_size=6, unique_by=(lambda p: p.name.casefold(), lambda p: p.channel)),
    st.floats(100, 1400),
    st.booleans(),
    st.builds(Clay, st.none() | st.floats(2, 50), st.lists(_names, unique=True, max_size=4).map(tuple)),
)
def test_what_is_written_reads_back_equal(
    probes: list[Probe], target_c: float, enabled: bool, clay: Clay
) -> None:
    alarms = default_alarms()
    alarms["coal_collapse"]["enabled"] = enabled
    given = {"target_c": target_c, "burnout_c": 100.0, "soak_min": 3, "clay": clay}
    plan = Plan(title="Invented", probes=tuple(probes), alarms=alarms, **given)
    assert loads(plan.dumps()) == plan


@given(st.text(max_size=200))
def test_any_text_is_a_plan_or_a_plan_error(text: str) -> None:
    with contextlib.suppress(PlanError):
        assert isinstance(loads(text), Plan)


def test_without_a_plan_each_channel_is_a_probe_and_a_zone_of_its_own_name() -> None:
    names = ["coals", "upper air", "pot wall", "ir0"]
    probes = assign_probes(None, [("a", name) for name in names])
    assert [p.name for p in probes] == [p.zone for p in probes] == names
    assert [p.reads for p in probes] == ["coals", "air", "wall", "surface"]
    assert [p.letter for p in probes] == ["K", "K", "K", None]


@pytest.mark.parametrize(
    ("name", "reads"),
    [("Under", "coals"), ("coal_bed", "coals"), ("bedside", "air"), ("third", "air"), ("IR1", "surface")],
)
def test_what_a_probe_reads_is_guessed_from_whole_words(name: str, reads: str) -> None:
    assert guess_reads(name) == reads


def test_two_rigs_with_the_same_channel_names() -> None:
    plan = Plan(probes=(Probe("low", "k0", rig="b"), Probe("high", "k1")))
    seen = [("a", "k0"), ("b", "k0"), ("a", "k1"), ("b", "k1")]
    assert [p.name for p in assign_probes(plan, seen)] == ["k0", "low", "high", "k1"]
    assert [p.name for p in assign_probes(None, seen)] == ["k0", "b k0", "k1", "b k1"]


def test_plans_are_values() -> None:
    with pytest.raises(AttributeError):
        Plan().target_c = 3  # type: ignore[misc]
