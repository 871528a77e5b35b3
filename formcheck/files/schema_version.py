"""The version rule of every file that formcheck writes or reads: formcheck.<kind>/<major>.<minor>.

Another major is refused with both versions named; a newer minor is read, with one warning.
"""

import re
import warnings

_FORM = re.compile(r"^formcheck\.(?P<kind>[a-z_]+)/(?P<major>\d{1,4})\.(?P<minor>\d{1,4})$")


class NewerMinorWarning(UserWarning):
    """The file was written for a newer minor version; keys unknown here are left out."""


def _parts(version: str) -> re.Match[str]:
    form = _FORM.match(version)
    if form is None:
        raise ValueError(f"{version!r} is no version of ours")
    return form


def schema_fault(found: object, newest: str) -> str | None:
    """What is wrong with a file's schema line, with the mend, or None when it can be read.

    `newest` is the version that this program writes, for instance "formcheck.exercise/1.0".
    """
    ours = _parts(newest)
    theirs = _FORM.match(found) if isinstance(found, str) else None
    if found is None:
        return f'is missing; write schema = "{newest}" as the first line'
    if theirs is None:
        return f'is not a version that formcheck knows: {found!r}; write schema = "{newest}"'
    if theirs["kind"] != ours["kind"]:
        return (
            f"says that this is a file of kind {theirs['kind']!r} where one of kind "
            f'{ours["kind"]!r} is needed; give the other file, or write schema = "{newest}"'
        )
    if theirs["major"] != ours["major"]:
        return (
            f"is {found}, and this program reads {newest}; use the formcheck version that wrote "
            "the file, or rewrite the file to the version named here"
        )
    return None


def is_newer_minor(found: str, newest: str) -> bool:
    """Whether a readable file comes from a newer minor version than this program's."""
    theirs = _FORM.match(found)
    return theirs is not None and int(theirs["minor"]) > int(_parts(newest)["minor"])


def warn_newer_minor(file: str, found: str, newest: str) -> None:
    """One warning for a file of a newer minor version."""
    warnings.warn(
        f"{file} is {found}, newer than {newest}: what this program does not know is left out",
        NewerMinorWarning,
        stacklevel=3,
    )
