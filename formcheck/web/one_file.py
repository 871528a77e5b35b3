"""A form with one file, sent without script: `multipart/form-data`, read with a limit.

What is more than an exchange file of a plan can hold is read and dropped, so that the browser
gets its answer; a refusal in the middle of a body shows there as a broken connection.
"""

import re
from dataclasses import dataclass

MOST_KEPT_BYTES = 8_000_000
"""Of a body: a plan's three parts have at most 4.2 MB."""
_BOUNDARY = re.compile(r"""^multipart/form-data;\s*boundary="?([^";\s]{1,70})"?$""", re.IGNORECASE)
_NAME = re.compile(rb'name="([^"]{0,60})"')


@dataclass(frozen=True, slots=True, kw_only=True)
class FileForm:
    """The token and the content of the form's file; `is_too_large`: the file was dropped."""

    token: str
    content: bytes
    is_too_large: bool


def boundary_of(content_type: str) -> bytes | None:
    """The line between the parts of such a form, None for any other kind of body."""
    found = _BOUNDARY.match(content_type.strip())
    return b"--" + found[1].encode("ascii", "replace") if found else None


async def read_file_form(request) -> FileForm | None:
    """The form of a request, None when it is none of ours."""
    boundary = boundary_of(request.headers.get("content-type", ""))
    body = bytearray()
    is_too_large = False
    async for block in request.stream():
        if len(body) + len(block) <= MOST_KEPT_BYTES:
            body += block
        else:  # the token stands first, and what was kept of the file is not used
            is_too_large = True
    if boundary is None:
        return None
    fields = parts_of(bytes(body), boundary)
    token = fields.get("token", b"")
    return FileForm(
        token=token.decode("ascii", "replace"),
        content=b"" if is_too_large else fields.get("file", b""),
        is_too_large=is_too_large,
    )


def parts_of(body: bytes, boundary: bytes) -> dict[str, bytes]:
    """The parts of a body by their names, their bytes as they were sent; the first of a name."""
    fields: dict[str, bytes] = {}
    for part in (b"\r\n" + body).split(b"\r\n" + boundary)[1:]:
        head, found, content = part.removeprefix(b"\r\n").partition(b"\r\n\r\n")
        name = _NAME.search(head)
        if found and name:
            fields.setdefault(name[1].decode("utf-8", "replace"), content)
    return fields
