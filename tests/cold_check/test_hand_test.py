"""Which probe is in the hand, and whether it rises: made-up tracks, a row each second."""

from __future__ import annotations

import numpy as np
import pytest

from logger.cold_check.hands import watch_hands
from logger.reading import Floats

N = 120


def cold(k: int = 4, seed: int = 1) -> Floats:
    return 18.0 + np.random.default_rng(seed).normal(0, 0.2, (N, k))


def warmed(at: int = 40, held: int = 12, by_c: float = 10.0, lag_s: float = 4.0) -> Floats:
    """What a hand adds to a tip, second by second. [°C]"""
    t = np.arange(N) - float(at)
    up = 1 - np.exp(-np.clip(t, 0, held) / lag_s)
    return np.where(t < 0, 0.0, by_c * up * np.exp(-np.clip(t - held, 0, None) / lag_s))


def tried(c: Floats) -> list[str]:
    return [hand.tried for hand in watch_hands(c)]


def test_untouched_probes_have_not_been_tried() -> None:
    hands = watch_hands(cold())
    assert [h.tried for h in hands] == [""] * 4
    assert [h.moving for h in hands] == [""] * 4
    assert [h.still_c for h in hands] == pytest.approx([18.0] * 4, abs=0.3)


def test_the_one_in_the_hand_is_the_one_that_rises() -> None:
    c = cold()
    c[:, 2] += warmed()
    assert [h.moving for h in watch_hands(c[:46])] == ["", "", "rising", ""]
    assert tried(c) == ["", "", "rose", ""]


@pytest.mark.parametrize("k", [1, 2, 5])
def test_a_swapped_one_falls(k: int) -> None:
    c = cold(k)
    c[:, 0] -= warmed()
    assert watch_hands(c[:46])[0].moving == "falling"
    assert tried(c) == ["fell", *[""] * (k - 1)]


def test_a_slow_sheathed_probe_is_seen_too() -> None:
    c = cold()
    c[:, 1] += warmed(held=40, lag_s=30.0)
    assert tried(c) == ["", "rose", "", ""]


def test_a_tip_that_was_warm_at_the_beginning_is_not_called_swapped() -> None:
    c = cold()
    c[:, 0] += 9.0 * np.exp(-np.arange(N) / 10.0)
    assert tried(c)[0] != "fell"


@pytest.mark.parametrize("held", [5, 20, 50])
def test_a_swapped_one_that_was_in_the_hand_at_the_beginning_does_not_pass_for_good(held: int) -> None:
    """Let go, it returns to its resting value, which proves nothing about its polarity."""
    c = cold()
    c[:, 0] -= 11.0 * np.exp(-np.clip(np.arange(N) - held, 0, None) / 5.0)
    assert tried(c)[0] != "rose"


def test_in_the_hand_at_the_beginning_and_let_go_it_is_at_rest() -> None:
    c = cold()
    c[:, 0] += 10.0 * np.exp(-np.clip(np.arange(N) - 8, 0, None) / 4.0)
    assert [h.moving for h in watch_hands(c[:60])] == [""] * 4


def test_warmed_before_it_had_rested_it_counts_once_it_is_back() -> None:
    c = cold()
    c[:, 0] += warmed(at=3, held=8)
    c[:, 1] -= warmed(at=3, held=8)
    assert tried(c) == ["rose", "fell", "", ""]


def test_a_morning_that_gets_warmer_is_no_hand() -> None:
    c = cold() + np.linspace(0, 4, N)[:, None]
    assert tried(c) == [""] * 4


def test_a_fire_that_is_lit_is_no_hand() -> None:
    c = cold() + np.clip(np.arange(N) - 40, 0, None)[:, None] * np.array([1.0, 0.8, 1.2, 0.9])
    assert tried(c) == [""] * 4


def test_gaps_and_silence() -> None:
    c = cold()
    c[:, 0] += warmed()
    c[::3, 0] = np.nan
    c[:, 1] = np.nan
    assert tried(c) == ["rose", "", "", ""]
    assert watch_hands(np.empty((0, 2)))[0].tried == ""


def test_noise_alone_tries_nothing() -> None:
    c = 18.0 + np.random.default_rng(3).normal(0, 1.0, (1800, 6))
    assert tried(c) == [""] * 6
