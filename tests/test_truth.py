"""Truth files: round trip, every fault named, and the sample clips as their README says."""

import csv
import gzip
import json
import re
from pathlib import Path

import numpy as np
import pytest

from formcheck.evidence.rendered import truth_from
from formcheck.evidence.truth import (
    ANGLES,
    Setting,
    TrueRepetition,
    Truth,
    read_truth,
    truth_beside,
    write_truth,
)
from formcheck.files.schema_version import NewerMinorWarning
from formcheck.model.errors import FileError

SAMPLES = Path(__file__).parents[1] / "sample_clips"
NAMES = sorted(path.stem for path in SAMPLES.glob("*.mp4"))


def a_truth() -> Truth:
    nan = np.full(3, np.nan)
    position_m = np.full((3, 2, 6, 3), np.nan)
    position_m[:, 0, 1] = [[0.1, 0, 0.9]] * 3
    position_m[:, 0, 3] = [[0.1, 0.3, 1.2]] * 3
    return Truth(
        exercise="squat",
        side="left",
        azimuth_deg=90.0,
        note="invented",
        family="squats in a hall",
        setting=Setting(camera_height_m=0.9, frame_rate_hz=15.0, clothing="trousers"),
        repetitions=(
            TrueRepetition(start_s=0.1, turn_from_s=0.2, turn_to_s=0.3, end_s=0.4, part="forward"),
        ),
        time_s=np.array([0.0, 0.06667, 0.13333]),
        knee_flexion_left_deg=np.array([0.0, np.nan, 90.25]),
        knee_flexion_right_deg=nan,
        thigh_inclination_left_deg=np.array([90.0, 45.0, -3.5]),
        thigh_inclination_right_deg=nan,
        trunk_inclination_deg=nan,
        pelvic_obliquity_deg=nan,
        position_m=position_m,
    )


def same(a: Truth, b: Truth) -> bool:
    arrays = ("time_s", "position_m", *ANGLES)
    plain = ("exercise", "side", "azimuth_deg", "note", "family", "repetitions")
    return (
        all(getattr(a, n) == getattr(b, n) for n in plain)
        # As text, where a NaN equals another.
        and repr(a.setting) == repr(b.setting)
        and all(np.array_equal(getattr(a, n), getattr(b, n), equal_nan=True) for n in arrays)
    )


@pytest.mark.parametrize("name", ["a.truth.json", "a.truth.json.gz"])
def test_a_truth_comes_back_as_it_was_written(tmp_path, name):
    write_truth(tmp_path / name, a_truth())
    assert same(read_truth(tmp_path / name), a_truth())


@pytest.mark.parametrize("name", ["a.truth.json", "a.truth.json.gz"])
def test_the_same_truth_gives_the_same_bytes(tmp_path, name):
    write_truth(tmp_path / name, a_truth())
    first = (tmp_path / name).read_bytes()
    write_truth(tmp_path / name, read_truth(tmp_path / name))
    assert (tmp_path / name).read_bytes() == first


def test_leg_elevation_is_the_hip_to_ankle_line_to_the_floor():
    assert a_truth().leg_elevation_deg("left") == pytest.approx([45, 45, 45])
    assert np.all(np.isnan(a_truth().leg_elevation_deg("right")))


def test_a_truth_with_times_that_go_back_is_refused():
    good = a_truth()
    fields = {name: getattr(good, name) for name in (*ANGLES, "position_m")}
    with pytest.raises(ValueError, match="time_s does not increase"):
        Truth(
            exercise="squat",
            side="left",
            azimuth_deg=0.0,
            repetitions=(),
            time_s=np.array([0.0, 0.2, 0.1]),
            **fields,
        )


def changed(tmp_path, **values) -> Path:
    path = tmp_path / "a.truth.json"
    write_truth(path, a_truth())
    mapping = json.loads(path.read_text())
    for key, value in values.items():
        where = mapping["series"] if key in mapping["series"] or key.endswith("_m") else mapping
        where[key] = value
    path.write_text(json.dumps(mapping))
    return path


