"""An exercise that nobody wrote code for: one file, and it is measured end to end."""

import json
from importlib.resources import files

import pytest


@pytest.fixture(scope="module")
def own_exercise(tmp_path_factory):
    """A clinician's own mini squat: another name, range, measures and look-for than the squat's."""
    text = (files("formcheck") / "catalogue" / "squat.toml").read_text(encoding="utf-8")
    text = text.replace('id = "squat"', 'id = "mini_squat"')
    text = text.replace('name = "Squat"', 'name = "Mini squat"')
    text = text.replace(
        '"knee_flexion_peak_deg", "thigh_inclination_deg", "shank_inclination_deg",',
        '"knee_flexion_peak_deg", "knee_flexion_least_deg",',
    )
    text = text.replace(
        'measure = "thigh_inclination_deg"\nat_most = 0\ntolerance = 10',
        'measure = "knee_flexion_peak_deg"\nat_least = 40',
    )
    text += """
[[look_for]]
code = "too_deep_for_a_mini_squat"
view = "sagittal"
feature = "knee_flexion_peak_deg"
above = 60
source = "the clinic's own rule"
text = "The knee bent further than this exercise asks for."
"""
    path = tmp_path_factory.mktemp("own") / "mini_squat.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_its_file_passes_the_check(run_formcheck, own_exercise):
    done = run_formcheck("check", own_exercise)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_clip_is_measured_by_it(
    run_formcheck, own_exercise, short_squat, squat_results, tmp_path
):
    out = tmp_path / "out"
    done = run_formcheck(
        "analyze",
        short_squat,
        "--exercise",
        own_exercise,
        "--side",
        "left",
        "--out",
        out,
        "--pose-model",
        "lite",
        "--no-video",
        "--at-most",
        "knee_flexion_peak_deg=60",
    )
    assert done.returncode == 0, done.stderr
    report = json.loads((out / "report.json").read_text(encoding="utf-8"))
    assert report["exercise"] == "mini_squat"
    assert report["set"]["n_complete"] == 2
    assert report["exercise_words"]["name"] == "Mini squat"
    for rep in report["repetitions"]:
        assert "value" in rep["measures"]["knee_flexion_least_deg"]
        assert "thigh_inclination_deg" not in rep["measures"]
        assert "too_deep_for_a_mini_squat" in {f["code"] for f in rep["findings"]}
        assert rep["checks"][0]["outcome"] in ("passed", "possibly_passed")
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Mini squat" in page
    assert "The knee bent further than this exercise asks for" in page


def test_its_folder_is_explained_without_the_file(
    run_formcheck, own_exercise, short_squat, squat_results, tmp_path
):
    out = tmp_path / "out"
    run_formcheck(
        "analyze",
        short_squat,
        "--exercise",
        own_exercise,
        "--side",
        "left",
        "--out",
        out,
        "--pose-model",
        "lite",
        "--no-video",
    )
    done = run_formcheck(
        "explain", out, "--rep", "1", "--measure", "knee_flexion_least_deg", cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr
    assert "Value:" in done.stdout
