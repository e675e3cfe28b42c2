"""A journal as JSON lines, for people without this program. The body is exact: a text if it is UTF-8, else base64."""

import base64
import json
from collections.abc import Iterable, Iterator

from crumbmeter.journal.entry import Stored


def json_lines(entries: Iterable[Stored]) -> Iterator[str]:
    """Yield a line an entry, without its newline. `prior hash || header || body` can be hashed again from them."""
    for entry in entries:
        line: dict[str, str | int] = {
            "strand": entry.strand,
            "seq": entry.seq,
            "boot_id": entry.boot_id,
            "kind": entry.kind,
            "mono_us": entry.mono_us,
            "wall_us": entry.wall_us,
            "flags": entry.flags,
            "hash": entry.hash.hex(),
        }
        try:
            line["body"] = entry.body.decode()
        except UnicodeDecodeError:
            line["body_base64"] = base64.b64encode(entry.body).decode()
        yield json.dumps(line, separators=(",", ":"), ensure_ascii=False)
