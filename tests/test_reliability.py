"""Test-retest: from result folders to ICC, SEM and smallest detectable change."""

import datetime
import json
import math
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from builders import Motion, build_report

from formcheck.evidence.agreement import icc, limits_of_agreement, repeatability
from formcheck.evidence.reliability import Session, read_sessions, reliability, reliability_json
from formcheck.evidence.reliability_file import FEW_SUBJECTS, mdc95_of, read_reliability
from formcheck.evidence.reliability_page import reliability_html
from formcheck.files.report_file import write_report
from formcheck.model.errors import FileError, UsageError

KEY = "knee_flexion_peak_deg"
# Invented: five legs, three sessions each.
TABLE = np.array(
    [[82, 84, 81], [95, 93, 96], [101, 104, 100], [77, 75, 79], [110, 108, 111]], float
)


def _sessions(table=TABLE, key=KEY, exercise="squat") -> list[Session]:
    first = datetime.date(2025, 11, 3)
    return [
        Session(
            patient=f"p{i}",
            session=str(k + 1),
            day=first + datetime.timedelta(days=7 * k),
            exercise=exercise,
            side="left",
            means=((key, float(value)),),
        )
        for i, row in enumerate(table)
        for k, value in enumerate(row)
        if math.isfinite(value)
    ]


def test_the_figures_are_those_of_the_table():
    (found,) = reliability(_sessions())
    assert np.array_equal(found.values, TABLE)
    assert found.icc == icc(TABLE, "2,1")
    assert found.repeatability == repeatability(TABLE)
    assert found.agreement == limits_of_agreement(TABLE[:, 1], TABLE[:, 0])
    assert found.subjects == ("p0 left", "p1 left", "p2 left", "p3 left", "p4 left")
    assert found.n_sessions == 3


def test_sessions_are_taken_in_the_order_of_days():
    (found,) = reliability(list(reversed(_sessions())))
    assert sorted(found.values) == sorted(map(tuple, TABLE.tolist()))


def test_a_leg_with_too_few_sessions_is_left_out_and_counted():
    table = TABLE.copy()
    table[4, 1:] = np.nan
    (found,) = reliability(_sessions(table))
    assert len(found.subjects) == 4
    assert found.n_left_out == 1


def test_the_number_of_sessions_is_the_one_that_keeps_most_of_the_table():
    table = TABLE.copy()
    table[:4, 2] = np.nan  # one leg has three sessions, four have two
    (found,) = reliability(_sessions(table))
    assert (len(found.subjects), found.n_sessions) == (5, 2)


def test_one_leg_alone_is_not_enough_information():
    (found,) = reliability(_sessions(TABLE[:1]))
    assert found.icc is found.repeatability is found.agreement is None
    assert "not enough information" in " ".join(reliability_html([found]).split())


def test_exercises_and_measures_are_kept_apart():
    both = _sessions() + _sessions(TABLE / 10, "plateau_hold_s", "wall_sit")
    assert [(m.exercise, m.measure) for m in reliability(both)] == [
        ("squat", KEY),
        ("wall_sit", "plateau_hold_s"),
    ]


def test_two_legs_of_a_patient_are_two_subjects():
    right = [replace(s, side="right") for s in _sessions()]
    (found,) = reliability(_sessions() + right)
    assert len(found.subjects) == 10


# Files


@pytest.fixture
def folder(tmp_path):
    """Result folders of three patients on two days, with their table."""
    lines = ["folder,patient,session,day"]
    for p, base in enumerate((84.0, 95.0, 104.0)):
        for k, change in enumerate((0.0, 2.0 - p)):
            place = tmp_path / f"p{p}-{k}"
            place.mkdir()
            report = build_report(Motion(peak_deg=base + change, peak_change_deg=0.0))
            write_report(replace(report, side="left"), place / "report.json")
            lines.append(f"{place.name},demo-{p},{k + 1},2025-11-{3 + 7 * k:02d}")
    (tmp_path / "sessions.csv").write_text("\n".join(lines) + "\n")
    return tmp_path


def test_result_folders_are_read_by_their_table(folder):
    sessions = read_sessions(folder)
    assert len(sessions) == 6
    assert {s.exercise for s in sessions} == {"squat"}
    (found,) = [m for m in reliability(sessions) if m.measure == KEY]
    assert np.array_equal(found.values, [[84, 86], [95, 96], [104, 104]])


