"""The desk as a process, and a browser of the test's own: nothing but the standard library's HTTP."""

import asyncio
import http.client
import json
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.system.brokers import until
from tests.system.plants import SiteFile

PASSWORD = "a long enough pass phrase"  # noqa: S105 - of a desk that lives for one test


def with_desk(text: str, port: int, more: str = "") -> str:
    """Give a site file a desk on a port; what the file says of its desk itself stays."""
    if re.search(rf"^port = {port}$", text, re.MULTILINE):
        return text
    keys = f"[desk]\nport = {port}\n{more}"
    found, count = re.subn(r"^\[desk\].*\n", lambda _: keys, text, count=1, flags=re.MULTILINE)
    return found if count else f"{text}\n{keys}"


class Browser:
    """Keeps the cookie and the token, as a page does."""

    def __init__(self, port: int, tls: ssl.SSLContext | None = None) -> None:
        self.port = port
        self.cookie = ""
        self.token = ""
        self._tls = tls

    def ask(self, method: str, path: str, body: object = None, **headers: str) -> tuple[int, Any]:
        """Make one request; return status and the JSON of the answer (None: there is none)."""
        status, _, raw = self.raw(method, path, body, **headers)
        return status, json.loads(raw) if raw else None

    def raw(
        self, method: str, path: str, body: object = None, **headers: str
    ) -> tuple[int, http.client.HTTPMessage, bytes]:
        """Make one request; return status, headers and bytes."""
        line: http.client.HTTPConnection
        if self._tls is None:
            line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        else:
            line = http.client.HTTPSConnection("127.0.0.1", self.port, timeout=10, context=self._tls)
        sent = {"Cookie": self.cookie, "X-Crumbmeter-Token": self.token} | headers
        data = None
        if body is not None:
            data = json.dumps(body).encode()
            sent["Content-Type"] = "application/json"
        try:
            line.request(method, path, data, {key: value for key, value in sent.items() if value})
            answer = line.getresponse()
            raw = answer.read()
        finally:
            line.close()
        cookie = answer.headers.get("Set-Cookie", "")
        if cookie:
            self.cookie = cookie.partition(";")[0]
        return answer.status, answer.headers, raw

    def login(self, name: str, password: str) -> dict[str, Any]:
        """Log in; the token is kept."""
        status, body = self.ask("POST", "/api/v1/session", {"name": name, "password": password})
        assert status == 200, body
        self.token = body["token"]
        return dict(body)

    def open_stream(self) -> "Stream":
        """Open the stream."""
        return Stream(self)


class Stream:
    """One open stream; reads its events as they come."""

    def __init__(self, browser: Browser, *, receive_bytes: int = 0) -> None:
        self.line = socket.socket()
        if receive_bytes:
            self.line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        self.line.settimeout(10)
        self.line.connect(("127.0.0.1", browser.port))
        self.line.sendall(f"GET /api/v1/stream HTTP/1.1\r\nHost: desk\r\nCookie: {browser.cookie}\r\n\r\n".encode())
        self._file = self.line.makefile("rb")

    def status(self) -> int:
        """Read the head, and return the status."""
        status = int(self._file.readline().split()[1])
        while self._file.readline().strip():
            pass
        return status

    def events(self) -> Iterator[tuple[str, Any]]:
        """Yield name and body of each event, until the stream ends."""
        name = ""
        for raw in self._file:
            line = raw.decode().rstrip("\r\n")
            if line.startswith("event: "):
                name = line[7:]
            elif line.startswith("data: "):
                yield name, json.loads(line[6:])

    def close(self) -> None:
        """Hang up."""
        self._file.close()
        self.line.close()


class Desk:
    """`crumbmeter desk` as a process."""

    def __init__(self, site: SiteFile, port: int, more: str = "") -> None:
        self.site = site
        self.port = port
        self.people = site.journal.parent / "desk" / "people.json"
        site.path.write_text(with_desk(site.path.read_text(), port, more))
        self._told = site.folder / "desk.log"
        self.start()

    def start(self) -> None:
        """Start it."""
        words = [sys.executable, "-m", "crumbmeter", "desk", str(self.site.path)]
        with self._told.open("ab") as told:
            self.process = subprocess.Popen(words, cwd=self.site.folder, stdout=told, stderr=told)

    def told(self) -> str:
        """Return what it said."""
        return self._told.read_text()

    def serves(self) -> None:
        """Wait until it takes connections after another start."""
        asyncio.run(until(lambda: takes_tcp(self.port) or self.process.poll() is not None, 20))
        assert self.process.poll() is None, self.told()

    async def up(self, tls: ssl.SSLContext | None = None) -> Browser:
        """Wait until it serves; return a browser that is not logged in."""
        await until(lambda: "desk_started" in self.told() or self.process.poll() is not None, 20)
        assert self.process.poll() is None, self.told()
        return Browser(self.port, tls)

    async def integrator(self, tls: ssl.SSLContext | None = None) -> Browser:
        """Wait until it serves; log in for the first time, change the password, and return the browser."""
        browser = await self.up(tls)
        found = re.search(r"^    ([a-z2-9-]{19})$", self.told(), re.MULTILINE)
        assert found, self.told()
        browser.login("integrator", found[1])
        status, body = browser.ask("POST", "/api/v1/session/password", {"old": found[1], "new": PASSWORD})
        assert status == 204, body
        return browser

    def person(self, boss: Browser, name: str, role: str) -> Browser:
        """Add somebody, and return a browser in which they are logged in."""
        status, body = boss.ask("POST", "/api/v1/people", {"name": name, "role": role})
        assert status == 201, body
        browser = Browser(self.port, boss._tls)
        browser.login(name, body["password"])
        status, _ = browser.ask("POST", "/api/v1/session/password", {"old": body["password"], "new": PASSWORD})
        assert status == 204
        return browser

    async def stop(self) -> tuple[int, float]:
        """Ask it to stop; return its exit code and how long it took [s]."""
        began = time.perf_counter()
        self.process.send_signal(signal.SIGTERM)
        code = await asyncio.to_thread(self.process.wait, 15)
        return code, time.perf_counter() - began

    def close(self) -> None:
        """End it, whatever state it is in."""
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)


def takes_tcp(port: int) -> bool:
    """Tell whether somebody listens."""
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate of our own for 127.0.0.1, and its key."""
    made, key = folder / "desk.pem", folder / "desk.key"
    subprocess.run(
        [
            "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
            "-keyout", key, "-out", made, "-days", "2", "-subj", "/CN=desk", "-addext", "subjectAltName=IP:127.0.0.1",
        ],
        check=True,
        capture_output=True,
    )  # fmt: skip
    return made, key
