"""Landmarks of a recording that is still being made, worked out while it arrives.

A thread of its own decodes what has come and has it looked at, picture by picture, exactly as
`estimate` does with the whole file. Nothing is written: what was found is in memory until it is
asked for or given up.
"""

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from threading import Event, Thread

from formcheck.model.records import RawTrack
from formcheck.pose.landmarker import PoseSettings, model_pool, n_threads, track_of
from formcheck.video import Frame, open_video, shown_name
from formcheck.video.arriving import ArrivingFile, GivenUp
from formcheck.video.reader import VideoReader

MOST_LOOKED = 20_000
"""Pictures, 22 minutes at the usual rate; a longer recording is looked at afterwards. Each takes
about 2.5 KB."""
MOST_AHEAD = 4
"""Models at most: two keep up with the usual rate, a few more catch up."""
_LOOK_S = 0.05

Progress = Callable[[str, int, int | None], None]


class TrackAhead:
    """The landmarks so far of the recording at `path`, of which `grow` tells how much is there.

    Only one that keeps nothing from picture to picture may be paused: image mode.
    """

    def __init__(self, path: Path, settings: PoseSettings) -> None:
        if settings.mode != "image":
            raise ValueError("only in image mode")
        self.settings = settings
        self.n_looked = 0
        self._path = path
        self._file = ArrivingFile(path)
        self._may_look = Event()
        self._may_look.set()
        self._raw: RawTrack | None = None
        self._thread = Thread(target=self._look, name="pose-ahead", daemon=True)
        self._thread.start()

    def grow(self, n_bytes: int) -> None:
        self._file.grow(n_bytes)

    def pause(self) -> None:
        """No further picture is begun with until `resume`: other work comes first."""
        self._may_look.clear()

    def resume(self) -> None:
        self._may_look.set()

    @property
    def has_failed(self) -> bool:
        return not self._thread.is_alive() and self._raw is None

    def track(
        self,
        clip: Path,
        settings: PoseSettings,
        *,
        is_mirrored: bool,
        progress: Progress | None = None,
    ) -> RawTrack | None:
        """The track of the recording, whole by now and stored as `clip`; closes this.

        None where it is not certain to be what `estimate` gives for that file: then it is looked
        at from the start. That is so with other settings, with any fault of the file or of the
        work, and where a byte of the file differs from what was decoded.
        """
        try:
            if settings != self.settings or self.has_failed:
                return None
            self.resume()
            with clip.open("rb") as file:
                self._file.grow(file.seek(0, 2), is_whole=True)
            told = -1
            while self._thread.is_alive():
                self._thread.join(_LOOK_S)
                if progress and self.n_looked > told:
                    told = self.n_looked
                    progress("pose", told, None)
            return self._checked(clip, is_mirrored)
        except OSError:
            return None
        finally:
            self.close()

    def close(self) -> None:
        """Forgets what was found, and gives the file and the models back."""
        self._file.give_up()
        self.resume()
        self._thread.join()
        self._file.close()
        self._raw = None

    def _checked(self, clip: Path, is_mirrored: bool) -> RawTrack | None:
        raw = self._raw
        if raw is None:
            return None
        with open_video(clip, n_threads=1) as reader:
            if reader.sha256 != raw.clip.sha256:
                return None
        return replace(raw, clip=replace(raw.clip, file=shown_name(clip), is_mirrored=is_mirrored))

    def _look(self) -> None:
        # Whatever goes amiss: the whole file is looked at later, which also tells what it was.
        with contextlib.suppress(Exception):
            reader = VideoReader(self._path, n_threads=1, arriving=self._file)
            with model_pool(replace(self.settings, n_threads=self._n_models())) as pool:
                raw = track_of(
                    reader,
                    self._frames(reader),
                    self.settings,
                    pool,
                    is_mirrored=False,
                    tell=self._tell,
                )
            # Where anything was lost or misdated, several threads and one count it differently.
            if not raw.clip.n_frames_lost and not reader.n_frames_misdated:
                self._raw = raw

    def _n_models(self) -> int:
        return min(MOST_AHEAD, n_threads(self.settings))

    def _tell(self, n: int) -> None:
        self.n_looked = n

    def _frames(self, reader: VideoReader) -> Iterator[Frame]:
        for n, frame in enumerate(reader.frames(rate_hz=self.settings.rate_hz)):
            self._may_look.wait()
            if n >= MOST_LOOKED:
                raise GivenUp
            yield frame
