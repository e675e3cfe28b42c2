"""The desk beside a real control and a simulated plant: whatever becomes of it or of browsers, the scan goes on.

One plant, one control and one desk serve all tests of this file; each begins by seeing that they are up.
"""

import asyncio
import contextlib
import http.client
import signal
import socket
import ssl
import struct
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from crumbmeter.adapters.control_line import ControlLine
from crumbmeter.model.events import Event
from crumbmeter.web.stream import MOST_CLIENTS
from crumbmeter.web.tries import FREE
from tests.ports import PORTS
from tests.system.brokers import until
from tests.system.desks import PASSWORD, Browser, Desk, Stream, certificate
from tests.system.plants import Running, Simulator, SiteFile

RATE = 2.0
ALMOST = 0.8
"""Share of the scans of an undisturbed time that a machine busy with the test itself must reach."""


def free_ports() -> Iterator[int]:
    """Find ports, each once."""
    for port in PORTS[7000:]:
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
        yield port


class House:
    """Plant, control and desk."""

    def __init__(self, folder: Path) -> None:
        self._ends = contextlib.ExitStack()
        ports = free_ports()
        self.free_port: Callable[[], int] = lambda: next(ports)
        self.site = SiteFile(folder, self.free_port, rate=RATE)
        self.plant = Simulator(folder, rate=RATE)

    def start(self) -> None:
        """Start the plant, then desk and control; let two people log in."""
        asyncio.run(self.plant.start())
        self._ends.callback(self.plant.close)
        self.site.connect(self.plant.ports)
        self.desk = Desk(self.site, self.free_port())
        self._ends.callback(self.desk.close)
        self.control = Running(self.site)
        self._ends.callback(self._end_control)
        self.boss = asyncio.run(self.desk.integrator())
        self.operator = self.desk.person(self.boss, "ana", "operator")
        self.see()

    def see(self) -> None:
        """See that control and desk are up and know of each other; start what is not."""
        if self.control.process.poll() is not None:
            self.control = Running(self.site)
        if self.desk.process.poll() is not None:
            self.desk.start()
            self.desk.serves()
            self.boss.login("integrator", PASSWORD)
            self.operator.login("ana", PASSWORD)
        self.until(lambda name, body: name == "beat" and body["link"]["up"])

    def until(self, holds: Callable[[str, Any], object], browser: Browser | None = None) -> Any:
        """Read a stream until an event for which `holds`, and return its body."""
        with contextlib.closing((browser or self.operator).open_stream()) as stream:
            assert stream.status() == 200
            for name, body in stream.events():
                if holds(name, body):
                    return body
        raise AssertionError("the stream ended")

    def view(self, holds: Callable[[dict[str, Any]], object] = lambda _view: True) -> dict[str, Any]:
        """Return the first view for which `holds`."""
        return dict(self.until(lambda name, body: name == "view" and body["link"]["up"] and holds(body)))

    def event(self, name: str) -> Event:
        """Wait for an event in the record, and return the newest of its name."""
        asyncio.run(until(lambda: self.site.events(name), 10))
        return self.site.events(name)[-1]

    def do(self, kind: str, browser: Browser | None = None, **more: Any) -> Any:
        """Give a command that must be carried out."""
        status, body = (browser or self.operator).ask("POST", "/api/v1/commands", {"kind": kind, **more})
        assert status == 200, body
        return body["outcome"]

    def feed(self) -> None:
        """Enable control and start the feed, as people do over the desk."""
        if not self.view()["control_enabled"]:
            settings_id = self.boss.ask("GET", "/api/v1/settings")[1]["settings_id"]
            assert self.do("enable control", self.boss, subject=settings_id)["name"] == "control_enabled"
        self.view(
            lambda view: all(one["value"] == 0.0 for one in view["signals"] if one["signal_id"] == "feeder_fault")
        )
        self.do("start feed")
        self.view(lambda view: view["run_state"] == "feeding")

    def _end_control(self) -> None:
        self.control.close()  # it may be another one than at first

    def close(self) -> None:
        """End all that was started."""
        self._ends.close()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """All three, running."""
    made = House(tmp_path_factory.mktemp("house"))
    try:
        made.start()
        yield made
    finally:
        made.close()


async def _watch(path: Path, seconds: float) -> tuple[float, float]:
    """Follow control itself for a while; return its scans and its heartbeats a second."""
    loop = asyncio.get_running_loop()

    def beats(view: dict[str, Any]) -> int:
        return int(next(one["requested_words"][0] for one in view["writes"] if one["role"] == "heartbeat"))

    async with ControlLine(path) as line:
        await line.send({"ask": "follow"})
        first, began_s = await line.receive(), loop.time()
        newest = first
        while (passed_s := loop.time() - began_s) < seconds:
            newest = await line.receive()
    return (newest["seq"] - first["seq"]) / passed_s, (beats(newest) - beats(first)) % 65536 / passed_s


