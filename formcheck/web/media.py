"""Videos, in ranges, to the session that may see them."""

from formcheck.clinic.sets import StoredSet
from formcheck.web.pages import PageError, site_of

_KINDS = {
    ".mp4": "video/mp4",
    ".m4v": "video/mp4",
    ".mov": "video/quicktime",
    ".webm": "video/webm",
    ".mkv": "video/x-matroska",
    ".avi": "video/x-msvideo",
}


def video_response(request, stored: StoredSet):
    """The recording or the annotated video of a set. The caller has checked whose it is."""
    from starlette.responses import FileResponse

    folder = site_of(request).clinic.folder
    which = request.path_params["which"]
    if which == "recording":
        path = folder.recording(stored.recording)
    elif which == "overlay":
        path = folder.result(stored.uid) / "annotated.mp4"
    else:
        raise PageError(404, "There is no such video.")
    if not path.exists():
        raise PageError(404, "This video is not here (yet).")
    return FileResponse(path, media_type=_KINDS[path.suffix])
