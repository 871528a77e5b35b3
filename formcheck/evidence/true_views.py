"""Where the true camera stood: its view, how far off it, and how the leg's own plane lay to it."""

import numpy as np

from formcheck.evidence.truth import TrueRepetition, Truth
from formcheck.model.anatomy import Side
from formcheck.motion.camera import CameraSettings, off_side_deg


def true_plane(azimuth_deg: float, settings: CameraSettings = CameraSettings()) -> str:
    """The plane of a camera whose place is known: the limits as they stand, with no margin."""
    from_front = abs((azimuth_deg + 180) % 360 - 180)
    if off_side_deg(azimuth_deg) <= settings.sagittal_most_off_deg:
        return "sagittal"
    if min(from_front, 180 - from_front) <= settings.frontal_most_deg:
        return "frontal"
    return "oblique"


def boundary_deg(azimuth_deg: float, settings: CameraSettings = CameraSettings()) -> float:
    off = off_side_deg(azimuth_deg)
    limits = (settings.sagittal_most_off_deg, 90 - settings.frontal_most_deg)
    return min(abs(off - limit) for limit in limits)


def camera_offset_deg(azimuth_deg: float, side: Side) -> float:
    """How far a camera stands off the view that it is counted to, degrees, with its direction.

    A side view: off the side, positive = toward the person's front. A front view (or one from
    behind): off straight ahead (or behind), positive = toward the side of the measured leg. An
    oblique view: off the side, as there.
    """
    azimuth = np.radians(azimuth_deg)
    if true_plane(azimuth_deg) == "frontal":
        toward_left = np.degrees(np.arctan2(np.sin(azimuth), abs(np.cos(azimuth))))
        return float(toward_left if side == "left" else -toward_left)
    return float(np.degrees(np.arctan2(np.cos(azimuth), abs(np.sin(azimuth)))))


LEAST_BEND_DEG = 20.0
"""Knee angle through the joint centres below which three points make no plane (a straight leg's
centres already read some 7 deg, and a few millimetres turn their plane about)."""


def leg_plane_deg(truth: Truth, side: Side, repetition: TrueRepetition) -> float:
    """Angle between the leg's own plane and the picture when the knee is bent most, degrees.

    0 : hip, knee and ankle move in the picture's plane; 90 : straight toward the camera. The
    camera is taken as level. NaN where positions are not known or the knee bends too little.
    """
    during = (truth.time_s >= repetition.start_s) & (truth.time_s <= repetition.end_s)
    hip, knee, ankle = (truth.joint_m(side, j)[during] for j in ("hip", "knee", "ankle"))
    known = np.isfinite(hip + knee + ankle).all(axis=1)
    if not known.any():
        return float("nan")
    thigh, shank = (knee - hip)[known], (ankle - knee)[known]
    normal = np.cross(thigh, shank)
    lengths = np.linalg.norm(thigh, axis=1) * np.linalg.norm(shank, axis=1)
    bend = np.degrees(np.arctan2(np.linalg.norm(normal, axis=1), np.sum(thigh * shank, axis=1)))
    most = int(np.argmax(bend))
    if bend[most] < LEAST_BEND_DEG or not lengths[most]:
        return float("nan")
    azimuth = np.radians(truth.azimuth_deg)
    toward_camera = np.array([np.sin(azimuth), -np.cos(azimuth), 0.0])
    share = abs(normal[most] @ toward_camera) / np.linalg.norm(normal[most])
    return float(np.degrees(np.arccos(min(share, 1.0))))
