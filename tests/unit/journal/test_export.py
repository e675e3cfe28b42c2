import base64
import json
from hashlib import sha256
from pathlib import Path

from crumbmeter.journal.chain import header_bytes
from crumbmeter.journal.entry import Entry
from crumbmeter.journal.export import json_lines
from crumbmeter.journal.reader import Reader
from tests.unit.journal.making import entries, write


def test_the_chain_can_be_hashed_again_from_the_lines_alone(tmp_path: Path) -> None:
    path = tmp_path / "j.db"
    write(
        path,
        [
            [
                *entries(7),
                Entry("record", "raw", b"\xff\x00\xfe", 1, 2, 3),
                Entry("record", "text", "ü\n".encode(), 1, 2),
            ]
        ],
    )
    with Reader(path) as reader:
        lines = [json.loads(line) for line in json_lines(reader.entries())]
    assert len(lines) == 11  # nine, and two seals
    prior = b""
    for line in lines:
        body = base64.b64decode(line["body_base64"]) if "body_base64" in line else line["body"].encode()
        header = header_bytes(
            line["strand"], line["seq"], bytes.fromhex(line["boot_id"]), line["kind"], line["mono_us"], line["wall_us"],
            line["flags"], len(body),
        )  # fmt: skip
        if prior:
            assert sha256(prior + header + body).hexdigest() == line["hash"]
        prior = bytes.fromhex(line["hash"])
    assert "body_base64" in next(line for line in lines if line["kind"] == "raw")
