"""What an error says to its reader: its own line, and on the terminal the option that helps."""

from formcheck.model.codes import ClipErrorCode
from formcheck.model.errors import ClipError, FormcheckError
from formcheck.words.readers import Reader

OPTION: dict[ClipErrorCode, str] = {"too_few_pictures_looked_at": "--pose-rate"}
"""The option of the command line that does what the end of the message advises."""


def error_words(error: FormcheckError, reader: Reader) -> str:
    """One line; only who runs the command line is told an option of it."""
    if reader == "terminal" and isinstance(error, ClipError) and error.code in OPTION:
        return f"{error} ({OPTION[error.code]})"
    return str(error)
