"""Reading and writing clips with PyAV: the one package that names it.

Presentation stamps from the file are the truth. A picture is handed out as a player would show
it: turned and mirrored by the file's display matrix, with square pixels. Nothing here keeps
more than a few pictures at a time, so memory does not grow with the clip.

Not handled: interlaced pictures are not combined anew, and high dynamic range is not tone
mapped (such a picture comes out flat).
"""

from formcheck.video.pictures import Frame
from formcheck.video.reader import ClipFacts, VideoReader, describe, open_video
from formcheck.video.refusals import shown_name
from formcheck.video.writer import VideoWriter

__all__ = [
    "ClipFacts",
    "Frame",
    "VideoReader",
    "VideoWriter",
    "describe",
    "open_video",
    "shown_name",
]
