"""One look after another at a clip's pictures, on several threads, in the pictures' order."""

import contextlib
import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from threading import Lock
from typing import Protocol

import numpy as np

from formcheck.files.packages import needed_package
from formcheck.video import Frame

GREY_WIDTH_PX = 160
"""Width of the grey picture that the picture statistics are taken from."""
BORDER_SHARE = 1 / 8
"""Width of its outer border, of each side; common practice, a person rarely fills it."""

LOOKED_BACK = 40
"""Pictures that are looked back on, from as many before: more than are ever under way, so that
what is found does not depend on the threads."""
EMPTY_EVERY = 10
"""After so long without anybody only every tenth picture is looked at enlarged, which takes a dozen
looks: an empty room must not take a day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class People:
    """Who was found in one picture, the surest first.

    image_px : (n, 33, 2) float32; world_m : (n, 33, 3) float32; visibility : (n, 33) float32
    """

    image_px: np.ndarray
    world_m: np.ndarray
    visibility: np.ndarray


class Finder(Protocol):
    """What finds people in pictures, one at a time; `landmarker.PoseModel` is the one in use."""

    sha256: str

    def find(self, rgb: np.ndarray, time_s: float = 0.0, *, may_enlarge: bool = True) -> People: ...

    def close(self) -> None: ...


class ModelPool:
    """Models for as many threads, each loaded by the thread that first needs one more.

    So the pictures are decoded and looked at meanwhile, and a clip of five pictures loads no more
    models than it has pictures. `ready` are there already, and stay open.
    """

    def __init__(
        self, load: Callable[[], Finder] | None, n_most: int, ready: Sequence[Finder] = ()
    ) -> None:
        self.n_most = n_most
        self._load = load
        self._lock = Lock()
        self._n_begun = len(ready)
        self._own: list[Finder] = []
        self._ready = tuple(ready)
        self._idle: SimpleQueue[Finder] = SimpleQueue()
        for model in ready:
            self._idle.put(model)

    @classmethod
    def of(cls, models: Sequence[Finder]) -> "ModelPool":
        """A pool of these models alone."""
        return cls(None, len(models), models)

    def __enter__(self) -> "ModelPool":
        return self

    def __exit__(self, *_exception) -> None:
        """Closes what was loaded here; no thread looks any more."""
        while self._own:
            self._own.pop().close()

    @property
    def sha256(self) -> str:
        """The bundle's. Raises IndexError where nothing was looked at."""
        return (*self._ready, *self._own)[0].sha256

    @contextlib.contextmanager
    def one(self) -> Iterator[Finder]:
        """A model for this thread alone, inside the block."""
        model = self._taken()
        try:
            yield model
        finally:
            self._idle.put(model)

    def _taken(self) -> Finder:
        try:
            return self._idle.get_nowait()
        except Empty:
            pass
        with self._lock:
            may_load = self._load is not None and self._n_begun < self.n_most
            self._n_begun += may_load
        if not may_load:
            return self._idle.get()
        try:
            model = self._load()
        except BaseException:
            with self._lock:
                self._n_begun -= 1
            raise
        self._own.append(model)
        return model


@dataclass(frozen=True, slots=True)
class Look:
    """What one picture gave."""

    time_s: float
    stamp: int
    people: People
    brightness: float
    contrast: float
    sharpness: float
    change: float = math.nan
    border_change: float = math.nan


def look_at(frames: Iterable[Frame], pool: ModelPool) -> Iterator[Look]:
    """Looks at the frames with all the pool's models at once; results in the frames' order.

    This thread decodes; each worker converts and looks, and the first to need a further model
    loads it. The number of pictures under way is
    bounded, and waiting for the oldest of them leaves the others for the workers meanwhile.
    """

    def look(frame: Frame, may_enlarge: bool):
        rgb = frame.rgb()
        with pool.one() as model:
            people = model.find(rgb, time_s=frame.time_s, may_enlarge=may_enlarge)
        return frame, people, _small_grey(rgb)

    before = None
    under_way = deque()
    is_seen: list[bool] = []
    n_most = min(2 * pool.n_most + 1, LOOKED_BACK)
    workers = ThreadPoolExecutor(pool.n_most, thread_name_prefix="pose")
    try:
        for i, frame in enumerate(frames):
            under_way.append(workers.submit(look, frame, _may_enlarge(i, is_seen)))
            if len(under_way) > n_most:
                done, before = _described(*under_way.popleft().result(), before)
                is_seen.append(len(done.people.visibility) > 0)
                yield done
        while under_way:
            done, before = _described(*under_way.popleft().result(), before)
            yield done
    finally:
        # On Ctrl-C or a fault: what has not begun is dropped, what has is waited for (one
        # picture's time), since a model must not be closed while it works.
        workers.shutdown(wait=True, cancel_futures=True)


