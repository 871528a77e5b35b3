"""One leg against the other: limb symmetry index or difference, with its interval.

The index is involved over uninvolved times 100, only for measures where more is better and
zero is true (hold, repetitions, heel height, range, leg elevation); for angles and deficits it
is the difference in degrees. 90 % is custom, not clearance, and the other leg may be weakened
too. Legs are only compared at the same load, target and support: that is the clinician's to see.
"""

from collections.abc import Sequence

import numpy as np

from formcheck.model.anatomy import Side, other_side
from formcheck.model.codes import values_of
from formcheck.model.intervals import COVERAGE_FACTOR, combined, over_repetitions
from formcheck.model.measures import MEASURES
from formcheck.model.records import AssessedRepetition, Measured, NotMeasurable, Part, Symmetry

INDEX_LEAST_SHARE = 0.25
"""The index is not given where the uninvolved leg's own uncertainty is more than this share of
its value: a quotient of two doubtful numbers (chosen on sample clips, decision 10)."""


def mean_with_uncertainty(values: Sequence[Measured]) -> tuple[float, float]:
    """(mean, standard uncertainty of the mean), as `over_repetitions` has them."""
    mean = over_repetitions(values)
    return mean.value, combined(mean.parts)


def compare_sides(
    key: str, involved: Side | None, ours: Sequence[Measured], others: Sequence[Measured]
) -> Symmetry | None:
    """The involved leg against the other in one measure, or None where it is not compared.

    ours, others : the measure's values on the involved and on the other leg; on the left and on
    the right one where nobody named the involved leg (None).
    """
    kind = MEASURES[key].symmetry
    if kind is None or not ours or not others:
        return None
    other = other_side(involved or "left")
    a, u_a = mean_with_uncertainty(ours)
    b, u_b = mean_with_uncertainty(others)
    if kind == "difference":
        value, standard = a - b, float(np.hypot(u_a, u_b))
    else:
        if b <= 0 or u_b > INDEX_LEAST_SHARE * b:
            return Symmetry(
                key=key,
                kind=kind,
                involved=involved,
                value=NotMeasurable(
                    key=key, code="other_leg_too_small", values=values_of(side=other)
                ),
            )
        value = 100 * a / b
        standard = 100 / b * float(np.hypot(u_a, a / b * u_b))
    half = COVERAGE_FACTOR * standard
    part = Part(
        name="both legs' uncertainties",
        standard=standard,
        kind="own",
        source="JCGM 100:2008, 5.1.2, the legs taken as independent",
    )
    return Symmetry(
        key=key,
        kind=kind,
        involved=involved,
        value=Measured(key=key, value=value, low=value - half, high=value + half, parts=(part,)),
    )


def symmetry_of(
    repetitions: Sequence[AssessedRepetition], involved: Side | None
) -> tuple[Symmetry, ...] | None:
    """The two legs of one set, or of two sets put together; None where only one leg worked."""
    by_side: dict[str, dict[str, list[Measured]]] = {"left": {}, "right": {}}
    for r in repetitions:
        if r.repetition.is_complete and r.repetition.side in by_side:
            for v in r.measures:
                if isinstance(v, Measured):
                    by_side[r.repetition.side].setdefault(v.key, []).append(v)
    first: Side = involved or "left"
    ours, others = by_side[first], by_side[other_side(first)]
    if not ours or not others:
        return None
    found = (compare_sides(key, involved, ours[key], others.get(key, [])) for key in ours)
    return tuple(s for s in found if s is not None)
