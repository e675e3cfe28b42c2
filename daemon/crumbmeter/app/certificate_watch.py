"""Tells in good time when a certificate of an OPC UA connection runs out (REQ-50): at 60, 30 and 7 days, and at last.

The files are looked at, not the connections: a renewed file counts at the next connection, and here at the next look.
"""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from typing import Final, NoReturn

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.field.spec import DeviceSpec
from crumbmeter.model.events import Event, event
from crumbmeter.ports import Clock

LOOK_S: Final = 3600.0
"""[s] Process time between two looks at the files."""
TOLD_AT_DAYS: Final = (60.0, 30.0, 7.0, 0.0)
"""[d] Left, at which it is told."""
Key = tuple[str, str]
"""Device and whose certificate: `own` or `server`."""


class CertificateWatch:
    """One task beside the scan. Nothing depends on it."""

    def __init__(self, devices: Sequence[DeviceSpec], clock: Clock, report: Callable[[Event], None]) -> None:
        """Prepare.

        Args:
            devices: Of the site.
            clock: Process time. A certificate is judged by the machine's own wall clock.
            report: Gets `certificate_expires` and `certificate_renewed`.
        """
        self._files: dict[Key, str] = {}
        for device in devices:
            security = None if device.opcua is None else device.opcua.security
            if security is not None and security.policy != "none":
                self._files[device.device_id, "own"] = security.certificate
                self._files[device.device_id, "server"] = security.server_certificate
        self._clock = clock
        self._report = report
        self._days: dict[Key, float] = {}
        self._told: dict[Key, int] = {}

    @property
    def wanted(self) -> bool:
        """Tell whether there is anything to watch."""
        return bool(self._files)

    def days(self, device_id: str) -> Mapping[str, float]:
        """[d] Return by whose certificate it is how long it is still valid, as it was at the last look."""
        return {whose: left for (device, whose), left in dict(self._days).items() if device == device_id}

    async def run(self) -> NoReturn:
        """Look for ever."""
        while True:
            self.look(*await asyncio.to_thread(self._read))
            await self._clock.sleep_until(self._clock.now_s() + LOOK_S)

    def look(self, found: Mapping[Key, float], unreadable: Mapping[Key, str]) -> None:
        """Compare with what was told last.

        Args:
            found: [d] How long each is still valid.
            unreadable: Why one cannot be read; it is told like one that has run out.
        """
        self._days = dict(found)
        for key in self._files:
            left = found.get(key)
            level = len(TOLD_AT_DAYS) if left is None else sum(left <= limit for limit in TOLD_AT_DAYS)
            before, self._told[key] = self._told.get(key, 0), level
            if level == before:
                continue
            device, whose = key
            days = None if left is None else round(left, 2)
            if level > before:
                detail = unreadable.get(key, "")
                self._report(
                    event(
                        "certificate_expires", device=device, whose=whose, days_left=days, file=self._files[key],
                        detail=detail,
                    )
                )  # fmt: skip
            else:
                self._report(event("certificate_renewed", device=device, whose=whose, days_left=days))

    def _read(self) -> tuple[Mapping[Key, float], Mapping[Key, str]]:
        # Only here, for a site without certificates need not load what reads them.
        from crumbmeter.adapters.opcua_certificates import read_certificate  # noqa: PLC0415

        found, unreadable, now_us = {}, {}, machine_wall_us()
        for key, path in self._files.items():
            try:
                found[key] = read_certificate(path).days_left(now_us)
            except ValueError as problem:
                unreadable[key] = str(problem)
        return found, unreadable
