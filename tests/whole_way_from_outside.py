"""Goes the whole way through the pages of two formchecks that run elsewhere, in a browser here.

    python tests/whole_way_from_outside.py FOLDER DATA COMMAND...

COMMAND with a data folder below DATA at its end serves the pages and prints the link; it is run for
a clinic and for a patient, and ended by Ctrl-C. Pictures are left in FOLDER. Used by .ci/bare,
where COMMAND runs inside a bare root with no network. Ends with 0 when all was shown, reviewed at
the end, and both ends were quiet.
"""

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

from recording_cases import filming_browser
from whole_way import go_the_whole_way

MOST_S = 900


@contextlib.contextmanager
def served(*command: str) -> Iterator[str]:
    """The link of pages that are served until the block ends. Raises AssertionError for what they
    did not say, or should not have said, at their beginning and end."""
    serving = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    watch = threading.Timer(MOST_S, os.killpg, (serving.pid, signal.SIGKILL))
    watch.start()
    printed = ""
    try:
        for line in serving.stdout:
            printed += line
            if line.startswith("http://127.0.0.1:"):
                break
        else:
            raise AssertionError(f"no link:\n{printed}{serving.stderr.read()}")
        yield line.strip()
    finally:
        watch.cancel()
        if serving.poll() is None:
            os.killpg(serving.pid, signal.SIGINT)  # as Ctrl-C: the server and its worker get it
        rest, told = serving.communicate(timeout=60)
        print(printed + rest + told, f"ended with {serving.returncode}", sep="")
    assert "Traceback" not in told, told
    assert serving.returncode in (0, 130), serving.returncode


def main() -> None:
    """Fails with an error that says what went wrong."""
    folder, data, *command = sys.argv[1:]
    Path(folder).mkdir(parents=True, exist_ok=True)
    with (
        filming_browser(Path(folder)) as browser,
        served(*command, f"{data}/clinic") as clinic_link,
        served(*command, f"{data}/home") as home_link,
    ):
        go_the_whole_way(browser, clinic_link, home_link, Path(folder))


if __name__ == "__main__":
    main()
