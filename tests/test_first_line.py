"""The first line of a set: count against dose, best estimates, what they came to, observations."""

import csv
import re
from dataclasses import replace
from typing import get_args

import numpy as np
import pytest
from builders import Motion, build_report
from conftest import SAMPLES
from skeleton import Camera, Posture, both, film, one, repeated
from told import line_of, sentence

from formcheck.files.exercises import load_exercise
from formcheck.model.intervals import decide
from formcheck.model.measures import MEASURES
from formcheck.model.programme import Bound, PrescribedExercise
from formcheck.model.records import Measured, NotMeasurable, Outcome
from formcheck.model.request import Request
from formcheck.motion.set_facts import told_measures
from formcheck.run.pipeline import assess, landmarks
from formcheck.run.settings import Settings
from formcheck.words.first_line import estimate, repetitions_words, set_sentence
from formcheck.words.wording import in_a_line, outcome_words

STANDING = Posture()
SQUAT = Posture(trunk=30, **both(hip=90, knee=105))
FRONT = Posture(
    trunk=30, **one("left", hip=60, knee=80, out=-12, shank_out=6), **one("right", hip=60, knee=80)
)
WALL_REST, WALL = Posture(), Posture(**both(hip=90, knee=90))
DEEP = Bound(measure="knee_flexion_peak_deg", at_least=60)


def report_of(exercise, raw, *bounds, line=None, **request):
    asked = Request(
        clip="made_up.mp4",
        exercise=load_exercise(exercise),
        bounds=bounds,
        prescribed=line,
        **request,
    )
    return assess(raw, asked, Settings()).report


def test_a_target_and_a_limit_stand_behind_the_best_estimate():
    line = PrescribedExercise(exercise="squat", sets=1, repetitions=3)
    bounds = (("target", DEEP), ("limit", Bound(measure="knee_flexion_peak_deg", at_most=110)))
    raw = film(repeated(STANDING, [SQUAT] * 3), Camera())
    assert line_of(report_of("squat", raw, *bounds, line=line, side="left")) == (
        "Squat, left: 3 of 3 repetitions; deepest 105° (±), target at least 60: reached in 3; "
        "limit 110: possibly passed in 3, check the video."
    )


def test_a_target_of_the_set_is_decided_by_the_mean_which_is_surer_than_one():
    bounds = (("target", Bound(measure="knee_flexion_peak_deg", at_least=81.0)),)
    report = build_report(Motion(n_repetitions=8), bounds=bounds)
    (told,) = report.whole.facts.told
    (decided,) = told.decisions
    assert told.n == 8
    assert sum(len(numbers) for _, numbers in decided.numbers) == 8
    assert decided.outcome == decide("target", told.mean, 81.0, None)
    each = report.repetitions[0].measures[0]
    assert told.mean.high - told.mean.value < each.high - each.value
    assert "over the set (mean" in sentence(report)


def test_a_hold_is_told_beside_what_was_asked():
    bounds = (
        ("target", Bound(measure="plateau_level_deg", at_least=65, at_most=75)),
        ("target", Bound(measure="plateau_hold_s", at_least=5)),
    )
    raw = film(repeated(WALL_REST, [WALL], stay_s=20), Camera())
    text = sentence(report_of("wall_sit", raw, *bounds, side="left"))
    assert re.match(
        r"Wall sit, left: 1 hold; held 20\.\d s at about \d\d°; asked 5 s at 65 to 75°: deeper "
        r"and longer than prescribed",
        text,
    )


def test_a_hold_as_asked_is_told_as_prescribed():
    bounds = (
        ("target", Bound(measure="plateau_level_deg", at_least=80, at_most=100)),
        ("target", Bound(measure="plateau_hold_s", at_least=18)),
    )
    raw = film(repeated(WALL_REST, [WALL], stay_s=20), Camera())
    assert "asked 18 s at 80 to 100°: as prescribed" in sentence(
        report_of("wall_sit", raw, *bounds)
    )


