"""Landmarks of the people in a clip: the one module that names MediaPipe.

The model's bundle is checked against its recorded sha256 on every load. In image mode each
picture is looked at by itself, so several threads share the work, and neither their number nor
what came before changes a landmark.
"""

import contextlib
import logging
import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Literal

import numpy as np

from formcheck.files.packages import missing, needed_package
from formcheck.model.anatomy import N_LANDMARKS
from formcheck.model.errors import ModelError, UsageError
from formcheck.model.records import PoseSource, RawTrack
from formcheck.pose.bundles import MODEL_NAMES, manifest_entry, read_bundle
from formcheck.pose.enlarged import found_enlarged
from formcheck.pose.interrupts import interrupts_held
from formcheck.pose.looking import ModelPool, People, look_at, people_arrays, picture_statistics
from formcheck.pose.native_messages import native_messages_held
from formcheck.video import Frame, VideoReader, open_video

TRACK_CODE_VERSION = 4
"""Raised whenever the code here or in `video/` would give other tracks from the same clip."""

MODES = ("image", "video")
MAX_PEOPLE = 8

Progress = Callable[[str, int, int | None], None]


LOOKS_A_LOAD = 3
"""Loading a model takes as long as looking at so many pictures (0.2 to 0.26 s against 0.06 to 0.08,
heavy bundle, on a virtual AMD EPYC)."""
PICTURES_OF_A_SET = 900
"""A minute at the usual rate: taken where a file does not say how long it is, as none of a browser
does."""