REP = {"start_s": 0, "turn_from_s": 1, "turn_to_s": 2, "end_s": 3}


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ({"schema": None}, "schema is missing"),
        ({"schema": "formcheck.truth/2.0"}, "is formcheck.truth/2.0, and this program reads"),
        ({"schema": "formcheck.report/1.0"}, "of kind 'report'"),
        ({"exercise": ""}, "exercise: must be a text"),
        ({"side": "L"}, "side: must be left, right or both, not 'L'"),
        ({"side": ["left"]}, "side: must be left, right or both"),
        ({"azimuth_deg": "90"}, "azimuth_deg: must be a number"),
        ({"note": 3}, "note: must be a text"),
        ({"family": 3}, "family: must be a text"),
        ({"setting": []}, "setting: must be a mapping"),
        ({"setting": {"clothing": 1}}, "setting.clothing: must be a text"),
        ({"setting": {"camera_height_m": "1"}}, "setting.camera_height_m: must be a number"),
        ({"repetitions": {}}, "repetitions: must be a list"),
        ({"repetitions": [1]}, "repetitions[0]: must be a mapping"),
        ({"repetitions": [{**REP, "end_s": None}]}, "repetitions[0].end_s: must be a number"),
        ({"repetitions": [{**REP, "end_s": 1}]}, "repetitions[0]: times must not go back"),
        ({"repetitions": [REP, REP]}, "repetitions[1]: times must not go back"),
        ({"repetitions": [{**REP, "part": 1}]}, "repetitions[0].part: must be a text"),
        ({"series": []}, "series: must be a mapping"),
        ({"time_s": [0, 2, 1]}, "series.time_s: must be numbers that increase"),
        ({"time_s": []}, "series.time_s: must be numbers that increase"),
        ({"knee_flexion_left_deg": [1, 2]}, "series.knee_flexion_left_deg: needs 3 entries"),
        ({"knee_flexion_left_deg": [1, 2, "3"]}, "knee_flexion_left_deg: must be a list of num"),
        ({"hip_left_m": [[1, 2, 3]]}, "series.hip_left_m: needs 3 entries of x, y, z"),
        ({"hip_left_m": [[1, 2], [1, 2, 3], 1]}, "series.hip_left_m: must be a list of numbers"),
    ],
)
def test_each_fault_is_named_with_its_place(tmp_path, values, fault):
    with pytest.raises(FileError, match=re.escape(fault)):
        read_truth(changed(tmp_path, **values))


def test_all_faults_are_found_at_once(tmp_path):
    with pytest.raises(FileError, match="and 2 more") as caught:
        read_truth(changed(tmp_path, exercise="", side="L", azimuth_deg=None))
    assert [fault.split(": ")[1] for fault in caught.value.faults] == [
        "exercise",
        "side",
        "azimuth_deg",
    ]


@pytest.mark.parametrize(
    ("name", "content", "fault"),
    [
        ("a.truth.json", b"", "is not JSON"),
        ("a.truth.json", b"\xff\xfe", "is not JSON"),
        ("a.truth.json", b"[]", "does not hold a mapping"),
        ("a.truth.json", b"[" * 100_000, "is not JSON"),
        ("a.truth.json.gz", b"{}", "cannot be read"),
        ("a.truth.json.gz", gzip.compress(b"{}" * 99, mtime=0)[:-9], "cannot be read"),
        ("a.truth.json.gz", gzip.compress(b" " * 70_000_000, 1, mtime=0), "is larger than 64 MB"),
    ],
)
def test_a_damaged_file_is_refused_in_one_line(tmp_path, name, content, fault):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FileError, match=fault) as caught:
        read_truth(tmp_path / name)
    assert "\n" not in str(caught.value)


def test_a_file_of_the_first_version_is_read_with_nothing_known_of_its_setting(tmp_path):
    path = changed(tmp_path, schema="formcheck.truth/1.0", family=None, setting=None)
    truth = read_truth(path)
    assert truth.family == ""
    assert repr(truth.setting) == repr(Setting())


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(FileError, match="no such file"):
        read_truth(tmp_path / "a.truth.json")


