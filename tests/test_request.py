"""One request: the command line, a batch and the clinic ask the same of the same clip."""

import csv
from dataclasses import replace

import pytest
from builders import DEFAULT_BOUNDS, build_report
from clinic_cases import SAMPLES, new_clinic, new_patient, new_set

from formcheck.batch import Describing
from formcheck.batch.clips import BatchClip, find_clips
from formcheck.batch.tables import ClipResult, repetition_rows, write_tables
from formcheck.clinic.patients import prescriptions_of
from formcheck.clinic.work import request_of_set
from formcheck.files.exercise_files import exercise_text
from formcheck.files.report_rounding import as_written
from formcheck.model.errors import FileError, UsageError
from formcheck.model.programme import Bound
from formcheck.model.stated import Context
from formcheck.report.columns import check_columns
from formcheck.report.files import csv_rows, write_csv
from formcheck.run.request import (
    FilesReadOnce,
    checked_bound,
    checked_side,
    read_given_prescription,
    request_for,
)

PRESCRIPTION = SAMPLES / "prescription.toml"
VIDEO_HEAD = b"\x00\x00\x00\x18ftypmp42" + bytes(16)


def of_the_command_line(monkeypatch, tmp_path, *options):
    """What `formcheck analyze` asks of the pipeline; the clip is not looked at."""
    from typer.testing import CliRunner

    from formcheck import cli
    from formcheck.run import pipeline

    asked = []

    def stop(request, settings, **_others):
        asked.append(request)
        raise UsageError("far enough")

    monkeypatch.setattr(pipeline, "analyze", stop)
    if not cli.app.registered_commands:
        cli._register_commands()
    ended = CliRunner().invoke(cli.app, ["analyze", "a.mp4", "--out", str(tmp_path), *options])
    assert str(ended.exception) == "far enough", ended.output
    return asked[0]


def of_a_batch(tmp_path, row: str, **describing):
    (tmp_path / "a.mp4").write_bytes(VIDEO_HEAD)
    (tmp_path / "clips.csv").write_text(f"file,exercise,side,mirrored\na.mp4,{row}\n")
    clip = next(
        c for c in find_clips(tmp_path, tmp_path / "out", Describing(**describing)) if c.exercise
    )
    assert clip.state == "wanted", clip.reason
    return clip.request


def of_the_clinic(tmp_path, **about):
    clinic = new_clinic(tmp_path)
    try:
        patient = new_patient(clinic)
        plan = prescriptions_of(clinic, patient.id)[0]
        return request_of_set(clinic, new_set(clinic, patient, prescription_id=plan.id, **about))
    finally:
        clinic.close()


def without_the_file(request):
    return replace(request, clip=None, prescription_sha256=None)


@pytest.mark.parametrize("side", ["left", "right", "both"])
def test_three_ways_to_ask_make_one_request(monkeypatch, tmp_path, side):
    by_command = of_the_command_line(
        monkeypatch,
        tmp_path / "o",
        *("--exercise", "squat", "--side", side, "--mirrored"),
        *("--prescription", str(PRESCRIPTION)),
    )
    by_batch = of_a_batch(tmp_path, f"squat,{side},yes", prescription=PRESCRIPTION)
    by_clinic = of_the_clinic(tmp_path, exercise="squat", side=side, is_mirrored=True)
    assert by_command.side == by_batch.side == by_clinic.side == side
    assert by_command.is_mirrored
    assert by_command.bounds
    assert without_the_file(by_command) == without_the_file(by_batch)
    assert without_the_file(by_command) == without_the_file(by_clinic)
    assert by_command.prescription_sha256 == by_batch.prescription_sha256


def test_no_side_is_the_lines_own_where_it_names_one_leg():
    given = read_given_prescription(PRESCRIPTION)
    line = replace(given.record.exercises[0], sides=("right",))
    given = replace(given, record=replace(given.record, exercises=(line,)))
    assert request_for("a.mp4", "squat", prescription=given).side == "right"
    assert request_for("a.mp4", "squat").side is None


def test_what_the_context_leaves_out_is_the_prescriptions():
    given = read_given_prescription(PRESCRIPTION)
    line = replace(given.record.exercises[0], load_kg=4.0, seat_height_cm=45.0)
    given = replace(given, record=replace(given.record, exercises=(line,)))
    request = request_for(
        "a.mp4", "squat", prescription=given, context=Context(load_kg=0.0, effort=7)
    )
    assert request.context == Context(load_kg=0.0, effort=7, seat_height_cm=45.0)
    request = request_for("a.mp4", "squat", prescription=given)
    assert request.context.load_kg is None, "what was planned is not what was lifted"


