"""The Python interface: a measured set as a researcher reads it, errors of the family, lazy."""

import math
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pyarrow
import pytest
from builders import DEFAULT_BOUNDS, build_report
from exercise_cases import SQUAT, STANDING
from skeleton import film, repeated

import formcheck
from formcheck.files.held_folders import held_folder
from formcheck.files.report_file import report_mapping, write_report
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound
from formcheck.report.files import csv_rows


@pytest.fixture(scope="module")
def found():
    """What is found in a set of drawn figures, with two targets on one measure."""
    two = (*DEFAULT_BOUNDS, ("target", Bound(measure="knee_flexion_peak_deg", at_most=95)))
    return formcheck.MeasuredSet(build_report(bounds=two))


@pytest.fixture
def known_landmarks(monkeypatch):
    """Landmarks of a made-up figure in the place of a clip that is looked at."""
    from formcheck.run import pipeline

    raw = film(repeated(STANDING, [SQUAT] * 3, stay_s=0.8))
    monkeypatch.setattr(pipeline, "landmarks", lambda *_args, **_options: raw)
    return raw


def test_a_measure_has_value_interval_and_unit(found):
    knee = found.repetitions[0]["knee_flexion_peak_deg"]
    told = report_mapping(found.report)["repetitions"][0]["measures"]["knee_flexion_peak_deg"]
    assert (knee.value, knee.low, knee.high) == (told["value"], told["low"], told["high"])
    assert knee.unit == "deg"
    assert knee.is_measured
    assert knee.low < knee.value < knee.high


def test_a_measure_that_was_not_seen_is_nan_with_its_reason(found):
    hidden = [q for r in found.repetitions for q in r.values() if not q.is_measured]
    assert hidden
    for quantity in hidden:
        assert math.isnan(quantity.value)
        assert math.isnan(quantity.low)
        assert len(quantity.not_measurable.split()) > 2
        assert quantity.unit == MEASURES[quantity.key].unit


def test_a_repetition_is_a_mapping_of_its_measures_in_time(found):
    first = found.repetitions[0]
    assert "knee_flexion_peak_deg" in first
    assert len(first) == len(list(first)) == len(found.report.repetitions[0].measures)
    assert first.start_s < first.turn_s < first.end_s
    with pytest.raises(KeyError):
        first["knee_flexion_peak"]
    assert "repetition 1" in repr(first)
    assert found.exercise in repr(found)


def test_the_table_is_the_one_of_the_files(found):
    table = found.to_table()
    assert isinstance(table, pyarrow.Table)
    rows = csv_rows(found.report)
    assert table.num_rows == len(rows)
    for got, written in zip(table.to_pylist(), rows, strict=True):
        assert set(got) == set(written) - {"findings"}
        assert got.pop("complete") is (written["complete"] == "yes")
        for name, value in got.items():
            assert value == (written[name] if written[name] != "" else None), name
    assert table.schema.field("knee_flexion_peak_deg").type == pyarrow.float64()
    assert "knee_flexion_peak_deg_target_2_outcome" in table.column_names


def test_a_set_without_a_repetition_is_an_empty_table(found):
    empty = formcheck.MeasuredSet(replace(found.report, repetitions=()))
    assert empty.to_table().num_rows == 0
    assert empty.to_table().column_names[:3] == ["number", "side", "part"]


def test_pandas_takes_the_table_as_it_is(found):
    frame = found.to_table().to_pandas()
    assert frame["knee_flexion_peak_deg"].dtype == "float64"
    assert len(frame) == len(found.repetitions)
    assert frame.loc[0, "knee_flexion_peak_deg"] == (
        found.repetitions[0]["knee_flexion_peak_deg"].value
    )


def test_polars_takes_the_table_as_it_is(found):
    import polars

    frame = polars.DataFrame(found.to_table())
    assert frame.height == len(found.repetitions)
    assert frame["knee_flexion_peak_deg"][0] == found.repetitions[0]["knee_flexion_peak_deg"].value


def test_a_clip_is_measured_against_what_was_asked(known_landmarks, tmp_path):
    found = formcheck.analyze(
        "clip.mp4",
        exercise="squat",
        side="left",
        at_least={"knee_flexion_peak_deg": 60},
        context=formcheck.Context(load_kg=2.0),
    )
    assert (found.exercise, found.side) == ("squat", "left")
    assert found.is_usable
    assert found.report.context.load_kg == 2.0
    assert all(r.checks for r in found.repetitions)
    assert found.trace.time_s.shape == found.trace.value.shape
    assert found.trace.key == "knee_flexion"
    with held_folder(tmp_path / "out"), pytest.raises(formcheck.BusyError, match="another run"):
        found.write(tmp_path / "out")
    assert not (tmp_path / "out").exists()
    found.write(tmp_path / "out")
    assert (tmp_path / "out/report.json").is_file()
    assert not (tmp_path / "out/annotated.mp4").exists()


