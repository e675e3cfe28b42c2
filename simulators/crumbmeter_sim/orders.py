"""Steps of a time line given while a plant plays: a JSON line each on standard input, an answer each on the output.

`{"do": "bridge"}` is answered by `DONE bridge`, anything that is no step by `REFUSED` with the reason.
"""

import asyncio
import json
import sys
from typing import Any

from crumbmeter_sim.mischief import problems_of_step
from crumbmeter_sim.stage import Stage
from crumbmeter_sim.verbs import check_step


def obey(rig: Stage[Any, Any], line: str) -> str:
    """Do what one line asks for, now; return the answer."""
    try:
        entry = json.loads(line)
    except ValueError as fault:
        return f"REFUSED no JSON: {fault}"
    given = {"t_s": rig.now_s, **entry} if isinstance(entry, dict) else entry
    step, problems = check_step(given, "order")
    if step is not None:
        problems = [f"order.{text}" for text in problems_of_step(step)]
    if step is None or problems:
        return "REFUSED " + "; ".join(text.strip() for text in problems)
    if step.do in rig.foreign_verbs:
        return f"REFUSED order: {step.do} is of another kind of plant"
    lasts = {} if step.for_s is None else {"for_s": step.for_s}
    try:
        rig.do(step.do, **step.values, **lasts)
    except KeyError as fault:
        return f"REFUSED order: {fault.args[0]}"
    return f"DONE {step.do}"


async def take_orders(rig: Stage[Any, Any]) -> None:
    """Obey line after line until standard input ends."""
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := await reader.readline():
        sys.stdout.write(obey(rig, line.decode(errors="replace")) + "\n")
        sys.stdout.flush()
