"""Thermocouple functions against NIST's printed tables, a general-purpose library and exact arithmetic."""

from __future__ import annotations

from decimal import Decimal, localcontext

import numpy as np
import pytest
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as st

from logger.physics import thermocouple
from logger.physics.its90 import PIECES, Piece
from logger.physics.thermocouple import (
    INVERSE_ERROR_C,
    LETTERS,
    SINGLE_VALUED_FROM_C,
    compensated_temperature_c,
    emf_uv,
    range_c,
    slope_uv_per_c,
    temperature_c,
    tolerance_c,
)

# Burns et al., NIST Monograph 175 (1993), and NIST Standard Reference Database 60, the printed tables of each
# type: °C: mV against a cold junction at 0 °C.
NIST_TABLES_MV = {
    "B": """
        0: 0.000  10: -0.002  21: -0.003  43: 0.000  50: 0.002  100: 0.033  200: 0.178
        250: 0.291  300: 0.431  400: 0.787  500: 1.242  600: 1.792  630: 1.975  631: 1.981
        700: 2.431  800: 3.154  900: 3.957  1000: 4.834  1100: 5.780  1200: 6.786  1300: 7.848
        1400: 8.956  1500: 10.099  1600: 11.263  1700: 12.433  1800: 13.591  1820: 13.820
    """,
    "E": """
        -270: -9.835  -250: -9.718  -200: -8.825  -150: -7.279  -100: -5.237  -50: -2.787  -10: -0.582
        0: 0.000  25: 1.495  50: 3.048  100: 6.319  200: 13.421  300: 21.036  400: 28.946
        500: 37.005  600: 45.093  700: 53.112  800: 61.017  900: 68.787  1000: 76.373
    """,
    "J": """
        -210: -8.095  -200: -7.890  -150: -6.500  -100: -4.633  -50: -2.431  0: 0.000  25: 1.277
        50: 2.585  100: 5.269  200: 10.779  300: 16.327  400: 21.848  500: 27.393  600: 33.102
        700: 39.132  760: 42.919  761: 42.983  800: 45.494  900: 51.877  1000: 57.953  1100: 63.792
        1200: 69.553
    """,
    "K": """
        -270: -6.458  -250: -6.404  -200: -5.891  -150: -4.913  -100: -3.554  -50: -1.889  -10: -0.392
        0: 0.000  25: 1.000  50: 2.023  100: 4.096  127: 5.206  150: 6.138  200: 8.138
        300: 12.209  400: 16.397  500: 20.644  573: 23.757  600: 24.905  650: 27.025  700: 29.129
        750: 31.213  780: 32.453  800: 33.275  900: 37.326  1000: 41.276  1100: 45.119  1200: 48.838
        1300: 52.410  1372: 54.886
    """,
    "N": """
        -270: -4.345  -250: -4.313  -200: -3.990  -150: -3.336  -100: -2.407  -50: -1.269  0: 0.000
        25: 0.659  50: 1.340  100: 2.774  200: 5.913  300: 9.341  400: 12.974  500: 16.748
        600: 20.613  700: 24.527  800: 28.455  900: 32.371  1000: 36.256  1100: 40.087  1200: 43.846
        1300: 47.513
    """,
    "R": """
        -50: -0.226  -25: -0.123  0: 0.000  25: 0.141  50: 0.296  100: 0.647  200: 1.469
        300: 2.401  400: 3.408  500: 4.471  600: 5.583  700: 6.743  800: 7.950  900: 9.205
        1000: 10.506  1064: 11.361  1065: 11.375  1100: 11.850  1200: 13.228  1300: 14.629  1400: 16.040
        1500: 17.451  1600: 18.849  1664: 19.732  1665: 19.746  1700: 20.222  1768: 21.101
    """,
    "S": """
        -50: -0.236  -25: -0.127  0: 0.000  25: 0.143  50: 0.299  100: 0.646  200: 1.441
        300: 2.323  400: 3.259  500: 4.233  600: 5.239  700: 6.275  800: 7.345  900: 8.449
        1000: 9.587  1064: 10.332  1065: 10.344  1100: 10.757  1200: 11.951  1300: 13.159  1400: 14.373
        1500: 15.582  1600: 16.777  1664: 17.530  1665: 17.542  1700: 17.947  1768: 18.693
    """,
    "T": """
        -270: -6.258  -250: -6.180  -200: -5.603  -150: -4.648  -100: -3.379  -50: -1.819  -10: -0.383
        0: 0.000  25: 0.992  50: 2.036  100: 4.279  150: 6.704  200: 9.288  250: 12.013
        300: 14.862  350: 17.819  400: 20.872
    """,
}

