"""A package or system library that cannot be loaded: told as such, with the command that mends it.

Whoever imports a heavy package wraps that import in `needed_package`.
"""

import contextlib
import re
import sys
from collections.abc import Iterator
from importlib.metadata import PackageNotFoundError, requires

from formcheck.model.errors import ModelError

_BROUGHT_BY = {"cv2": "opencv-contrib-python"}
"""Import name -> package, where they differ."""


@contextlib.contextmanager
def needed_package(what: str) -> Iterator[None]:
    """Around the import of packages; `what` tells who needs them.

    Raises ModelError when one cannot be loaded: it names the system library or the package that
    is missing, and a command for this very installation.
    """
    try:
        yield
    except (ImportError, OSError) as error:
        raise missing(error, what) from error


def missing(error: BaseException, what: str) -> ModelError:
    """What to install, as far as the message of an import that failed tells."""
    library = re.search(r"(lib[\w.+-]+\.so[\w.]*)", str(error))
    if library:
        return ModelError(
            f"the system library {library[1]} is missing; install it with: "
            "sudo apt-get install libegl1 libgles2 libgl1 libglib2.0-0"
        )
    if isinstance(error, ModuleNotFoundError) and error.name:
        package = error.name.partition(".")[0]
        return ModelError(
            f"{what} cannot run: the package {package} is missing from this installation; "
            f"bring it back with: {install_command(package)}"
        )
    first_line = (str(error).strip() or type(error).__name__).splitlines()[0]
    return ModelError(f"{what} cannot run ({first_line}); install formcheck again")


def install_command(package: str) -> str:
    """The command that installs a package into this very installation, in a version for it."""
    name = _BROUGHT_BY.get(package, package)
    wanted = name
    with contextlib.suppress(PackageNotFoundError):
        for requirement in requires("formcheck") or ():
            versions = requirement.partition(";")[0].strip()
            if re.match(rf"{re.escape(name)}\b(?!-)", versions, flags=re.IGNORECASE):
                wanted = f"'{versions}'"
    return f"{sys.executable} -m pip install {wanted}"
