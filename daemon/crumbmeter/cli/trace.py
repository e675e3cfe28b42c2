"""`crumbmeter trace`: the raw frames of one device of a running daemon, for a limited time."""

import asyncio
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, TextIO

from crumbmeter.adapters.control_line import ControlLine, NoDaemonError

DONE: Final = 0
REFUSED: Final = 1
NO_DAEMON: Final = 3
GRACE_S = 5.0
"""[s] The end must have come so long after the time that was asked for."""


def trace(socket: Path, device: str, seconds: float, to: Path | None = None, out: TextIO = sys.stdout) -> int:
    """Print every frame to and from a device, with its time, its bytes and what they mean, until the time is over.

    Args:
        socket: The daemon's local socket.
        device: Name in the site file.
        seconds: [s] How long to look.
        to: Also write the lines to this file.
        out: Where lines go.

    Returns:
        Exit code: 0 looked, 1 no such device, 3 no daemon.
    """
    try:
        if to is None:
            return asyncio.run(_trace(socket, device, seconds, (out,)))
        with to.open("w", encoding="utf-8") as file:
            return asyncio.run(_trace(socket, device, seconds, (out, file)))
    except NoDaemonError as fault:
        sys.stderr.write(f"{fault}\n")
        return NO_DAEMON
    except TimeoutError:
        sys.stderr.write("the daemon does not end the trace\n")
        return NO_DAEMON


async def _trace(socket: Path, device: str, seconds: float, outs: tuple[TextIO, ...]) -> int:
    async with ControlLine(socket) as line:
        await line.send({"ask": "trace", "device": device, "seconds": seconds})
        while True:
            body = await line.receive(seconds + GRACE_S)
            if body.get("answer") == "error":
                sys.stderr.write(f"{body.get('why')}\n")
                return REFUSED
            text = _end(body) if body.get("answer") == "trace" else _frame(body)
            for out in outs:
                out.write(text)
            if body.get("answer") == "trace":
                return DONE


def _frame(body: dict[str, Any]) -> str:
    at = datetime.fromtimestamp(body["at_us"] / 1e6, UTC).strftime("%H:%M:%S.%f")
    data = bytes.fromhex(body["bytes"]).hex(" ")
    return f"{at} {'->' if body['sent'] else '<-'} {data}\n{'':19}{body['says']}\n"


def _end(body: dict[str, Any]) -> str:
    lost = f", {body['lost']} more were lost" if body.get("lost") else ""
    return f"{body['frames']} frames{lost}\n"
