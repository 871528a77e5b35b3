"""Accuracy in bins: where the camera stood, how the leg lay to it, what was worn."""

import json
import math
import re
import shutil
from dataclasses import replace
from typing import get_type_hints

import numpy as np
import pytest

from formcheck.evidence.agreement import wilson_interval
from formcheck.evidence.strata import STRATA, names_of, short_of_nominal, strata
from formcheck.evidence.true_views import camera_offset_deg, leg_plane_deg
from formcheck.evidence.truth import ANGLES, Setting, TrueRepetition, Truth, write_truth
from formcheck.evidence.validation import (
    Comparison,
    Validation,
    together,
    tracks_of_clips,
    validate,
)
from formcheck.evidence.validation_tables import comparisons_csv, validation_json, validation_lines
from formcheck.model.errors import FileError, UsageError


def comparison(error: float = 0.0, half: float = 5.0, **changes) -> Comparison:
    made = Comparison(
        clip="a",
        exercise="squat",
        plane="sagittal",
        repetition=1,
        measure="knee_flexion_peak_deg",
        is_supported=True,
        true=90.0,
        value=90.0 + error,
        low=90.0 + error - half,
        high=90.0 + error + half,
        true_excursion=90.0,
        excursion=90.0 + error,
        camera_offset_deg=0.0,
        leg_plane_deg=0.0,
    )
    return replace(made, **changes)


def labels(by: str, comparisons) -> list[str]:
    return [s.label for s in strata(comparisons, by)]


# Where the camera stood


@pytest.mark.parametrize(
    ("azimuth_deg", "side", "offset_deg"),
    [
        (90, "left", 0),
        (70, "left", 20),  # at the left, 20 deg toward the front
        (-70, "right", 20),
        (-110, "right", -20),
        (12, "left", 12),  # in front, toward the left leg
        (12, "right", -12),
        (-12, "right", 12),
        (170, "left", 10),  # behind, still at the left of straight behind
        (170, "right", -10),
        (45, "left", 45),
    ],
)
def test_the_offset_tells_how_far_and_to_which_side(azimuth_deg, side, offset_deg):
    assert camera_offset_deg(azimuth_deg, side) == pytest.approx(offset_deg)


def truth_with_foot_turned(out_deg: float, azimuth_deg: float, bend_deg: float = 90) -> Truth:
    """A left leg whose plane is turned out by `out_deg`, thigh and shank bent by half each."""
    time_s = np.arange(11) / 10
    forward = np.array([math.sin(math.radians(out_deg)), -math.cos(math.radians(out_deg)), 0])
    half = np.radians(bend_deg / 2) * np.minimum(time_s, 1 - time_s) * 2
    knee = 0.4 * (np.sin(half)[:, None] * forward - np.cos(half)[:, None] * [0, 0, 1])
    position_m = np.full((11, 2, 6, 3), np.nan)
    position_m[:, 0, 1] = 0
    position_m[:, 0, 2] = knee
    position_m[:, 0, 3] = knee * [0, 0, 2]
    nowhere = np.full(11, np.nan)
    return Truth(
        exercise="squat",
        side="left",
        azimuth_deg=azimuth_deg,
        time_s=time_s,
        repetitions=(TrueRepetition(start_s=0, turn_from_s=0.5, turn_to_s=0.5, end_s=1),),
        position_m=position_m,
        **dict.fromkeys(ANGLES, nowhere),
    )


@pytest.mark.parametrize(
    ("out_deg", "azimuth_deg", "expected_deg"),
    # A foot turned out 20 deg and a camera 20 deg forward of the side: 40 deg out of the picture.
    [(0, 90, 0), (20, 90, 20), (20, 70, 40), (20, 110, 0), (-20, 70, 0), (0, 0, 90)],
)
def test_the_leg_plane_adds_foot_and_camera(out_deg, azimuth_deg, expected_deg):
    truth = truth_with_foot_turned(out_deg, azimuth_deg)
    found = leg_plane_deg(truth, "left", truth.repetitions[0])
    assert found == pytest.approx(expected_deg, abs=1e-4)


