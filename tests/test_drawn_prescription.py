"""Every drawing of a sheet or a card shows the prescribed movement: measured from its SVG."""

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from formcheck.files.exercises import list_exercises, load_exercise
from formcheck.files.prescriptions import exercises_of, read_prescription
from formcheck.model.programme import Bound, Limit, PrescribedExercise
from formcheck.words.drawn_poses import drawn_poses
from formcheck.words.figures import camera_svg, exercise_svg
from formcheck.words.sheet import sheet_html

SAMPLES = Path(__file__).parents[1] / "sample_clips"
SVG = "{http://www.w3.org/2000/svg}"
LEG, INK = "#7a2e5d", "#1d2b33"
TOLERANCE_DEG = 3.0
LIMB_KEYS = (
    "knee_flexion_peak_deg",
    "knee_flexion_least_deg",
    "plateau_level_deg",
    "leg_elevation_peak_deg",
    "heel_height_peak_share",
)
"""What the drawings of the sample prescriptions can show of their targets and limits."""


@dataclass
class Panel:
    """A body as it stands in an SVG: label, limbs as (from, to), y up."""

    label: str
    limbs: dict[str, tuple[tuple[float, float], tuple[float, float]]]

    def direction(self, limb: str) -> float:
        (ax, ay), (bx, by) = self.limbs[limb]
        return math.degrees(math.atan2(by - ay, bx - ax))

    @property
    def knee_deg(self) -> float:
        bend = self.direction("shank") - self.direction("thigh")
        return abs((bend + 180) % 360 - 180)

    @property
    def faces_right(self) -> bool:
        (ankle, _), (toe, _) = self.limbs["foot"]
        return toe > ankle


def panels_of(svg: str) -> list[Panel]:
    """The bodies seen from the side in a drawing, in order; read from its lines alone."""
    out = []
    for group in ET.fromstring(svg).iter(f"{SVG}g"):
        lines = group.findall(f"{SVG}line")
        leg = [x for x in lines if x.get("stroke") == LEG]
        if len(leg) != 3:
            continue
        found = {
            name: tuple((float(x.get(f"x{k}")), -float(x.get(f"y{k}"))) for k in "12")
            for name, x in zip(("thigh", "shank", "foot"), leg, strict=True)
        }
        out.append(Panel(label=group.find(f"{SVG}text").text, limbs=found))
    return out


def shown_deg(key: str, panel: Panel, start: Panel) -> float:
    """What a panel shows of a measure, by the definition of the measure."""
    if key == "leg_elevation_peak_deg":
        rise = panel.direction("thigh") - start.direction("thigh")
        return abs((rise + 180) % 360 - 180)
    if key == "heel_height_peak_share":
        (_, ankle), (_, was) = panel.limbs["foot"][0], start.limbs["foot"][0]
        return (ankle - was) / math.dist(*start.limbs["foot"])
    return panel.knee_deg


def figures_of(bound: Bound) -> list[float]:
    return [x for x in (bound.at_least, bound.at_most) if x is not None]


def check_drawing(svg: str, line: PrescribedExercise, near: str) -> int:
    """Asserts that a drawing keeps to its line; gives how many angles and heights were measured.

    Each target and limit that a drawing can show stands below a panel with its figures, and the
    panel is drawn there (in the middle of a range). No panel is past a limit of the knee.
    """
    exercise = load_exercise(line.exercise)
    panels = [p for p in panels_of(svg) if p.label != "as the camera sees it"]
    start, n = panels[0], 0
    for bound in (*line.targets, *line.limits):
        if bound.measure not in LIMB_KEYS:
            continue
        is_share = bound.measure.endswith("_share")
        factor, slack = (100, 0.03) if is_share else (1, TOLERANCE_DEG)
        wanted = {f"{x * factor:g}" for x in figures_of(bound)}
        showing = [p for p in panels[1:] if wanted <= set(re.findall(r"[\d.]+", p.label))]
        assert showing, f"no panel for {bound}"
        middle = sum(figures_of(bound)) / len(figures_of(bound))
        for panel in showing:
            assert shown_deg(bound.measure, panel, start) == pytest.approx(middle, abs=slack)
            n += 1
    for limit in line.limits:
        if limit.measure == "knee_flexion_peak_deg" and limit.at_most is not None:
            assert max(p.knee_deg for p in panels) <= limit.at_most + TOLERANCE_DEG
    if exercise.position != "prone":
        lies = exercise.position in ("supine", "hook_lying", "long_sitting")
        for panel in panels:
            hip, ankle = panel.limbs["thigh"][0][0], panel.limbs["shank"][1][0]
            right = ankle > hip if lies else panel.faces_right
            assert right == (near == "right"), "the prescribed side is the nearer one"
    return n


def svgs_of(page: str) -> list[str]:
    return [s for s in re.findall(r"<svg.*?</svg>", page, flags=re.S) if "<desc" in s]


