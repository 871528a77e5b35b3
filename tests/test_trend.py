"""The line through all sessions: certified figures, and what it may not claim."""

import math

import numpy as np
import pytest
from scipy.stats import t as student

from formcheck.evidence.progress import SessionValue
from formcheck.evidence.trend import days_of, slope_of, trend

# NIST Statistical Reference Datasets, linear regression, "Norris" (calibration of ozone
# monitors, 36 observations): y and x, and the certified slope with its standard deviation.
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 "
    "10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 "
    "668.4 449.2 0.2"
)
NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 "
    "447.5 11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 "
    "229.2 669.1 448.9 0.5"
)
NORRIS_SLOPE = 1.00211681802045
NORRIS_SLOPE_SD = 0.429796848199937e-03

KEY = "knee_flexion_peak_deg"


def _sessions(days, values, standard=math.nan):
    return [
        SessionValue(day=d, value=v, between_standard=standard)
        for d, v in zip(days, values, strict=True)
    ]


def test_slope_and_interval_are_the_certified_ones():
    # A week of the line is a unit of the data set.
    x, y = [float(v) for v in NORRIS_X.split()], [float(v) for v in NORRIS_Y.split()]
    slope, half_width = slope_of(x, y)
    assert slope == pytest.approx(NORRIS_SLOPE, rel=1e-12)
    assert half_width == pytest.approx(student.ppf(0.975, 34) * NORRIS_SLOPE_SD, rel=1e-9)


def test_the_sets_of_a_day_are_one_point_no_surer_than_one_of_them():
    days, values = [0, 0, 7, 14, 14, 14], [58.0, 62.0, 63.0, 60.0, 64.0, 65.0]
    found = days_of(_sessions(days, values, standard=4.0))
    assert [(d.day, d.value, d.between_standard) for d in found] == [
        (0, 60.0, 4.0),
        (7, 63.0, 4.0),
        (14, 63.0, 4.0),
    ]
    line = trend(KEY, _sessions(days, values, standard=4.0))
    assert (line.n, line.n_sets, line.per_week) == (3, 6, pytest.approx(1.5))
    once = trend(KEY, _sessions([0, 7, 14], [60.0, 63.0, 63.0], standard=4.0))
    assert line.half_width == pytest.approx(once.half_width)


@pytest.mark.parametrize("days", [[], [1, 8], [1, 1, 8, 8, 8]])
def test_fewer_than_three_days_have_no_line(days):
    assert trend(KEY, _sessions(days, range(len(days)), 2.0)) is None


def test_sets_that_happen_to_lie_on_a_line_keep_the_interval_of_their_own_errors():
    found = trend(KEY, _sessions([0, 7, 14], [60.0, 62.0, 64.0], standard=4.0))
    assert found.per_week == pytest.approx(2)
    assert found.half_width == pytest.approx(1.96 * 4 / math.sqrt(2), rel=1e-3)
    assert found.along == pytest.approx(4)
    assert found.verdict == "within_error"


@pytest.mark.parametrize(
    ("per_week", "mdc95", "verdict"),
    [(6.0, 8.0, "larger_than_error"), (6.0, 30.0, "within_error"), (0.0, 8.0, "within_error")],
)
def test_a_change_is_called_larger_than_error_by_slope_and_size_together(per_week, mdc95, verdict):
    days = range(0, 29, 7)
    found = trend(KEY, _sessions(days, [60 + per_week * d / 7 for d in days], 1.0), mdc95)
    assert found.verdict == verdict


def test_without_any_known_error_nothing_is_claimed():
    found = trend(KEY, _sessions([0, 7, 14, 21], [50.0, 60.0, 71.0, 80.0]))
    assert found.verdict == "not_enough_information"


@pytest.mark.parametrize("n_days", [3, 12])
@pytest.mark.parametrize("n_sets", [1, 3])
def test_the_interval_holds_the_slope_it_was_made_from(n_sets, n_days):
    # A day's sets share its error (standard deviation 3) and differ by their own (1).
    rng = np.random.default_rng(7)
    held, n = 0, 300
    for _ in range(n):
        of_day = np.cumsum(rng.integers(1, 6, n_days))
        slope = rng.uniform(-5, 5)
        days = np.repeat(of_day, n_sets)
        shared = np.repeat(rng.normal(0, 3, n_days), n_sets)
        values = 60 + slope * days / 7 + shared + rng.normal(0, 1, len(days))
        found = trend(KEY, _sessions(days.tolist(), values, math.hypot(3, 1)))
        held += abs(found.per_week - slope) <= found.half_width
    # The wider of two intervals holds it in 95 % or more: below 0.92 once in a hundred.
    assert held / n >= 0.92
