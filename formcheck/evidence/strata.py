"""Accuracy in every corner: comparisons sorted by how the clip was filmed and what it shows."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from formcheck.evidence.accuracy import Accuracy, accuracy_by_measure
from formcheck.evidence.validation import Comparison
from formcheck.model.errors import UsageError

NOT_KNOWN = "not known"
NOMINAL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """The comparisons of one bin, taken together: a row per view and measure."""

    by: str
    label: str
    rows: tuple[Accuracy, ...]


def _bin(value: float, edges: Sequence[float], unit: str) -> tuple[float, str]:
    """(order, label) of the half-open bin [edge, next edge) that a value lies in."""
    if not math.isfinite(value):
        return math.inf, NOT_KNOWN
    i = sum(value >= edge for edge in edges)
    if i == 0:
        return 0, f"under {edges[0]:g} {unit}"
    if i == len(edges):
        return i, f"{edges[-1]:g} {unit} or more"
    return i, f"{edges[i - 1]:g} to {edges[i]:g} {unit}"


CAMERA_OFFSET_EDGES_DEG = (3.0, 8.0, 18.0)


def _camera_offset(c: Comparison) -> tuple[float, str]:
    """Bins either side of the view's own axis; the innermost is one."""
    value = c.camera_offset_deg
    if not math.isfinite(value):
        return math.inf, NOT_KNOWN
    if c.plane == "oblique":
        return math.inf, "oblique view"
    order, label = _bin(abs(value), CAMERA_OFFSET_EDGES_DEG, "deg")
    ways = ("forward", "backward")
    if c.plane == "frontal":
        ways = ("toward the measured leg", "away from the measured leg")
    # Bins of the two views do not mix in the order.
    place = math.copysign(order, value) + (10 if c.plane == "frontal" else 0)
    return place, label if order == 0 else f"{label} {ways[value < 0]}"


def _leg_plane(c: Comparison) -> tuple[float, str]:
    """Bins of a leg that moves along the picture; from the front it moves toward the camera."""
    if c.plane == "frontal":
        return math.inf, "front view"
    return _bin(c.leg_plane_deg, (15, 25, 35), "deg")


def _text(value: str) -> tuple[float, str]:
    return (0, value) if value else (math.inf, NOT_KNOWN)


STRATA: dict[str, Callable[[Comparison], tuple[float, str]]] = {
    "camera_offset": _camera_offset,
    "leg_plane": _leg_plane,
    "exercise": lambda c: _text(c.exercise),
    "family": lambda c: _text(c.family),
    "view": lambda c: _text(c.plane),
    "camera_height": lambda c: _bin(c.setting.camera_height_m, (0.8, 1.2), "m"),
    "camera_distance": lambda c: _bin(c.setting.camera_distance_m, (2.6, 3.4), "m"),
    "field_of_view": lambda c: _bin(c.setting.field_of_view_deg, (47, 55), "deg"),
    "clothing": lambda c: _text(c.setting.clothing),
    "frame_rate": lambda c: _bin(c.setting.frame_rate_hz, (18, 27, 45), "a second"),
    "picture_size": lambda c: _bin(
        min(c.setting.width_px, c.setting.height_px), (400, 600), "px (shorter side)"
    ),
}
"""Name of a stratification -> (order, label) of the bin that a comparison belongs to."""


def names_of(by: str) -> tuple[str, ...]:
    """The stratifications that a text such as "camera_offset,exercise+leg_plane" names.

    Raises UsageError for a name that is not in STRATA.
    """
    listed = tuple(name.strip() for name in by.split(",") if name.strip())
    for name in (part for item in listed for part in item.split("+")):
        if name not in STRATA:
            raise UsageError(f'--by: there is no "{name}"; choose of {", ".join(STRATA)}')
    if not listed:
        raise UsageError(f"--by names nothing; choose of {', '.join(STRATA)}")
    return listed


def strata(comparisons: Sequence[Comparison], by: str) -> tuple[Stratum, ...]:
    """The bins of one stratification, in order; of several, joined by "+", every combination.

    Raises UsageError for a name that is not in STRATA.
    """
    parts = [STRATA[name] for item in names_of(by) for name in item.split("+")]
    placed: dict[tuple, list[Comparison]] = {}
    for c in comparisons:
        if c.is_supported or c.is_measured:
            placed.setdefault(tuple(part(c) for part in parts), []).append(c)
    return tuple(
        Stratum(
            by=by, label=", ".join(label for _, label in key), rows=accuracy_by_measure(placed[key])
        )
        for key in sorted(placed)
    )


def short_of_nominal(all_strata: Sequence[Stratum]) -> tuple[tuple[Stratum, Accuracy], ...]:
    """Strata and measures whose coverage lies below 95 % with its whole interval, worst first.

    Many are looked at: of exact intervals about one in forty falls here by chance.
    """
    found = [
        (s, row)
        for s in all_strata
        for row in s.rows
        if row.measure != "all" and row.coverage_high < NOMINAL
    ]
    return tuple(sorted(found, key=lambda pair: pair[1].coverage_high))
