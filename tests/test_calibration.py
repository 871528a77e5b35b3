"""A goniometer reading moves the absolute knee angle near it, and never claims too much."""

from pathlib import Path

import pytest
from skeleton import Camera, Posture, both, film, repeated

from formcheck.files.exercises import load_exercise
from formcheck.model.errors import FileError
from formcheck.model.intervals import combined, measured, over_repetitions
from formcheck.model.programme import Bound
from formcheck.model.records import GoniometerReading, Measured
from formcheck.model.request import Request
from formcheck.motion.calibration import CalibrationSettings, offset_near
from formcheck.run.calibration_file import read_readings
from formcheck.run.pipeline import assess


def reading(reading_deg, seen_deg, side="left", model="heavy"):
    return GoniometerReading(
        side=side,
        model=model,
        reading_deg=reading_deg,
        seen_deg=seen_deg,
        at_s=1.0,
        clip_sha256="0" * 64,
        taken_on="2026-03-02",
        taken_by="AB",
    )


STRAIGHT, BENT = reading(2, 7), reading(88, 90)


def test_two_readings_give_an_offset_on_a_straight_line_between_them():
    offset, _ = offset_near([STRAIGHT, BENT], "left", "heavy", 30.0)
    # -5 deg where 7 was seen, -2 where 90 was: 23 of the 83 deg between them.
    assert offset == pytest.approx(-5 + 3 * 23 / 83)
    assert offset_near([STRAIGHT, BENT], "left", "heavy", 48.5) is None  # beyond both reaches


def test_no_reading_of_this_leg_model_or_angle_leaves_the_value_alone():
    assert offset_near([], "left", "heavy", 10) is None
    assert offset_near([STRAIGHT], "right", "heavy", 10) is None
    assert offset_near([STRAIGHT], "left", "full", 10) is None
    assert offset_near([STRAIGHT], "left", "heavy", 90) is None


def test_the_goniometers_own_error_is_in_the_interval_and_grows_with_distance():
    _, near = offset_near([BENT], "left", "heavy", 90)
    _, away = offset_near([BENT], "left", "heavy", 110)
    # Least significant difference of a long-arm goniometer: 10 deg (Hancock 2018, J Exp Orthop).
    assert near[0].standard == pytest.approx(10 / (1.96 * 2**0.5), abs=0.02)
    assert len(near) == 1
    assert sum(p.standard for p in away) > near[0].standard
    assert CalibrationSettings().reach_deg < 45


def test_one_goniometers_doubt_is_one_however_far_each_repetition_is_from_its_reading():
    """Else the mean of eight would be surer of what all of them share."""
    values = []
    for seen_deg in (118, 119, 120, 121, 122, 123, 124, 125):
        _, parts = offset_near([BENT], "left", "heavy", seen_deg)
        values.append(measured("knee_flexion_peak_deg", seen_deg, parts, 1.0))
    by_hand = sum(combined([p]) for v in values for p in v.parts if "distance" in p.name) / 8
    goniometer = values[0].parts[0].standard
    assert combined(over_repetitions(values).parts) == pytest.approx(
        (goniometer**2 + by_hand**2) ** 0.5
    )


def test_the_reported_peak_moves_by_the_offset_and_names_the_reading():
    raw = film(
        repeated(Posture(), [Posture(trunk=35, **both(hip=75, knee=90))] * 2),
        Camera(azimuth_deg=90),
    )

    def peak(readings):
        request = Request(clip="x.mp4", exercise=load_exercise("squat"), readings=readings)
        r = assess(raw, request).report.repetitions[0]
        return next(v for v in r.measures if v.key == "knee_flexion_peak_deg")

    plain, moved = peak(()), peak((reading(86, 90, model=raw.source.model),))
    assert isinstance(plain, Measured)
    assert moved.value - plain.value == pytest.approx(-4)
    assert "goniometer reading" in {p.name for p in moved.parts}
    assert "pose model and landmark definition" not in {p.name for p in moved.parts}
    assert "pose model from repetition to repetition" in {p.name for p in moved.parts}


def test_calibrate_keeps_a_reading_with_its_date_and_analyze_uses_it(
    run_formcheck, squat_results, short_squat, tmp_path
):
    file = tmp_path / "kn-204.json"
    done = run_formcheck(
        "calibrate",
        squat_results,
        "--at",
        "0.5",
        "--reading",
        "0",
        "--by",
        "AB",
        "--date",
        "2026-03-02",
        "--file",
        file,
    )
    assert done.returncode == 0, done.stderr
    assert "2026-03-02" in file.read_text()
    done = run_formcheck(
        "calibrate",
        squat_results,
        "--at",
        "0.5",
        "--reading",
        "0",
        "--by",
        "AB",
        "--date",
        "2 March",
        "--file",
        file,
    )
    assert done.returncode == 2
    done = run_formcheck(
        "analyze",
        short_squat,
        "--exercise",
        "squat",
        "--side",
        "left",
        "--pose-model",
        "lite",
        "--no-video",
        "--calibration",
        file,
        "--out",
        tmp_path / "o",
    )
    assert done.returncode == 0, done.stderr


def test_time_in_the_band_follows_the_reading_as_the_level_does():
    rest, sat = Posture(**both(hip=8, knee=8)), Posture(**both(hip=90, knee=90))
    band = ("target", Bound(measure="plateau_level_deg", at_least=95, at_most=105))

    def values(readings):
        report = assess(
            film(repeated(rest, [sat], stay_s=6)),
            Request(
                clip=Path("made_up.mp4"),
                exercise=load_exercise("wall_sit"),
                side="left",
                bounds=(band,),
                readings=readings,
            ),
        ).report
        return {v.key: v.value for v in report.repetitions[0].measures if isinstance(v, Measured)}

    plain, shifted = values(()), values((reading(100, 90),))
    assert plain["plateau_level_deg"] == pytest.approx(90, abs=0.5)
    assert plain["hold_in_band_s"] == 0
    assert shifted["plateau_level_deg"] == pytest.approx(100, abs=0.5)
    assert shifted["hold_in_band_s"] == pytest.approx(6.3, abs=0.4)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("--by", "Someone's whole name"), "initials"),
        (("--by", "AB", "--date", "2999-01-01"), "future"),
        (("--by", "AB", "--date", "31.12.2025"), "YYYY-MM-DD"),
    ],
)
def test_a_reading_needs_initials_and_a_day_that_was(
    run_formcheck, squat_results, tmp_path, more, says
):
    done = run_formcheck(
        "calibrate",
        squat_results,
        "--at",
        "0.5",
        "--reading",
        "0",
        "--file",
        tmp_path / "c.json",
        *more,
    )
    assert done.returncode == 2
    assert says in done.stderr
    assert not (tmp_path / "c.json").exists()


@pytest.mark.parametrize(("reading", "seen"), [("1e400", "76"), ("500", "76"), ("80", "-1e308")])
def test_a_reading_that_no_knee_shows_is_refused(tmp_path, reading, seen):
    (tmp_path / "c.json").write_text(
        '{"schema": "formcheck.calibration/1.0", "readings": [{"side": "left", "model": "lite", '
        f'"reading_deg": {reading}, "seen_deg": {seen}, "at_s": 3.0, "clip_sha256": "x", '
        '"taken_on": "2025-03-03", "taken_by": "AB"}]}'
    )
    with pytest.raises(FileError, match=r"c\.json: readings\.0"):
        read_readings(tmp_path / "c.json")
