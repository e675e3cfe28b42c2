"""The places of the Modbus server: whoever died without a word does not keep one from the controller for hours."""

import asyncio
import socket

from crumbmeter.adapters.modbus_server import MOST_CLIENTS, ModbusServer
from crumbmeter.field.served import Bank
from tests.fakes import Reports, settle


def no_bank(_peer: str) -> Bank:
    raise AssertionError("nobody asks")


async def test_a_client_that_lost_its_power_has_its_place_given_up_within_a_minute() -> None:
    async with ModbusServer("127.0.0.1", 0, 1, (), no_bank, Reports()) as server:
        opened = [await asyncio.open_connection("127.0.0.1", server.port) for _ in range(MOST_CLIENTS)]
        await settle()
        assert server.connected == MOST_CLIENTS
        for client in server._open:
            assert client.transport is not None
            ours: socket.socket = client.transport.get_extra_info("socket")
            told = [ours.getsockopt(socket.IPPROTO_TCP, name)
                    for name in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)]  # fmt: skip
            assert ours.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
            assert told[0] + told[1] * told[2] <= 60
        for _, writer in opened:
            writer.close()