def test_a_straight_or_unknown_leg_has_no_plane():
    straight = truth_with_foot_turned(20, 90, bend_deg=15)
    assert math.isnan(leg_plane_deg(straight, "left", straight.repetitions[0]))
    assert math.isnan(leg_plane_deg(straight, "right", straight.repetitions[0]))


# Bins


@pytest.mark.parametrize(
    ("by", "change", "label"),
    [
        ("camera_offset", {"camera_offset_deg": -2.9}, "under 3 deg"),
        ("camera_offset", {"camera_offset_deg": 3.0}, "3 to 8 deg forward"),
        ("camera_offset", {"camera_offset_deg": -18.0}, "18 deg or more backward"),
        (
            "camera_offset",
            {"camera_offset_deg": -9.0, "plane": "frontal"},
            "8 to 18 deg away from the measured leg",
        ),
        ("camera_offset", {"camera_offset_deg": 40.0, "plane": "oblique"}, "oblique view"),
        ("camera_offset", {"camera_offset_deg": math.nan}, "not known"),
        ("leg_plane", {"leg_plane_deg": 14.99}, "under 15 deg"),
        ("leg_plane", {"leg_plane_deg": 15.0}, "15 to 25 deg"),
        ("leg_plane", {"leg_plane_deg": 40.0}, "35 deg or more"),
        ("leg_plane", {"leg_plane_deg": math.nan}, "not known"),
        ("leg_plane", {"leg_plane_deg": 90.0, "plane": "frontal"}, "front view"),
        ("exercise", {"exercise": "wall_sit"}, "wall_sit"),
        ("family", {"family": "squats in a hall"}, "squats in a hall"),
        ("view", {"plane": "frontal"}, "frontal"),
        ("camera_height", {"setting": Setting(camera_height_m=1.0)}, "0.8 to 1.2 m"),
        ("camera_distance", {"setting": Setting(camera_distance_m=4.0)}, "3.4 m or more"),
        ("field_of_view", {"setting": Setting(field_of_view_deg=40)}, "under 47 deg"),
        ("clothing", {"setting": Setting(clothing="trousers")}, "trousers"),
        ("clothing", {}, "not known"),
        ("frame_rate", {"setting": Setting(frame_rate_hz=15)}, "under 18 a second"),
        (
            "picture_size",
            {"setting": Setting(width_px=480, height_px=640)},
            "400 to 600 px (shorter side)",
        ),
        ("exercise+clothing", {"setting": Setting(clothing="shorts")}, "squat, shorts"),
    ],
)
def test_each_comparison_falls_in_its_bin(by, change, label):
    assert labels(by, [comparison(**change)]) == [label]


def test_bins_come_in_order_and_hold_every_comparison_once():
    rows = [comparison(camera_offset_deg=v) for v in (20, -20, 0, 5, -5, 1, math.nan)]
    assert labels("camera_offset", rows) == [
        "18 deg or more backward",
        "3 to 8 deg backward",
        "under 3 deg",
        "3 to 8 deg forward",
        "18 deg or more forward",
        "not known",
    ]
    seen_from_front = [replace(c, plane="frontal") for c in rows]
    assert labels("camera_offset", seen_from_front)[1:4] == [
        "3 to 8 deg away from the measured leg",
        "under 3 deg",
        "3 to 8 deg toward the measured leg",
    ]
    for by in STRATA:
        assert sum(row.n for s in strata(rows, by) for row in s.rows if row.measure != "all") == 7


