"""Poll to write: all blocks of a device read and one register written, through our link and with the bare client.

Both on the same loop in one run, round about, against one server of bytes in a process of its own. Prints JSON.
Run: python -m tests.benchmarks.bench_modbus [--rounds 3000]
"""

import argparse
import asyncio
import json
import statistics
import sys
from asyncio.subprocess import PIPE, Process
from random import Random

from pymodbus.client import AsyncModbusTcpClient

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import make_links, silence_library
from crumbmeter.field.spec import RegisterSpec, Table, WordType
from crumbmeter.runtime.buffer import InputBuffer
from crumbmeter.runtime.link import DeviceLine, make_lines
from tests.fakes import Reports, device_spec
from tests.raw_modbus import RawServer

BLOCKS = ((Table.INPUT, 0, 20), (Table.HOLDING, 0, 4), (Table.DISCRETE, 0, 6), (Table.COIL, 0, 3))
"""A feeder's worth: the demonstration device's registers in four requests."""
SPEED = RegisterSpec(Table.HOLDING, 0, WordType.U16)
TARGET_RATIO = 1.3
BATCH = 5
"""Short turns, so that whatever else the machine does falls on both alike."""


class _Parent(asyncio.Protocol):
    """Notices the end of the process that asked for the server."""

    def __init__(self) -> None:
        self.gone = asyncio.Event()

    def connection_lost(self, exc: Exception | None) -> None:
        self.gone.set()


async def _serve() -> None:
    server = RawServer()
    await server.start()
    print(server.port, flush=True)  # noqa: T201 (the parent reads it)
    transport, parent = await asyncio.get_running_loop().connect_read_pipe(_Parent, sys.stdin)
    await parent.gone.wait()
    transport.close()
    await server.stop()


async def _ours(line: DeviceLine, buffer: InputBuffer, clock: RealClock, value: int) -> None:
    for index, (table, address, count) in enumerate(BLOCKS):
        buffer.put_words(index, await line.read(table, address, count), clock.now_s())
    await line.write(SPEED, lambda: (value,))


async def _bare(client: AsyncModbusTcpClient, value: int) -> None:
    await client.read_input_registers(0, count=20, device_id=1)
    await client.read_holding_registers(0, count=4, device_id=1)
    await client.read_discrete_inputs(0, count=6, device_id=1)
    await client.read_coils(0, count=3, device_id=1)
    await client.write_register(0, value, device_id=1)


async def measure(port: int, rounds: int) -> dict[str, object]:
    """Time both in turn and return the figures."""
    silence_library()
    clock, buffer = RealClock(), InputBuffer(blocks=len(BLOCKS), outputs=0)
    (line,) = make_lines([device_spec(port=port, timeout_s=1.0)], make_links, clock, Random(1).random, Reports())
    client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=1.0, retries=0, reconnect_delay=0)
    if not (await line.endpoint.revive() and await client.connect()):
        raise SystemExit("no connection to the benchmark's own server")
    now = asyncio.get_running_loop().time
    ours_s: list[float] = []
    bare_s: list[float] = []
    for number in range(-10, rounds // BATCH):
        began_s = now()
        for value in range(BATCH):
            await _ours(line, buffer, clock, value)
        middle_s = now()
        for value in range(BATCH):
            await _bare(client, value)
        ended_s = now()
        if number >= 0:  # the first ones warm up
            ours_s.append((middle_s - began_s) / BATCH)
            bare_s.append((ended_s - middle_s) / BATCH)
    client.close()
    await line.endpoint.close()
    ours_us, bare_us = 1e6 * statistics.median(ours_s), 1e6 * statistics.median(bare_s)
    # Of neighbours in time, then the median: a busy moment of the machine is in both or in one pair alone.
    ratio = statistics.median(ours / bare for ours, bare in zip(ours_s, bare_s, strict=True))
    return {
        "benchmark": "poll_to_write",
        "rounds": len(ours_s) * BATCH,
        "exchanges_per_round": len(BLOCKS) + 1,
        "ours_us": round(ours_us, 1),
        "bare_client_us": round(bare_us, 1),
        "ratio": round(ratio, 3),
        "target_ratio": TARGET_RATIO,
        "met": ratio <= TARGET_RATIO,
    }


async def run(rounds: int) -> dict[str, object]:
    """Start the server of bytes in a process of its own, and measure against it."""
    server: Process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.benchmarks.bench_modbus", "--serve", stdin=PIPE, stdout=PIPE
    )
    try:
        if server.stdout is None:
            raise SystemExit("the benchmark's own server has no output")
        return await measure(int(await server.stdout.readline()), rounds)
    finally:
        server.terminate()
        await server.wait()


def main() -> int:
    """Run the benchmark; exit with 1 where the target is missed."""
    parser = argparse.ArgumentParser(description="Poll to write, against the bare client.")
    parser.add_argument("--rounds", type=int, default=3000, help="exchanges of all blocks and one write, each way")
    parser.add_argument("--serve", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.serve:
        asyncio.run(_serve())
        return 0
    figures = asyncio.run(run(options.rounds))
    print(json.dumps(figures, indent=2))  # noqa: T201 (it is the result)
    return 0 if figures["met"] else 1


if __name__ == "__main__":
    sys.exit(main())