MOST_RATE_HZ = 1000.0
"""No camera that a patient has takes more pictures a second (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PoseSettings:
    """How landmarks are found.

    `rate_hz` is how many pictures a second are looked at, at most all of the clip's.
    `n_people` is the most that are kept in one picture. `n_threads` None takes one for each
    core; it changes the time taken, never the outcome. Video mode follows one person from
    picture to picture, so it keeps one and uses one thread, whatever these say.
    """

    model: Literal["lite", "full", "heavy"] = "heavy"
    mode: Literal["image", "video"] = "image"
    rate_hz: float = 15.0
    n_people: int = 3
    n_threads: int | None = None

    def __post_init__(self):
        if self.model not in MODEL_NAMES:
            raise UsageError(f"pose model {self.model!r}: choose {_either(MODEL_NAMES)}")
        if self.mode not in MODES:
            raise UsageError(f"pose mode {self.mode!r}: choose {_either(MODES)}")
        if not 0 < self.rate_hz <= MOST_RATE_HZ:
            raise UsageError(
                f"pose rate {self.rate_hz:g}: give pictures a second, above 0 and up to "
                f"{MOST_RATE_HZ:g}"
            )
        if not 1 <= self.n_people <= MAX_PEOPLE:
            raise UsageError(f"{self.n_people} people: give a number from 1 to {MAX_PEOPLE}")
        if self.n_threads is not None and self.n_threads < 1:
            raise UsageError(f"{self.n_threads} threads: give 1 or more")


def estimate(
    path: Path | str,
    settings: PoseSettings = PoseSettings(),
    *,
    is_mirrored: bool = False,
    progress: Progress | None = None,
    models: "Sequence[PoseModel] | None" = None,
) -> RawTrack:
    """The landmarks of everyone in the clip, at the settings' rate, in the order of its frames.

    `progress` is called as progress("pose", pictures done, pictures expected or None).
    `models`, from `load_models` with the same settings, saves loading them for each clip; they
    stay open. The number of people in the track is the most found in any one picture, at
    least 1.

    Raises
    ------
    ClipError
        The clip cannot be read.
    ModelError
        The bundle or a system library is missing or damaged.

    Notes
    -----
    Decoded pictures wait in a queue of fixed length, so memory grows only by about 1 KB a
    picture. A person's place among the people may change from picture to picture.
    """
    # Told to look on one thread, several clips are under way: then one thread decodes as well.
    n_decoding = 1 if settings.n_threads == 1 else 0
    with open_video(path, n_threads=n_decoding) as reader:
        n_expected = _n_expected(reader, settings)
        pool = ModelPool.of(models) if models is not None else model_pool(settings, n_expected)
        with pool:
            return track_of(
                reader,
                reader.frames(rate_hz=settings.rate_hz),
                settings,
                pool,
                is_mirrored=is_mirrored,
                tell=lambda n: progress("pose", n, n_expected) if progress else None,
            )


def _n_expected(reader: VideoReader, settings: PoseSettings) -> int | None:
    """How many pictures are looked at, by what the file says of itself; None where it does not."""
    if not reader.duration_hint_s:
        return None
    rate_hz = min(settings.rate_hz, reader.frame_rate_hz or math.inf)
    return math.ceil(reader.duration_hint_s * rate_hz)


def track_of(
    reader: VideoReader,
    frames: Iterable[Frame],
    settings: PoseSettings,
    pool: ModelPool,
    *,
    is_mirrored: bool,
    tell: Callable[[int], None],
) -> RawTrack:
    """The track from the reader's frames, which are asked for to the clip's end.

    `tell` is called with the number of pictures done, after each.
    """
    looks = []
    with contextlib.closing(look_at(frames, pool)) as found:
        for look in found:
            looks.append(look)
            tell(len(looks))
    return RawTrack(
        clip=reader.clip(is_mirrored),
        source=PoseSource(
            model=settings.model,
            sha256=pool.sha256,
            mode=settings.mode,
            rate_hz=float(settings.rate_hz),
            library_versions=library_versions(),
        ),
        time_s=np.array([look.time_s for look in looks]),
        stamp=np.array([look.stamp for look in looks], np.int64),
        **people_arrays(looks),
        **picture_statistics(looks),
    )


def model_pool(settings: PoseSettings, n_pictures: int | None = None) -> ModelPool:
    """Models that are loaded when first needed, as many as so many pictures are worth.

    Models are loaded one after the other, and each takes as long as LOOKS_A_LOAD looks: n of them
    are done with N pictures after about n * LOOKS_A_LOAD + N / n looks, the least of which is at
    n = sqrt(N / LOOKS_A_LOAD). n_pictures None: as many as a set has.
    """
    n = math.ceil(math.sqrt((n_pictures or PICTURES_OF_A_SET) / LOOKS_A_LOAD))
    return ModelPool(lambda: PoseModel(settings), min(n_threads(settings), max(1, n)))


class PoseModel:
    """A loaded pose network, for one thread at a time.

    `sha256` is the bundle's. In video mode a model carries what it saw before: use a new one
    for each clip.
    """

    def __init__(self, settings: PoseSettings):
        bundle, self.sha256 = read_bundle(settings.model)
        mediapipe, vision = _mediapipe()
        self._mediapipe = mediapipe
        self._is_video = settings.mode == "video"
        self._last_ms = -1
        mode = vision.RunningMode.VIDEO if self._is_video else vision.RunningMode.IMAGE
        with native_messages_held():
            _say_first_messages(mediapipe, vision)
            self._landmarker = _landmarker(
                mediapipe, vision, bundle, running_mode=mode, num_poses=n_people(settings)
            )

    def __enter__(self) -> "PoseModel":
        return self

    def __exit__(self, *_exception) -> None:
        self.close()

    def close(self) -> None:
        """Frees the network's memory. Left to the program's end, MediaPipe fails at it, loudly."""
        self._landmarker.close()

    def find(self, rgb: np.ndarray, time_s: float = 0.0, *, may_enlarge: bool = True) -> People:
        """The people in a (height, width, 3) uint8 C-contiguous picture.

        `time_s` matters in video mode only, where it must increase. Where nobody is found, parts of
        the picture are looked in, enlarged, if `may_enlarge`; not in video mode, which goes on
        from the last one.
        """
        people = self._found(rgb, time_s)
        if self._is_video or not may_enlarge or len(people.visibility):
            return people
        enlarged = found_enlarged(rgb, self._found)
        if enlarged is None:
            return people
        again, corner = enlarged
        return People(
            image_px=again.image_px[:1] + corner,
            world_m=again.world_m[:1],
            visibility=again.visibility[:1],
        )

    def _found(self, rgb: np.ndarray, time_s: float = 0.0) -> People:
        height, width = rgb.shape[:2]
        found = self.detect(rgb, time_s)
        image = np.array(
            [[(p.x, p.y, p.visibility) for p in person] for person in found.pose_landmarks]
        ).reshape(-1, N_LANDMARKS, 3)
        world = np.array(
            [[(p.x, p.y, p.z) for p in person] for person in found.pose_world_landmarks]
        ).reshape(-1, N_LANDMARKS, 3)
        return People(
            image_px=(image[:, :, :2] * (width, height)).astype(np.float32),
            world_m=world.astype(np.float32),
            visibility=image[:, :, 2].astype(np.float32),
        )

    def detect(self, rgb: np.ndarray, time_s: float = 0.0):
        """What MediaPipe itself gives for the picture; `find` makes arrays of it."""
        image = self._mediapipe.Image(
            image_format=self._mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(rgb)
        )
        if self._is_video:
            # The model counts in whole milliseconds and refuses the same one twice.
            self._last_ms = max(self._last_ms + 1, round(time_s * 1000))
            return self._landmarker.detect_for_video(image, self._last_ms)
        return self._landmarker.detect(image)


def load_models(settings: PoseSettings) -> "tuple[PoseModel, ...]":
    """One loaded model for each thread of the settings; close each after use.

    Raises ModelError when the bundle or a system library is missing or damaged.
    """
    models = []
    try:
        with interrupts_held():
            for _ in range(n_threads(settings)):
                models.append(PoseModel(settings))
    except BaseException:
        for model in models:
            model.close()
        raise
    return tuple(models)


def n_people(settings: PoseSettings) -> int:
    """The most people kept in one picture under these settings."""
    # Asked for more than one, video mode looks for them anew in each picture and smooths
    # nothing: it then gives image mode's landmarks, on one core (measured).
    return 1 if settings.mode == "video" else settings.n_people


def n_threads(settings: PoseSettings) -> int:
    """How many pictures are looked at at the same time under these settings."""
    if settings.mode == "video":
        return 1
    if settings.n_threads:
        return settings.n_threads
    if hasattr(os, "sched_getaffinity"):  # cores that this process may use
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def track_identity(settings: PoseSettings) -> tuple[tuple[str, object], ...]:
    """All that makes a clip's landmarks what they are: the pose part of a cache key.

    Raises ModelError when the bundle is not known.
    """
    return (
        ("model_sha256", manifest_entry(settings.model)["sha256"]),
        ("mode", settings.mode),
        ("rate_hz", float(settings.rate_hz)),
        ("n_people", n_people(settings)),
        ("library_versions", library_versions()),
        ("track_code_version", TRACK_CODE_VERSION),
    )


def library_versions() -> tuple[tuple[str, str], ...]:
    """(package, version) of the libraries that a track depends on."""
    return tuple((name, version(name)) for name in ("av", "mediapipe", "opencv-contrib-python"))


def _mediapipe():
    """The mediapipe package and its vision tasks, imported when first needed."""
    # Some of its parts read this while they are imported.
    os.environ.setdefault("GLOG_minloglevel", "2")
    # Imported with it and never used: where it would keep its settings is nobody's concern.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with needed_package("MediaPipe"), native_messages_held():
        import mediapipe
        from mediapipe.tasks.python import vision
    return mediapipe, vision


def _landmarker(mediapipe, vision, bundle: bytes, **options):
    base = mediapipe.tasks.BaseOptions(
        model_asset_buffer=bundle, delegate=mediapipe.tasks.BaseOptions.Delegate.CPU
    )
    try:
        return vision.PoseLandmarker.create_from_options(
            vision.PoseLandmarkerOptions(base_options=base, **options)
        )
    except OSError as error:  # the native library is opened only here
        raise missing(error, "MediaPipe") from error
    except (RuntimeError, ValueError) as error:
        first_line = str(error).strip().splitlines()[0]
        raise ModelError(
            f"the pose model cannot be started ({first_line}); install formcheck again"
        ) from error


_said_first_messages = False


def _say_first_messages(mediapipe, vision) -> None:
    """Has MediaPipe say what it says at the first person found, while messages are held.

    A look for people at a confidence of nothing finds one in an empty picture.
    """
    global _said_first_messages
    if _said_first_messages:
        return
    with _landmarker(
        mediapipe,
        vision,
        read_bundle("lite")[0],
        min_pose_detection_confidence=0.0,
        min_pose_presence_confidence=0.0,
    ) as landmarker:
        empty = np.full((64, 64, 3), 127, np.uint8)
        landmarker.detect(mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=empty))
    _said_first_messages = True


def _either(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} or {names[-1]}"