PRINTED = [
    (letter, float(t), float(mv))
    for letter, rows in NIST_TABLES_MV.items()
    for t, mv in (
        entry.split(": ") for line in rows.strip().splitlines() for entry in line.strip().split("  ")
    )
]


def invertible_range_c(letter: str) -> tuple[float, float]:
    low_c, high_c = range_c(letter)
    return SINGLE_VALUED_FROM_C.get(letter, low_c), high_c


@pytest.mark.parametrize(("letter", "t", "mv"), PRINTED)
def test_emf_rounds_to_the_printed_table(letter: str, t: float, mv: float) -> None:
    assert emf_uv(letter, t) / 1e3 == pytest.approx(mv, rel=0, abs=0.0005)  # printed to 0.001 mV


@pytest.mark.parametrize(("letter", "t", "mv"), PRINTED)
def test_temperature_of_the_printed_emf(letter: str, t: float, mv: float) -> None:
    low_c, high_c = invertible_range_c(letter)
    if not low_c + 1 < t < high_c - 1 or slope_uv_per_c(letter, t) < 1:
        return  # the printed emf is rounded past the end, or to nothing
    half_digit_c = 0.5 / slope_uv_per_c(letter, t)
    assert temperature_c(letter, mv * 1e3) == pytest.approx(
        t, rel=0, abs=half_digit_c * 1.05 + INVERSE_ERROR_C
    )


def test_every_type_is_in_the_tables() -> None:
    assert set(LETTERS) == set(NIST_TABLES_MV) == set("BEJKNRST")
    assert len(PRINTED) == sum(rows.count(":") for rows in NIST_TABLES_MV.values())


@pytest.mark.parametrize("letter", LETTERS)
def test_forward_agrees_with_a_general_purpose_library(letter: str) -> None:
    """thermocouple-its90 (PyPI), whose coefficients were taken from NIST's files independently."""
    reference = thermocouple_its90.get(letter)
    assert reference.range == range_c(letter)
    t = np.linspace(*range_c(letter), 3001)
    expected = np.array([reference.emf(x) * 1e3 for x in t])
    np.testing.assert_allclose(emf_uv(letter, t), expected, rtol=0, atol=1e-6)
    expected = np.array([reference.seebeck(x) * 1e3 for x in t])
    np.testing.assert_allclose(slope_uv_per_c(letter, t), expected, rtol=0, atol=1e-6)


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_agrees_with_a_general_purpose_library(letter: str) -> None:
    """thermocouple-its90 (PyPI) inverts by Newton's method; type B only above 0.291 mV."""
    reference = thermocouple_its90.get(letter)
    low_uv, high_uv = (1e3 * x for x in reference.invertible_emf_range)
    e = np.linspace(low_uv + 1e-6, high_uv - 1e-6, 1501)
    if letter == "B":
        e = e[e < emf_uv("B", 1819.99)]  # the library's own end is the printed one, above the function's
    expected = np.array([reference.temperature(x / 1e3) for x in e])
    np.testing.assert_allclose(temperature_c(letter, e), expected, rtol=0, atol=INVERSE_ERROR_C)
    few = e[::100]
    np.testing.assert_allclose(temperature_c(letter, few), expected[::100], rtol=0, atol=INVERSE_ERROR_C)
    assert temperature_c(letter, float(e[700])) == pytest.approx(expected[700], rel=0, abs=INVERSE_ERROR_C)


def exact_emf_and_slope(piece: Piece, t: Decimal) -> tuple[Decimal, Decimal]:
    """Monograph 175's equation in 50 digits, mV."""
    e = s = Decimal(0)
    for c in reversed([Decimal(repr(c)) for c in piece.polynomial]):
        s = s * t + e
        e = e * t + c
    if piece.exponential is not None:
        a0, a1, a2 = (Decimal(repr(a)) for a in piece.exponential)
        bell = a0 * (a1 * (t - a2) ** 2).exp()
        e += bell
        s += 2 * a1 * (t - a2) * bell
    return e, s