def test_where_the_knee_is_not_measured_the_thigh_is_told_by_the_lowest():
    # Before: the largest thigh inclination stood there without a word, the shallowest squat's.
    depths = (60, 85, 70)
    squats = [Posture(trunk=35, **both(hip=hip, knee=88)) for hip in depths]
    report = report_of("squat", film(repeated(Posture(), squats), Camera(azimuth_deg=90)))
    without_knee = [
        replace(r, measures=tuple(m for m in r.measures if "knee" not in m.key))
        for r in report.repetitions
    ]
    (told,) = told_measures(without_knee, ())
    thighs = [m.value for r in without_knee for m in r.measures if m.key == told.key]
    assert told.key == "thigh_inclination_deg"
    assert told.extreme.value == min(thighs) < max(thighs)
    facts = replace(report.whole.facts, told=(told,))
    whole = replace(report.whole, facts=facts)
    line = set_sentence(replace(report, whole=whole, repetitions=tuple(without_knee)), "terminal")
    assert f"lowest thigh inclination {min(thighs):.0f} deg" in line


def test_both_knees_of_a_front_view_are_told_without_a_prescription():
    report = report_of("squat", film(repeated(STANDING, [FRONT] * 2), Camera(azimuth_deg=0)))
    assert {t.side for t in report.whole.facts.told if t.key == "fppa_peak_deg"} == {
        "left",
        "right",
    }
    left, right = (
        next(t for t in report.whole.facts.told if t.side == s) for s in ("left", "right")
    )
    assert left.extreme.value - right.extreme.value == pytest.approx(18, abs=6)
    assert "left: largest FPPA" in sentence(report)
    assert "right: largest FPPA" in sentence(report)
    assert sentence(report).endswith("no target or limit prescribed.")


def test_what_the_camera_was_never_meant_to_see_is_told_once_by_name():
    raw = film(repeated(STANDING, [FRONT] * 3), Camera(azimuth_deg=0))
    text = sentence(report_of("squat", raw, ("target", DEEP)))
    assert text.count("largest knee flexion") == 1
    assert "not measured from this camera: largest knee flexion" in text
    assert "reached" not in text
    assert "FPPA" in text


@pytest.mark.parametrize("azimuth_deg", [0, 45])
def test_without_a_prescription_too_what_the_exercise_is_about_is_told_as_not_measured(azimuth_deg):
    # Before: "3 repetitions; no target or limit prescribed", as if there were no more to see.
    raw = film(repeated(STANDING, [SQUAT] * 3), Camera(azimuth_deg=azimuth_deg))
    text = sentence(report_of("squat", raw))
    assert "; not measured from this camera: largest knee flexion; no target" in text
    raw = film(repeated(STANDING, [SQUAT] * 3), Camera(azimuth_deg=90))
    assert "not measured" not in sentence(report_of("squat", raw))


@pytest.mark.parametrize("bounds", [(), (("target", DEEP),)])
def test_the_camera_is_not_blamed_for_what_was_hidden(bounds):
    raw = film(repeated(STANDING, [SQUAT] * 3), Camera(azimuth_deg=90))
    report = report_of("squat", raw, *bounds)
    for code, words in (("leg_hidden", "not measured: "), ("view_not_fit", "from this camera: ")):
        hidden = [
            replace(
                r,
                measures=tuple(
                    NotMeasurable(key=m.key, code=code, values=(("plane", "oblique"),))
                    if m.key == "knee_flexion_peak_deg"
                    else m
                    for m in r.measures
                ),
            )
            for r in report.repetitions
        ]
        whole = replace(report.whole, measures=())
        text = sentence(replace(report, repetitions=tuple(hidden), whole=whole))
        assert f"{words}largest knee flexion" in text


def test_an_extensor_lag_is_told_although_nothing_is_asked_of_it():
    report = build_report(bounds=())
    lag = Measured(key="knee_flexion_gain_deg", value=12, low=7, high=17)
    with_lag = [replace(r, measures=(*r.measures, lag)) for r in report.repetitions]
    told = told_measures(with_lag, ())
    assert "knee_flexion_gain_deg" in {t.key for t in told}
    whole = replace(report.whole, facts=replace(report.whole.facts, told=told))
    assert "extensor lag (from rest) 12° (±5)" in sentence(replace(report, whole=whole))


@pytest.mark.parametrize(
    ("numbers", "n", "words"),
    [
        ((2,), 6, "in repetition 2"),
        ((4, 5, 6), 6, "in repetitions 4 to 6"),
        ((1, 2, 5), 6, "in repetitions 1, 2, 5"),
        ((1, 2), 2, "in every repetition"),
    ],
)
def test_repetitions_are_named_as_a_person_would(numbers, n, words):
    assert repetitions_words(numbers, n) == words


