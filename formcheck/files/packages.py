"""A package or system library that cannot be loaded: told as such, with the command that mends it.

Whoever imports a heavy package wraps that import in `needed_package`.
"""

import contextlib
import re
import sys

from formcheck.model.errors import ModelError


@contextlib.contextmanager
def needed_package(what: str):
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
            f"bring it back with: {sys.executable} -m pip install {package}"
        )
    first_line = (str(error).strip() or type(error).__name__).splitlines()[0]
    return ModelError(f"{what} cannot run ({first_line}); install formcheck again")
