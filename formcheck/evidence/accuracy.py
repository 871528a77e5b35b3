"""Comparisons taken together: errors, coverage, scores and decisions of one measure in one view."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.evidence.agreement import calibration_error, interval_score, wilson_interval
from formcheck.evidence.true_values import READINGS
from formcheck.evidence.validation import Comparison
from formcheck.model.intervals import decide
from formcheck.model.measures import MEASURES
from formcheck.model.records import Measured

SWEEP_DEG = 20
"""Targets stand up to this far either side of the truth, every degree."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """The figures of one measure (or all measures: `measure` "all") in one true view.

    Errors are reported minus true, in the measure's unit; NaN for a mixture of units. n counts
    true repetitions, n_measured those with a value. Decisions: a target at each whole degree up
    to 20 either side of the truth; shares NaN for units other than degrees. calibration_error :
    expected calibration error of the intervals over levels of 10 to 95 %.
    """

    plane: str
    measure: str
    n: int
    n_measured: int
    share_measured: float
    bias: float
    mae: float
    worst: float
    percentile_95: float
    excursion_mae: float
    coverage: float
    coverage_low: float
    coverage_high: float
    half_width: float
    interval_score: float
    calibration_error: float
    wrong_share: float
    undecided_share: float


def sweep(truth: float, value: Measured) -> tuple[int, int, int]:
    """(targets, wrong, undecided) of "at least" targets 20 deg either side of the truth.

    A target is truly reached when the truth is at or above it; "reached" of one that was not and
    "not_reached" of one that was are wrong. Undecided is "borderline".
    """
    n = wrong = undecided = 0
    for offset in range(-SWEEP_DEG, SWEEP_DEG + 1):
        outcome = decide("target", value, truth + offset, None)
        n += 1
        undecided += outcome == "borderline"
        wrong += outcome == ("not_reached" if offset <= 0 else "reached")
    return n, wrong, undecided


def _as_measured(c: Comparison) -> Measured:
    return Measured(key=c.measure, value=c.value, low=c.low, high=c.high)


def _columns(comparisons: Sequence[Comparison]) -> tuple[list[float], ...]:
    """Values, lows, highs, truths."""
    return tuple(
        [getattr(c, name) for c in comparisons] for name in ("value", "low", "high", "true")
    )


def accuracy(plane: str, measure: str, comparisons: Iterable[Comparison]) -> Accuracy:
    """The figures of some comparisons taken together.

    measure : a key, or "all" for a mixture: then errors in units are left out.
    """
    chosen = list(comparisons)
    known = [c for c in chosen if c.is_measured]
    nan = float("nan")
    error = np.array([c.value - c.true for c in known])
    half = np.array([(c.high - c.low) / 2 for c in known])
    moved = np.array([c.excursion - c.true_excursion for c in known])
    moved = moved[np.isfinite(moved)]
    hits = sum(c.low <= c.true <= c.high for c in known)
    low, high = wilson_interval(hits, len(known))
    swept = np.array(
        [sweep(c.true, _as_measured(c)) for c in known if MEASURES[c.measure].unit == "deg"]
    )
    n_targets, wrong, undecided = swept.sum(axis=0) if len(swept) else (0, 0, 0)
    decided = n_targets - undecided
    one_unit = measure != "all" and len(known) > 0
    score = (
        interval_score([c.low for c in known], [c.high for c in known], [c.true for c in known])
        if one_unit
        else np.array([nan])
    )
    return Accuracy(
        plane=plane,
        measure=measure,
        n=len(chosen),
        n_measured=len(known),
        share_measured=len(known) / len(chosen) if chosen else nan,
        bias=float(error.mean()) if one_unit else nan,
        mae=float(np.abs(error).mean()) if one_unit else nan,
        worst=float(np.abs(error).max()) if one_unit else nan,
        percentile_95=float(np.percentile(np.abs(error), 95)) if one_unit else nan,
        excursion_mae=float(np.abs(moved).mean()) if one_unit and len(moved) else nan,
        coverage=hits / len(known) if known else nan,
        coverage_low=low,
        coverage_high=high,
        half_width=float(np.median(half)) if one_unit else nan,
        interval_score=float(score.mean()),
        calibration_error=calibration_error(*_columns(known)),
        wrong_share=float(wrong / decided) if decided else nan,
        undecided_share=float(undecided / n_targets) if n_targets else nan,
    )


def accuracy_by_measure(comparisons: Sequence[Comparison]) -> tuple[Accuracy, ...]:
    """A row per true view and measure, and one of all measures per view ("all").

    A measure that the true view cannot support is left out unless a value was reported for it.
    """
    counted = [c for c in comparisons if c.is_supported or c.is_measured]
    rows = []
    for plane in dict.fromkeys(c.plane for c in counted):
        of_plane = [c for c in counted if c.plane == plane]
        rows += [
            accuracy(plane, key, [c for c in of_plane if c.measure == key])
            for key in READINGS
            if any(c.measure == key for c in of_plane)
        ]
        rows.append(accuracy(plane, "all", of_plane))
    return tuple(rows)


def accuracy_by_exercise(comparisons: Sequence[Comparison]) -> dict[str, tuple[Accuracy, ...]]:
    """Exercise -> its rows, as `accuracy_by_measure` gives them."""
    names = dict.fromkeys(c.exercise for c in comparisons)
    return {n: accuracy_by_measure([c for c in comparisons if c.exercise == n]) for n in names}
