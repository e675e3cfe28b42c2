"""One daemon: built from one site, run until it is told to stop or the scan fails, stopped in a written order.

Order of the start: what may be refused first (socket, ports), then the journal, so that a start that is refused leaves
no trace in the record; then the tasks.
Order of the stop (REQ-20): the scan ends; every output is brought to rest and read back (at most 2 s); the broker is
told; the rest of the record is stored; the socket and the metrics go last.
"""

import asyncio
import contextlib
import random
import sys
from collections.abc import Awaitable, Callable
from functools import partial
from typing import TextIO

from crumbmeter import __version__
from crumbmeter.adapters.broker import EmbeddedBroker
from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.control_socket import ControlSocket
from crumbmeter.adapters.logs import log_event, set_up_logs
from crumbmeter.adapters.metrics_server import MetricsServer
from crumbmeter.adapters.mqtt import MqttSettings, Publisher
from crumbmeter.adapters.prometheus import ScanMetrics
from crumbmeter.adapters.socket_file import hold_site
from crumbmeter.adapters.systemd import Notifier
from crumbmeter.app.applying import Applying, Wish
from crumbmeter.app.backup_watch import BackupWatch
from crumbmeter.app.figures import make_extras
from crumbmeter.app.journal_watch import JournalWatch
from crumbmeter.app.links import FieldLinks, round_budget_s
from crumbmeter.app.offering import OfferedBank, offer_state
from crumbmeter.app.outbox import JournalOutbox
from crumbmeter.app.recording import Recording, call_on
from crumbmeter.app.startup import StartRefusedError, client_id_of, in_words, names_of, new_boot_id, origin_of, rate_of
from crumbmeter.app.upkeep import WriteCounts
from crumbmeter.control.step import make_core
from crumbmeter.field.parts import parts_of
from crumbmeter.model.events import Event, event
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.model.scan import ScanResult
from crumbmeter.outward.origin import Origin
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.clockwatch import ClockWatch
from crumbmeter.runtime.endurance import load_counts
from crumbmeter.runtime.fanout import Fanout, Latest
from crumbmeter.runtime.health import Health
from crumbmeter.runtime.intake import Intake
from crumbmeter.runtime.lag import LoopLag, TaskWatch
from crumbmeter.runtime.link import DeviceLine
from crumbmeter.runtime.poller import DevicePoller
from crumbmeter.runtime.scanner import Scanner
from crumbmeter.runtime.stopping import StopReport, stop_all
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writer import OutputWriter
from crumbmeter.site import Site

STOP_S = 2.0
"""[s] Real time for bringing the outputs to rest."""
PROCESS_START_S = 1000.0
"""[s] Process time begins here, so that nobody comes to rely on its zero and 0 can mean "never"."""