def watch(house: House, seconds: float) -> tuple[float, float]:
    return asyncio.run(_watch(house.site.socket, seconds))


def flood(house: House, over: threading.Event) -> int:
    """Ask as fast as it goes, with and without sense, until told to stop; return how often."""
    asked = 0
    while not over.is_set():
        with contextlib.suppress(OSError, http.client.HTTPException):
            line = http.client.HTTPConnection("127.0.0.1", house.desk.port, timeout=5)
            for path in ("/api/v1/view", "/", "/api/openapi.json", "/api/v1/nothing"):
                line.request("GET", path)
                line.getresponse().read()
                asked += 1
            line.close()
            with socket.create_connection(("127.0.0.1", house.desk.port)) as raw:
                raw.sendall(b"\x00\xff rubbish\r\n\r\n")
    return asked


def test_a_change_is_on_the_stream_within_half_a_second(house: House) -> None:
    """From the scan in which a command was carried out to the view in the browser."""
    house.see()
    with contextlib.closing(house.operator.open_stream()) as stream:
        assert stream.status() == 200
        events = stream.events()
        before = next(body for name, body in events if name == "view")
        value = 0.031 if before["streams"][1]["moisture_fraction"] != 0.031 else 0.032
        house.do("set moisture", subject="rap", value=value)
        seen = next(
            body for name, body in events if name == "view" and body["streams"][1]["moisture_fraction"] == value
        )
        assert seen["scan_age_s"] / RATE + seen["link"]["silent_s"] <= 0.5
    assert str(house.event("moisture_entered").get("who")).startswith("ana (operator, desk)")


def test_two_hundred_resets_leave_every_slot_free(house: House) -> None:
    """Lesson 42: 200 x connect and reset."""
    house.see()
    hard = struct.pack("ii", 1, 0)
    for number in range(200):
        stream = Stream(house.operator)
        if number % 2:
            assert stream.status() == 200
        stream.line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, hard)
        stream.close()
    open_ones = [Stream(house.operator) for _ in range(MOST_CLIENTS)]
    assert [stream.status() for stream in open_ones] == [200] * MOST_CLIENTS
    with contextlib.closing(Stream(house.operator)) as too_many:
        assert too_many.status() == 503
    for stream in open_ones:
        stream.close()
    house.see()


def test_one_that_does_not_read_loses_its_connection_and_the_others_notice_nothing(house: House) -> None:
    house.see()
    stalled = Stream(house.operator, receive_bytes=4096)
    seqs = []

    def read_on(name: str, body: Any) -> bool:
        if name == "view":
            seqs.append(body["seq"])
        return hung_up(stalled.line)

    house.until(read_on)
    stalled.close()
    assert len(seqs) > 20
    assert seqs == sorted(set(seqs))


def hung_up(line: socket.socket) -> bool:
    """Tell whether the other side has cut the connection, without reading from it."""
    state = line.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, 1)[0]
    return state != 1  # TCP_ESTABLISHED


@pytest.mark.slow
def test_killed_frozen_and_flooded_it_changes_nothing_in_control(house: House) -> None:
    """Scans and heartbeats a second, against a time in which there is no desk at all."""
    house.see()
    house.feed()
    streams = [Stream(house.operator) for _ in range(5)]
    assert [stream.status() for stream in streams] == [200] * 5
    house.desk.process.kill()
    house.desk.process.wait(10)
    killed = watch(house, 2.0)
    alone = watch(house, 3.0)
    for stream in streams:
        stream.close()
    house.see()
    streams = [Stream(house.operator) for _ in range(5)]
    house.desk.process.send_signal(signal.SIGSTOP)
    frozen = watch(house, 5.0)
    house.desk.process.send_signal(signal.SIGCONT)
    assert house.site.events("feed_stopped") == []
    over = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        floods = [pool.submit(flood, house, over)]
        flooded = watch(house, 3.0)
        over.set()
        asked = [one.result() for one in floods]
    for stream in streams:
        stream.close()
    assert min(alone) > 0.0
    for what, found in (("killed", killed), ("frozen", frozen), ("flooded", flooded)):
        for figure, undisturbed in zip(found, alone, strict=True):
            assert figure >= ALMOST * undisturbed, (what, found, alone)
    assert min(asked) > 10
    house.see()
    house.do("stop feed")