def test_a_newer_minor_version_is_read_with_a_warning(tmp_path):
    path = changed(tmp_path, schema="formcheck.truth/1.7", something_new=1)
    with pytest.warns(NewerMinorWarning):
        assert read_truth(path).exercise == "squat"


def test_the_truth_beside_a_clip_is_found(tmp_path):
    assert truth_beside(tmp_path / "a.mp4") is None
    write_truth(tmp_path / "a.truth.json.gz", a_truth())
    assert truth_beside(tmp_path / "a.mp4").name == "a.truth.json.gz"


def rendered(**values) -> dict:
    frame = {"knee_L": 10.0, "knee_R": 20.0, "thigh_L": 90.0, "thigh_R": 30.0, "trunk": 5.0}
    frame |= {"pelvic_obliquity": -7.0, "hip_L_xyz": [0.1, 0.0, 0.9]}
    frames = [{**frame, "t": round(i / 30, 5)} for i in range(31)]
    rep = {"start": 0.1, "top0": 0.2, "top1": 0.3, "end": 0.4}
    return {"exercise": "squat", "side": "L", "azimuth": 90, "note": None, "reps": [rep] * 4} | {
        "frames": frames,
        **values,
    }


def test_a_rendered_clip_is_converted_to_our_zero_and_sense():
    truth = truth_from(rendered())
    assert truth.thigh_inclination_left_deg[0] == 0
    assert truth.thigh_inclination_right_deg[0] == 60
    assert truth.pelvic_obliquity_deg[0] == 7
    assert truth.joint_m("left", "hip")[0] == pytest.approx([0.1, 0, 0.9])
    assert np.all(np.isnan(truth.joint_m("left", "heel")))


@pytest.mark.parametrize(("side", "drop_deg"), [("L", -7), ("R", 7)])
def test_a_drop_of_the_swing_side_is_positive_whichever_leg_stands(side, drop_deg):
    truth = truth_from(rendered(exercise="single_leg_deadlift", side=side))
    assert truth.pelvic_obliquity_deg[0] == drop_deg


def test_a_sequence_gets_its_directions():
    truth = truth_from(rendered(exercise="multidirectional_lunge"))
    assert truth.exercise == "multidirectional_lunge"
    assert [r.part for r in truth.repetitions] == ["forward", "lateral", "rotational", "forward"]


def test_a_sequence_that_holds_its_parts_is_told_by_them():
    times = {"start": 0.1, "top0": 0.2, "top1": 0.3, "end": 0.4}
    whole = {**times, "parts": [{**times, "direction": "lateral"}]}
    truth = truth_from(rendered(exercise="multidirectional_lunge", reps=[whole]))
    assert [r.part for r in truth.repetitions] == ["lateral"]


@pytest.mark.parametrize(
    ("exercise", "shoulder_y_m", "trunk_deg"),
    [("squat", -0.2, 5), ("squat", 0.2, -5), ("squat", 0.03, 5), ("heel_slide", -0.2, -5)],
)
def test_a_trunk_that_leans_back_counts_backward(exercise, shoulder_y_m, trunk_deg):
    source = rendered(exercise=exercise)
    for frame in source["frames"]:
        for side in "LR":
            frame[f"shoulder_{side}_xyz"] = [0, shoulder_y_m, 1.4]
            frame[f"hip_{side}_xyz"] = [0, 0, 0.9]
    assert truth_from(source).trunk_inclination_deg[0] == trunk_deg