def test_the_command_writes_both_files_and_the_mdc_is_found_again(run_formcheck, folder):
    done = run_formcheck("reliability", folder)
    assert done.returncode == 0, done.stderr
    assert "MDC95" in done.stdout
    mapping = read_reliability(folder / "reliability.json")
    assert mdc95_of(mapping, "squat", KEY) is None, "three legs tell little"
    for entry in mapping["measures"]:
        entry["n_subjects"] = FEW_SUBJECTS
    mdc = mdc95_of(mapping, "squat", KEY)
    expected = repeatability([[84, 86], [95, 96], [104, 104]]).mdc95
    assert mdc == pytest.approx(expected, abs=1e-5)
    assert mdc95_of(mapping, "squat", "plateau_hold_s") is None
    page = (folder / "reliability.html").read_text()
    assert "http" not in page
    assert page.count("<svg") == page.count("</svg>") >= 1


def test_the_command_prints_json_and_writes_nothing(run_formcheck, folder):
    done = run_formcheck("reliability", folder, "--json")
    assert json.loads(done.stdout)["schema"] == "formcheck.reliability/1.0"
    assert not (folder / "reliability.json").exists()


def test_one_result_folder_is_never_two_sessions(run_formcheck, folder):
    table = folder / "sessions.csv"
    lines = table.read_text().splitlines()
    name = lines[1].split(",")[0]
    table.write_text("\n".join([*lines, f"./{name},KN-9,1,2031-01-01"]) + "\n")
    done = run_formcheck("reliability", folder)
    assert done.returncode == 4
    # A single fault stands in the one line that is printed.
    assert "the same result folder as line 2" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_every_fault_of_the_table_is_told_with_its_line(folder):
    table = folder / "sessions.csv"
    table.write_text(
        "folder,patient,session,day\n"
        "p0-0,demo-0,1,2025-11-03\n"
        "p0-1,demo-0,2,2025-11-03\n"
        "p1-0,,1,2025-11-03\n"
        "p1-1,demo-1,2,soon\n"
        "nowhere,demo-2,1,2025-11-03\n"
    )
    with pytest.raises(FileError) as caught:
        read_sessions(folder)
    faults = caught.value.faults
    assert [f.split(": ")[0] for f in faults] == [f"sessions.csv:{n}" for n in (3, 4, 5, 6)]
    assert "separate days" in faults[0]
    assert "patient: empty" in faults[1]
    assert "'soon' is no date" in faults[2]
    assert "report.json" in faults[3]


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "folder,patient,session\nx,y,z\n"])
def test_a_table_without_its_columns_says_which_it_needs(folder, text):
    (folder / "sessions.csv").write_text(text)
    with pytest.raises(FileError, match="folder, patient, session, day"):
        read_sessions(folder)


def test_a_missing_folder_or_table_says_what_to_do(tmp_path):
    with pytest.raises(UsageError, match="no such folder"):
        read_sessions(tmp_path / "nowhere")
    with pytest.raises(FileError, match="write a table with the columns"):
        read_sessions(tmp_path)


def test_the_file_comes_out_the_same_for_the_same_sessions():
    found = reliability(_sessions())
    assert reliability_json(found) == reliability_json(reliability(_sessions()))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("no json", "not JSON"),
        ('{"schema": "formcheck.reliability/2.0", "measures": []}', "2.0"),
        ('{"schema": "formcheck.report/1.0"}', "kind 'report'"),
        ('{"schema": "formcheck.reliability/1.0"}', "measures: missing"),
    ],
)
def test_a_file_that_is_not_ours_is_refused(tmp_path, text, message):
    path = tmp_path / "reliability.json"
    path.write_text(text)
    with pytest.raises(FileError, match=message):
        read_reliability(path)


# The page


def test_every_drawn_point_lies_inside_its_plot():
    page = reliability_html(reliability(_sessions()))
    svg = ElementTree.fromstring(page[page.index("<svg") : page.index("</svg>") + 6])
    width, height = (float(svg.get(name)) for name in ("width", "height"))
    dots = [e for e in svg.iter() if e.tag == "circle"]
    assert len(dots) == len(TABLE)
    for dot in dots:
        assert 0 < float(dot.get("cx")) < width
        assert 0 < float(dot.get("cy")) < height
    assert svg.get("role") == "img"
    assert "limits" in svg.get("aria-label")


def test_few_legs_are_marked_as_uncertain():
    assert "fewer than 10 legs" in reliability_html(reliability(_sessions()))


def test_names_on_the_page_are_escaped():
    odd = [replace(s, patient="<script>") for s in _sessions()]
    odd += [replace(s, patient="b") for s in _sessions()]
    page = reliability_html(reliability([s for s in odd if s.session in "12"]))
    assert "<script" not in page
