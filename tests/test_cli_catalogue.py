"""The commands exercises, check and prescription, as a person types them."""

import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from formcheck.cli import catalogue
from formcheck.files.exercise_files import exercise_ids, exercise_text
from formcheck.files.prescriptions import read_prescription
from formcheck.model.errors import FileError, OutputError, UsageError

SAMPLE = Path(__file__).parents[1] / "sample_clips" / "prescription.toml"


@pytest.fixture
def run():
    app = typer.Typer()
    catalogue.register(app)
    runner = CliRunner()

    def run(*arguments, answers=""):
        return runner.invoke(app, list(map(str, arguments)), input=answers)

    return run


def test_exercises_lists_one_id_a_line(run):
    result = run("exercises")
    assert result.exit_code == 0
    assert {line.split()[0] for line in result.stdout.splitlines()[1:]} == set(exercise_ids())


@pytest.mark.parametrize("name", exercise_ids())
def test_exercises_name_shows_each_one_in_full(run, name):
    result = run("exercises", name)
    assert result.exit_code == 0
    assert name in result.stdout
    assert "seen from above" in result.stdout
    assert "Take care" in result.stdout


def test_the_drawing_is_written_to_a_file(run, tmp_path):
    out = tmp_path / "squat.svg"
    result = run("exercises", "squat", "--svg", out, "--view", "frontal")
    assert result.exit_code == 0
    assert "straight ahead" in out.read_text(encoding="utf-8")
    ET.parse(out)


def test_a_drawing_needs_an_exercise_and_a_view_that_it_has(run, tmp_path):
    assert isinstance(run("exercises", "--svg", tmp_path / "x.svg").exception, UsageError)
    refused = run("exercises", "bridge", "--view", "frontal").exception
    assert isinstance(refused, UsageError)
    assert "sagittal" in str(refused)


def test_check_of_sound_files_says_so_and_ends_with_zero(run, tmp_path):
    own = tmp_path / "own.toml"
    own.write_text(exercise_text("squat"), encoding="utf-8")
    result = run("check", own, SAMPLE)
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        f"{own}: exercise, nothing to mend",
        f"{SAMPLE}: prescription, nothing to mend",
    ]


def test_check_lists_the_faults_of_all_files_and_ends_with_4(run, tmp_path):
    one, two = tmp_path / "one.toml", tmp_path / "two.toml"
    one.write_text(exercise_text("squat").replace('"standing"', '"hovering"'), encoding="utf-8")
    two.write_text(SAMPLE.read_text().replace("sets = 3", "sets = 0"), encoding="utf-8")
    result = run("check", one, two, tmp_path / "three.toml")
    assert result.exit_code == FileError.exit_code
    lines = result.stdout.splitlines()
    assert f"{one}:8: position: " in lines[0]
    assert sum(line.startswith(f"{two}:") for line in lines) == 2
    assert "no such file" in lines[-1]


def test_check_as_json_can_be_read_by_a_program(run, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("= 1\n", encoding="utf-8")
    result = run("check", "--json", SAMPLE, bad)
    assert result.exit_code == FileError.exit_code
    rows = json.loads(result.stdout)
    assert rows[0] == {"file": str(SAMPLE), "kind": "prescription", "faults": [], "advice": []}
    assert len(rows[1]["faults"]) == 1


def test_check_without_a_file_asks_for_one(run):
    assert isinstance(run("check").exception, UsageError)


def test_check_writes_the_schemas_for_an_editor(run, tmp_path):
    result = run("check", "--write-schemas", tmp_path)
    assert result.exit_code == 0
    assert len(list(tmp_path.glob("*.schema.json"))) == 4


ANSWERS = "\n".join(
    [
        "",
        "KN-9",
        "left",
        "A.B.",
        "",
        "",
        "",
        "",
        "",
        "",
        "quad_set",
        "no",
        "",
        "left",
        "",
        "",
        "",
        "",
        "",
        "",
        "",
    ]
)


def test_prescription_new_writes_what_was_answered(run, tmp_path):
    file = tmp_path / "new.toml"
    result = run("prescription", "new", file, answers=ANSWERS)
    assert result.exit_code == 0, result.output
    made = read_prescription(file)
    assert made.patient == "KN-9"
    assert made.exercises[0].exercise == "quad_set"
    assert made.exercises[0].hold_s == 5
    assert isinstance(run("prescription", "new", file, answers=ANSWERS).exception, UsageError)
    assert run("prescription", "new", file, "--replace", answers=ANSWERS).exit_code == 0


def test_prescription_new_without_a_file_prints_the_file_alone(run, tmp_path):
    result = run("prescription", "new", answers=ANSWERS)
    assert result.exit_code == 0
    (tmp_path / "p.toml").write_text(result.stdout, encoding="utf-8")
    assert read_prescription(tmp_path / "p.toml").patient == "KN-9"
    assert "Patient code" in result.stderr


def test_prescription_new_that_is_broken_off_writes_nothing(run, tmp_path):
    result = run("prescription", "new", tmp_path / "p.toml", answers="\nKN-9\n")
    assert isinstance(result.exception, UsageError)
    assert list(tmp_path.iterdir()) == []


def test_prescription_sheet_writes_the_page(run, tmp_path):
    out = tmp_path / "sheet.html"
    assert run("prescription", "sheet", SAMPLE, "--out", out, "--large-print").exit_code == 0
    page = out.read_text(encoding="utf-8")
    assert "font-size: 150%" in page
    assert "KN-204" in page


def test_a_sheet_of_a_faulty_file_writes_nothing(run, tmp_path):
    bad = tmp_path / "bad.toml"
    bad.write_text("patient = 1\n", encoding="utf-8")
    result = run("prescription", "sheet", bad, "--out", tmp_path / "sheet.html")
    assert isinstance(result.exception, FileError)
    assert not (tmp_path / "sheet.html").exists()


def test_an_error_is_told_without_a_traceback_and_with_its_exit_code():
    code = "from formcheck.cli import main; main()"
    for arguments, exit_code, words in (
        (["exercises", "sqat"], 2, "did you mean squat"),
        (["check", "none.toml"], 4, "no such file"),
        (["exercises", "none.toml"], 4, "no such file"),
    ):
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
        )
        assert done.returncode == exit_code
        assert words in done.stdout + done.stderr
        assert "Traceback" not in done.stderr


def test_every_command_and_option_has_a_help_text(run):
    for command in (["exercises"], ["check"], ["prescription", "new"], ["prescription", "sheet"]):
        result = run(*command, "--help")
        assert result.exit_code == 0
        assert len(result.stdout.splitlines()) > 6


def test_no_output_takes_the_place_of_the_file_that_is_read(run, tmp_path):
    plan, exercise = tmp_path / "p.toml", tmp_path / "squat.toml"
    plan.write_bytes(SAMPLE.read_bytes())
    exercise.write_text(exercise_text("squat"), encoding="utf-8")
    for file, args in (
        (plan, ("prescription", "sheet", plan, "--out", plan)),
        (exercise, ("exercises", exercise, "--svg", exercise)),
    ):
        before = file.read_bytes()
        refused = run(*args).exception
        assert isinstance(refused, UsageError), args
        assert "written over the file that is read" in str(refused)
        assert file.read_bytes() == before


@pytest.mark.parametrize("place", [".", "none/p.toml"])
def test_a_place_that_cannot_be_written_is_told_before_the_questions(run, tmp_path, place):
    result = run("prescription", "new", tmp_path / place, "--replace")
    assert isinstance(result.exception, OutputError)
    assert "Patient" not in result.output
    assert "Valid from" not in result.output
