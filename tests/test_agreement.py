"""Agreement statistics against the published examples and an independent package."""

import math
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from formcheck.evidence.agreement import (
    ICC_FORMS,
    LEVELS,
    calibration_error,
    coverage_at,
    icc,
    interval_score,
    limits_of_agreement,
    mean_squares,
    repeatability,
    smallest_detectable_change,
    wilson_interval,
)

# Shrout and Fleiss 1979, Psychol Bull 86:420-428, table 2: 6 targets by 4 judges. Data read in
# a secondary copy; the answers are from memory and come out again from the definitions.
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
SHROUT_FLEISS_ANSWERS = {
    "1,1": 0.17,
    "2,1": 0.29,
    "3,1": 0.71,
    "1,k": 0.44,
    "2,k": 0.62,
    "3,k": 0.91,
}

# Bland and Altman 1986, Lancet 327:307-310: peak expiratory flow, two meters, l/min. Data read
# in secondary copies; the answers are from memory and come out again.
WRIGHT = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


@pytest.mark.parametrize("form", ICC_FORMS)
def test_icc_reproduces_shrout_and_fleiss(form):
    assert round(icc(SHROUT_FLEISS, form).value, 2) == SHROUT_FLEISS_ANSWERS[form]


def test_mean_squares_reproduce_shrout_and_fleiss():
    ms = mean_squares(SHROUT_FLEISS)
    found = (ms.between_subjects, ms.between_sessions, ms.residual, ms.within_subjects)
    assert [round(v, 2) for v in found] == [11.24, 32.49, 1.02, 6.26]


def _pingouin_icc(table):
    pytest.importorskip("pingouin", reason="pingouin is in the test extra")
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the package's own, not ours
        import pandas
        import pingouin

        n, k = table.shape
        long = pandas.DataFrame(
            {
                "subject": np.repeat(np.arange(n), k),
                "session": np.tile(np.arange(k), n),
                "value": table.ravel(),
            }
        )
        found = pingouin.intraclass_corr(
            data=long, targets="subject", raters="session", ratings="value"
        )
    # Rows in the order of Shrout and Fleiss: one-way, agreement, consistency, then of the mean.
    return [(float(r["ICC"]), [float(v) for v in r["CI95"]]) for _, r in found.iterrows()]


@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_icc_and_its_interval_agree_with_an_independent_package(seed):
    table = SHROUT_FLEISS
    if seed is not None:
        random = np.random.default_rng(seed)
        table = random.normal(90, 8, (9, 1)) + random.normal(0, 3, (9, 3)) + random.normal(0, 1, 3)
    for form, (value, interval) in zip(ICC_FORMS, _pingouin_icc(table), strict=True):
        ours = icc(table, form)
        assert ours.value == pytest.approx(value, abs=1e-6)
        # The package rounds its intervals to 2 decimals.
        assert [ours.low, ours.high] == pytest.approx(interval, abs=0.0051)


def test_the_two_standard_errors_of_measurement_differ_as_stated():
    agreement = repeatability(SHROUT_FLEISS)
    consistency = repeatability(SHROUT_FLEISS, "consistency")
    assert agreement.sem == pytest.approx(2.284, abs=5e-4)
    assert consistency.sem == pytest.approx(1.010, abs=5e-4)
    assert "ICC(2,1)" in agreement.basis
    assert agreement.mdc95 == pytest.approx(2.772 * 2.284, abs=2e-3)


def test_the_smallest_detectable_change_reproduces_munro_2012():
    # J Sport Rehabil 21:7-11 (abstract read): SEM 2.72 deg, smallest detectable difference 7.54.
    assert smallest_detectable_change(2.72) == pytest.approx(7.54, abs=0.005)


def test_sessions_that_agree_wholly_have_icc_1_and_no_error():
    table = np.array([[1.0, 1.0], [2.0, 2.0], [5.0, 5.0]])
    assert [icc(table, f).value for f in ICC_FORMS] == [1.0] * 6
    assert repeatability(table).mdc95 == 0


def test_people_who_do_not_differ_have_no_reliability():
    shifted = np.tile([0.0, 1.0, 1.0], (3, 1))
    assert math.isnan(icc(shifted, "3,1").value)
    assert icc(shifted, "2,1").value == 0


def test_a_table_without_any_difference_has_no_icc():
    assert math.isnan(icc(np.full((4, 3), 7.0)).value)
    assert repeatability(np.full((4, 3), 7.0)).sem == 0


@pytest.mark.parametrize(
    "table", [[[1.0, 2.0]], [[1.0], [2.0]], [[1.0, np.nan], [2.0, 3.0]], [1.0, 2.0]]
)
def test_a_table_too_small_or_with_holes_is_refused(table):
    with pytest.raises(ValueError):  # noqa: PT011 two messages, both plain
        icc(table)


@given(
    st.lists(st.tuples(*[st.floats(-50, 50, allow_subnormal=False)] * 3), min_size=3, max_size=8),
    st.floats(-100, 100),
)
def test_a_shift_of_everything_changes_no_icc(rows, shift):
    table = np.round(np.array(rows), 3)
    for form in ("1,1", "2,1", "3,1"):
        # Without spread an ICC is a quotient of rounding errors.
        if mean_squares(table).residual > 1e-6 and mean_squares(table).between_subjects > 1e-6:
            before, after = icc(table, form), icc(table + shift, form)
            assert before.value == pytest.approx(after.value, abs=1e-6)