@pytest.mark.parametrize(
    ("asked", "error", "says"),
    [
        ({"exercise": "sqat"}, formcheck.UsageError, "did you mean squat"),
        ({"exercise": "squat", "side": "port"}, formcheck.UsageError, "left, right or both"),
        ({"exercise": "squat", "at_most": {"knee": 3}}, formcheck.UsageError, "no measure"),
        (
            {"exercise": "squat", "at_least": {"knee_flexion_peak_deg": "60"}},
            formcheck.UsageError,
            "'60' is no bound for knee_flexion_peak_deg",
        ),
        ({"exercise": "squat", "prescription": "none.toml"}, formcheck.FileError, "none.toml"),
        ({"exercise": "squat", "calibration": "none.json"}, formcheck.FileError, "none.json"),
        ({"exercise": "own.toml"}, formcheck.FileError, "own.toml"),
        ({"exercise": "squat"}, formcheck.ClipError, "none.mp4"),
    ],
)
def test_errors_are_of_the_family(asked, error, says, tmp_path):
    with pytest.raises(error, match=says) as raised:
        formcheck.analyze(tmp_path / "none.mp4", **asked)
    assert isinstance(raised.value, formcheck.FormcheckError)


@pytest.mark.parametrize(
    ("stated", "says"),
    [
        ({"pain": 3}, "give Pain(before=..., during=..., after=...)"),
        ({"load_kg": -1}, "load_kg -1: give a number from 0 to 500"),
        ({"load_kg": "5"}, "load_kg '5'"),
        ({"stature_cm": math.nan}, "stature_cm nan"),
        ({"stature_cm": 1.8}, "stature_cm 1.8: give a number from 50 to 250"),
        ({"effort": 11}, "effort 11: give a whole number from 0 to 10"),
        ({"effort": True}, "effort True"),
        ({"support": 2}, "support 2"),
    ],
)
def test_what_is_stated_is_checked(stated, says):
    with pytest.raises(formcheck.UsageError, match=re.escape(says)):
        formcheck.Context(**stated)


@pytest.mark.parametrize("score", [-1, 10.5, 11, "3"])
def test_pain_goes_from_0_to_10(score):
    with pytest.raises(formcheck.UsageError, match="whole number from 0 to 10"):
        formcheck.Pain(after=score)


def test_a_report_that_was_read_cannot_be_written_as_a_result(found, tmp_path):
    with pytest.raises(formcheck.UsageError, match="no landmarks"):
        found.write(tmp_path)
    assert found.trace is None


def test_a_prescription_is_read_or_handed_over(known_landmarks, samples):
    plan = formcheck.read_prescription(samples / "prescription.toml")
    found = formcheck.analyze("a.mp4", "squat", prescription=plan)
    assert found.report.whole.dose_prescribed == plan.exercises[0].repetitions


def test_every_promised_name_is_there_and_no_other(tmp_path):
    for name in formcheck.__all__:
        assert getattr(formcheck, name).__name__ == name
        assert name in dir(formcheck)
        assert getattr(formcheck, name).__doc__
    with pytest.raises(AttributeError, match="no attribute 'analyse'"):
        formcheck.analyse  # noqa: B018
    assert set(formcheck._MODULE_OF) == set(formcheck.__all__)


def test_the_package_says_that_it_is_typed():
    assert (Path(formcheck.__file__).parent / "py.typed").is_file()


def test_importing_the_package_imports_nothing_else():
    code = (
        "import sys; before = set(sys.modules); import formcheck; "
        "print(*(set(sys.modules) - before))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["formcheck"]


def _python_blocks() -> list[str]:
    page = Path(formcheck.__file__).parent / "docs/researchers/api.md"
    return re.findall(r"^```python\n(.*?)^```", page.read_text("utf-8"), re.M | re.S)


def test_the_example_of_the_page_gives_a_value_in_its_interval(known_landmarks, capsys):
    exec(_python_blocks()[0], {})
    value, low, high, unit = capsys.readouterr().out.split()
    assert float(low) < float(value) < float(high)
    assert unit == "deg"


def test_the_example_of_an_error_prints_what_is_to_be_done(capsys):
    for block in _python_blocks()[1:]:
        exec(block, {})
    assert "no_such_clip.mp4" in capsys.readouterr().out


def test_every_promised_name_stands_on_the_page():
    page = (Path(formcheck.__file__).parent / "docs/researchers/api.md").read_text("utf-8")
    for name in formcheck.__all__:
        assert f"`{name}" in page, name
    for name in (
        "number",
        "part",
        "side",
        "start_s",
        "turn_s",
        "end_s",
        "is_complete",
        "checks",
        "remarks",
        "value",
        "low",
        "high",
        "unit",
        "not_measurable",
        "is_measured",
        "to_table",
        "write",
        "trace",
        "findings",
        "is_usable",
    ):
        assert f"`{name}" in page, name


def test_a_report_is_read_as_the_set_that_it_was(found, tmp_path):
    write_report(found.report, tmp_path / "report.json")
    for place in (tmp_path, tmp_path / "report.json", str(tmp_path / "report.json")):
        again = formcheck.read_report(place)
        assert (
            again.repetitions[0]["knee_flexion_peak_deg"]
            == (found.repetitions[0]["knee_flexion_peak_deg"])
        )
        assert again.to_table() == found.to_table()
        assert again.trace is None
    with pytest.raises(formcheck.FileError):
        formcheck.read_report(tmp_path / "none.json")
