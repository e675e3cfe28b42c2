"""Published serial frames, byte for byte.

Sources: the CRC catalogue's check value for CRC-16/MODBUS; frames of Modbus Application Protocol v1.1b3, sections 6.1
to 6.17, put on a serial line (Modbus over Serial Line v1.02, section 2.5.1: CRC low byte first).
"""

import pytest

from crumbmeter.field.frames import crc16, judge_rtu, rtu_frame
from crumbmeter.field.replies import Accepted, SaysNo, expect


def test_the_check_value_of_the_catalogue() -> None:
    assert crc16(b"123456789") == 0x4B37


@pytest.mark.parametrize(
    "frame",
    [
        "11 03 00 6B 00 03 76 87",
        "11 03 06 02 2B 00 00 00 64 C8 BA",
        "01 03 00 00 00 0A C5 CD",
        "01 06 00 01 00 03 98 0B",
        "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
        "01 05 00 AC FF 00 4C 1B",
        "01 83 02 C0 F1",
    ],
)
def test_frames_on_the_line(frame: str) -> None:
    whole = bytes.fromhex(frame)
    assert rtu_frame(whole[0], whole[1:-2]) == whole
    assert crc16(whole) == 0


@pytest.mark.parametrize(
    ("asked", "reply", "verdict"),
    [
        ("03 00 6B 00 03", "11 03 06 02 2B 00 00 00 64 C8 BA", Accepted((555, 0, 100))),
        ("04 00 08 00 01", "11 04 02 00 0A", Accepted((10,))),
        ("01 00 13 00 13", "11 01 03 CD 6B 05", Accepted((1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1))),
        ("06 00 01 00 03", "11 06 00 01 00 03", Accepted(())),
        ("10 00 01 00 02 04 00 0A 01 02", "11 10 00 01 00 02", Accepted(())),
        ("16 00 04 00 F2 00 25", "11 16 00 04 00 F2 00 25", Accepted(())),
        (
            "17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF",
            "11 17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF",
            Accepted((0x00FE, 0x0ACD, 1, 3, 13, 255)),
        ),
        ("03 00 6B 00 03", "11 83 02", SaysNo(2)),
    ],
)
def test_exchanges(asked: str, reply: str, verdict: object) -> None:
    frame = bytes.fromhex(reply)
    if crc16(frame):
        frame = rtu_frame(frame[0], frame[1:])
    assert judge_rtu(expect(0, 0x11, bytes.fromhex(asked)), frame) == verdict