def exact_temperature(letter: str, emf: float, start_c: float) -> float:
    """Newton's method in 50 digits."""
    t = Decimal(repr(start_c))
    for _ in range(60):
        piece = next(p for p in PIECES[letter] if t <= Decimal(repr(p.high_c)) or p is PIECES[letter][-1])
        e, s = exact_emf_and_slope(piece, t)
        step = (e - Decimal(emf) / 1000) / s
        t -= step
        if abs(step) < Decimal("1e-30"):
            break
    return float(t)


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_against_exact_arithmetic(letter: str) -> None:
    """Both ways through the tables, even where they are weakest: in the middle of the widest steps."""
    low_c, high_c = invertible_range_c(letter)
    t = np.concatenate(
        (
            np.linspace(low_c, min(low_c + 60, high_c), 61)[1:-1] + 0.313,
            np.linspace(low_c, high_c, 120)[1:-1],
            [p.high_c + d for p in PIECES[letter][:-1] for d in (-0.05, 0.05)],
        )
    )
    e = emf_uv(letter, t)
    with localcontext() as context:
        context.prec = 50
        exact = np.array([exact_temperature(letter, float(x), float(y)) for x, y in zip(e, t, strict=True)])
    # The forward function in float64 is exact but for rounding, which grows towards −270 °C.
    np.testing.assert_allclose(exact, t, rtol=0, atol=1e-6)
    assert t.size < thermocouple._FEW
    np.testing.assert_allclose(temperature_c(letter, e), exact, rtol=0, atol=INVERSE_ERROR_C)
    many = temperature_c(letter, np.tile(e, 3))
    np.testing.assert_allclose(many, np.tile(exact, 3), rtol=0, atol=INVERSE_ERROR_C)


@pytest.mark.parametrize("letter", LETTERS)
def test_inverse_on_a_dense_grid(letter: str) -> None:
    """Every stated range, ends included, by the table for many readings and by the one for few."""
    t = np.linspace(*invertible_range_c(letter), 200_001)
    e = emf_uv(letter, t)
    assert np.abs(temperature_c(letter, e) - t).max() < INVERSE_ERROR_C
    few = np.concatenate([temperature_c(letter, e[i : i + 199]) for i in range(0, t.size, 9973)])
    expected = np.concatenate([t[i : i + 199] for i in range(0, t.size, 9973)])
    assert np.abs(few - expected).max() < INVERSE_ERROR_C
    # At fire temperatures the answer comes from the fast table, not from the fallback.
    assert e[np.searchsorted(t, 330.0)] > thermocouple._inverse(letter).cell_from_uv


@pytest.mark.parametrize("letter", LETTERS)
def test_tables_are_made_of_the_exact_function(letter: str) -> None:
    inverse = thermocouple._inverse(letter)
    np.testing.assert_allclose(emf_uv(letter, inverse.node_c), inverse.node_uv, rtol=0, atol=2e-6)


@pytest.mark.parametrize("letter", LETTERS)
def test_few_and_many_readings_give_the_same(letter: str) -> None:
    """Otherwise a firing would read differently in a rehearsal than it did live."""
    low_c, high_c = invertible_range_c(letter)
    e = np.linspace(emf_uv(letter, low_c), emf_uv(letter, high_c), 20_001)
    many = temperature_c(letter, e)
    np.testing.assert_allclose(many[::50], temperature_c(letter, e[::50].copy()), rtol=0, atol=1e-9)
    assert many[7777] == pytest.approx(temperature_c(letter, float(e[7777])), rel=0, abs=1e-9)


def test_stated_error_is_within_what_the_project_promises() -> None:
    assert INVERSE_ERROR_C <= 0.001


@pytest.mark.parametrize("letter", LETTERS)
def test_ends_of_the_range(letter: str) -> None:
    low_c, high_c = range_c(letter)
    for beyond in (np.nextafter(low_c, -1e9), np.nextafter(high_c, 1e9), np.nan, np.inf, -np.inf):
        assert np.isnan(emf_uv(letter, float(beyond)))
        assert np.isnan(slope_uv_per_c(letter, float(beyond)))
    low_c, _ = invertible_range_c(letter)
    low_uv, high_uv = emf_uv(letter, low_c), emf_uv(letter, high_c)
    for end_uv, end_c in ((low_uv, low_c), (high_uv, high_c)):
        for rounding in (-1e-8, 0, 1e-8):
            assert temperature_c(letter, end_uv + rounding) == pytest.approx(end_c, rel=0, abs=1e-5)
    bad = np.array([low_uv - 1e-5, high_uv + 1e-5, np.nan, np.inf, -np.inf, 1e300])
    assert np.isnan(temperature_c(letter, bad)).all()
    for e in bad:
        assert np.isnan(temperature_c(letter, float(e)))


@pytest.mark.parametrize("letter", LETTERS)
def test_hotter_is_hotter(letter: str) -> None:
    """The inverse never turns back, not even where two cells or chunks meet."""
    low_c, high_c = invertible_range_c(letter)
    e = np.linspace(emf_uv(letter, low_c), emf_uv(letter, high_c), 300_001)
    assert (np.diff(temperature_c(letter, e)) > -1e-9).all()


