"""Opens the pages of a formcheck that runs elsewhere in a browser here, then stops it by Ctrl-C.

    python tests/pages_from_outside.py PICTURE COMMAND...

COMMAND serves the pages and prints the link. Used by .ci/bare, where it runs inside a bare root
with no network. Ends with 0 when the clinician's pages were shown and the end was quiet.
"""

import os
import signal
import subprocess
import sys
import threading

from playwright.sync_api import sync_playwright


def main() -> None:
    """Fails with an AssertionError that says what went wrong."""
    picture, *command = sys.argv[1:]
    served = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    watch = threading.Timer(120, os.killpg, (served.pid, signal.SIGKILL))
    watch.start()
    printed = ""
    try:
        for line in served.stdout:
            printed += line
            if line.startswith("http://127.0.0.1:"):
                break
        else:
            raise AssertionError(f"no link:\n{printed}{served.stderr.read()}")
        with sync_playwright() as playwright:
            browser = playwright.chromium.launch(executable_path="/usr/bin/chromium")
            page = browser.new_page(viewport={"width": 1300, "height": 900})
            faults: list[str] = []
            page.on("pageerror", lambda error: faults.append(str(error)))
            page.goto(line.strip())
            page.wait_for_url("**/clinic/start")  # nobody has used the folder yet
            page.get_by_role("button", name="A clinic").click()
            page.wait_for_url("**/clinic/settings")
            page.get_by_role("link", name="Patients", exact=True).click()
            page.wait_for_url("**/clinic/patients")
            page.screenshot(path=picture)
            print(page.title(), "|", page.inner_text("h1"))
            assert not faults, faults
            browser.close()
    finally:
        watch.cancel()
        if served.poll() is None:
            os.killpg(served.pid, signal.SIGINT)  # as Ctrl-C: the server and its worker get it
        rest, told = served.communicate(timeout=60)
        print(printed + rest + told, f"ended with {served.returncode}", sep="")
    assert "Traceback" not in told, told
    assert served.returncode in (0, 130), served.returncode


if __name__ == "__main__":
    main()
