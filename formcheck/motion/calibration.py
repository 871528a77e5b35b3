"""A goniometer reading that the clinician took, as one patient's offset near one angle.

The only correction of an absolute knee angle: geometry can't know where a patient's joints lie
under the model's points, a goniometer can. It is no better than the goniometer, and it fades
with the distance from the angle at which it was taken.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from formcheck.model.anatomy import Side
from formcheck.model.records import GoniometerReading, Part


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationSettings:
    """How far a reading reaches, and how sure it is.

    goniometer_standard_deg : 10 deg least significant difference of a long-arm goniometer
        (Hancock 2018) over 1.96 times the root of two.
    reach_deg : a reading further from the angle than this says nothing of it (common practice:
        straight and about 90 deg are offered).
    fade_per_deg : standard uncertainty added for each degree away from the reading.
    """

    goniometer_standard_deg: float = 3.6
    reach_deg: float = 35.0
    fade_per_deg: float = 0.06


def offset_near(
    readings: Sequence[GoniometerReading],
    side: Side,
    model: str,
    seen_deg: float,
    settings: CalibrationSettings = CalibrationSettings(),
) -> tuple[float, tuple[Part, ...]] | None:
    """(degrees to add to the seen knee flexion, the parts that come with it), or None.

    The nearest reading of this leg and pose model; between two readings the offset runs in a
    straight line. None where no reading lies within reach: the plain value then stands.
    """
    ours = sorted(
        (r for r in readings if r.side == side and r.model == model), key=lambda r: r.seen_deg
    )
    if not ours:
        return None
    seen = np.array([r.seen_deg for r in ours])
    away = float(np.abs(seen - seen_deg).min())
    if away > settings.reach_deg:
        return None
    offsets = np.array([r.reading_deg - r.seen_deg for r in ours])
    # Readings at one and the same angle are averaged: interp needs increasing places.
    places = np.unique(seen)
    means = np.array([offsets[seen == p].mean() for p in places])
    offset = float(np.interp(seen_deg, places, means))
    nearest = ours[int(np.abs(seen - seen_deg).argmin())]
    parts = [
        Part(
            name="goniometer reading",
            standard=settings.goniometer_standard_deg,
            kind="shared",
            source=f"read {nearest.reading_deg:g} deg on {nearest.taken_on} by {nearest.taken_by}; "
            "long-arm goniometer, Hancock 2018",
        )
    ]
    if away > 0:
        parts.append(
            Part(
                name="distance from the reading",
                standard=settings.fade_per_deg * away,
                kind="shared",
                source=f"away from the {nearest.reading_deg:g} deg read on {nearest.taken_on}",
            )
        )
    return offset, tuple(parts)
