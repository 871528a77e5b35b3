"""What the annotated video shows at each moment, as plain records (painting.py draws them)."""

import math
from bisect import bisect_right
from dataclasses import dataclass
from typing import Literal

import numpy as np

from formcheck.model.anatomy import LANDMARK, LEG, SIDES, Side
from formcheck.model.records import Analysis, AssessedRepetition, Measured
from formcheck.motion.track import as_recorded_px
from formcheck.words import wording

END_RANGE_S = 0.7
"""How long the end-range moment is marked: long enough to see in passing, and one change of the
border a repetition stays far below three flashes a second (WCAG 2.2, 2.3.1)."""
OUTCOME_LASTS_S = 2.5
HOLD_LEAST_S = 1.0
"""A pause shorter than this is a turn, not a hold (common practice)."""
_HOLDS = ("hold_in_band_s", "plateau_hold_s")


@dataclass(frozen=True, slots=True, kw_only=True)
class Angle:
    """The driving angle at its joint: pixels; rays are unit vectors.

    `label_ray` points to where no limb is: the number stands there.
    """

    vertex: tuple[float, float]
    from_ray: tuple[float, float]
    to_ray: tuple[float, float]
    label_ray: tuple[float, float]
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One moment: what is drawn on the picture, and the words in the strip."""

    legs: tuple[np.ndarray, ...]
    """(5, 2) pixels each, hip to toe; NaN where not seen."""
    angle: Angle | None
    title: str
    phase: str
    timer: str
    outcomes: tuple[wording.OutcomeWords, ...]
    is_end_range: bool


def _signal(key: str) -> str:
    """The driving signal's name, whatever unit or place its key carries."""
    for ending in ("_deg", "_share", "_peak", "_least"):
        key = key.removesuffix(ending)
    return key


def phase_words(analysis: Analysis) -> tuple[str, str]:
    """Words for the way to the turn and the way back: lowering and raising, or the reverse.

    Told from where the body goes in the picture; a movement along the floor is told by the
    joint: bending, straightening.
    """
    report, track = analysis.report, analysis.track
    rows = [LANDMARK[s, j] for s in SIDES for j in ("shoulder", "hip", "ankle")]
    height = report.view.person_height_px
    rises = []
    for assessed in report.repetitions if len(track.time_s) else ():
        r = assessed.repetition
        i, j = (int(np.argmin(np.abs(track.time_s - t))) for t in (r.start_s, r.turn_s))
        rises.append(track.image_px[i, rows, 1] - track.image_px[j, rows, 1])
    known = np.array(rises)[:, ~np.isnan(rises).any(0)] if rises else np.empty((0, 0))
    if known.size and math.isfinite(height) and height > 0:
        middle = np.median(known, axis=0) / height
        most = float(middle[np.argmax(np.abs(middle))])
        if abs(most) > 0.03:
            return ("raising", "lowering") if most > 0 else ("lowering", "raising")
    trace = analysis.trace
    if _signal(trace.key) == "knee_flexion" and report.repetitions:
        known = np.isfinite(trace.value)
        r = report.repetitions[0].repetition
        if known.any():
            start, turn = np.interp([r.start_s, r.turn_s], trace.time_s[known], trace.value[known])
            return ("bending", "straightening") if turn > start else ("straightening", "bending")
    return "there", "back"


def _held(assessed: AssessedRepetition) -> Measured | None:
    """The hold of a repetition, when the exercise measures one that is long enough to time."""
    values = {m.key: wording.known(m) for m in assessed.measures}
    for key in _HOLDS:
        if isinstance(values.get(key), Measured) and values[key].value >= HOLD_LEAST_S:
            return values[key]
    return None


def _unit(vector: np.ndarray) -> tuple[float, float] | None:
    length = float(np.hypot(*vector))
    return (float(vector[0]) / length, float(vector[1]) / length) if length > 1 else None


def _rays(signal: str, point: dict[str, np.ndarray]) -> tuple[str, np.ndarray, np.ndarray] | None:
    """Joint, zero direction and moving direction of a driving angle."""
    up = np.array([0.0, -1.0])
    hip, knee, ankle, shoulder = (point[n] for n in ("hip", "knee", "ankle", "shoulder"))
    if signal == "knee_flexion":
        return "knee", knee - hip, ankle - knee
    if signal == "trunk_inclination":
        return "hip", up * 100, shoulder - hip
    if signal == "trunk_thigh":
        return "hip", hip - shoulder, knee - hip
    if signal == "leg_elevation":
        return "hip", np.array([math.copysign(100.0, ankle[0] - hip[0]), 0.0]), ankle - hip
    if signal == "leg_abduction":
        return "hip", -up * 100, ankle - hip
    return None


def _label_ray(
    from_ray: tuple[float, float], to_ray: tuple[float, float], facing_x: int
) -> tuple[float, float]:
    """Away from both limbs of a bent joint; square to a straight one, on the side that the
    person faces, or below someone who lies."""
    away = _unit(100 * (np.array(from_ray) - np.array(to_ray)))
    if away is not None and math.dist(from_ray, to_ray) > 0.26:  # bent by 15 deg or more
        return away
    x, y = to_ray
    is_other_way = -y * facing_x < 0 or (not facing_x and x < 0)
    return (y, -x) if is_other_way else (-y, x)


FAR_S = 0.1
"""A sample further from a moment than this is none of it."""


