"""The site running for tests, and a browser as plain as can be: one cookie, no redirects taken."""

import contextlib
import http.client
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from urllib.parse import urlencode

from formcheck.clinic import Clinic
from formcheck.web.server import create_site, server_config
from formcheck.web.sessions import Sessions


@dataclass
class Site:
    """A running site."""

    clinic: Clinic
    sessions: Sessions
    port: int
    application: object = None

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def connection(self, timeout_s: float) -> http.client.HTTPConnection:
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout_s)

    def clinician(self) -> "Browser":
        return self._enter(self.sessions.new_link_secret("clinician"))

    def patient(self, patient_id: int) -> "Browser":
        return self._enter(self.sessions.new_link_secret("patient", patient_id))

    def nobody(self) -> "Browser":
        return Browser(site=self)

    def _enter(self, secret: str) -> "Browser":
        browser = Browser(site=self)
        answer = browser.send(
            "POST",
            "/enter",
            urlencode({"secret": secret}).encode(),
            {"content-type": "application/x-www-form-urlencoded"},
        )
        assert answer.status == 303, answer.text
        browser.cookie = answer.header("set-cookie").split(";")[0]
        return browser


@dataclass
class Answer:
    status: int
    headers: list[tuple[str, str]]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode("utf-8", "replace")

    def header(self, name: str) -> str:
        return next((v for n, v in self.headers if n.lower() == name), "")


@dataclass
class Browser:
    """Sends requests with this site's Host, Origin and cookie unless told otherwise."""

    site: Site
    cookie: str = ""
    _token: str = field(default="", repr=False)

    def send(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: dict | None = None,
        *,
        drop: tuple[str, ...] = (),
        timeout_s: float = 30,
    ) -> Answer:
        sent = {"Host": self.site.origin.split("//")[1]}
        if method not in ("GET", "HEAD"):
            sent["Origin"] = self.site.origin
        if self.cookie:
            sent["Cookie"] = self.cookie
        sent |= headers or {}
        for name in drop:
            sent.pop(name, None)
        with contextlib.closing(self.site.connection(timeout_s)) as connection:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in sent.items():
                connection.putheader(name, value)
            if body is not None and not any(n.lower() == "content-length" for n in sent):
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            response = connection.getresponse()
            return Answer(response.status, response.getheaders(), response.read())

    def get(self, path: str, headers: dict | None = None) -> Answer:
        return self.send("GET", path, None, headers)

    @property
    def token(self) -> str:
        """The form token, as the site's own page carries it."""
        if not self._token:
            page = self.get("/clinic").text or ""
            found = re.search(r'name="form-token" content="(\w+)"', page)
            if found is None:
                found = re.search(r'name="form-token" content="(\w+)"', self.get("/my").text)
            self._token = found[1]
        return self._token

    def post(self, path: str, fields: dict | None = None, headers: dict | None = None) -> Answer:
        """Sends a form as the site's own page would."""
        body = urlencode({"token": self.token, **(fields or {})}, doseq=True).encode()
        kind = {"content-type": "application/x-www-form-urlencoded"}
        return self.send("POST", path, body, {**kind, **(headers or {})})

    def answer_the_day(self, at: str, **yes: str) -> Answer | None:
        """Goes through the questions of the day before the set at an address with "None of
        these", or with the signs that are given by their page's id; gives the last answer."""
        answer = None
        for group in ("now", "knee", "since"):
            told = yes.get(group)
            answer = self.post(
                f"{at}/check/{group}", {"symptom": told} if told else {"none": "yes"}
            )
            if answer.status != 303:
                return answer
        return answer

    def before(self, at: str, pain: int = 1, new: str = "no") -> Answer:
        """Answers what is asked before the set at an address."""
        if "/check/" in self.get(at).header("location"):
            self.answer_the_day(at)
        return self.post(at, {"pain": str(pain), "new": new})

    def call(self, method: str, path: str, body: bytes, headers: dict | None = None) -> Answer:
        """A request of the site's own script."""
        own = {"x-formcheck-token": self.token, "content-type": "application/json"}
        return self.send(method, path, body, {**own, **(headers or {})})


@contextlib.contextmanager
def running_site(clinic: Clinic, phone=None):
    """The site on a free port of this computer, until the block ends. phone : the way for
    phones that its pages tell of."""
    import uvicorn

    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.bind(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        sessions = Sessions()
        application = create_site(clinic, sessions, port, phone)
        config = server_config(application)
        config.timeout_graceful_shutdown = 1
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        until = time.monotonic() + 60
        while not server.started and time.monotonic() < until:
            time.sleep(0.02)
        assert server.started
        try:
            yield Site(clinic=clinic, sessions=sessions, port=port, application=application)
        finally:
            server.should_exit = True
            thread.join(timeout=10)


class Served:
    """`formcheck serve` as its own process."""

    def __init__(self, data, *options):
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "formcheck",
                "serve",
                "--data",
                str(data),
                "--no-browser",
                "--pose-model",
                "lite",
                *options,
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,  # as in a terminal of its own
        )
        self.errors: list[str] = []
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        self.printed: list[str] = []
        self.link = self.next_link()

    def next_link(self) -> str:
        """The link that is printed next; what is printed before it is kept."""
        for line in self.process.stdout:
            if line.startswith("http://127.0.0.1:"):
                return line.strip()
            self.printed.append(line)
        raise AssertionError(self.errors)

    def _listen(self):
        with self.process.stderr as stream:
            self.errors += stream.readlines()

    def stop(self):
        self.process.terminate()
        self.process.wait(timeout=20)
        self._listener.join(timeout=10)
        self.process.stdout.close()
        sys.stderr.writelines(self.errors)  # shown with a failed test

    def interrupt(self) -> int:
        """Ctrl-C: the terminal tells every process in it. Gives the exit code."""
        os.killpg(self.process.pid, signal.SIGINT)
        self.process.wait(timeout=60)
        self._listener.join(timeout=10)
        self.process.stdout.close()
        return self.process.returncode

    def kill(self):
        """Ends the server at once, as a crash or a power cut of the program does."""
        self.process.kill()
        self.process.wait(timeout=20)
        self._listener.join(timeout=10)
        self.process.stdout.close()

    def enter(self) -> Browser:
        """A browser that came in by the printed link."""
        return self.come_in()[0]

    def come_in(self, link: str = "") -> tuple[Browser, str]:
        """A browser that came in by a printed link, the first one, and where it was sent."""
        port = int(re.search(r":(\d+)/", self.link)[1])
        browser = Browser(site=Site(clinic=None, sessions=None, port=port))
        answer = browser.send(
            "POST",
            "/enter",
            urlencode({"secret": link or self.link}).encode(),
            {"content-type": "application/x-www-form-urlencoded"},
        )
        assert answer.status == 303, answer.text
        browser.cookie = answer.header("set-cookie").split(";")[0]
        return browser, answer.header("location")
