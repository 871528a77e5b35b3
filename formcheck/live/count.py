"""A live count of repetitions while a set is being filmed. Pure.

It is a help for the person, from a few pictures a second; the analysis of the recording counts
anew and is what is reported. One rule: the driving signal leaves its rest level by at least the
exercise's least range, and comes most of the way back.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from formcheck.live.framing import Glimpse, track_of
from formcheck.model.anatomy import SIDES, Side
from formcheck.model.programme import Exercise
from formcheck.model.records import Track, View
from formcheck.motion.driving import drive, is_on_toes, measured_side, view_for, width_share
from formcheck.motion.kinematics import Series, build_series


@dataclass(frozen=True, slots=True, kw_only=True)
class CountSettings:
    """Guards of the live count.

    back_share : counted when the signal has come back to within this share of the way it went
        (the analysis takes two peaks with half a dip between them for one: the same scale).
    fastest_s : no attempt is away for less (half of what the analysis asks for, as the ends are
        cut off here).
    median_of : samples that the median is taken over, against single slips of a landmark.
    settle_s, settle_share : a signal that stays away this long, steady within this share of the
        least range, has found a new rest level (the person moved); not for a hold.
    plateau_share : within this share of the way of the furthest point, a hold has begun.
    """

    back_share: float = 0.4
    fastest_s: float = 0.2
    median_of: int = 3
    settle_s: float = 10.0
    settle_share: float = 0.5
    plateau_share: float = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveCount:
    """The count so far. `hold_s` is how long the present position has been held: since the way
    there came to where it is, and not since rest was left, as the measuring of a hold counts it.

    `rest` and `far` are the rest level and the furthest point of this attempt, in the signal's
    unit, rising toward the turn; None before anything was seen.
    """

    n: int = 0
    is_away: bool = False
    hold_s: float = 0.0
    rest: float | None = None
    far: float | None = None
    left_at_s: float = 0.0
    held_at: tuple[float, float] | None = None
    """(seconds, level) at which the present hold began."""
    latest: tuple[tuple[float, float], ...] = ()


def counted(
    count: LiveCount,
    time_s: float,
    value: float,
    *,
    least_range: float,
    is_hold: bool = False,
    settings: CountSettings = CountSettings(),
) -> LiveCount:
    """The count after one more sample of the signal (rising toward the turn; NaN changes
    nothing)."""
    if not np.isfinite(value):
        return count
    keep_s = settings.settle_s + 1.0
    latest = (*(s for s in count.latest if s[0] > time_s - keep_s), (time_s, float(value)))
    x = median(v for _, v in latest[-settings.median_of :])
    count = replace(count, latest=latest)
    if len(latest) < settings.median_of and count.rest is None:
        return count
    rest = x if count.rest is None else min(count.rest, x)
    if not count.is_away:
        if x - rest < least_range:
            # At rest the level follows slowly upward too: people settle a little lower or bent.
            step = 0.05 if x - rest < 0.3 * least_range else 0.0
            return replace(count, rest=rest + step * (x - rest), hold_s=0.0)
        held_at = (time_s, x)
        return replace(
            count, rest=rest, is_away=True, far=x, left_at_s=time_s, held_at=held_at, hold_s=0.0
        )
    far = max(count.far, x)
    away_s = time_s - count.left_at_s
    if x <= rest + settings.back_share * (far - rest):
        # The next attempt leaves from wherever this one comes down to.
        n = count.n + (away_s >= settings.fastest_s)
        return replace(count, n=n, is_away=False, rest=x, far=None, hold_s=0.0)
    if not is_hold and away_s > settings.settle_s:
        span = [v for t, v in latest if t > time_s - settings.settle_s]
        if max(span) - min(span) < settings.settle_share * least_range:
            return replace(count, is_away=False, rest=x, far=None, hold_s=0.0)
    held_at = count.held_at or (count.left_at_s, x)
    if x > held_at[1] + settings.plateau_share * (far - rest):
        held_at = (time_s, x)  # still on the way
    return replace(count, rest=rest, far=far, held_at=held_at, hold_s=time_s - held_at[0])


def count_set(
    glimpses: Sequence[Glimpse],
    view: View,
    exercise: Exercise,
    side: Side | None,
    *,
    from_s: float = -np.inf,
    settings: CountSettings = CountSettings(),
) -> LiveCount:
    """The count of all the glimpses of a set, counted from `from_s` on.

    view : where the camera stood when the recording began. Counted anew for each glimpse, as the
    lengths and the floor that the signal is measured by become known while the set goes on.
    """
    track = track_of(glimpses)
    if not len(track.time_s):
        return LiveCount()
    series = {s: _series_of(track, view, exercise, s) for s in SIDES}
    leg = measured_side(side, view)
    is_far = _is_far(leg, view)
    driving_view, values, _ = drive(
        exercise,
        view_for(exercise, view),
        series,
        leg,
        is_far=is_far,
        is_side_known=side is not None,
    )
    sign = 1.0 if driving_view.direction == "rises" else -1.0
    count = LiveCount()
    for time_s, value in zip(track.time_s, values, strict=True):
        if time_s >= from_s:
            count = counted(
                count,
                float(time_s),
                sign * float(value),
                least_range=driving_view.least_range.value,
                is_hold=exercise.kind == "hold",
                settings=settings,
            )
    return count


def _series_of(track: Track, view: View, exercise: Exercise, side: Side) -> Series:
    return build_series(
        track,
        view,
        side,
        is_two_leg=exercise.working_leg == "both",
        width_share=width_share(view),
        is_on_toes=is_on_toes(view_for(exercise, view)),
    )


def _is_far(leg: Side, view: View) -> bool:
    return view.plane == "sagittal" and leg != view.near_side


def knee_flexion_now(
    glimpses: Sequence[Glimpse], view: View, exercise: Exercise, side: Side | None
) -> float:
    """Knee flexion of the measured leg in the last glimpse, deg; NaN where nobody is in it, where
    the knee is not seen, from another plane than the side, and of the leg that is further away."""
    leg = measured_side(side, view)
    if view.plane != "sagittal" or _is_far(leg, view) or not glimpses[-1].n_people:
        return float("nan")
    return float(_series_of(track_of(glimpses), view, exercise, leg).knee_flexion_deg[-1])


def n_to_count(exercise: Exercise, repetitions: int) -> int:
    """How many movements the dose makes: a sequence has one for each of its parts."""
    return repetitions * max(len(exercise.parts), 1)
