"""The exported track against the BIDS-Motion rules (BIDS 1.11, Motion)."""

import csv
import json

import numpy as np
import pytest

# BIDS specification 1.11, Motion: channels.tsv starts with these columns in this order, and
# these are the channel types and components that formcheck may use.
REQUIRED_COLUMNS = ["name", "component", "type", "tracked_point", "units"]
COMPONENTS = {"x", "y", "z", "quat_x", "quat_y", "quat_z", "quat_w", "n/a"}
TYPES = {"POS", "VEL", "ORNT", "JNTANG", "LATENCY", "MISC"}


@pytest.fixture(scope="module")
def exported(run_formcheck, squat_results, tmp_path_factory):
    out = tmp_path_factory.mktemp("bids")
    done = run_formcheck("export-motion", squat_results, "--out", out, "--participant", "KN-204")
    assert done.returncode == 0, done.stderr
    return out


def one(folder, ending):
    (path,) = folder.glob(f"*{ending}")
    return path


def test_names_carry_subject_task_and_tracking_system(exported):
    names = {p.name for p in exported.iterdir()}
    stem = "sub-KN204_task-squat_tracksys-formcheck"
    assert names == {f"{stem}_motion.tsv", f"{stem}_motion.json", f"{stem}_channels.tsv"}


def test_the_same_recording_is_written_again_and_another_is_not_written_over(
    run_formcheck, squat_results, tmp_path
):
    def export(*more):
        return run_formcheck(
            "export-motion", squat_results, "--out", tmp_path, "--participant", "KN.204", *more
        )

    assert export().returncode == 0
    assert export().returncode == 0
    table = one(tmp_path, "_motion.tsv")
    table.write_text("1.0\n")
    done = export()
    assert (done.returncode, "--session or --run" in done.stderr) == (5, True)
    assert table.read_text() == "1.0\n"
    assert export("--session", "day 1", "--run", "2").returncode == 0
    stem = "sub-KN204_ses-day1_task-squat_tracksys-formcheck_run-2"
    assert (tmp_path / f"{stem}_motion.tsv").is_file()


def test_channels_have_the_required_columns_known_types_and_declared_units(exported):
    with open(one(exported, "_channels.tsv"), encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file, delimiter="\t"))
    assert rows[0] == REQUIRED_COLUMNS
    for _, component, kind, _, units in rows[1:]:
        assert component in COMPONENTS
        assert kind in TYPES
        assert units == ("deg" if kind == "JNTANG" else "px")
        assert (component == "n/a") == (kind == "JNTANG")


def test_the_sidecar_names_task_rate_and_counts_its_channels(exported):
    body = json.loads(one(exported, "_motion.json").read_text())
    with open(one(exported, "_channels.tsv"), encoding="utf-8") as file:
        n = len(file.readlines()) - 1
    assert body["TaskName"] == "squat"
    assert body["SamplingFrequency"] == 30
    assert body["MotionChannelCount"] == n


def test_the_table_is_the_track_with_na_for_missing(exported, squat_results):
    from formcheck.run.rerun import reassess

    text = one(exported, "_motion.tsv").read_text().splitlines()
    analysis = reassess(squat_results)
    assert len(text) == len(analysis.track.time_s)
    values = np.array(
        [[np.nan if v == "n/a" else float(v) for v in line.split("\t")] for line in text]
    )
    knee = values[:, -1]
    seen = np.isfinite(analysis.trace.value)
    assert knee[seen] == pytest.approx(analysis.trace.value[seen], abs=1e-3)