def test_an_alarm_acknowledged_over_the_desk_is_acknowledged_after_a_restart_of_control(house: House) -> None:
    """Lesson 34: who acknowledged it is in the record, and a restart raises it not again; its condition holds on."""
    house.see()
    offered = {one["kind"]: one for one in house.operator.ask("GET", "/api/v1/actions")[1]}
    house.do("select mix", subject=offered["select mix"]["subject"]["choices"][0])
    house.view(lambda view: states(view).get("recipe_differs") == "unacknowledged")
    offered = {one["kind"]: one for one in house.operator.ask("GET", "/api/v1/actions")[1]}
    assert "recipe_differs" in offered["acknowledge"]["subject"]["choices"]
    house.do("acknowledge", subject="recipe_differs")
    seen = house.event("alarm_acknowledged")
    assert seen.get("alarm") == "recipe_differs"
    assert str(seen.get("who")).startswith("ana (operator, desk)")
    boot = house.view()["boot_id"]
    house.control.kill()
    house.until(lambda name, body: name == "beat" and not body["link"]["up"])
    status, answer = house.operator.ask("POST", "/api/v1/commands", {"kind": "stop feed"})
    assert status == 503, answer
    house.control = Running(house.site)
    began = house.view(lambda view: view["boot_id"] != boot)
    assert states(began)["recipe_differs"] == "acknowledged"
    later = house.view(lambda view: view["seq"] > began["seq"] + 30)
    assert states(later)["recipe_differs"] == "acknowledged"
    assert len([one for one in house.site.events("alarm_raised") if one.get("alarm") == "recipe_differs"]) == 1


def states(view: dict[str, Any]) -> dict[str, str]:
    return {one["alarm_id"]: one["state"] for one in view["alarms"]}


def test_logins_are_held_off_and_nothing_secret_is_in_the_log(house: House) -> None:
    house.see()
    guesser = Browser(house.desk.port)
    found = [
        guesser.ask("POST", "/api/v1/session", {"name": "ana", "password": f"guess {number}"})[0]
        for number in range(FREE + 2)
    ]
    assert found == [401] * (FREE + 1) + [429]
    assert house.operator.ask("GET", "/api/v1/session")[1]["who"] == "ana", "who is logged in stays so"
    told = house.desk.told()
    assert '"event": "login_held_off"' in told
    for secret in (PASSWORD, house.operator.token, house.operator.cookie.partition("=")[2], "argon2", "guess "):
        assert secret not in told
    assert "Traceback" not in told
    assert "foreign_log" not in told or "exception" not in told


def test_no_browser_holds_up_the_end_of_the_desk_or_of_control(house: House) -> None:
    """Lesson 20: with twenty streams open, three of them stalled, the desk ends within 2 s; control as ever."""
    house.see()
    reading = [house.operator.open_stream() for _ in range(17)]
    assert [stream.status() for stream in reading] == [200] * 17
    stalled = [Stream(house.operator, receive_bytes=4096) for _ in range(3)]
    house.view()
    code, took_s = asyncio.run(house.control.stop())
    assert code == 0, house.control.told()
    assert took_s <= 4.0
    house.until(lambda name, body: name == "beat" and not body["link"]["up"])
    code, took_s = asyncio.run(house.desk.stop())
    assert code == 0, house.desk.told()
    assert took_s <= 2.0
    for stream in (*reading, *stalled):
        stream.close()


def test_over_tls_with_a_certificate_of_ones_own(tmp_path: Path) -> None:
    """No control is needed to log in; the cookie is for TLS alone."""
    ports = free_ports()
    made, key = certificate(tmp_path)
    site = SiteFile(tmp_path, lambda: next(ports), rate=1.0)
    site.connect({name: next(ports) for name in site.devices})
    more = f'address = "0.0.0.0"\ntls_certificate = "{made}"\ntls_key = "{key}"\n'
    desk = Desk(site, next(ports), more)
    try:
        trusting = ssl.create_default_context(cafile=str(made))
        browser = asyncio.run(desk.integrator(trusting))
        assert browser.ask("GET", "/health")[1]["desk"] == "up"
        _, headers, _ = browser.raw("POST", "/api/v1/session", {"name": "integrator", "password": PASSWORD})
        assert "Secure" in headers["Set-Cookie"]
        with pytest.raises((OSError, http.client.HTTPException)):
            Browser(desk.port).ask("GET", "/health")
        with pytest.raises(ssl.SSLCertVerificationError):
            Browser(desk.port, ssl.create_default_context()).ask("GET", "/health")
    finally:
        desk.close()
