"""The accuracy that the README states, held on the sample clips with the default settings.

Rendered figures with exact joint angles: a check of counting, timing, refusal and widths, no claim
about people. A larger folder of clips with truth files, named by FORMCHECK_CLIPS, is held to the
same figures.
"""

import os
from pathlib import Path

import numpy as np
import pytest
from conftest import SAMPLES

from formcheck.evidence.accuracy import accuracy
from formcheck.evidence.validation import validate

pytestmark = pytest.mark.slow

FOLDERS = [SAMPLES, *map(Path, filter(None, [os.environ.get("FORMCHECK_CLIPS")]))]


@pytest.fixture(scope="module", params=FOLDERS, ids=lambda f: f.name)
def validation(request, cache_home):
    return validate(request.param, cache_dir=cache_home / "accuracy")


def of(validation, measure, plane="sagittal", clips=None):
    return [
        c
        for c in validation.comparisons
        if c.measure == measure
        and c.plane == plane
        and c.is_supported
        and (clips is None or clips(c.clip))
    ]


def errors(comparisons):
    return np.array([c.value - c.true for c in comparisons if c.is_measured])


def test_repetition_counts_are_exact(validation):
    wrong = [c.clip for c in validation.clips if c.is_count_exact is False]
    assert wrong == []


def test_turns_lie_in_the_true_plateau(validation):
    off = [e for c in validation.clips for e in c.turn_errors_s]
    assert len(off) >= 25
    assert max(off) <= 0.10


def test_azimuth_and_view(validation):
    off = np.array([abs(c.azimuth_error_deg) for c in validation.clips])
    assert off.mean() <= 5
    for c in validation.clips:
        is_oblique = 10 < abs(abs(c.true_azimuth_deg) - 90) < 80
        assert not is_oblique or abs(c.azimuth_error_deg) <= 10, c.clip
        assert c.boundary_deg <= 10 or c.plane == c.true_plane, c.clip


def test_largest_knee_flexion_of_squats_and_wall_sits_from_the_side(validation):
    def is_of_them(clip):
        return clip.startswith(("squat_", "wall_sit")) and "azimuth_60" not in clip

    peak = errors(of(validation, "knee_flexion_peak_deg", clips=is_of_them))
    assert len(peak) >= 11
    assert np.abs(peak).mean() <= 5.5
    assert np.abs(peak).max() <= 14
    thigh = errors(of(validation, "thigh_inclination_deg", clips=is_of_them))
    assert np.abs(thigh).mean() <= 4


def test_plateau_holds_and_leg_elevation(validation):
    assert np.abs(errors(of(validation, "plateau_hold_s"))).max() <= 0.3
    assert np.abs(errors(of(validation, "leg_elevation_peak_deg"))).max() <= 3


def test_pelvic_obliquity_against_standing(validation):
    rows = of(
        validation, "pelvic_obliquity_peak_deg", "frontal", lambda c: c.startswith("single_leg")
    )
    off = errors(rows)
    assert len(off) >= 3
    assert np.abs(off).max() <= 2.5
    assert all(np.sign(c.value) == np.sign(c.true) for c in rows if abs(c.true) > 3)


@pytest.mark.parametrize("plane", ["sagittal", "frontal"])
def test_intervals_hold_the_truth_and_decide_well(validation, plane):
    rows = [c for c in validation.comparisons if c.plane == plane and c.is_supported]
    pooled = accuracy(plane, "all", rows)
    assert pooled.share_measured >= 0.9
    assert pooled.coverage >= 0.93
    assert pooled.wrong_share <= 0.03
    # 0.29 from the side and 0.24 from the front on the eight sample clips, decided by the best
    # estimate (decision 67); by the whole interval it was 0.48 and 0.45.
    assert pooled.undecided_share <= 0.33


def test_half_width_of_side_view_knee_flexion(validation):
    rows = of(validation, "knee_flexion_peak_deg")
    assert np.median([(c.high - c.low) / 2 for c in rows if c.is_measured]) <= 12
