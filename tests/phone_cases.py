"""The way for phones running for tests, and a phone as plain as can be."""

import contextlib
import http.client
import re
import socket
import ssl
import time
from dataclasses import dataclass
from functools import cached_property
from urllib.parse import urlencode

import pytest
from web_cases import Answer, Browser, running_site

from formcheck.web.phone import listener
from formcheck.web.server import server_config

FORM = {"content-type": "application/x-www-form-urlencoded"}


@dataclass
class PhoneSite:
    """What a phone finds. It checks the certificate, the name in it too."""

    way: listener.PhoneWay

    @property
    def origin(self) -> str:
        return self.way.origin

    def connection(self, timeout_s: float) -> http.client.HTTPSConnection:
        return http.client.HTTPSConnection(
            self.way.address, self.way.port, timeout=timeout_s, context=self.trusting
        )

    @cached_property
    def trusting(self) -> ssl.SSLContext:
        """Trusts this certificate and no other."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        text = self.way.certificate.path.read_text()
        context.load_verify_locations(cadata=text[text.index("-----BEGIN CERTIFICATE") :])
        return context

    def upgraded(self, path: str, cookie: str, origin: str = "", *, until: str = "\r\n") -> str:
        """What is answered to the first request of a WebSocket, as far as a text in it. In one
        thread: a TLS socket of Python's is not to be read and written by two at once."""
        lines = (
            f"GET {path} HTTP/1.1",
            f"Host: {self.way.address}:{self.way.port}",
            f"Origin: {origin or self.origin}",
            "Upgrade: websocket",
            "Connection: Upgrade",
            "Sec-WebSocket-Version: 13",
            "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
            *([f"Cookie: {cookie}"] if cookie else []),
            "\r\n",
        )
        at = (self.way.address, self.way.port)
        with socket.create_connection(at, timeout=60) as plain:
            with self.trusting.wrap_socket(plain, server_hostname=self.way.address) as secured:
                secured.sendall("\r\n".join(lines).encode())
                got = ""
                while until not in got and (more := secured.recv(4000)):
                    got += more.decode("utf-8", "replace")
        return got

    def phone(self) -> Browser:
        return Browser(site=self)

    def send_code(self, code: str) -> Answer:
        return self.phone().send("POST", "/pair", urlencode({"secret": code}).encode(), FORM)

    def paired(self, patient_id: int) -> Browser:
        answer = self.send_code(self.way.pairings.new_code(patient_id))
        assert answer.status == 303, answer.text
        phone = self.phone()
        phone.cookie = answer.header("set-cookie").split(";")[0]
        return phone


def code_in(page: str) -> str:
    return re.search(r'class="typed">(\w{5}-\w{5})<', page)[1]


@contextlib.contextmanager
def way_at(folder, address: str = "127.0.0.1"):
    """(the way for phones, its socket) at an address that needs no network."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(listener, "phone_address", lambda asked: address)
        with listener.bound_way(folder, None, lambda patient_id: "x") as bound:
            yield bound


@contextlib.contextmanager
def running_with_phones(clinic, address: str = "127.0.0.1"):
    """(the computer's site, what a phone finds), until the block ends."""
    with way_at(clinic.folder.root, address) as (way, listening):
        with running_site(clinic, way) as site:
            config = server_config(
                listener.phone_site(site.application.app, way), way.certificate.path
            )
            config.timeout_graceful_shutdown = 1
            with listener.listening_for_phones(config, listening):
                found = PhoneSite(way=way)
                until = time.monotonic() + 30
                while True:
                    with contextlib.suppress(OSError):
                        found.phone().get("/pair")
                        break
                    assert time.monotonic() < until
                    time.sleep(0.05)
                yield site, found


def is_answering(address: str, port: int) -> bool:
    try:
        with socket.create_connection((address, port), timeout=2):
            return True
    except OSError:
        return False