def test_a_description_beside_a_rendered_clip_is_read_as_it_is(tmp_path):
    setting = {"cam_h": 0.7, "dist": 3.0, "yfov": 50, "trousers": True, "roll": 1}
    reps = rendered()["reps"][:1]
    source = rendered(reps=reps, family="squat_side", fps=15, size=[640, 480], setting=setting)
    (tmp_path / "a.json.gz").write_bytes(gzip.compress(json.dumps(source).encode()))
    found = truth_beside(tmp_path / "a.mp4")
    truth = read_truth(found)
    assert truth.family == "squat_side"
    assert truth.setting == Setting(
        camera_height_m=0.7,
        camera_distance_m=3.0,
        field_of_view_deg=50,
        frame_rate_hz=15,
        width_px=640,
        height_px=480,
        clothing="trousers",
    )
    write_truth(tmp_path / "b.truth.json", truth)
    assert same(read_truth(tmp_path / "b.truth.json"), truth)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"exercise": "hopping"}, "there is no exercise"),
        ({"frames": 3}, "int"),
        ({"side": "X"}, "lacks 'X'"),
        ({"reps": [{}]}, "lacks 'start'"),
    ],
)
def test_a_description_of_another_form_is_refused_in_one_line(tmp_path, change, why):
    path = tmp_path / "a.json.gz"
    path.write_bytes(gzip.compress(json.dumps(rendered(**change)).encode()))
    with pytest.raises(FileError, match=why) as caught:
        read_truth(path)
    assert "a.json.gz: is no description of a rendered clip" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_thinning_keeps_every_second_row_of_thirty_a_second():
    truth = truth_from(rendered(), rate_hz=15)
    assert truth.time_s == pytest.approx(np.arange(16) / 15, abs=1e-4)


# -- the sample clips


def test_every_sample_clip_has_its_truth_and_its_line():
    with (SAMPLES / "clips.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert sorted(Path(row["file"]).stem for row in rows) == NAMES
    for row in rows:
        truth = read_truth(truth_beside(SAMPLES / row["file"]))
        assert (truth.exercise, truth.side) == (row["exercise"], row["side"])
        text = f"| {Path(row['file']).stem} | {truth.exercise} | {truth.side} | "
        line = next(s for s in readme().splitlines() if s.startswith(text))
        assert line.split(" | ")[3].split()[0] == f"{truth.azimuth_deg:.0f}"
        assert line.endswith(f" {len(truth.repetitions)} |")


def readme() -> str:
    return (SAMPLES / "README.md").read_text()


def at_turns(truth: Truth, what: str) -> list[float]:
    side = "right" if truth.side == "right" else "left"
    ankle_m = truth.joint_m(side, "ankle")[:, 2]
    apart = [
        np.abs(truth.joint_m("left", joint)[:, 0] - truth.joint_m("right", joint)[:, 0])
        for joint in ("knee", "ankle")
    ]
    series = {
        "knee flexion, deg": truth.knee_flexion_deg(side),
        "thigh inclination, deg": truth.thigh_inclination_deg(side),
        "leg elevation, deg": truth.leg_elevation_deg(side),
        "trunk inclination, deg": truth.trunk_inclination_deg,
        "pelvic obliquity, deg": truth.pelvic_obliquity_deg,
        "knees apart over ankles apart": apart[0] / apart[1],
        "rise of the ankle, cm": (ankle_m - ankle_m[0]) * 100,
    }
    if what == "time held, s":
        return [r.turn_to_s - r.turn_from_s for r in truth.repetitions]
    return [
        float(np.median(series[what][_within(truth, r.turn_from_s, r.turn_to_s)]))
        for r in truth.repetitions
    ]


def _within(truth, from_s, to_s):
    return (truth.time_s >= from_s) & (truth.time_s <= to_s)


def test_the_readme_of_the_sample_clips_tells_their_true_values():
    rows = re.findall(r"^\| (\w+) \| ([^|]+?)(?: \([^|]*\))? \| ([\d., -]+) \|$", readme(), re.M)
    assert {name for name, _, _ in rows} == set(NAMES)
    assert len(rows) == 15
    for name, what, values in rows:
        truth = read_truth(truth_beside(SAMPLES / f"{name}.mp4"))
        told = values.split(", ")
        decimals = len(told[0].split(".")[1])
        assert told == [f"{v:.{decimals}f}" for v in at_turns(truth, what)], (name, what)
