"""Figures from beside the scan, for /metrics: links, journal, fan-out, tasks. Asked for in the server's thread."""

from collections.abc import Callable, Mapping, Sequence

from crumbmeter.adapters.modbus_server import ModbusServer
from crumbmeter.adapters.prometheus import Extras, LinkFigures
from crumbmeter.adapters.prometheus_links import UnitFigures
from crumbmeter.app.recording import Recording
from crumbmeter.journal.limits import WAL_PAGE_BYTES
from crumbmeter.model.scan import ScanResult
from crumbmeter.runtime.fanout import Fanout
from crumbmeter.runtime.lag import LoopLag
from crumbmeter.runtime.link import DeviceLine
from crumbmeter.runtime.supervisor import Supervisor
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.writer import OutputWriter


def make_extras(
    lines: Sequence[DeviceLine],
    tallies: Sequence[DeviceTally],
    recording: Recording,
    fanout: Fanout[ScanResult],
    supervisor: Supervisor,
    writer: OutputWriter,
    lag: LoopLag,
    units: Callable[[], tuple[UnitFigures, ...]] = tuple,
    backup_age_s: Callable[[], float | None] = lambda: None,
    offered: ModbusServer | None = None,
) -> Extras:
    """Bind the figures to where they are counted."""

    def links() -> tuple[LinkFigures, ...]:
        return tuple(_link(line, tally) for line, tally in zip(lines, tallies, strict=True))

    def counters() -> Mapping[str, float]:
        figures = {"crumbmeter_task_failures_total": float(sum(state.failures for state in supervisor.states))}
        if offered is not None:
            figures["crumbmeter_controller_answered_total"] = float(offered.counts["answered"])
            figures["crumbmeter_controller_refused_total"] = float(offered.counts["refused"])
        status = recording.status()
        if status is not None:
            figures["crumbmeter_journal_dropped_total"] = float(sum(status.dropped.values()))
        return figures

    def gauges() -> Mapping[str, float]:
        figures = {"crumbmeter_loop_lag_seconds": lag.mean_s, "crumbmeter_loop_lag_worst_seconds": lag.worst_s}
        status, age_s = recording.status(), backup_age_s()
        if offered is not None:
            figures["crumbmeter_controllers_connected"] = float(offered.connected)
        if age_s is not None:
            figures["crumbmeter_backup_age_seconds"] = age_s
        if status is None:
            return figures
        return figures | {
            "crumbmeter_journal_queued_entries": float(status.queued),
            "crumbmeter_journal_failing": float(bool(status.failing)),
            "crumbmeter_journal_space_level": float(status.space),
            "crumbmeter_journal_wal_pages": float(status.wal_pages),
            "crumbmeter_journal_wal_bytes": float(status.wal_pages * WAL_PAGE_BYTES),
        }

    return Extras(
        links=links, units=units, counters=counters, gauges=gauges, losses=fanout.losses,
        writes=writer.lifetime_counts,
    )  # fmt: skip


def _link(line: DeviceLine, tally: DeviceTally) -> LinkFigures:
    exchanges = {outcome.name.lower(): count for outcome, count in tally.reads.items()}
    return LinkFigures(
        line.device.device_id, line.endpoint.up, exchanges, line.endpoint.tally.connects, tally.writes_acknowledged
    )  # fmt: skip