def test_bland_and_altman_is_reproduced_with_their_multiple_of_2():
    # Published: mean -2.1, SD 38.8, limits -79.7 to 75.5 (from the rounded mean and SD).
    found = limits_of_agreement(WRIGHT, MINI, multiple=2)
    assert round(found.mean, 1) == -2.1
    assert round(found.sd, 1) == 38.8
    assert [found.lower, found.upper] == pytest.approx([-79.7, 75.5], abs=0.15)
    # Their interval of the mean: -22.0 to 17.8 l/min (from memory).
    assert found.mean_interval == pytest.approx((-22.0, 17.8), abs=0.1)


def test_limits_at_1_96_are_narrower_and_stated():
    found = limits_of_agreement(WRIGHT, MINI)
    assert found.multiple == 1.96
    assert [found.lower, found.upper] == pytest.approx([-78.10, 73.87], abs=0.01)
    assert found.lower_interval[0] < found.lower < found.lower_interval[1]


@pytest.mark.parametrize(
    ("first", "second"), [([1.0], [2.0]), ([1.0, 2.0], [1.0]), ([1.0, np.nan], [1.0, 2.0])]
)
def test_pairs_too_few_or_with_holes_are_refused(first, second):
    with pytest.raises(ValueError):  # noqa: PT011
        limits_of_agreement(first, second)


def test_wilson_reproduces_a_known_interval():
    # 81 of 263: 0.2553 to 0.3662 (Newcombe 1998, Stat Med 17:857-872, table I; from memory).
    assert wilson_interval(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    # 0 of 20: 0 to 0.1611 (same table; from memory).
    assert wilson_interval(0, 20) == pytest.approx((0, 0.1611), abs=5e-5)


@given(st.integers(1, 500), st.data())
def test_wilson_holds_the_share_and_stays_within_0_and_1(n, data):
    hits = data.draw(st.integers(0, n))
    low, high = wilson_interval(hits, n)
    assert 0 <= low <= hits / n <= high <= 1


def test_wilson_of_nothing_is_not_a_number():
    assert all(math.isnan(v) for v in wilson_interval(0, 0))
    with pytest.raises(ValueError, match="3 hits of 2"):
        wilson_interval(3, 2)


def test_the_interval_score_is_the_width_when_it_holds_the_truth():
    assert interval_score(10, 20, 12) == 10


def test_the_interval_score_adds_40_for_each_unit_missed_at_95_percent():
    # Gneiting and Raftery 2007, eq. 43: 2 / alpha = 40.
    assert interval_score(10, 20, 21.5) == pytest.approx(10 + 60)
    assert interval_score([10.0], [20.0], [9.0]) == pytest.approx([50.0])


@given(st.floats(-5, 5))
def test_the_true_interval_scores_best_on_average(shift):
    truth = np.random.default_rng(0).normal(0, 1, 4000)
    honest = interval_score(-1.96, 1.96, truth).mean()
    moved = interval_score(-1.96 + shift, 1.96 + shift, truth).mean()
    assert honest <= moved + 0.05


def test_an_interval_is_scaled_to_other_levels_each_side_by_itself():
    # z of the 50 % interval is 0.6745 and of the 55 % one 0.7554; the upper side is 2 z wide.
    row = ([0.0], [-1.96], [3.92], [1.5])
    assert coverage_at(*row, 0.50) == 0
    assert coverage_at(*row, 0.55) == 1
    below = ([0.0], [-1.96], [3.92], [-0.75])
    assert coverage_at(*below, 0.50) == 0
    assert coverage_at(*below, 0.55) == 1


def test_coverage_at_95_percent_is_that_of_the_interval_itself():
    assert coverage_at([5, 5], [2, 2], [9, 9], [1.99, 8.99], 0.95) == 0.5
    with pytest.raises(ValueError, match="between 0 and 1"):
        coverage_at([1], [0], [2], [1], 1.0)


def test_the_calibration_error_of_one_interval_is_a_sum_by_hand():
    assert LEVELS[0] == 0.10
    assert LEVELS[-1] == 0.95
    assert len(LEVELS) == 18
    # Always inside: the mean of 1 - level is 0.475. Never inside: the mean level, 0.525.
    assert calibration_error([0], [-1], [1], [0]) == pytest.approx(0.475)
    assert calibration_error([0], [-1], [1], [9]) == pytest.approx(0.525)
    # Inside from 55 % on: (0.1 + ... + 0.5) + (0.45 + 0.4 + ... + 0.05) over 18 levels.
    assert calibration_error([0], [-1.96], [3.92], [1.5]) == pytest.approx((2.7 + 2.25) / 18)
    assert math.isnan(calibration_error([], [], [], []))


def test_exact_intervals_are_calibrated_and_others_are_not():
    truth = np.random.default_rng(3).normal(0, 1, 20_000)
    zero = np.zeros_like(truth)
    honest = calibration_error(zero, zero - 1.96, zero + 1.96, truth)
    assert honest < 0.01
    # Half as wide: 67 % hold the truth at 95 %; the distance is 0.18 on average.
    narrow = calibration_error(zero, zero - 0.98, zero + 0.98, truth)
    z = np.array([NormalDist().inv_cdf((1 + p) / 2) for p in LEVELS])
    exact = [2 * NormalDist().cdf(v / 2) - 1 for v in z]
    assert narrow == pytest.approx(np.mean(np.subtract(LEVELS, exact)), abs=0.01)