class Daemon:
    """One run of the daemon on one site. Build it inside the running loop."""

    _server: ControlSocket
    _tellers: list[Callable[[Origin], None]]
    """Everything that says outwards under which settings it speaks."""

    def __init__(
        self,
        site: Site,
        *,
        rate: float | None = None,
        fault_point: Callable[[str], None] | None = None,
        log_stream: TextIO = sys.stderr,
    ) -> None:
        """Build everything; nothing is opened yet.

        Args:
            site: Checked settings.
            rate: [1] Process seconds per real second; None: as the site says. Only for simulated sites.
            fault_point: For tests of power cuts: called by the journal at named points.
            log_stream: Where log lines go.
        """
        rate = rate_of(site, rate)
        self.site = site
        self.params = params = site.params
        self.clock = RealClock(rate=rate, start_s=PROCESS_START_S)
        set_up_logs(self.clock.wall_us, log_stream)
        self.boot_id = new_boot_id()
        self._chance = random.Random()  # noqa: S311 - jitter, not secrets
        self.recording = Recording(site, self.boot_id, self.clock, fault_point)
        self.buffer = InputBuffer(blocks=len(params.plan.blocks), outputs=len(params.outputs))
        self.tallies = [DeviceTally() for _ in site.devices]
        self._counts_path = self.recording.path.with_name("write-counts.json")
        self.links = FieldLinks(site.devices, self.tallies, self.clock, self._chance.random, self.report)
        self.writer = self._make_writer(rate)
        self.counts = WriteCounts(self._counts_path, self.writer, self.clock)
        self.intake = Intake(self.report)
        self.health = Health()
        self.views: Latest[ScanResult] = Latest()
        self.fanout: Fanout[ScanResult] = Fanout(self.report)
        self._bank = OfferedBank(site, self.views, self.intake, self.clock)
        self.offered = offer_state(self._bank, site, self.report)
        self.supervisor = Supervisor(self.clock, self._chance.random, self.report)
        self.backup = BackupWatch(site.journal.backup_folder, self.clock, self.report)
        self.lag = LoopLag(self.clock, params.scan_period_s, self.report)
        self.notifier = Notifier()
        self._origin, self._names = origin_of(site, self.boot_id), names_of(site)
        self.on_ready: Callable[[], None] = lambda: None
        """Called once everything runs."""
        self._publisher: Publisher | None = None
        self.stop_report: StopReport | None = None

    def _make_writer(self, rate: float) -> OutputWriter:
        params = self.params
        return OutputWriter(
            self.lines, params.outputs, params.plan.outputs, self.buffer, self.clock,
            expiry_s=max(2.0 * params.scan_period_s, 0.1 * rate), report=self.report,
            tallies=dict(enumerate(self.tallies)), counts=load_counts(self._counts_path),
        )  # fmt: skip

    @property
    def lines(self) -> tuple[DeviceLine, ...]:
        """Return the way to each device, in the order of the site."""
        return self.links.lines

    def report(self, happened: Event) -> None:
        """Record and log something that happened outside the scan."""
        self.recording.note(happened)
        log_event(happened)

    def stop(self) -> None:
        """Ask the daemon to stop. May be called from a signal handler."""
        self.supervisor.leave()

    async def run(self) -> int:
        """Run until stopped.

        Returns:
            Exit code: 0 stopped in order and at rest, 1 the scan failed, 4 an output could not be brought to rest.

        Raises:
            StartRefusedError: something that is needed cannot be had.
        """
        async with contextlib.AsyncExitStack() as stack:
            await self._open(stack)
            self.notifier.ready(f"running {self.params.site_id}")
            self.on_ready()
            fault: Exception | None = None
            try:
                await self.supervisor.run()
            except Exception as ended:  # noqa: BLE001 - whatever ended the scan: outputs are brought to rest first
                fault = ended
            self.notifier.stopping()
            return await self._wind_down(fault)

    async def _open(self, stack: contextlib.AsyncExitStack) -> None:
        """Open the surfaces, the journal and the tasks, each with its end on the stack."""
        try:
            await self._open_surfaces(stack)
            state = await self.recording.open(stack)
        except CrumbmeterError as fault:
            raise StartRefusedError(str(fault)) from fault
        except OSError as fault:
            raise StartRefusedError(in_words(fault)) from fault
        if self._publisher is not None:
            self.recording.on_committed(self._publisher.poke)
        self.fanout.add("socket", self.views)
        self.fanout.add("commands", self.intake)
        self.fanout.add("log", _Log())
        self.report(
            event(
                "daemon_started", version=__version__, site=self.params.site_id, settings_id=self.site.settings_id,
                control_enabled=state.control_enabled, simulated=self.params.simulated,
                journal=str(self.recording.path), socket=str(self.site.socket),
            )
        )  # fmt: skip
        scanner = Scanner(
            make_core(self.params), state, self.clock, self.buffer, self.intake, self.writer, self.fanout, self.health,
            on_step=self.recording.take,
        )  # fmt: skip
        applying = Applying(self.site, scanner, self.recording, self.clock, self._take_site)
        self._server.apply = lambda *wish: applying.apply(Wish(*wish))
        for endpoint in {id(line.endpoint): line.endpoint for line in self.lines}.values():
            self.supervisor.add(f"link {endpoint.name}", endpoint.keep)
            stack.push_async_callback(endpoint.close)
        self._add_pollers()
        for device in self.writer.devices:
            self.supervisor.add(f"writer {self.site.devices[device].device_id}", _bound(self.writer.run_device, device))
        self._add_watches()
        self.supervisor.add("scan", scanner.run, critical=True)

    def _add_watches(self) -> None:
        """Add the tasks that look after the others: journal, wall clock, write counts, loop, tasks, watchdog."""
        self.supervisor.add("journal watch", JournalWatch(self.recording.status, self.clock, self.report).run)
        watch = ClockWatch(self.clock.wall_error_s, self.clock, self.report, self.recording.clock_stepped)
        self.supervisor.add("clock watch", watch.run)
        if self.links.certificates.wanted:
            self.supervisor.add("certificate watch", self.links.certificates.run)
        if self.backup.wanted:
            self.supervisor.add("backup watch", self.backup.run)
        self.supervisor.add("write counts", self.counts.run)
        self.supervisor.add("loop lag", self.lag.run)
        self.supervisor.add("task watch", TaskWatch(lambda: self.supervisor.states, self.clock, self.report).run)
        self.supervisor.add("watchdog", lambda: self.notifier.run(self.health))

    def _add_pollers(self) -> None:
        params = self.params
        parts = parts_of(params.plan, params.sources, params.outputs)
        blocks = list(enumerate(params.plan.blocks))
        for index, line in enumerate(self.lines):
            own = [(number, block) for number, block in blocks if block.device == index]
            if own:
                name = f"poller {line.device.device_id}"
                poller = DevicePoller(
                    line, own, self.buffer, self.clock, self.report, self.tallies[index], parts,
                    partial(self.supervisor.moved, name),
                )  # fmt: skip
                budget_s = round_budget_s(line.device, len(own), self.clock.rate)
                self.supervisor.add(name, poller.run, budget_s=budget_s)

    async def _open_surfaces(self, stack: contextlib.AsyncExitStack) -> None:
        site = self.site
        stack.callback(hold_site(site.path).close)
        self._server = ControlSocket(
            site.socket, self._origin, self._names, self.views, self.intake, self._settings, self.clock,
            self.links.desk,
        )  # fmt: skip
        await stack.enter_async_context(self._server)
        self._tellers = [self._server.renew]
        if site.publish.metrics is not None:
            metrics = ScanMetrics(
                self._origin, self._names, __version__, self.params.scan_period_s, self.clock.now_s,
                make_extras(
                    self.lines, self.tallies, self.recording, self.fanout, self.supervisor, self.writer, self.lag,
                    self.links.units, self.backup.age_s, self.offered,
                ),
            )  # fmt: skip
            self.fanout.add("metrics", metrics)
            self._tellers.append(metrics.renew)
            stack.callback(MetricsServer(metrics, site.publish.metrics.address, site.publish.metrics.port).close)
        if self.offered is not None:
            await stack.enter_async_context(self.offered)
        if site.publish.mqtt is not None:
            self._open_mqtt(stack)

    def _open_mqtt(self, stack: contextlib.AsyncExitStack) -> None:
        wanted = self.site.publish.mqtt
        if wanted is None:
            return
        host, port = wanted.host, wanted.port
        if wanted.embedded:
            broker = EmbeddedBroker(port)
            broker.start()
            stack.callback(broker.stop)
            host, port = "127.0.0.1", broker.port
        settings = MqttSettings(
            host, port, wanted.topic_root, client_id_of(self.site), wanted.username, wanted.password_file,
            tls=wanted.tls_ca is not None, tls_ca_file=wanted.tls_ca,
        )  # fmt: skip
        loop = asyncio.get_running_loop()
        outbox = JournalOutbox(
            self.recording.path, self.recording.path.with_name("mqtt-cursor"), self._origin,
            lambda happened: call_on(loop, lambda: self.report(happened)),
        )  # fmt: skip
        publisher = Publisher(settings, self._origin, __version__, outbox, self.clock, self.report, self._chance)
        self._publisher = publisher
        self._tellers.append(publisher.renew)
        self.fanout.add("mqtt", publisher)
        self.supervisor.add("mqtt", publisher.run)

    def _take_site(self, site: Site) -> None:
        """Speak from now on of another version of the site, which is in force."""
        self.site, self.params, self._origin = site, site.params, origin_of(site, self.boot_id)
        self._bank.renew(site)
        for tell in self._tellers:
            tell(self._origin)

    def _settings(self) -> dict[str, object]:
        return {
            "site_id": self.params.site_id,
            "title": self.site.title,
            "settings_id": self.site.settings_id,
            "units": self.site.units,
            "simulated": self.params.simulated,
            "control_allowed": self.params.control_allowed,
            "mixes": [mix.mix_id for mix in self.params.mixes],
            "version": __version__,
            "site_file": str(self.site.path.resolve()),
            "journal": str(self.recording.path.resolve()),
        }

    async def _wind_down(self, fault: Exception | None) -> int:
        """Bring outputs to rest first; then everything else in its order.

        The scan ends before: it would take what the stop does to the feeder for a fault of it.
        """
        await self.supervisor.end("scan")
        self.stop_report = await stop_all(self.writer, self.lines, self.params.outputs, self.clock, deadline_s=STOP_S)
        self.report(_told(self.stop_report, fault))
        for result in self.stop_report.results:
            if result.acknowledged or result.cause != "not reached in time":
                self.writer.note_stop(result.role, result.wanted_words, acknowledged=result.acknowledged)
        with contextlib.suppress(OSError):
            await self.counts.save()
        if self._publisher is not None:
            self._publisher.stop()
            await self._publisher_farewell()
        await self.supervisor.stop()
        self.recording.end()
        await self.recording.sign_off()
        if fault is not None:
            return 1
        return 0 if self.stop_report.confirmed else 4

    async def _publisher_farewell(self) -> None:
        """Give the broker a moment to take what is left and the clean farewell."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(STOP_S):
                while self._publisher is not None and self._publisher.connected:
                    await self.clock.sleep_until(self.clock.now_s() + 0.05)


class _Log:
    """Logs what happened in a scan; what happens outside of it comes through `Daemon.report`."""

    def offer_nowait(self, done: ScanResult) -> bool:
        """Log the scan's events."""
        for happened in done.events:
            log_event(happened)
        return True


def _bound(run: Callable[[int], Awaitable[object]], device: int) -> Callable[[], Awaitable[object]]:
    return lambda: run(device)


def _told(report: StopReport, fault: Exception | None) -> Event:
    failed = ", ".join(f"{result.role} ({result.cause})" for result in report.results if not result.confirmed)
    why = "asked to" if fault is None else f"{type(fault).__name__}: {fault}"
    return event(
        "daemon_stopping", why=why, outputs_at_rest=None if report.skipped else report.confirmed,
        written=not report.skipped, failed=failed,
    )  # fmt: skip
