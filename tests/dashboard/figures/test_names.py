"""Names in the traces are placed where no line runs through them."""

from dashboard.figures import names


def test_a_name_stands_on_no_limits_line() -> None:
    limits = (780.0, 650.0, 573.0)
    assert names.off_limits(700.0, limits, 30.0) == 700.0
    assert names.off_limits(770.0, limits, 30.0) == 780.0  # from there up
    assert names.off_limits(640.0, limits, 160.0) == 780.0  # what is clear of one is clear of the next
    assert names.off_limits(660.0, limits, -30.0) == 650.0  # from there down
