"""Recordings that are still arriving, looked at meanwhile by the worker that will measure them.

Which recording that is, and how much of it was acknowledged, is read from the database; what was
found stays in this process's memory. Whatever goes amiss, the set is measured from its file.
"""

import contextlib
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

from formcheck.clinic.database import Clinic, one
from formcheck.clinic.jobs import Job
from formcheck.model.errors import FormcheckError
from formcheck.model.records import RawTrack
from formcheck.pose.ahead import Progress, TrackAhead
from formcheck.run.settings import Settings

SUFFIX = ".webm"
"""Such a file can be read from its start without an end; browsers that film keep to it where they
can."""
SILENT_S = 15
"""A recording of which nothing has come for so long was broken off, or waits for a network: its
models are given back. Pieces come every second."""


class Ahead:
    """The look at one arriving recording at a time."""

    def __init__(self, clinic: Clinic, settings: Settings) -> None:
        self._clinic, self._settings = clinic, settings
        # An open file cannot be moved on Windows, and its end is moved.
        self._may = settings.pose.mode == "image" and os.name != "nt"
        self._uid = ""
        self._track: TrackAhead | None = None
        self._refused = ""

    @property
    def is_looking(self) -> bool:
        return self._track is not None

    def follow(self) -> bool:
        """Tells the look how much has arrived, or begins one; whether one is under way."""
        if self._track is None:
            self._begin()
        elif self._track.has_failed:
            self._refused = self._uid
            self.forget()
        else:
            self._grow()
        return self.is_looking

    def _begin(self) -> None:
        row = self._newest() if self._may else None
        if row is None or row["uid"] == self._refused:
            return
        try:
            track = TrackAhead(self._clinic.folder.upload(row["uid"]), self._settings.pose)
        except OSError:  # finished or thrown away in between
            return
        self._uid, self._track = row["uid"], track
        track.grow(row["n_bytes"])

    def _newest(self):
        since = datetime.now(UTC) - timedelta(seconds=SILENT_S)
        with self._clinic.read() as c:
            return one(
                c,
                """SELECT uid, n_bytes FROM uploads WHERE suffix = :suffix AND n_pieces > 0
                   AND last_at >= :since ORDER BY begun_at DESC LIMIT 1""",
                suffix=SUFFIX,
                since=since.isoformat(timespec="seconds"),
            )

    def _grow(self) -> None:
        since = (datetime.now(UTC) - timedelta(seconds=SILENT_S)).isoformat(timespec="seconds")
        with self._clinic.read() as c:
            row = one(c, "SELECT n_bytes, last_at FROM uploads WHERE uid = :u", u=self._uid)
            waits = row is None and one(
                c,
                """SELECT 1 FROM jobs j JOIN sets s ON s.id = j.set_id WHERE s.uid = :u
                   AND j.kind = 'measure' AND j.state = 'waiting'""",
                u=self._uid,
            )
        if row is not None and row["last_at"] >= since:
            self._track.grow(row["n_bytes"])
        elif not waits:
            self.forget()

    @contextlib.contextmanager
    def set_aside(self, job: Job):
        """Within the block nothing is looked at but what the job itself asks for."""
        if self._track is not None and job.uid != self._uid:
            self._track.pause()
        try:
            yield
        finally:
            if self._track is not None:
                self._track.resume()

    def take(
        self, job: Job, clip: Path, *, is_mirrored: bool, progress: Progress | None = None
    ) -> RawTrack | None:
        """The landmarks of the job's clip where they were worked out as it arrived, else None."""
        track = self._track
        if track is None or job.uid != self._uid or job.kind != "measure":
            return None
        self._track, self._uid = None, ""
        try:
            return track.track(
                clip, self._settings.pose, is_mirrored=is_mirrored, progress=progress
            )
        except FormcheckError:  # the measuring itself will tell
            return None

    def forget(self) -> None:
        """Gives up what is looked at, and what was found."""
        track, self._track, self._uid = self._track, None, ""
        if track is not None:
            track.close()
