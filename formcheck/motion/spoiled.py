"""What a finding does to the numbers: one table, used for every measure, check and remark.

A finding that spoils a measure withholds it, in the repetitions that it lies in or, where it has
no time range, in all of them. Checks on a measure that is withheld are not visible, and remarks
are not made. A finding that makes an angle less sure widens its interval.
"""

from collections.abc import Sequence
from typing import cast

import numpy as np

from formcheck.model.codes import FindingCode, values_of
from formcheck.model.intervals import measured
from formcheck.model.measures import MEASURES
from formcheck.model.records import Finding, NotMeasurable, Part, Repetition, Value

ANGLES, TIMES, PHASES, FEET = "angles", "times", "phases", "feet"

SPOILS: dict[FindingCode, frozenset[str]] = {
    "too_few_pictures": frozenset({ANGLES}),
    "picture_squeezed": frozenset({ANGLES}),
    "strongly_compressed": frozenset({ANGLES}),
    "view_changes": frozenset({ANGLES}),
    "slow_motion": frozenset({TIMES}),
    "pulses": frozenset({PHASES}),
    "feet_hidden": frozenset({FEET}),
}
"""Code -> the kinds of measures that cannot be had because of it."""

FOOT_MEASURES = frozenset(
    {
        "knee_over_toe_share",
        "knee_over_toe_cm",
        "heel_height_peak_share",
        "heel_drop_share",
        "leg_elevation_peak_cm",
        "ankle_dorsiflexion_peak_deg",  # whether the foot is flat is told by the heel
    }
)
FOOT_SIGNALS = frozenset({"heel_height"})
"""Driving signals of the foot: what is read off them is of the foot too."""
SIGNAL_MEASURES = frozenset(
    {
        "range_deg",
        "range_share",
        "lowering_s",
        "pause_s",
        "raising_s",
        "rest_s",
        "plateau_hold_s",
        "plateau_level_deg",
        "hold_in_band_s",
        "hold_in_band_total_s",
        "hold_drift_deg_per_min",
    }
)
FOOT_FEATURES = frozenset({"heel_lifts", "toes_turn_up"})
PHASE_MEASURES = frozenset({"lowering_s", "pause_s", "raising_s"})
PHASE_FEATURES = frozenset({"quick_turn", "lowering_faster_than_raising"})
SIGNAL_FEATURES = PHASE_FEATURES | {"fades", "hold_broken"}
"""Features of a look-for list that are read off the driving signal."""


def kinds_of(key: str, signal: str) -> frozenset[str]:
    """The kinds that a measure, or a feature of a look-for list, is of, where repetitions are
    found in this driving signal."""
    is_of_feet = signal in FOOT_SIGNALS and key in SIGNAL_MEASURES | SIGNAL_FEATURES
    return _kinds_anywhere(key) | (frozenset({FEET}) if is_of_feet else frozenset())


def _kinds_anywhere(key: str) -> frozenset[str]:
    if key in PHASE_MEASURES or key == "quick_turn":
        return frozenset({TIMES, PHASES})
    if key in PHASE_FEATURES:
        return frozenset({PHASES})  # a ratio of two times
    if key in MEASURES and MEASURES[key].unit == "s":
        return frozenset({TIMES})
    if key == "hold_drift_deg_per_min":
        return frozenset({ANGLES, TIMES})
    is_foot = key in FOOT_MEASURES or key in FOOT_FEATURES
    return frozenset({ANGLES, FEET}) if is_foot else frozenset({ANGLES})


def is_timed(findings: Sequence[Finding]) -> bool:
    """Whether times can be had of the clip as a whole."""
    return not any(TIMES in SPOILS.get(f.code, ()) for f in findings)


def spoiled_by(
    key: str, repetition: Repetition, findings: Sequence[Finding], signal: str
) -> Finding | None:
    """The first finding that withholds this measure or feature of this repetition, or None.

    signal : the driving signal in which the repetitions were found; empty where it is of the other
    leg than the one measured.
    """
    for f in findings:
        if SPOILS.get(f.code, frozenset()) & kinds_of(key, signal) and _lies_in(f, repetition):
            return f
    return None


def _lies_in(f: Finding, repetition: Repetition) -> bool:
    if f.from_s is None or f.to_s is None:
        return f.spoils != "nothing" or f.code in WHOLE_CLIP
    return f.from_s < repetition.end_s and f.to_s > repetition.start_s


WHOLE_CLIP = frozenset({"picture_squeezed", "slow_motion", "strongly_compressed"})
"""Findings about the whole file, which have no time range."""


QUICK_SHARE = 0.25
"""Standard uncertainty of an angle in a quick movement, share of how far the thigh turns from one
picture looked at to the next: the turn falls between two, and both are blurred (a rectangular
distribution over half a picture either way is 0.29)."""


STRETCH_DEG = 30.0
"""Error of an angle for a picture stretched e-fold: 3 deg at 12 %, 9 at 33 % (build clips whose
tracks were stretched)."""


def acted_on(
    value: Value, repetition: Repetition, findings: Sequence[Finding], signal: str
) -> Value:
    """The value as the findings leave it: as it is, wider, or not to be had because of one."""
    if isinstance(value, NotMeasurable):
        return value
    finding = spoiled_by(value.key, repetition, findings, signal)
    if finding is not None:
        return NotMeasurable(key=value.key, code="spoiled", values=values_of(finding=finding.code))
    if MEASURES[value.key].unit != "deg":
        return value
    parts = [_WIDENS[f.code](f) for f in findings if f.code in _WIDENS]
    if not parts:
        return value
    return measured(value.key, value.value, [*value.parts, *parts], value.at_s)


def _quick_part(finding: Finding) -> Part:
    return Part(
        name="quick movement",
        standard=QUICK_SHARE * cast(float, finding.value("step_deg")),
        kind="own",
        source="speed of the thigh in this clip; JCGM 100:2008, 4.3.7",
    )


def _proportions_part(finding: Finding) -> Part:
    return Part(
        name="proportions of the picture",
        standard=STRETCH_DEG * abs(float(np.log(cast(float, finding.value("share"))))),
        kind="shared",
        source="the foot's length against the leg's in this clip",
    )


_WIDENS = {"too_quick_for_rate": _quick_part, "proportions_unusual": _proportions_part}
"""Code -> what it adds to the interval of an angle."""