def test_an_exercise_that_is_not_prescribed_is_an_error_or_is_only_measured():
    given = read_given_prescription(PRESCRIPTION)
    with pytest.raises(UsageError, match="calf_raise is not in the prescription of KN-204"):
        request_for("a.mp4", "calf_raise", prescription=given)
    request = request_for("a.mp4", "calf_raise", prescription=given, is_prescribed=False)
    assert (request.bounds, request.prescribed) == ((), None)
    assert request.prescription == given.record


def test_an_exercise_file_is_found_as_given_or_beside_the_prescription(tmp_path):
    own = exercise_text("squat").replace('id = "squat"', 'id = "my_squat"')
    for folder in ("plan", "clips"):
        (tmp_path / folder).mkdir()
    (tmp_path / "plan/my_squat.toml").write_text(own)
    plan = tmp_path / "plan/p.toml"
    plan.write_text(PRESCRIPTION.read_text().replace('"squat"', '"my_squat.toml"'))
    given = read_given_prescription(plan)
    for name, folder in (
        ("my_squat.toml", tmp_path / "clips"),
        ("../plan/my_squat.toml", tmp_path / "clips"),
        (str(tmp_path / "plan/my_squat.toml"), tmp_path / "clips"),
        ("my_squat.toml", tmp_path / "plan"),
    ):
        request = request_for("a.mp4", name, prescription=given, folder=folder)
        assert request.exercise.id == "my_squat"
        assert request.prescribed.exercise == "my_squat.toml"
    with pytest.raises(FileError, match="no such file"):
        request_for("a.mp4", "other.toml", prescription=given, folder=tmp_path)


@pytest.mark.parametrize("side", ["port", "LEFT", "none"])
def test_another_word_for_a_side_is_refused(side):
    with pytest.raises(UsageError, match="write left, right or both"):
        checked_side(side)


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("knee_flexion_peak", 60, "did you mean knee_flexion_peak_deg"),
        ("knee_flexion_peak_deg", 600, "give -20 to 170"),
        ("knee_flexion_peak_deg", float("nan"), "give a number"),
        ("n_in_30_s", 12, "of the whole set"),
    ],
)
def test_a_bound_that_cannot_be_is_refused(key, value, says):
    with pytest.raises(UsageError, match=says):
        checked_bound("target", key, value)


def test_files_of_a_run_are_read_once_and_their_faults_kept(tmp_path):
    files = FilesReadOnce()
    path = tmp_path / "p.toml"
    with pytest.raises(FileError):
        files.prescription(path)
    path.write_text(PRESCRIPTION.read_text())
    with pytest.raises(FileError):
        files.prescription(path)
    assert FilesReadOnce().prescription(path) is not None


# -- two targets on one measure

TWO = (*DEFAULT_BOUNDS[:1], ("target", Bound(measure="knee_flexion_peak_deg", at_most=95)))


def test_a_second_target_on_a_measure_has_columns_of_its_own():
    checks = [("a", "target"), ("a", "limit"), ("a", "target"), ("a", "target")]
    assert check_columns(checks) == ["a_target", "a_limit", "a_target_2", "a_target_3"]


def test_the_table_of_a_set_and_of_a_batch_agree_on_two_targets(tmp_path):
    report = build_report(bounds=TWO)
    clip = BatchClip(file="a.mp4", state="wanted")
    result = ClipResult(clip=clip, status="measured", report=as_written(report))
    of_set, of_batch = csv_rows(report)[0], repetition_rows(result)[0]
    names = ["target", "target_outcome", "target_2", "target_2_outcome"]
    for name in (f"knee_flexion_peak_deg_{n}" for n in names):
        assert of_set[name] == of_batch[name] != ""
    write_csv(report, tmp_path / "reps.csv")
    write_tables([result], tmp_path)
    heads = []
    for file in ("reps.csv", "summary.csv"):
        with (tmp_path / file).open(encoding="utf-8", newline="") as table:
            rows = list(csv.DictReader(table))
        heads.append([name for name in rows[0] if "_target" in name])
        assert rows[0]["knee_flexion_peak_deg_target_2"] == "at most 95 deg"
    assert heads[0] == heads[1]


def test_the_clinicians_page_offers_each_outcome_once_for_two_targets():
    from formcheck.report.corrections import corrected
    from formcheck.web.clinician.set_view import set_view

    found = build_report(bounds=TWO)
    view = set_view(corrected(found, ()), found)
    values = [choice.value for choice in view.checks]
    assert values
    assert len(values) == len(set(values))
    assert len(view.rows[0].chips) == 2