class Plan:
    """The scenes of one analysis, in any order of time."""

    def __init__(self, analysis: Analysis):
        self.analysis = analysis
        report = analysis.report
        self._repetitions = sorted(report.repetitions, key=lambda a: a.repetition.start_s)
        self._starts = [a.repetition.start_s for a in self._repetitions]
        self._n = max((a.repetition.number for a in self._repetitions), default=0)
        self._name = wording.exercise_name(report.exercise)
        self._words = phase_words(analysis)
        self._signal = _signal(analysis.trace.key)
        self._outcomes = [wording.outcomes_in_order(a) for a in self._repetitions]
        self._holds = [_held(a) for a in self._repetitions]

    def _points(self, time_s: float) -> np.ndarray:
        """Landmarks at a moment, (33, 2); NaN where the samples around it are missing or far."""
        t, px = self.analysis.track.time_s, self.analysis.track.image_px
        if len(t) < 2 or not t[0] - FAR_S <= time_s <= t[-1] + FAR_S:
            return np.full(px.shape[1:], np.nan)
        i = min(max(bisect_right(t, time_s), 1), len(t) - 1)
        a, b = px[i - 1], px[i]
        share = min(max((time_s - t[i - 1]) / (t[i] - t[i - 1]), 0.0), 1.0)
        return as_recorded_px(np.asarray(a + (b - a) * share, float), self.analysis.report.clip)

    def _sides(self, assessed: AssessedRepetition | None) -> tuple[Side, ...]:
        report = self.analysis.report
        side = assessed.repetition.side if assessed else report.side
        if side == "both" and report.view.plane == "sagittal":
            side = report.view.near_side or "both"
        return SIDES if side == "both" else (side,)

    def _angle(self, points: np.ndarray, side: Side, time_s: float) -> Angle | None:
        trace = self.analysis.trace
        value = _sample(trace.time_s, trace.value, time_s)
        if not math.isfinite(value) or trace.unit != "deg":
            return None
        names = ("hip", "knee", "ankle", "shoulder")
        point = {n: points[LANDMARK[side, n]] for n in names}
        found = _rays(self._signal, point)
        if found is None:
            return None
        joint, zero, moving = found
        if not np.isfinite([*point[joint], *zero, *moving]).all():
            return None
        from_ray, to_ray = _unit(zero), _unit(moving)
        if from_ray is None or to_ray is None:
            return None
        x, y = point[joint]
        return Angle(
            vertex=(float(x), float(y)),
            from_ray=from_ray,
            to_ray=to_ray,
            label_ray=_label_ray(from_ray, to_ray, self._facing_x(time_s)),
            text=wording.signal_quantity("deg", value),
        )

    def _facing_x(self, time_s: float) -> int:
        facing_x = self.analysis.seen_at(time_s).view.facing_x
        return -facing_x if self.analysis.report.clip.is_mirrored else facing_x

    def at(self, time_s: float) -> Scene:
        """The scene at a moment, seconds after the first frame."""
        k = bisect_right(self._starts, time_s) - 1
        assessed = self._repetitions[k] if k >= 0 else None
        ahead = assessed or (self._repetitions[0] if self._repetitions else None)
        sides = self._sides(ahead)
        points = self._points(time_s)
        legs = tuple(points[[LANDMARK[s, j] for j in LEG]] for s in sides)
        angle = self._angle(points, sides[0], time_s) if len(sides) == 1 else None
        title, phase, timer, outcomes, is_end_range = self._name, "", "", (), False
        if assessed is not None:
            r = assessed.repetition
            title = f"Rep {r.number} of {self._n}" + (f", {r.part}" if r.part else "")
            is_end_range = abs(time_s - r.turn_s) <= END_RANGE_S / 2
            hold = self._holds[k]
            if time_s < r.turn_from_s:
                phase = self._words[0]
            elif time_s <= r.turn_to_s:
                phase = "hold" if hold else "end range"
                if hold:
                    timer = f"{min(time_s - r.turn_from_s, hold.value):.1f} s"
            elif time_s <= r.end_s:
                phase = self._words[1]
            if time_s > r.turn_to_s:
                timer = f"held {hold.value:.1f} s" if hold else ""
                if time_s <= r.end_s + OUTCOME_LASTS_S:
                    outcomes = self._outcomes[k]
        return Scene(
            legs=legs,
            angle=angle,
            title=title,
            phase=phase,
            timer=timer,
            outcomes=outcomes,
            is_end_range=is_end_range,
        )


def _sample(time_s: np.ndarray, value: np.ndarray, at_s: float) -> float:
    """A series at a moment; NaN where the nearest sample is missing or far."""
    if not len(time_s):
        return math.nan
    i = min(max(bisect_right(time_s, at_s), 1), len(time_s) - 1)
    j = i if i == 0 or abs(time_s[i] - at_s) < abs(time_s[i - 1] - at_s) else i - 1
    return float(value[j]) if abs(time_s[j] - at_s) <= FAR_S else math.nan


def strip_place(analysis: Analysis, strip_px: float) -> Literal["top", "bottom"]:
    """Where a strip of words hides least of the body over the whole clip."""
    rows = analysis.track.image_px[:, :, 1]
    is_seen = np.isfinite(rows).any(1)
    if not is_seen.any():
        return "top"
    height = analysis.report.clip.height_px
    head = 0.06 * np.nan_to_num(analysis.report.view.person_height_px)
    above = float(np.percentile(np.nanmin(rows[is_seen], axis=1), 5)) - head
    below = height - float(np.percentile(np.nanmax(rows[is_seen], axis=1), 95))
    return "top" if above >= min(strip_px, below) else "bottom"