def test_only_what_was_reached_is_called_reached():
    """The words, in whatever page, video or table they stand."""
    of_a_limit = ("kept", "possibly_passed", "passed")
    for outcome in get_args(Outcome):
        said = outcome_words(outcome, "limit" if outcome in of_a_limit else "target").words
        assert ("reached" in said.replace("not reached", "")) == (outcome == "reached"), outcome


# Forty sets from the clips: each sample clip without a prescription, and with targets and limits
# either side of what it shows; beside the easy targets one that any value would reach, of a
# measure that this camera cannot give.


def _prescriptions(values, unseen):
    """Bounds on the set's first two measures, 20 % of their size below and above."""
    keys = [k for k in values if MEASURES[k].at not in ("tempo", "set")][:2] or list(values)[:1]

    def bounds(kind, end, factor):
        return tuple(
            (kind, Bound(measure=k, **{end: values[k] + factor * max(abs(values[k]) * 0.2, 0.1)}))
            for k in keys
        )

    return {
        "none": (),
        "easy target": (
            *bounds("target", "at_least", -1),
            ("target", Bound(measure=unseen, at_least=-1000.0)),
        ),
        "hard target": bounds("target", "at_least", 1),
        "wide limit": bounds("limit", "at_most", 3),
        "narrow limit": bounds("limit", "at_most", -1),
    }


def _seen(report) -> set[str]:
    return {m.key for r in report.repetitions for m in r.measures if isinstance(m, Measured)}


@pytest.mark.slow
def test_the_first_line_of_forty_sets_tells_all_that_matters(cache_home):
    from formcheck.report.page import render_html
    from formcheck.words.patient_result import patient_result

    n_sets = n_unseen = 0
    with (SAMPLES / "clips.csv").open(encoding="utf-8") as file:
        clips = list(csv.DictReader(file))
    for clip in clips:
        request = Request(
            clip=SAMPLES / clip["file"], exercise=load_exercise(clip["exercise"]), side=clip["side"]
        )
        raw = landmarks(request, Settings(), cache_dir=cache_home / "accuracy")
        plain = assess(raw, request).report
        values = {m.key: m.mean for m in plain.whole.measures if np.isfinite(m.mean)}
        line = PrescribedExercise(
            exercise=clip["exercise"], sets=1, repetitions=plain.whole.n_complete + 1
        )
        unseen = ("fppa_peak_deg", "knee_flexion_peak_deg")[plain.view.plane == "frontal"]
        for bounds in _prescriptions(values, unseen).values():
            asked = replace(request, bounds=bounds, prescribed=line if bounds else None)
            analysis = assess(raw, asked)
            report, text = analysis.report, sentence(analysis.report)
            n_sets += 1
            whole = report.whole
            of = f"{whole.n_complete} of {whole.dose_prescribed}" if bounds else ""
            assert re.search(rf": {of or whole.n_complete} \w+", text), text
            for told in whole.facts.told:
                is_mean = estimate(told.mean, "clinician") in text
                size = estimate(told.extreme, "clinician").replace("\N{MINUS SIGN}", "")
                assert is_mean or size in text.replace("\N{MINUS SIGN}", ""), text
            seen = _seen(report)
            for kind, b in bounds:
                outcomes = {c.outcome for r in report.repetitions for c in r.checks if c.bound == b}
                if b.measure not in seen:
                    n_unseen += 1
                    assert in_a_line(b.measure) in text.split("not measured")[1]
                    assert outcomes <= {"not_visible"}
                for outcome, words in (
                    ("passed", "passed in"),
                    ("possibly_passed", "possibly passed in"),
                ):
                    assert kind != "limit" or outcome not in outcomes or words in text, text
            for remark in {m.code for r in report.repetitions for m in r.remarks}:
                said = report.exercise_words.remark(remark).rstrip(".")
                assert said.removeprefix("The ").removeprefix("You ")[1:] in text, text
            n_reached = sum(c.outcome == "reached" for r in report.repetitions for c in r.checks)
            page = render_html(report, analysis.trace).split("<body>")[1].split("<script>")[0]
            told = patient_result(report, request.exercise)
            for shown in (text, page, " ".join((*told.done, *told.not_seen))):
                # But for the definitions of the measures ("the straightest point reached").
                said = re.sub(r"not reached|</summary><p>.*?</p>", "", shown)
                assert n_reached or "reached" not in said, said
            # A chip for each check that came to it, and for no other.
            assert page.count("target reached") == n_reached
    assert n_sets == 40
    assert n_unseen >= 8