def test_a_bin_has_its_own_figures():
    rows = [comparison(error, leg_plane_deg=5) for error in (1, -1, 4, 6)]
    rows += [comparison(-16, leg_plane_deg=40)] * 2
    near, far = (s.rows[0] for s in strata(rows, "leg_plane"))
    assert (near.n, near.bias, near.mae) == (4, 2.5, 3.0)
    assert near.coverage == 0.75
    assert (near.coverage_low, near.coverage_high) == wilson_interval(3, 4)
    assert near.interval_score == pytest.approx(10 + 40 * 1 / 4)
    assert (far.bias, far.coverage, far.interval_score) == (-16, 0, 10 + 40 * 11)


def test_a_measure_that_the_view_cannot_give_is_in_no_bin():
    hidden = comparison(math.nan, is_supported=False)
    assert strata([hidden], "exercise") == ()


def test_only_bins_that_are_short_with_their_whole_interval_are_listed_worst_first():
    # 19 of 20 reaches past 95 %; 14 of 20 ends at 0.85, 0 of 4 at 0.49 (Wilson).
    def rows(n, missed, clip):
        return [comparison(9 if i < missed else 0, exercise=clip) for i in range(n)]

    found = strata([*rows(20, 1, "a"), *rows(20, 6, "b"), *rows(4, 4, "c")], "exercise")
    assert [s.label for s, _ in short_of_nominal(found)] == ["c", "b"]


def test_names_are_checked():
    assert names_of("camera_offset, exercise+leg_plane") == ("camera_offset", "exercise+leg_plane")
    with pytest.raises(UsageError, match=r'there is no "shoe"; choose of camera_offset, leg_plane'):
        names_of("exercise+shoe")
    with pytest.raises(UsageError, match="names nothing"):
        names_of(" , ")


# Faces


@pytest.fixture(scope="module")
def made() -> Validation:
    setting = Setting(clothing="trousers", frame_rate_hz=30)
    good = [comparison(e, setting=setting, leg_plane_deg=3) for e in (1, 2, -1, 0)]
    bad = [comparison(-16, setting=setting, leg_plane_deg=44)] * 5
    other = [comparison(0, measure="range_deg", leg_plane_deg=3)]
    return Validation(clips=(), comparisons=(*good, *bad, *other))


def test_the_tables_tell_every_bin_of_each_measure(made):
    lines = validation_lines(made, by=("leg_plane", "clothing"))
    text = "\n".join(lines)
    at = lines.index("By leg_plane, true view sagittal: knee_flexion_peak_deg")
    columns = lines[at + 1].split("  ")
    assert [c.strip() for c in columns if c.strip()] == [
        "bin",
        "n",
        "measured %",
        "bias",
        "MAE",
        "worst",
        "95th",
        "from rest",
        "coverage %",
        "(95 % CI)",
        "half-width",
        "score",
        "calibration",
        "wrong %",
        "undecided %",
    ]
    assert lines[at + 2].split()[:7] == ["under", "15", "deg", "4", "100", "0.5", "1.0"]
    assert lines[at + 3].split()[:7] == ["35", "deg", "or", "more", "5", "100", "-16.0"]
    assert "By clothing, true view sagittal: range_deg" in text
    short = lines[lines.index("Coverage below 95 % with its whole interval, worst first:") + 2]
    assert short.split()[:5] == ["leg_plane", "35", "deg", "or", "more"]


def test_the_tables_are_kept_to_a_measure(made):
    text = "\n".join(validation_lines(made, by=("leg_plane",), measures=("range_deg",)))
    assert "By leg_plane, true view sagittal: range_deg" in text
    assert "By leg_plane, true view sagittal: knee_flexion_peak_deg" not in text
    assert "No bin's coverage lies below 95 %" in text


def test_json_and_csv_hold_the_bins_and_the_setting(made):
    found = json.loads(validation_json(made, ("leg_plane",)))["strata"]
    assert [(s["by"], s["bin"]) for s in found] == [
        ("leg_plane", "under 15 deg"),
        ("leg_plane", "35 deg or more"),
    ]
    assert found[1]["measures"][0]["coverage"] == 0
    assert json.loads(validation_json(made))["strata"] == []
    header, first = comparisons_csv(made).splitlines()[:2]
    row = dict(zip(header.split(","), first.split(","), strict=True))
    assert (row["leg_plane_deg"], row["clothing"], row["camera_height_m"]) == ("3", "trousers", "")