def test_type_b_is_not_single_valued_near_room_temperature() -> None:
    t = np.linspace(0, 42.1, 400)
    assert (emf_uv("B", t) <= 0).all()
    assert np.isnan(temperature_c("B", emf_uv("B", t))).all()
    low_c = SINGLE_VALUED_FROM_C["B"]
    assert emf_uv("B", low_c) > 0
    assert emf_uv("B", low_c - 0.1) < 0


def test_bad_readings_among_many() -> None:
    """One NaN, one reading too cold for the cells and one too hot change nothing for the others."""
    t = np.linspace(-269, 1371, 50_000)
    e = emf_uv("K", t)
    e[[7, 20_000, 49_999]] = np.nan, 1e9, -7000.0
    got = temperature_c("K", e)
    bad = np.isnan(got)
    assert np.flatnonzero(bad).tolist() == [7, 20_000, 49_999]
    assert np.abs(got - t)[~bad].max() < INVERSE_ERROR_C


def test_shapes_and_types() -> None:
    assert isinstance(emf_uv("K", 25.0), float)
    assert isinstance(emf_uv("K", 25), float)
    assert isinstance(temperature_c("K", 1000.0), float)
    assert isinstance(temperature_c("K", np.float64(1000.0)), float)
    assert isinstance(compensated_temperature_c("K", 1000.0, 25.0), float)
    assert isinstance(tolerance_c("K", 1, 25.0), float)
    for shape in ((0,), (3,), (2, 3), (700, 3), (3, 0)):
        e = np.full(shape, 1000.0)
        assert temperature_c("K", e).shape == shape
        assert emf_uv("K", e).shape == shape
        assert compensated_temperature_c("K", e, np.full(shape, 25.0)).shape == shape
        assert tolerance_c("K", 1, e).shape == shape
    strided = np.linspace(0, 50_000, 3000).reshape(1000, 3)[:, 1]
    np.testing.assert_array_equal(temperature_c("K", strided), temperature_c("K", strided.copy()))
    single = np.linspace(0, 50_000, 3000, dtype=np.float32)
    np.testing.assert_array_equal(temperature_c("K", single), temperature_c("K", single.astype(np.float64)))


def test_input_is_left_as_it_was() -> None:
    e = np.linspace(0, 50_000, 3000)
    before = e.copy()
    temperature_c("K", e)
    emf_uv("K", e / 50)
    np.testing.assert_array_equal(e, before)


@pytest.mark.parametrize("function", [emf_uv, temperature_c, slope_uv_per_c])
def test_unknown_letter(function: object) -> None:
    with pytest.raises(ValueError, match="'X' isn't a thermocouple letter; use one of B, E, J"):
        function("X", 1.0)  # type: ignore[operator]


@given(data=st.data(), letter=st.sampled_from(LETTERS))
def test_round_trip(data: st.DataObject, letter: str) -> None:
    t = data.draw(st.floats(*invertible_range_c(letter)))
    assert temperature_c(letter, emf_uv(letter, t)) == pytest.approx(t, rel=0, abs=INVERSE_ERROR_C)


@given(data=st.data(), letter=st.sampled_from(LETTERS))
def test_round_trip_with_a_cold_junction(data: st.DataObject, letter: str) -> None:
    low_c, high_c = invertible_range_c(letter)
    t = data.draw(st.floats(low_c, high_c))
    junction = data.draw(st.floats(max(range_c(letter)[0], -40), 85))
    measured = emf_uv(letter, t) - emf_uv(letter, junction)
    got = compensated_temperature_c(letter, measured, junction)
    assert got == pytest.approx(t, rel=0, abs=INVERSE_ERROR_C + 1e-9)


@given(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(LETTERS))
def test_any_emf_gives_a_temperature_in_range_or_nan(e: float, letter: str) -> None:
    t = temperature_c(letter, e)
    low_c, high_c = invertible_range_c(letter)
    assert np.isnan(t) or low_c <= t <= high_c


def test_cold_junction_adds_emf_not_temperature() -> None:
    """NIST's tables, type K: 1.000 mV at 25 °C, 33.275 mV at 800 °C: a meter at 25 °C sees 32.275 mV."""
    got = compensated_temperature_c("K", 33275.0 - 1000.0, 25.0)
    assert got == pytest.approx(800, rel=0, abs=0.02)
    wrong = temperature_c("K", 32275.0) + 25.0
    assert abs(wrong - 800) > 0.5


