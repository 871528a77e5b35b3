"""The error family: one base, one child for each thing the person can do about it."""

from formcheck.model.codes import ClipErrorCode, Values


class FormcheckError(Exception):
    """Base of every error that formcheck raises on purpose.

    The message is one line: what is wrong, where, and what to try.
    `exit_code` is what the command line returns for it.
    """

    exit_code = 1


class UsageError(FormcheckError):
    """The command was given something it cannot use: fix the arguments."""

    exit_code = 2


class ClipError(FormcheckError):
    """The clip cannot be read or shows nothing measurable: fix the clip.

    `code` names the case where a reader is told more than the message, and `values` what it is
    about; None and nothing else. The message itself names no option of any command.
    """

    exit_code = 3

    def __init__(self, message: str, *, code: ClipErrorCode | None = None, values: Values = ()):
        super().__init__(message)
        self.code = code
        self.values = values


class FileError(FormcheckError):
    """An exercise, prescription, report or track file is at fault: fix the file.

    `faults` holds one line per fault, each with its place.
    """

    exit_code = 4

    def __init__(self, message: str, faults: tuple[str, ...] = ()):
        super().__init__(message)
        self.faults = faults


class OutputError(FormcheckError):
    """Results cannot be written: choose another folder or free some space."""

    exit_code = 5


class NoRoomError(OutputError):
    """The disk is full: free some space."""


class ModelError(FormcheckError):
    """The pose model or a system library is missing or damaged: install it."""

    exit_code = 6


class BusyError(FormcheckError):
    """Another run is using the same output: wait for it or choose another folder."""

    exit_code = 8


BATCH_INCOMPLETE_EXIT_CODE = 7
INTERRUPTED_EXIT_CODE = 130

EXIT_CODES = (
    (0, "done"),
    (1, "unexpected failure in formcheck itself"),
    (UsageError.exit_code, "the command line is wrong"),
    (ClipError.exit_code, "the clip cannot be read, or shows no person"),
    (FileError.exit_code, "an exercise, prescription, report or track file is at fault"),
    (OutputError.exit_code, "the results cannot be written (permission, disk full)"),
    (ModelError.exit_code, "the pose model or a system library is missing or damaged"),
    (BATCH_INCOMPLETE_EXIT_CODE, "a batch ended with at least one clip not measured"),
    (BusyError.exit_code, "another run is using the output folder"),
    (INTERRUPTED_EXIT_CODE, "stopped by the person (Ctrl-C)"),
)
"""Every exit code of the command line with its meaning."""
