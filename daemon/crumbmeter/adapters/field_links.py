"""Links to all devices of a site, each by the protocol that it speaks."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from crumbmeter.adapters import modbus
from crumbmeter.field.counts import UnitCounts
from crumbmeter.field.spec import DeviceSpec
from crumbmeter.ports import FieldLink, FrameTap

if TYPE_CHECKING:
    from crumbmeter.adapters.opcua import OpcuaLinkMaker


class FieldLinkMaker:
    """Makes links, new ones for every connection, and keeps the counts of all devices."""

    def __init__(self, devices: Sequence[DeviceSpec], tap: FrameTap | None = None) -> None:
        """Start counting.

        Args:
            devices: All devices of the site.
            tap: Sees every Modbus frame. OPC UA's messages are not shown.
        """
        self._modbus = modbus.LinkMaker([device for device in devices if device.opcua is None], tap)
        self.opcua: OpcuaLinkMaker | None = None
        """None: no device speaks OPC UA, and its library is not loaded."""
        self.counts: dict[str, UnitCounts] = dict(self._modbus.counts)
        """By device id."""
        modbus.silence_library()
        nodes = [device for device in devices if device.opcua is not None]
        if nodes:
            from crumbmeter.adapters import opcua  # noqa: PLC0415 - 30 MB that a site without OPC UA does not need

            opcua.silence_library()
            self.opcua = opcua.OpcuaLinkMaker(nodes)
            self.counts.update(self.opcua.counts)

    def __call__(self, devices: Sequence[DeviceSpec]) -> Sequence[FieldLink]:
        """Make links for the devices of one endpoint over one new connection, not yet open."""
        if self.opcua is not None and devices[0].opcua is not None:
            return self.opcua(devices)
        return self._modbus(devices)

    def told(self, device_id: str) -> Mapping[str, Any] | None:
        """Say how the session of an OPC UA device stands, as plain JSON values; None: no session, or no OPC UA."""
        link = None if self.opcua is None else self.opcua.links.get(device_id)
        return None if link is None else link.told()

    def skew_s(self, device_id: str) -> float | None:
        """[s] Return how far the clock of an OPC UA server is ahead of this machine's; None: not known."""
        link = None if self.opcua is None else self.opcua.links.get(device_id)
        return None if link is None else link.skew_s

    def shares(self) -> Mapping[str, float]:
        """Return by device id the share of all time for which it had its connection."""
        return {**self._modbus.shares(), **(self.opcua.shares() if self.opcua is not None else {})}
