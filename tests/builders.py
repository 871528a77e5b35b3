"""Synthetic records for tests: a figure that squats, with closed-form angles and times.

The figure stands side-on, its left side near, facing left in the picture. `Motion` is the truth
(knee flexion over time, repetitions); `build_*` make the records of each stage from it.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from formcheck.model.anatomy import LANDMARK, N_LANDMARKS
from formcheck.model.intervals import decide
from formcheck.model.programme import Bound
from formcheck.model.records import (
    Analysis,
    AssessedRepetition,
    AssessedSet,
    Check,
    Clip,
    ExerciseWords,
    Finding,
    Measured,
    NotMeasurable,
    Part,
    PoseSource,
    RawTrack,
    Remark,
    Repetition,
    Report,
    SeenLeg,
    SetMeasure,
    Trace,
    Track,
    View,
)
from formcheck.model.stated import Context
from formcheck.motion.set_facts import set_facts

# Shares of stature (Drillis & Contini 1966 in Winter).
THIGH, SHANK, TRUNK, FOOT, ANKLE, HEAD = 0.245, 0.246, 0.288, 0.152, 0.039, 0.110


@dataclass(frozen=True, kw_only=True)
class Motion:
    """Repetitions of raised-cosine bends: rest, lower, pause, raise."""

    n_repetitions: int = 5
    peak_deg: float = 90.0
    peak_change_deg: float = -3.0
    """Added to the peak with each repetition."""
    standing_deg: float = 3.0
    rest_s: float = 0.8
    lowering_s: float = 1.2
    pause_s: float = 0.4
    raising_s: float = 1.0

    @property
    def period_s(self) -> float:
        return self.rest_s + self.lowering_s + self.pause_s + self.raising_s

    @property
    def duration_s(self) -> float:
        return self.n_repetitions * self.period_s + self.rest_s

    def peak(self, i: int) -> float:
        return self.peak_deg + i * self.peak_change_deg

    def flexion_deg(self, time_s: np.ndarray) -> np.ndarray:
        """Knee flexion at each time, (n,)."""
        time_s = np.asarray(time_s, float)
        i = np.clip(np.floor(time_s / self.period_s), 0, max(self.n_repetitions - 1, 0))
        t = time_s - i * self.period_s - self.rest_s
        down = np.clip(t / self.lowering_s, 0, 1)
        up = np.clip((t - self.lowering_s - self.pause_s) / self.raising_s, 0, 1)
        bend = (1 - np.cos(np.pi * down)) / 2 - (1 - np.cos(np.pi * up)) / 2
        if not self.n_repetitions:
            bend = np.zeros_like(t)
        peak = self.peak_deg + i * self.peak_change_deg
        return self.standing_deg + (peak - self.standing_deg) * bend

    def repetition(self, i: int, **changes) -> Repetition:
        """Repetition i (from 0), its ends where 5 % of the range is left and regained."""
        at = i * self.period_s + self.rest_s
        five, ninety = (math.acos(1 - 2 * x) / math.pi for x in (0.05, 0.9))
        low = at + self.lowering_s + self.pause_s
        turn_from = at + ninety * self.lowering_s
        turn_to = low + (1 - ninety) * self.raising_s
        made = Repetition(
            number=i + 1,
            part=None,
            side="left",
            start_s=at + five * self.lowering_s,
            turn_s=(turn_from + turn_to) / 2,
            end_s=low + (1 - five) * self.raising_s,
            turn_from_s=turn_from,
            turn_to_s=turn_to,
            is_complete=True,
        )
        return replace(made, **changes)


def figure_px(
    flexion_deg: np.ndarray, *, width_px=640, height_px=480, stature_share=0.8, x_share=0.5
) -> np.ndarray:
    """Landmarks of the figure in the picture, (n, 33, 2) pixels."""
    flexion = np.radians(np.asarray(flexion_deg, float))
    h = stature_share * height_px
    ahead = -1.0
    shank, trunk = 0.4 * flexion, 0.45 * flexion
    thigh = flexion - shank

    def step(start, length, lean, sense):
        return start + length * h * np.stack([sense * np.sin(lean), -np.cos(lean)], -1)

    zero = np.zeros_like(flexion)
    ground = np.array([x_share * width_px, (0.5 + stature_share / 2) * height_px])
    ankle = ground + np.stack([zero, zero - ANKLE * h], -1)
    knee = step(ankle, SHANK, shank, ahead)
    hip = step(knee, THIGH, thigh, -ahead)
    shoulder = step(hip, TRUNK, trunk, ahead)
    head = step(shoulder, HEAD, trunk / 2, ahead)
    heel = ankle + np.array([-ahead * 0.03 * h, ANKLE * h * 0.9])
    toe = heel + np.array([ahead * FOOT * h, 0.0])
    elbow = shoulder + np.array([ahead * 0.08 * h, 0.16 * h])
    wrist = elbow + np.array([ahead * 0.13 * h, -0.02 * h])
    points = np.zeros((len(flexion), N_LANDMARKS, 2))
    points += head[:, None, :]
    for row, (dx, dy) in enumerate(
        [
            (1, 0.1),
            (0.7, -0.3),
            (0.6, -0.3),
            (0.5, -0.3),
            (0.7, -0.3),
            (0.6, -0.3),
            (0.5, -0.3),
            (-0.1, -0.1),
            (-0.05, -0.1),
            (0.7, 0.5),
            (0.7, 0.5),
        ]
    ):
        points[:, row] = head + np.array([ahead * dx * 0.06 * h, dy * 0.06 * h])
    places = {
        "shoulder": shoulder,
        "elbow": elbow,
        "wrist": wrist,
        "hip": hip,
        "knee": knee,
        "ankle": ankle,
        "heel": heel,
        "toe": toe,
    }
    for (side, name), row in LANDMARK.items():
        if name in places:
            away = 0.0 if side == "left" else 0.015 * h
            points[:, row] = places[name] + np.array([away, 0.0])
    for row in range(17, 23):  # hands
        points[:, row] = wrist
    return points


def build_clip(motion: Motion = Motion(), **changes) -> Clip:
    made = Clip(
        file="squat.mp4",
        sha256="0" * 64,
        duration_s=motion.duration_s,
        n_frames=round(motion.duration_s * 30),
        n_frames_lost=0,
        width_px=640,
        height_px=480,
        rotation_deg=0,
        frame_rate_hz=30.0,
        time_base=(1, 15360),
        first_stamp=0,
    )
    return replace(made, **changes)


SOURCE = PoseSource(
    model="heavy",
    sha256="1" * 64,
    mode="image",
    rate_hz=15.0,
    library_versions=(("mediapipe", "0.10.33"), ("numpy", "2.0.0")),
)


def build_raw(clip: Clip, motion: Motion = Motion(), *, rate_hz=15.0, people=None) -> RawTrack:
    """Landmarks as a model would give them; `people` (n, p, 33, 2) replaces the one figure."""
    n = max(int(clip.duration_s * rate_hz), 1)
    time_s = np.arange(n) / rate_hz
    if people is None:
        people = figure_px(
            motion.flexion_deg(time_s), width_px=clip.width_px, height_px=clip.height_px
        )[:, None]
    p = people.shape[1]
    even = np.zeros(n, np.float32)
    seen = np.isfinite(people[..., 0])
    return RawTrack(
        clip=clip,
        source=SOURCE,
        time_s=time_s,
        stamp=np.round(time_s * clip.time_base[1] / clip.time_base[0]).astype(np.int64),
        image_px=people.astype(np.float32),
        world_m=np.where(seen[..., None], 0.0, np.nan).repeat(3, -1).astype(np.float32),
        visibility=np.where(seen, 0.99, 0.0).astype(np.float32).reshape(n, p, N_LANDMARKS),
        brightness=even + 120,
        contrast=even + 40,
        sharpness=even + 200,
        change=even + 1,
        border_change=even,
    )


def build_track(clip: Clip, motion: Motion = Motion(), *, grid_hz=30.0) -> Track:
    n = max(int(clip.duration_s * grid_hz), 2)
    time_s = np.arange(n) / grid_hz
    image_px = figure_px(
        motion.flexion_deg(time_s), width_px=clip.width_px, height_px=clip.height_px
    )
    return Track(
        time_s=time_s,
        grid_hz=grid_hz,
        image_px=image_px,
        world_m=np.zeros((n, N_LANDMARKS, 3)),
        visibility=np.full((n, N_LANDMARKS), 0.99),
        is_filled=np.zeros((n, N_LANDMARKS), bool),
        is_repaired=np.zeros(n, bool),
        noise_px=np.full(N_LANDMARKS, 0.6),
    )


def build_trace(track: Track, motion: Motion = Motion(), **changes) -> Trace:
    made = Trace(
        time_s=track.time_s,
        value=motion.flexion_deg(track.time_s),
        unit="deg",
        label="Knee flexion",
        key="knee_flexion",
    )
    return replace(made, **changes)


VIEW = View(
    plane="sagittal",
    azimuth_deg=84.0,
    azimuth_low_deg=74.0,
    azimuth_high_deg=94.0,
    near_side="left",
    person_height_px=384.0,
    roll_deg=0.4,
    facing_x=-1,
)

KNEE_PARTS = (
    Part(
        name="landmark offset and definition",
        standard=3.0,
        kind="shared",
        source="published single-camera studies, 3 to 6 deg",
    ),
    Part(name="camera off the side", standard=0.8, kind="shared", source="azimuth 84 ± 10 deg"),
    Part(name="landmark noise", standard=0.7, kind="own", source="seen in this clip"),
    Part(name="time grid", standard=0.2, kind="own", source="30 samples a second"),
)


def measured(key: str, value: float, half: float, parts: tuple[Part, ...] = ()) -> Measured:
    """A measure with an even interval."""
    return Measured(key=key, value=value, low=value - half, high=value + half, parts=parts)


DEFAULT_BOUNDS = (
    ("target", Bound(measure="knee_flexion_peak_deg", at_least=80.0)),
    ("limit", Bound(measure="trunk_inclination_deg", at_most=45.0)),
)


def build_repetitions(motion: Motion, bounds=DEFAULT_BOUNDS) -> tuple[AssessedRepetition, ...]:
    """Assessed repetitions: the peak fades, so outcomes differ from one to the next."""
    made = []
    for i in range(motion.n_repetitions):
        repetition, peak = motion.repetition(i), motion.peak(i)
        values = (
            measured("knee_flexion_peak_deg", peak, 6.4, KNEE_PARTS),
            measured("thigh_inclination_deg", 90 - 0.6 * peak, 5.0, KNEE_PARTS),
            measured("trunk_inclination_deg", 0.45 * peak, 4.0, KNEE_PARTS),
            NotMeasurable(key="knee_over_toe_share", code="leg_hidden"),
            measured("lowering_s", motion.lowering_s, 0.1),
            measured("pause_s", motion.pause_s, 0.1),
            measured("raising_s", motion.raising_s, 0.1),
            measured("range_deg", peak - motion.standing_deg, 3.0),
        )
        by_key = {v.key: v for v in values}
        checks = []
        for kind, bound in bounds:
            value = by_key.get(bound.measure)
            if isinstance(value, Measured):
                outcome = decide(kind, value, *bound.band(kind))
            else:
                outcome = "not_visible"
            checks.append(Check(kind=kind, bound=bound, outcome=outcome))
        remarks = ()
        if i == 1:
            remarks = (Remark(code="quick_turn", at_s=repetition.turn_s),)
        made.append(
            AssessedRepetition(
                repetition=repetition, measures=values, checks=tuple(checks), remarks=remarks
            )
        )
    return tuple(made)


def build_report(motion: Motion = Motion(), *, bounds=DEFAULT_BOUNDS, **changes) -> Report:
    """A report of a set of squats; any field of Report may be replaced."""
    repetitions = build_repetitions(motion, bounds)
    n = len(repetitions)
    met = sum(
        bool(r.checks) and all(c.outcome in ("reached", "kept") for c in r.checks)
        for r in repetitions
    )
    peaks = [motion.peak(i) for i in range(n)]
    whole = AssessedSet(
        n_repetitions=n,
        n_complete=n,
        n_met=met,
        dose_prescribed=10,
        dose_done=n,
        measures=(
            SetMeasure(
                key="knee_flexion_peak_deg",
                mean=float(np.mean(peaks)),
                sd=float(np.std(peaks, ddof=1)) if n > 1 else None,
                first=peaks[0],
                last=peaks[-1],
                change_over_set=measured("knee_flexion_peak_deg", peaks[-1] - peaks[0], 1.5)
                if n > 2
                else None,
            ),
        )
        if n
        else (),
        symmetry=None,
        checks=(),
        facts=set_facts(
            repetitions, range(1, n + 1), is_hold=False, bounds=bounds, measure_of_remark={}
        ),
    )
    made = Report(
        created_at="2025-11-24T10:00:00+00:00",
        version="0.1.0",
        source=SOURCE,
        settings=(("pose", {"model": "heavy", "rate_hz": 15.0}), ("low_pass_hz", 6.0)),
        prescription_sha256=None,
        clip=build_clip(motion),
        exercise="squat",
        exercise_words=ExerciseWords(
            name="Squat",
            kind="repetition",
            camera="Camera at the side, level with the hips.",
            remarks=(("quick_turn", "quick change of direction"),),
        ),
        side="left",
        side_was_chosen=True,
        context=Context(),
        bounds=tuple(bounds),
        view=VIEW,
        is_usable=True,
        findings=(Finding(code="feet_cut_off", from_s=2.0, to_s=3.1, spoils="stretch"),),
        repetitions=repetitions,
        whole=whole,
    )
    return replace(made, **changes)


def build_analysis(
    motion: Motion = Motion(),
    *,
    bounds=DEFAULT_BOUNDS,
    clip: Clip | None = None,
    people=None,
    **report_changes,
) -> Analysis:
    """A whole analysis of synthetic squats: report, trace, track, landmarks and bounds."""
    clip = clip or build_clip(motion)
    track = build_track(clip, motion)
    report = build_report(motion, bounds=bounds, **{"clip": clip, **report_changes})
    leg = report.side if report.side != "both" else "left"
    return Analysis(
        report=report,
        trace=build_trace(track, motion),
        track=track,
        raw=build_raw(clip, motion, people=people),
        seen=(
            SeenLeg(
                leg=leg,
                view=report.view,
                is_here=np.ones(len(track.time_s), bool),
                knee_flexion_deg=np.full(len(track.time_s), np.nan),
            ),
        ),
    )


def write_figure_clip(
    path,
    motion: Motion = Motion(n_repetitions=1),
    *,
    width_px=320,
    height_px=240,
    rate_hz=20.0,
    jitter=False,
) -> Clip:
    """Write a clip of the figure with a busy chequered face; the record of the clip.

    `jitter` makes the frame times uneven. The sides are rounded up to even by the encoder.
    """
    from formcheck.video import VideoWriter, open_video

    n = int(motion.duration_s * rate_hz)
    uneven = np.random.default_rng(5).integers(-200, 200, n) if jitter else np.zeros(n, int)
    stamps = (np.arange(n) * 10_000 / rate_hz).astype(int) + uneven
    points = figure_px(
        motion.flexion_deg((stamps - stamps[0]) / 10_000), width_px=width_px, height_px=height_px
    )
    with VideoWriter(
        path, width_px=width_px, height_px=height_px, time_base=(1, 10_000), crf=12
    ) as writer:
        for stamp, person in zip(stamps, points, strict=True):
            writer.write(figure_picture(person, width_px, height_px), int(stamp))
    with open_video(path) as reader:
        for _ in reader.frames():
            pass
        return reader.clip()


def figure_picture(person: np.ndarray, width_px: int, height_px: int) -> np.ndarray:
    """A grey picture with a chequered head and a leg, (height, width, 3) uint8."""
    picture = np.full((height_px, width_px, 3), 128, np.uint8)
    head = person[:11].mean(0)
    radius = 0.07 * 0.8 * height_px
    y, x = np.mgrid[:height_px, :width_px]
    in_head = (x - head[0]) ** 2 + (y - head[1]) ** 2 <= radius**2
    picture[in_head] = np.where(((x // 3 + y // 3) % 2)[in_head, None], 235, 20)
    for name in ("hip", "knee", "ankle"):
        px, py = person[LANDMARK["left", name]]
        picture[int(py) - 2 : int(py) + 3, int(px) - 2 : int(px) + 3] = 60
    return picture
