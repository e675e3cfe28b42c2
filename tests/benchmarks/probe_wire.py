"""A made-up device served over Modbus TCP, surveyed by the command itself at both loads."""

import asyncio
import struct
from pathlib import Path
from typing import Any

from crumbmeter.cli.look_file import read_look
from crumbmeter.cli.survey import Wish, survey
from crumbmeter.field.look import Look
from crumbmeter.field.ranking import rank
from tests.benchmarks.probe_judge import looks_of, truly
from tests.benchmarks.probe_maps import Map, draw
from tests.raw_modbus import RawServer

HOLE = 3
"""[addresses] After the map: asked for, and not there."""


class MapServer(RawServer):
    """Serves one sample of one look after the other; an address beyond the map is refused, as is the other table.

    Who has read the last word and asks for the first again wants the next sample: others may be asked for twice.
    """

    def __init__(self, drawn: Map) -> None:
        super().__init__()
        self.drawn, self.look, self.sample, self.is_read = drawn, 0, 0, False
        self.image = drawn.image(0, 0)

    def begin(self, look: int) -> None:
        self.look, self.sample, self.is_read = look, 0, False
        self.image = self.drawn.image(look, 0)

    def reply(self, unit: int, pdu: bytes) -> bytes:
        code, address, count = struct.unpack_from(">BHH", pdu)
        if code != (4 if self.drawn.table == "input" else 3):
            return bytes([code | 0x80, 1])
        at = address - self.drawn.first
        if at < 0 or at + count > len(self.image):
            return bytes([code | 0x80, 2])
        if at == 0 and self.is_read:
            self.sample, self.is_read = min(self.sample + 1, self.drawn.samples - 1), False
            self.image = self.drawn.image(self.look, self.sample)
        words = self.image[at : at + count]
        self.is_read = self.is_read or at + count == len(self.image)
        return struct.pack(f">BB{count}H", code, 2 * count, *words)


async def over_the_wire(seed: int, number: int, folder: Path) -> dict[str, Any]:
    """Survey one map at both loads, and hold what is found against the engine fed directly."""
    drawn = draw(seed, number)
    server = MapServer(drawn)
    await server.start()
    looks: list[Look] = []
    try:
        for look, shown in enumerate(drawn.shown):
            server.begin(look)
            path = folder / f"{seed}-{number}-{look}.json"
            wish = Wish(
                f"tcp://127.0.0.1:{server.port}", 1, (drawn.table,), drawn.first, len(server.image) + HOLE, (), 100,
                drawn.samples, 0.0, 2.0, 0.0, tuple(f"{one} {drawn.unit}" for one in shown),
            )  # fmt: skip
            code = await asyncio.to_thread(survey, wish, path, as_json=False, quiet=True)
            if code:
                raise OSError(f"survey ended with {code}")
            looks.append(read_look(path).look)
    finally:
        await server.stop()
    found, direct = rank(looks), rank(looks_of(drawn))
    first = found.groups[0].candidates
    return {
        "number": number, "codes": sorted(set(server.codes)), "requests": len(server.frames),
        "first": any(truly(drawn, one) for one in first),
        "same": (first[0].where, first[0].scale, first[0].offset)
        == (
            direct.groups[0].candidates[0].where,
            direct.groups[0].candidates[0].scale,
            direct.groups[0].candidates[0].offset,
        ),
    }  # fmt: skip
