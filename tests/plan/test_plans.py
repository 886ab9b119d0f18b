from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from logger.plan import Plan, PlanError, Probe, from_document
from logger.plan import library as plans
from logger.plan.library import PlanTaken, StoreError

PLAN = Plan(title="Six jars, invented", probes=(Probe("coals", "k0", height_cm=0, zone="under"),))


def test_a_stored_plan_comes_back_equal(tmp_path: Path) -> None:
    plans.save_plan(tmp_path, "six-jars", PLAN)
    assert plans.load_plan(tmp_path, "six-jars") == PLAN
    [listed] = plans.list_plans(tmp_path)
    assert (listed.name, listed.plan, listed.trouble) == ("six-jars", PLAN, "")


def test_no_plan_is_replaced_unasked(tmp_path: Path) -> None:
    plans.save_plan(tmp_path, "six-jars", PLAN)
    other = replace(PLAN, target_c=800.0)
    with pytest.raises(PlanTaken, match="already exists"):
        plans.save_plan(tmp_path, "six-jars", other)
    assert plans.load_plan(tmp_path, "six-jars") == PLAN
    plans.save_plan(tmp_path, "six-jars", other, replace=True)
    assert plans.load_plan(tmp_path, "six-jars") == other


def test_removed_is_gone(tmp_path: Path) -> None:
    plans.save_plan(tmp_path, "six-jars", PLAN)
    plans.delete_plan(tmp_path, "six-jars")
    assert plans.list_plans(tmp_path) == []
    with pytest.raises(StoreError, match="there is no plan of this name"):
        plans.load_plan(tmp_path, "six-jars")
    with pytest.raises(StoreError, match="there is no plan of this name"):
        plans.delete_plan(tmp_path, "six-jars")


@pytest.mark.parametrize(
    "name",
    [
        "",
        *[".", "..", "../x", "a/b", "/etc/passwd", "a\\b", "A", "a.b", "-a", "a-", "ä"],
        "a\n",
        "a" * 61,
        "a\0",
    ],
)
def test_no_name_reaches_another_path(tmp_path: Path, name: str) -> None:
    for act in (
        lambda: plans.load_plan(tmp_path, name),
        lambda: plans.save_plan(tmp_path, name, PLAN),
        lambda: plans.delete_plan(tmp_path, name),
    ):
        with pytest.raises(StoreError, match="can't be a plan's name"):
            act()
    assert list(tmp_path.rglob("*")) == []


@given(st.text())
def test_a_name_made_of_any_text_is_good_or_empty(text: str) -> None:
    name = plans.name_for(text)
    assert not name or plans._path(Path("home"), name).parent == Path("home/plans")


def test_names_of_titles() -> None:
    assert plans.name_for("Six cooking jars, level ground") == "six-cooking-jars-level-ground"
    assert plans.name_for("Krüge & Töpfe №2") == "kruge-topfe-no2"
    assert plans.name_for("…") == ""


def test_a_failed_write_leaves_the_old_plan_and_no_draft(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plans.save_plan(tmp_path, "six-jars", PLAN)

    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match="No space left"):
        plans.save_plan(tmp_path, "six-jars", replace(PLAN, target_c=900.0), replace=True)
    assert plans.load_plan(tmp_path, "six-jars") == PLAN
    assert [p.name for p in (tmp_path / "plans").iterdir()] == ["six-jars.toml"]


def test_a_file_that_is_not_a_plan_is_listed_with_the_reason(tmp_path: Path) -> None:
    plans.save_plan(tmp_path, "good", PLAN)
    (tmp_path / "plans" / "bad.toml").write_text("target_c = 'hot'\n")
    (tmp_path / "plans" / "Not one of ours.toml").write_text("")
    by_name = {p.name: p for p in plans.list_plans(tmp_path)}
    assert set(by_name) == {"good", "bad"}
    assert by_name["bad"].plan is None
    assert "line 1: target_c" in by_name["bad"].trouble


def test_the_packing_list_starts_with_the_usual_and_is_then_ones_own(tmp_path: Path) -> None:
    assert [item for item, _ in plans.read_kit(tmp_path)] == list(plans.FIRST_KIT)
    plans.write_kit(tmp_path, [("rake", True), ("water", False)])
    assert plans.read_kit(tmp_path) == [("rake", True), ("water", False)]
    assert (tmp_path / "packing_list.txt").read_text() == "[x] rake\n[ ] water\n"
    (tmp_path / "packing_list.txt").write_text("by hand\n\n[X] tongs\n")
    assert plans.read_kit(tmp_path) == [("by hand", False), ("tongs", True)]
    plans.write_kit(tmp_path, [])
    assert plans.read_kit(tmp_path) == []


@pytest.mark.parametrize(
    ("items", "why"),
    [
        ([("", False)], "empty"),
        ([("a\nb", False)], "one line"),
        ([("x" * 121, False)], "longer"),
        ([("x", False)] * 101, "more than"),
    ],
)
def test_a_wrong_packing_list_is_refused_whole(
    tmp_path: Path, items: list[tuple[str, bool]], why: str
) -> None:
    with pytest.raises(StoreError, match=why):
        plans.write_kit(tmp_path, items)
    assert not (tmp_path / "packing_list.txt").exists()


@pytest.mark.parametrize(
    ("doc", "field", "what"),
    [
        ({"target_c": 5000}, "target_c", "out of range; give a number from 100 to 1400"),
        ({"alarm": {"coal_collapse": {"drop_c": 1}}}, "alarm.coal_collapse.drop_c", "from 20 to 300 °C"),
        ({"probe": [{"name": "a"}, {"name": "A"}]}, "probe.1.name", "already a probe's name"),
        ({"probe": [{"name": "a", "height_cm": "up"}]}, "probe.0.height_cm", "not a number"),
        ({"burnout_c": 800, "target_c": 700}, "burnout_c", "above target_c"),
    ],
)
def test_a_refusal_names_its_field(doc: dict[str, object], field: str, what: str) -> None:
    with pytest.raises(PlanError, match=what) as caught:
        from_document(doc)
    assert caught.value.field == field
    assert what in caught.value.what
    assert not caught.value.what.startswith("plan")
