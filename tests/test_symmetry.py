"""One leg against the other: arithmetic by hand, and when no index is given."""

import pytest
from told import why

from formcheck.model.records import Measured, NotMeasurable, Part
from formcheck.motion.symmetry import compare_sides, mean_with_uncertainty


def values(key, *numbers, own=0.0, shared=0.0):
    parts = tuple(
        Part(name=kind, standard=u, kind=kind, source="test")
        for kind, u in (("own", own), ("shared", shared))
        if u
    )
    return [Measured(key=key, value=x, low=x, high=x, parts=parts) for x in numbers]


def test_the_index_is_involved_over_uninvolved_in_per_cent():
    # Limb symmetry index = involved / uninvolved x 100 %: common practice.
    found = compare_sides(
        "plateau_hold_s", "left", values("plateau_hold_s", 18, 18), values("plateau_hold_s", 20, 20)
    )
    assert found.kind == "index"
    assert found.value.value == pytest.approx(90.0)


def test_angles_are_compared_by_their_difference():
    found = compare_sides(
        "knee_flexion_peak_deg",
        "right",
        values("knee_flexion_peak_deg", 80, 84),
        values("knee_flexion_peak_deg", 95, 97),
    )
    assert found.kind == "difference"
    assert found.value.value == pytest.approx(-14.0)


def test_own_parts_shrink_with_the_number_of_repetitions_and_shared_ones_do_not():
    many = values("plateau_hold_s", 10, 10, 10, 10, own=2.0, shared=1.5)
    mean, standard = mean_with_uncertainty(many)
    assert mean == 10
    assert standard == pytest.approx((1.0**2 + 1.5**2) ** 0.5)


def test_the_interval_of_an_index_follows_first_order_propagation():
    ours = values("plateau_hold_s", 18, own=1.0)
    others = values("plateau_hold_s", 20, own=1.0)
    v = compare_sides("plateau_hold_s", "left", ours, others).value
    expected = 90 * ((1 / 18) ** 2 + (1 / 20) ** 2) ** 0.5
    assert v.high - v.value == pytest.approx(1.96 * expected)
    assert v.value - v.low == pytest.approx(1.96 * expected)


def test_no_index_is_given_over_a_value_too_small_for_its_uncertainty():
    v = compare_sides(
        "heel_height_peak_share",
        "left",
        values("heel_height_peak_share", 0.3),
        values("heel_height_peak_share", 0.1, shared=0.08),
    ).value
    assert isinstance(v, NotMeasurable)
    assert "right" in why(v)


def test_tempo_is_not_compared():
    assert (
        compare_sides("lowering_s", "left", values("lowering_s", 1), values("lowering_s", 2))
        is None
    )


def test_compare_refuses_two_folders_of_the_same_leg(run_formcheck, squat_results):
    done = run_formcheck("compare", squat_results, squat_results)
    assert done.returncode == 2
    assert "left" in done.stderr


def test_compare_puts_a_mirrored_leg_against_the_other(
    run_formcheck, squat_results, short_squat, tmp_path
):
    from make_clips import mirrored

    mirrored(short_squat, tmp_path / "right.mp4")
    done = run_formcheck(
        "analyze",
        tmp_path / "right.mp4",
        "--exercise",
        "squat",
        "--side",
        "right",
        "--out",
        tmp_path / "right",
        "--pose-model",
        "lite",
        "--no-video",
    )
    assert done.returncode == 0, done.stderr
    done = run_formcheck("compare", squat_results, tmp_path / "right", "--json")
    assert done.returncode == 0, done.stderr
    import json

    peak = json.loads(done.stdout)["knee_flexion_peak_deg"]
    assert peak["kind"] == "difference"
    assert peak["low"] < 0 < peak["high"]  # the same movement, mirrored
    done = run_formcheck("compare", squat_results, tmp_path / "right")
    assert "Complete repetitions: index 100% (2 and 2)" in done.stdout
