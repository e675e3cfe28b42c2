"""The field links of one daemon with what is counted and shown of them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from crumbmeter.adapters.field_links import FieldLinkMaker
from crumbmeter.adapters.prometheus_links import UnitFigures
from crumbmeter.adapters.socket_links import LinkDesk
from crumbmeter.app.certificate_watch import CertificateWatch
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.spec import DeviceSpec
from crumbmeter.outward.body import finite
from crumbmeter.ports import Clock
from crumbmeter.runtime.backoff import Chance
from crumbmeter.runtime.endpoint import Report
from crumbmeter.runtime.link import DeviceLine, make_lines
from crumbmeter.runtime.tally import DeviceTally
from crumbmeter.runtime.trace import FrameTrace

_QUANTILES = (0.5, 0.99)
ROUND_MARGIN_S = 30.0
"""[s] Process time that a poller may take beyond what its device's patience allows, before it is called late."""


class FieldLinks:
    """Lines to all devices, with their counts and the frame trace. Build it inside the running loop."""

    def __init__(
        self, devices: Sequence[DeviceSpec], tallies: Sequence[DeviceTally], clock: Clock, rng: Chance, report: Report
    ) -> None:
        """Build; nothing is opened.

        Args:
            devices: Of the site.
            tallies: Counts of polls and writes, one a device.
            clock: Process time.
            rng: For jitter.
            report: Gets what happens to connections.
        """
        serial = {device.device_id: device.transport.serial_frames for device in devices if device.opcua is None}
        self.trace = FrameTrace(clock, serial)
        self.maker = FieldLinkMaker(devices, self.trace)
        self.lines = make_lines(devices, self.maker, clock, rng, report)
        self._tallies = tuple(tallies)
        self.certificates = CertificateWatch(devices, clock, report)

    @property
    def desk(self) -> LinkDesk:
        """Return what answers for links on the local socket."""
        return LinkDesk(self.bodies, self.trace.start)

    def bodies(self) -> tuple[Mapping[str, Any], ...]:
        """Say how each device's link has fared, as plain JSON values."""
        shares = self.maker.shares()
        return tuple(
            {
                **_body(line, tally, self._counts(line), shares[line.device.device_id]),
                "opcua": self.maker.told(line.device.device_id),
            }
            for line, tally in zip(self.lines, self._tallies, strict=True)
        )

    def units(self) -> tuple[UnitFigures, ...]:
        """Say the same for /metrics. May be called from another thread."""
        shares = self.maker.shares()
        return tuple(
            replace(
                _figures(line, tally, self._counts(line), shares[line.device.device_id]),
                clock_skew_s=self.maker.skew_s(line.device.device_id),
                certificate_days=self.certificates.days(line.device.device_id),
            )
            for line, tally in zip(self.lines, self._tallies, strict=True)
        )

    def _counts(self, line: DeviceLine) -> UnitCounts:
        return self.maker.counts[line.device.device_id]


def _figures(line: DeviceLine, tally: DeviceTally, counts: UnitCounts, share: float) -> UnitFigures:
    requests = {"ok": counts.ok, "timeout": counts.timeouts, "lost": counts.lost, "withheld": counts.withheld}
    # Copies: the loop may be counting at this moment.
    requests |= {_refusal(code): count for code, count in dict(counts.exceptions).items()}
    requests |= {f"mismatch {kind}": count for kind, count in dict(counts.mismatches).items()}
    return UnitFigures(
        device_id=line.device.device_id,
        requests=requests,
        late_replies=counts.late_skipped,
        unasked_bytes=counts.unasked_bytes,
        quantiles_s={f"{part:g}": finite(counts.latencies.quantile_s(part)) for part in _QUANTILES},
        busy_share=share,
        probed_only=line.breaker.open,
        polls_skipped=tally.skipped,
        longest_round_s=tally.longest_pass_s,
    )


def _refusal(code: int) -> str:
    """Name a refusal: a Modbus exception has a small number, an OPC UA status a large one."""
    return f"exception {code:02d}" if code < 0x10000 else f"status 0x{code:08X}"


def _body(line: DeviceLine, tally: DeviceTally, counts: UnitCounts, share: float) -> Mapping[str, Any]:
    return {
        "device": line.device.device_id,
        "endpoint": line.endpoint.name,
        "unit": line.device.unit_id,
        "transport": line.device.transport.value,
        "connected": line.endpoint.up,
        "connects": line.endpoint.tally.connects,
        "probed_only": line.breaker.open,
        "sent": counts.sent,
        "ok": counts.ok,
        "timeouts": counts.timeouts,
        "lost": counts.lost,
        "exceptions": {str(code): count for code, count in sorted(counts.exceptions.items())},
        "mismatches": dict(sorted(counts.mismatches.items())),
        "late_skipped": counts.late_skipped,
        "unasked_bytes": counts.unasked_bytes,
        "withheld": counts.withheld,
        "p50_s": finite(counts.latencies.quantile_s(0.5)),
        "p99_s": finite(counts.latencies.quantile_s(0.99)),
        "share": share,
        "polls_skipped": tally.skipped,
        "longest_round_s": tally.longest_pass_s,
    }


def round_budget_s(device: DeviceSpec, blocks: int, rate: float) -> float:
    """[s] Return the process time within which a device's poller must have made a round, whatever the device does.

    Args:
        device: How patiently it is asked; its time-outs are loop time.
        blocks: Requests in a round.
        rate: Process seconds per real second.
    """
    asking_s = blocks * (1 + device.read_retries) * (device.timeout_s + device.connect_timeout_s) * rate
    return 2.0 * device.backoff_max_s + asking_s + ROUND_MARGIN_S
