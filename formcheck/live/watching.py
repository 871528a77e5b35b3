"""The live look at a set: pictures from the camera, answered with words about the picture and,
while it is recorded, with the count so far.

Nothing is kept: the pictures are looked at and forgotten; what is reported comes from the
recording.
"""

import threading
from dataclasses import dataclass, replace

import numpy as np

from formcheck.live.count import LiveCount, count_set, knee_flexion_now
from formcheck.live.framing import (
    Framing,
    Glimpse,
    Left,
    Place,
    Wanted,
    glimpse_of,
    judge,
    left_the_place,
    place_of,
    view_of,
)
from formcheck.model.anatomy import LANDMARK, SIDES, Side
from formcheck.model.programme import Exercise
from formcheck.model.records import View
from formcheck.motion.depth_cue import DepthCue, next_cue
from formcheck.pose.landmarker import PoseModel, PoseSettings

LIVE_POSE = PoseSettings(model="lite", mode="image", n_people=2, n_threads=1)
"""The smallest bundle: words about the picture need no more, and the machine also records."""
KEPT_BEFORE = 20
"""Glimpses kept from before the recording: they hold the person's lengths and place at rest."""
COUNTED_BEFORE_S = 1.0
"""The count begins so long before the recording, so that it knows the rest level."""
MOST_COUNTED = 4000
"""Glimpses of a set, more than ten minutes of them, after which the count stays as it is."""
FRAMING_KEPT_S = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveAnswer:
    """What one picture gave. `count`, `left` and `cue` are None while nothing is recorded, `cue`
    also where none is asked for."""

    framing: Framing
    count: LiveCount | None
    left: Left | None
    cue: DepthCue | None = None


class Eye:
    """A loaded pose network that several sets of eyes may share, one picture at a time."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._model: PoseModel | None = None

    def look(self, rgb: np.ndarray):
        """Who is in the picture (pose.People); loads the network the first time."""
        with self._lock:
            if self._model is None:
                self._model = PoseModel(LIVE_POSE)
            return self._model.find(rgb)

    def close(self) -> None:
        with self._lock:
            if self._model is not None:
                self._model.close()
            self._model = None


class LiveSet:
    """One set in front of the camera, from the first picture to the last.

    `cue_deg` : the knee flexion at which a cue is asked for, or None.
    """

    def __init__(
        self, exercise: Exercise, wanted: Wanted, side: Side | None, cue_deg: float | None = None
    ) -> None:
        self.exercise, self.wanted, self.side = exercise, wanted, side
        self.cue_deg = cue_deg
        self._cue = DepthCue()
        self._glimpses: list[Glimpse] = []
        self._first: list[Glimpse] = []
        self._view: View | None = None
        self._place: Place | None = None
        self._count: LiveCount | None = None

    def start(self) -> None:
        """The recording begins: from here on movements are counted."""
        self._first = self._glimpses[-KEPT_BEFORE:]
        self._glimpses = []
        self._view, self._place = None, None
        self._count, self._cue = LiveCount(), DepthCue()

    def see(self, glimpse: Glimpse) -> LiveAnswer:
        """The answer to one more glimpse; their times increase."""
        if self._glimpses and glimpse.time_s <= self._glimpses[-1].time_s:
            raise ValueError("glimpses come in the order of their times")
        self._glimpses.append(glimpse)
        if self._count is None:
            while self._glimpses[0].time_s < glimpse.time_s - FRAMING_KEPT_S:
                self._glimpses.pop(0)
            return LiveAnswer(framing=judge(self._glimpses, self.wanted), count=None, left=None)
        if self._view is None:
            self._find_start()
        if self._view is not None:
            self._count_on()
        left = None
        if self._place is not None:
            left = left_the_place(self._glimpses[-200:], self._place, self.wanted)
        return LiveAnswer(
            framing=judge(self._glimpses[-60:], self.wanted),
            count=self._count,
            left=left,
            cue=self._next_cue(),
        )

    def _next_cue(self) -> DepthCue | None:
        if self.cue_deg is None:
            return None
        knee_deg = float("nan")
        if self._view is not None:
            # Those from before say which way the person faces, and so the sense of a bend.
            latest = [*self._first, *self._glimpses[-KEPT_BEFORE:]]
            knee_deg = knee_flexion_now(latest, self._view, self.exercise, self.side)
        self._cue = next_cue(self._cue, knee_deg, self.cue_deg)
        return self._cue

    def _find_start(self) -> None:
        """View and place from what was seen just before, or else from the first moments."""
        for glimpses in (self._first, self._glimpses[:KEPT_BEFORE]):
            if sum(g.n_people > 0 for g in glimpses) >= 3:
                self._view, self._place = view_of(glimpses), place_of(glimpses)
                return

    def _count_on(self) -> None:
        if len(self._glimpses) > MOST_COUNTED:
            return
        seen = count_set(
            [*self._first, *self._glimpses],
            self._view,
            self.exercise,
            self.side,
            from_s=self._glimpses[0].time_s - COUNTED_BEFORE_S,
        )
        # What was shown once is not taken back: the analysis has the last word anyway.
        self._count = replace(seen, n=max(seen.n, self._count.n))


def glimpse_from(eye: Eye, rgb: np.ndarray, time_s: float) -> Glimpse:
    """The glimpse of one picture, (height, width, 3) uint8."""
    people = eye.look(rgb)
    height, width = rgb.shape[:2]
    grey = rgb[::4, ::4].mean(axis=2)
    edge = max(1, min(grey.shape) // 8)
    inner = grey[edge:-edge, edge:-edge]
    n_border = grey.size - inner.size
    border = (grey.sum() - inner.sum()) / n_border if n_border else float("nan")
    return glimpse_of(
        people.image_px,
        people.world_m,
        people.visibility,
        time_s=time_s,
        width_px=width,
        height_px=height,
        brightness=float(np.median(grey)),
        border_brightness=float(border),
        trunk_brightness=_trunk_brightness(people, grey),
    )


def _trunk_brightness(people, grey: np.ndarray) -> float:
    if not len(people.image_px):
        return float("nan")
    trunk = people.image_px[0][[LANDMARK[s, j] for s in SIDES for j in ("shoulder", "hip")]] / 4
    (x0, y0), (x1, y1) = np.floor(trunk.min(axis=0)), np.ceil(trunk.max(axis=0))
    box = grey[max(int(y0), 0) : max(int(y1), 0), max(int(x0), 0) : max(int(x1), 0) + 1]
    return float(box.mean()) if box.size else float("nan")
