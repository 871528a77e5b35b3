"""A patient's sets over the weeks, each measure with its error, and whether a change is real."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from formcheck.clinic.answers import Answer, answers_of
from formcheck.clinic.database import Clinic
from formcheck.clinic.sets import StoredSet, measures_of, sets_of
from formcheck.measures import MEASURES


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A set in a series: the mean of a measure over its kept repetitions, with half its interval."""

    day: str
    side: str
    value: float
    half_width: float
    uid: str
    is_final: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The difference between two sets of one measure, later minus earlier.

    `half_width` is that of its 95 % interval: the two intervals combined as squares, which is
    the minimal detectable change at 95 % for these two sets. The camera stood anew for each.
    """

    value: float
    half_width: float

    @property
    def is_beyond_error(self) -> bool:
        return abs(self.value) > self.half_width


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSeries:
    """One measure of one exercise over time, the oldest first, both sides together."""

    exercise: str
    key: str
    points: tuple[Point, ...]

    def of_side(self, side: str) -> tuple[Point, ...]:
        return tuple(p for p in self.points if p.side == side)

    @property
    def sides(self) -> tuple[str, ...]:
        return tuple(s for s in ("left", "right", "both") if self.of_side(s))


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """All that the follow-up page draws."""

    sets: tuple[StoredSet, ...]
    """Measured ones, the oldest first."""
    measures: tuple[MeasureSeries, ...]
    answers: tuple[Answer, ...]


FIRST_MEASURES = (
    "knee_flexion_peak_deg", "thigh_inclination_deg", "knee_flexion_least_deg",
    "leg_elevation_peak_deg", "knee_flexion_gain_deg", "heel_height_peak_share",
    "plateau_hold_s", "plateau_level_deg", "trunk_inclination_deg", "fppa_change_deg",
    "knee_separation_ratio_least", "pelvic_obliquity_peak_deg", "hip_drop_share", "range_deg",
    "range_share",
)  # fmt: skip
"""Depth, straightness and hold first: the order in which measures come to the page."""
MOST_MEASURES = 3


def change_between(earlier: Point, later: Point) -> Change:
    """The change from one set to a later one."""
    return Change(
        value=later.value - earlier.value,
        half_width=math.hypot(earlier.half_width, later.half_width),
    )


def follow_up(
    clinic: Clinic, patient_id: int, *, judged: Mapping[str, tuple[str, ...]] = {}
) -> FollowUp:
    """A patient's measured sets as series.

    judged : exercise -> the measures that the prescription speaks of: these come first. Per
    exercise at most MOST_MEASURES are taken, of those that more than one set or one of the
    judged ones shows. A set that could not be measured has no point: a gap, never a zero.
    """
    sets = tuple(
        s for s in reversed(sets_of(clinic, patient_id)) if s.state in ("measured", "reviewed")
    )
    values = measures_of(clinic, patient_id)
    found: dict[str, dict[str, list[Point]]] = {}
    for s in sets:
        for key, (value, half_width, _) in values.get(s.id, {}).items():
            if key in MEASURES:
                found.setdefault(s.exercise, {}).setdefault(key, []).append(
                    Point(day=s.day, side=s.side, value=value, half_width=half_width, uid=s.uid,
                          is_final=s.is_final)
                )  # fmt: skip
    series = []
    for exercise, of_key in found.items():
        first = tuple(judged.get(exercise, ())) + FIRST_MEASURES
        keys = [k for k in dict.fromkeys(first) if k in of_key][:MOST_MEASURES]
        series += [MeasureSeries(exercise=exercise, key=k, points=tuple(of_key[k])) for k in keys]
    return FollowUp(
        sets=sets, measures=tuple(series), answers=answers_of(clinic, patient_id)
    )


def series_of(clinic: Clinic, patient_id: int, exercise: str, side: str) -> dict[str, list[Point]]:
    """{measure: points} of every measure of one exercise and side, the oldest first."""
    values = measures_of(clinic, patient_id)
    out: dict[str, list[Point]] = {}
    for s in reversed(sets_of(clinic, patient_id)):
        if s.exercise == exercise and s.side == side and s.state in ("measured", "reviewed"):
            for key, (value, half_width, _) in values.get(s.id, {}).items():
                out.setdefault(key, []).append(
                    Point(day=s.day, side=s.side, value=value, half_width=half_width, uid=s.uid,
                          is_final=s.is_final)
                )  # fmt: skip
    return out
