"""`crumbmeter decode`: register words under every type and order, to find out which one a device means (REQ-13)."""

import json
import re
import sys
from collections.abc import Sequence
from dataclasses import asdict

from crumbmeter.cli.check_text import table
from crumbmeter.cli.exits import REFUSED
from crumbmeter.field.views import WordView, views

_WORD = re.compile(r"0x[0-9A-Fa-f]{1,4}|[0-9]{1,5}")


def decode(words: Sequence[str], *, as_json: bool = False) -> int:
    """Print words under every type and order.

    Args:
        words: As a person types them: 0x4049 or 16457, in the order in which they come over the wire.
        as_json: Print JSON.

    Returns:
        Exit code: 0 printed, 2 no words.
    """
    try:
        raw = [_number(word) for word in words]
        found = views(raw)
    except ValueError as error:
        sys.stderr.write(f"{error}\nGive words as 0x4049 or 16457, such as: crumbmeter decode 0x4049 0x0FDB\n")
        return REFUSED
    if as_json:
        body = {"words": raw, "hex": [f"0x{word:04X}" for word in raw], "views": [asdict(view) for view in found]}
        sys.stdout.write(json.dumps(body, indent=2, allow_nan=False) + "\n")
    else:
        sys.stdout.write(decode_text(raw, found))
    return 0


def decode_text(words: Sequence[int], found: Sequence[WordView]) -> str:
    """Write the views as a table, the raw words above it."""
    head = f"Words {' '.join(f'0x{word:04X}' for word in words)}, as they came over the wire\n"
    rows = [["type", "order", "value"], *([view.word_type, view.order, _value(view)] for view in found)]
    note = "Raw numbers, before scale and unit. Take the view that shows the value you know."
    return f"{head}{table(rows)}\n{note}\n"


def _value(view: WordView) -> str:
    if view.value is None:
        return f"--- {view.reason}"
    if isinstance(view.value, str):
        return f'"{view.value}"'
    return f"{view.value:.9g}" if view.word_type == "f32" else str(view.value)


def _number(word: str) -> int:
    if not _WORD.fullmatch(word):
        raise ValueError(f"{word!r} is no word")
    return int(word, 0) if word.startswith("0x") else int(word)
