"""Which readings are believed: each rule by itself, with the wall and the expected readings held."""

from __future__ import annotations

import numpy as np

from logger.judgement.credibility import AGREED_S, AGREED_WALL_S, STUCK_S, Credibility
from logger.reading import Floats


def feed(
    credibility: Credibility,
    rows: Floats,
    *,
    wall_c: float = 650.0,
    says_c: float | None = None,
    dt_s: float = 1.0,
) -> Floats:
    """One zone with all probes; the model expects `says_c` (or what the row says) of each."""
    out = []
    for row in np.atleast_2d(rows):
        says = np.where(np.isnan(row), wall_c, row) if says_c is None else np.full(row.shape, says_c)
        believed = credibility.judge(
            row[None, :],
            dt_s,
            np.array([wall_c]),
            np.array([15.0]),
            says[None, :],
            np.full((1, len(row)), 20.0),
        )
        out.append(believed[0])
    return np.array(out)


def make(*walls: bool) -> Credibility:
    return Credibility(np.array([walls]), np.ones((1, len(walls)), dtype=np.bool_))


def flicker(n: int, level: float, columns: int = 1) -> Floats:
    return level + np.random.default_rng(2).normal(0, 8, (n, columns))


def test_a_flickering_bead_is_believed_all_along() -> None:
    assert feed(make(False), flicker(300, 700.0)).all()


def test_a_fast_climb_is_believed() -> None:
    """100 °C a minute, from cold: as fast as an open fire goes (common practice, no source)."""
    rows = (20 + np.arange(400) * 100 / 60)[:, None]
    credibility = make(False, True)
    for row in rows:
        now = np.array([[row[0] + 60, row[0]]])
        believed = credibility.judge(now, 1.0, row, np.array([10.0]), now, np.full((1, 2), 10.0))
        assert believed.all()


def test_a_jump_puts_a_probe_off_until_it_has_agreed_for_a_while() -> None:
    credibility = make(False)
    feed(credibility, flicker(60, 700.0), says_c=700.0)
    assert not feed(credibility, np.full((1, 1), 480.0), says_c=700.0).any()
    # Back where it was: the running mean has to settle first, then 20 s of agreement.
    after = feed(credibility, flicker(120, 700.0), says_c=700.0)[:, 0]
    back = int(np.argmax(after))
    assert AGREED_S <= back < AGREED_S + 40
    assert after[back:].all()


def test_a_probe_on_a_wall_has_to_agree_for_longer() -> None:
    credibility = make(True)
    feed(credibility, flicker(60, 650.0), says_c=650.0)
    feed(credibility, np.full((1, 1), 480.0), says_c=650.0)
    after = feed(credibility, flicker(300, 650.0), says_c=650.0)[:, 0]
    assert AGREED_WALL_S <= int(np.argmax(after)) < AGREED_WALL_S + 40


def test_what_lies_in_the_cold_stays_off() -> None:
    credibility = make(False, False, False)
    rows = flicker(900, 700.0, 3)
    rows[100:, 0] = 60 + 640 * np.exp(-np.arange(800) / 30.0)
    believed = feed(credibility, rows, says_c=700.0)
    assert not believed[115:, 0].any()
    assert believed[:, 1:].all()


def test_where_most_fall_it_is_the_fire() -> None:
    credibility = make(False, False, False)
    rows = flicker(400, 700.0, 3)
    rows[100:] -= 350.0
    believed = feed(credibility, rows, says_c=700.0)
    assert not believed[101].any()
    assert believed[200:].all()


def test_a_value_that_sticks_is_left_out_only_when_it_is_hot() -> None:
    hot = feed(make(False), np.full((60, 1), 655.25))[:, 0]
    assert hot[: int(STUCK_S)].all()
    assert not hot[int(STUCK_S) + 1 :].any()
    assert feed(make(False), np.full((60, 1), 21.5), wall_c=21.0).all()


def test_a_slow_rig_sticks_after_as_long() -> None:
    """One reading in 5 s while others come every second: time counts, not readings."""
    credibility = make(False, False)
    rows = flicker(100, 700.0, 2)
    rows[:, 0] = np.nan
    rows[::5, 0] = 655.25
    believed = feed(credibility, rows)
    first_out = next(i for i in range(0, 100, 5) if not believed[i, 0])
    assert STUCK_S <= first_out <= STUCK_S + 5
    assert believed[:, 1].all()


def test_nothing_there_is_nothing_to_believe() -> None:
    assert not feed(make(False), np.full((10, 1), np.nan)).any()
    empty = Credibility(np.array([[False]]), np.array([[False]]))
    assert not feed(empty, np.full((10, 1), 700.0)).any()