@pytest.mark.parametrize("name", ["prescription", "prescription_2"])
def test_every_drawing_of_the_sample_sheets_is_at_the_prescribed_angle(name):
    file = SAMPLES / f"{name}.toml"
    prescription = read_prescription(file)
    exercises = exercises_of(prescription, file)
    drawings = svgs_of(sheet_html(prescription, exercises))
    large = svgs_of(sheet_html(prescription, exercises, is_large=True))
    assert all('viewBox="0 0 216 ' in svg for svg in large), "two side by side in large print"
    assert len(drawings) == len(prescription.exercises)
    n = 0
    for svg, line in zip(drawings, prescription.exercises, strict=True):
        near = line.sides[0] if line.sides[0] != "both" else prescription.involved_side
        n += check_drawing(svg, line, near)
    # Squat 60 and 90, wall sit 75 and 90, leg raise 30; squat 60, knee 10, heel 20 %.
    assert n == {"prescription": 5, "prescription_2": 3}[name]


@pytest.mark.parametrize("name", ["prescription", "prescription_2"])
def test_every_drawing_of_the_sample_cards_is_at_the_prescribed_angle(tmp_path, name):
    pytest.importorskip("starlette")
    from clinic_cases import new_clinic, new_patient
    from web_cases import running_site

    from formcheck.clinic.patients import save_prescription
    from formcheck.model.rounds import sides_of

    text = (SAMPLES / f"{name}.toml").read_text()
    record = read_prescription(SAMPLES / f"{name}.toml")
    clinic = new_clinic(tmp_path)
    measured = 0
    with running_site(clinic) as site:
        own = new_patient(clinic, record.patient, with_plan=False)
        save_prescription(clinic, own, text, "M.T.")
        patient = site.patient(own.id)
        for line in record.exercises:
            exercise = load_exercise(line.exercise)
            for side in sides_of(line, exercise):
                for number in range(1, line.sets + 1):
                    at = f"/my/do/{line.exercise}/{side}/{number}"
                    patient.before(at, pain=0)
                    page = patient.get(f"{at}/card")
                    assert page.status == 200
                    (drawing,) = svgs_of(page.text)
                    near = side if side != "both" else record.involved_side
                    measured += check_drawing(drawing, line, near)
    clinic.close()
    # The same for each set of the list of a day.
    assert measured == {"prescription": 6 + 4 + 6, "prescription_2": 2 + 3 + 3}[name]


BENDING = [
    e
    for e in list_exercises()
    if e.figure.plane == "sagittal"
    and any(v.direction == "rises" and v.driving_signal == "knee_flexion" for v in e.views)
]


@pytest.mark.parametrize("exercise", BENDING, ids=lambda e: e.id)
@pytest.mark.parametrize("limit_deg", [40, 60, 75, 90])
def test_no_drawing_goes_past_a_limit_of_the_knee(exercise, limit_deg):
    """Whatever the target speaks of: a level thigh is not drawn where the knee may not bend so
    far."""
    level = Bound(measure="thigh_inclination_deg", at_most=0)
    keys = {k for v in exercise.views for k in v.measures}
    line = PrescribedExercise(
        exercise=exercise.id,
        sets=1,
        repetitions=1,
        targets=(level,) if level.measure in keys else (),
        limits=(Limit(measure="knee_flexion_peak_deg", at_most=limit_deg),),
    )
    for panel in panels_of(exercise_svg(exercise, line=line)):
        assert panel.knee_deg <= limit_deg + TOLERANCE_DEG
    free = drawn_poses(exercise, replace(line, limits=()))
    assert len(free) == 2


@pytest.mark.parametrize("exercise", BENDING, ids=lambda e: e.id)
def test_no_limb_of_a_drawing_grows_and_nothing_leaves_the_box(exercise):
    figure = exercise.figure
    for aim in (20, 45, 70, 95):
        line = PrescribedExercise(
            exercise=exercise.id,
            sets=1,
            repetitions=1,
            targets=(Bound(measure="knee_flexion_peak_deg", at_least=aim),),
        )
        for drawn in drawn_poses(exercise, line):
            for a, b in (("hip", "knee"), ("knee", "ankle"), ("hip", "shoulder")):
                length = math.dist(drawn.pose[a], drawn.pose[b])
                assert length == pytest.approx(math.dist(figure.rest[a], figure.rest[b]), rel=0.16)
            assert all(-1 <= v <= 101 for p in drawn.pose.values() for v in p)


def test_the_camera_stands_at_the_prescribed_side():
    squat = load_exercise("squat")
    left, right = (camera_svg(squat, "sagittal", near=side) for side in ("left", "right"))
    assert "hip height, left side" in left
    assert "at your right side" in right
    assert "scale(1 -1)" in left
    assert "scale(1 -1)" not in right, "who looks to the right has the right side below"
    curl = load_exercise("hamstring_curl")
    assert "scale(1 -1)" in camera_svg(curl, "sagittal", near="right"), "lying on the front"


def test_a_set_filmed_from_ahead_shows_the_body_from_ahead_at_the_same_depth():
    squat = load_exercise("squat")
    line = PrescribedExercise(
        exercise="squat",
        sets=1,
        repetitions=1,
        targets=(Bound(measure="knee_flexion_peak_deg", at_least=60),),
    )
    side = panels_of(exercise_svg(squat, "sagittal", line=line))
    front = panels_of(exercise_svg(squat, "frontal", line=line))
    assert [p.label for p in front] == ["start", "at least 60°", "as the camera sees it"]
    for limb in ("thigh", "shank"):
        for k in (0, 1):
            assert front[2].limbs[limb][k][1] == pytest.approx(side[1].limbs[limb][k][1], abs=0.1)