def test_help_names_every_stratification():
    from formcheck.cli import quality

    told = get_type_hints(quality.validate, include_extras=True)["by"].__metadata__[0].help
    assert re.findall(r"[a-z]+_?[a-z_]*(?=[,;])", told.split(":")[1]) == list(STRATA)


def test_the_command_refuses_what_it_does_not_know(run_formcheck, tmp_path):
    for option, name in (("--by", "shoe"), ("--measure", "knee_flexion_peak")):
        done = run_formcheck("validate", tmp_path, option, name)
        assert done.returncode == 2
        assert f'there is no "{name}"' in done.stderr
        assert done.stderr.count("\n") == 1


# From finished results


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """A result folder of a filmed skeleton, and its truth in another folder, without the clip."""
    from skeleton import film
    from test_validation import SQUAT, SQUATS, _truth

    from formcheck.model.request import Request
    from formcheck.run.pipeline import assess
    from formcheck.run.result_folder import write_results
    from formcheck.run.settings import Settings

    place = tmp_path_factory.mktemp("results")
    raw = film(SQUATS)
    request = Request(clip=place / "hall" / "squats.mp4", exercise=SQUAT, side="left")
    analysis = assess(raw, request, Settings())
    write_results(analysis, request, Settings(), place / "out" / "7", with_video=False)
    (place / "truths").mkdir()
    write_truth(place / "truths" / "squats.truth.json", _truth(setting=Setting(clothing="shorts")))
    write_truth(place / "truths" / "lost.truth.json.gz", _truth())
    return place


def test_landmarks_of_finished_results_are_compared_without_the_clip(results):
    found = validate(results / "truths", results=results / "out")
    lost, squats = found.clips
    assert squats.is_count_exact
    assert lost.trouble == "lost.mp4: no result folder in out is of this clip"
    peaks = [
        c for c in found.comparisons if c.clip == "squats" and c.measure == "knee_flexion_peak_deg"
    ]
    assert [c.value - c.true for c in peaks] == pytest.approx([0, 0, 0], abs=1)
    assert {c.setting.clothing for c in peaks} == {"shorts"}
    # What the truth does not tell is taken from the clip as it was read.
    assert all(c.setting.frame_rate_hz > 0 and c.setting.width_px > 0 for c in peaks)


def test_folders_without_results_or_with_two_of_one_clip_are_refused(results, tmp_path):
    with pytest.raises(FileError, match="holds no result folder"):
        tracks_of_clips(tmp_path)
    with pytest.raises(UsageError, match="no such folder"):
        tracks_of_clips(tmp_path / "nowhere")
    with pytest.raises(FileError, match="holds no truth file"):
        validate(tmp_path, results=results / "out")
    for name in ("a", "b"):
        shutil.copytree(results / "out" / "7", tmp_path / name)
    with pytest.raises(FileError, match=r"a and b are both results of squats\.mp4"):
        tracks_of_clips(tmp_path)


def test_several_folders_are_taken_together(results, made):
    one = validate(results / "truths", results=results / "out")
    both = together([one, made])
    assert both.clips == one.clips
    assert len(both.comparisons) == len(one.comparisons) + len(made.comparisons)


def test_the_command_reads_results(run_formcheck, results):
    done = run_formcheck(
        "validate",
        results / "truths",
        results / "truths",
        "--results",
        results / "out",
        "--by",
        "clothing",
        "--measure",
        "knee_flexion_peak_deg",
    )
    assert done.returncode == 0, done.stderr
    assert "By clothing, true view sagittal: knee_flexion_peak_deg" in done.stdout
    # Three repetitions of a clip, given twice.
    assert next(s for s in done.stdout.splitlines() if s.startswith("shorts")).split()[1] == "6"