def test_cold_junction_against_a_general_purpose_library() -> None:
    """thermocouple-its90 (PyPI), `temperature(emf, reference=...)`."""
    for letter in "EJKNRST":
        for junction in (-20.0, 5.0, 25.0, 48.0):
            for measured_mv in (0.05, 3.0, 9.0):
                expected = thermocouple_its90.get(letter).temperature(measured_mv, reference=junction)
                got = compensated_temperature_c(letter, measured_mv * 1e3, junction)
                assert got == pytest.approx(expected, rel=0, abs=INVERSE_ERROR_C)


def test_cold_junction_out_of_range() -> None:
    assert np.isnan(compensated_temperature_c("R", 5000.0, -51.0))
    got = compensated_temperature_c("K", np.array([1e3, 1e3, np.nan]), np.array([np.nan, 25.0, 25.0]))
    assert np.isnan(got).tolist() == [True, False, True]


# IEC 60584-1:2013 (tolerances; formerly IEC 60584-2), from memory; checked against those of JIS C 1602.
@pytest.mark.parametrize(
    ("letter", "tolerance_class", "t", "expected"),
    [
        ("T", 1, -40, 0.5),
        ("T", 1, 125, 0.5),
        ("T", 1, 350, 1.4),
        ("T", 2, 133, 1.0),
        ("T", 2, 350, 2.625),
        ("T", 3, 40, 1.0),
        ("T", 3, -200, 3.0),
        ("E", 1, 375, 1.5),
        ("E", 1, 800, 3.2),
        ("E", 2, 333, 2.5),
        ("E", 2, 900, 6.75),
        ("E", 3, -200, 3.0),
        ("J", 1, 750, 3.0),
        ("J", 2, 750, 5.625),
        ("K", 1, -40, 1.5),
        ("K", 1, 375, 1.5),
        ("K", 1, 1000, 4.0),
        ("K", 2, 333, 2.5),
        ("K", 2, 800, 6.0),
        ("K", 2, 1200, 9.0),
        ("K", 3, -100, 2.5),
        ("K", 3, -200, 3.0),
        ("N", 1, 1000, 4.0),
        ("N", 2, 1200, 9.0),
        ("N", 3, 40, 2.5),
        ("R", 1, 0, 1.0),
        ("R", 1, 1100, 1.0),
        ("R", 1, 1600, 2.5),
        ("S", 1, 1300, 1.6),
        ("S", 2, 600, 1.5),
        ("S", 2, 1600, 4.0),
        ("B", 2, 600, 1.5),
        ("B", 2, 1700, 4.25),
        ("B", 3, 800, 4.0),
        ("B", 3, 1700, 8.5),
        # beyond the class's range
    ],
)
def test_tolerance_classes(letter: str, tolerance_class: int, t: float, expected: float) -> None:
    assert tolerance_c(letter, tolerance_class, t) == pytest.approx(expected, rel=0, abs=1e-9)
    array = tolerance_c(letter, tolerance_class, np.array([t, np.nan]))
    np.testing.assert_allclose(array, [expected, np.nan], atol=1e-9)


@pytest.mark.parametrize(
    ("letter", "tolerance_class", "outside", "end"),
    [
        ("E", 1, 800.1, 800),
        ("E", 2, 900.1, 900),
        ("J", 1, 750.1, 750),
        ("J", 2, 750.1, 750),
        ("K", 1, 1000.1, 1000),
        ("K", 2, 1200.1, 1200),
        ("N", 2, 1200.1, 1200),
        ("R", 1, 1600.1, 1600),
        ("S", 2, 1600.1, 1600),
        ("T", 2, 350.1, 350),
        ("T", 3, -200.1, -200),
        ("B", 3, 1700.1, 1700),
        ("K", 2, -40.1, -40),
        ("K", 3, 40.1, 40),
        ("B", 2, 599, 600),
        ("T", 1, 350.1, 350),
        ("R", 2, -1, 0),
    ],
)
def test_outside_its_range_a_class_is_as_at_its_end(
    letter: str, tolerance_class: int, outside: float, end: float
) -> None:
    assert tolerance_c(letter, tolerance_class, outside) == tolerance_c(letter, tolerance_class, float(end))
    assert tolerance_c(letter, tolerance_class, outside + (outside - end)) == tolerance_c(
        letter, tolerance_class, float(end)
    )


@pytest.mark.parametrize(("letter", "tolerance_class"), [("J", 3), ("R", 3), ("B", 1), ("K", 4), ("X", 1)])
def test_tolerance_class_that_does_not_exist(letter: str, tolerance_class: int) -> None:
    with pytest.raises(ValueError, match=f"type {letter} has no class {tolerance_class} in IEC 60584-1"):
        tolerance_c(letter, tolerance_class, 20.0)