def _may_enlarge(i: int, is_seen: Sequence[bool]) -> bool:
    """Whether picture i is looked at enlarged where nobody is found in it whole.

    is_seen : whether anybody was found in each of the first pictures; more than i - LOOKED_BACK.
    """
    if i < 2 * LOOKED_BACK or i % EMPTY_EVERY == 0:
        return True
    return any(is_seen[i - 2 * LOOKED_BACK : i - LOOKED_BACK])


def _described(
    frame: Frame, people: People, grey: np.ndarray, before: np.ndarray | None
) -> tuple[Look, np.ndarray]:
    """The look with its picture statistics, and the grey picture for the next one."""
    change = border_change = math.nan
    if before is not None and before.shape == grey.shape:
        difference = np.abs(grey - before)
        change = float(difference.mean())
        border_change = float(difference[_border(grey.shape)].mean())
    picture = _without_bars(grey)
    look = Look(
        time_s=frame.time_s,
        stamp=frame.stamp,
        people=people,
        brightness=float(picture.mean()),
        contrast=float(picture.std()),
        sharpness=_laplacian_variance(picture),
        change=change,
        border_change=border_change,
    )
    return look, grey


def _small_grey(rgb: np.ndarray) -> np.ndarray:
    """(h, 160) float32 grey picture; smaller pictures keep their size."""
    with needed_package("OpenCV"):
        import cv2

    height, width = rgb.shape[:2]
    scale = min(1.0, GREY_WIDTH_PX / width)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    return cv2.cvtColor(small, cv2.COLOR_RGB2GRAY).astype(np.float32)


BAR_MOST_GREY = 24.0
"""Rows and columns at the picture's edge that are nowhere brighter, 0 to 255, may be bars: black is
0 or 16 by the file's range, and compression adds a little."""
BAR_MOST_SPREAD = 2.0
"""And they are of one grey (standard deviation), as no dark room is."""
BARS_APART_PX = 2
"""Bars on both sides are of one width, within this."""
LEFT_LEAST_SHARE = 0.25
"""An upright picture in a wide frame leaves a third of it."""


def _without_bars(grey: np.ndarray) -> np.ndarray:
    """The grey picture, (h, w), without the black bars that a messenger put beside it, or above and
    below; the whole one where there are none."""
    for axis, across in ((1, grey), (0, grey.T)):
        n_lines = len(across)
        bright = np.flatnonzero((across > BAR_MOST_GREY).any(axis=1))
        if not len(bright):
            return grey
        before, after = int(bright[0]), n_lines - 1 - int(bright[-1])
        bars = np.concatenate([across[:before], across[n_lines - after :]])
        are_bars = before > 0 and abs(before - after) <= BARS_APART_PX
        if are_bars and bars.std() <= BAR_MOST_SPREAD and len(bright) >= LEFT_LEAST_SHARE * n_lines:
            inside = slice(before, n_lines - after)
            return grey[inside] if axis == 1 else grey[:, inside]
    return grey


def _laplacian_variance(grey: np.ndarray) -> float:
    """Variance of the five-point Laplacian of the picture's inside; NaN without an inside."""
    if min(grey.shape) < 3:
        return math.nan
    laplacian = (
        grey[:-2, 1:-1] + grey[2:, 1:-1] + grey[1:-1, :-2] + grey[1:-1, 2:] - 4 * grey[1:-1, 1:-1]
    )
    return float(laplacian.var())


def _border(shape: tuple[int, int]) -> np.ndarray:
    """(h, w) bool, True in the outer border."""
    edge = max(1, round(BORDER_SHARE * min(shape)))
    is_border = np.ones(shape, bool)
    is_border[edge:-edge, edge:-edge] = False
    return is_border


def people_arrays(looks: list[Look]) -> dict[str, np.ndarray]:
    """The people of all looks in arrays of one shape, NaN where there are fewer."""
    n_most = max(1, *(len(look.people.visibility) for look in looks))
    arrays = {}
    for name in ("image_px", "world_m", "visibility"):
        of_looks = [getattr(look.people, name) for look in looks]
        shape = (len(looks), n_most, *of_looks[0].shape[1:])
        arrays[name] = np.full(shape, np.nan, np.float32)
        for row, found in zip(arrays[name], of_looks, strict=True):
            row[: len(found)] = found
    return arrays


def picture_statistics(looks: list[Look]) -> dict[str, np.ndarray]:
    names = ("brightness", "contrast", "sharpness", "change", "border_change")
    return {name: np.array([getattr(look, name) for look in looks], np.float32) for name in names}
