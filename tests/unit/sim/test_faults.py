"""What each fault does to the bytes of a line, without a socket; how scripts and mixes are read and dealt."""

from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

import pytest

from crumbmeter_sim.faults.deck import Deck
from crumbmeter_sim.faults.frames import body_of, cutter
from crumbmeter_sim.faults.kinds import KINDS, Fault, Framing, problems_of, read_mix, read_script
from crumbmeter_sim.faults.mangle import Memory, mangle
from crumbmeter_sim.faults.wire import Wire
from crumbmeter_sim.loader import FileRefusedError
from crumbmeter_sim.rtu import crc16, seal

# Request and reply of the Application Protocol v1.1b3, section 6.3, from unit 17
ASKED, TOLD = bytes.fromhex("1103006B0003"), bytes.fromhex("110306022B00000064")
TCP_ASKED, TCP_TOLD = bytes.fromhex("0001000000061103006B0003"), bytes.fromhex("000100000009110306022B00000064")
TOLD_ON: dict[Framing, bytes] = {"tcp": TCP_TOLD, "rtu": seal(TOLD)}
ASKED_ON: dict[Framing, bytes] = {"tcp": TCP_ASKED, "rtu": seal(ASKED)}


def struck(kind: str, framing: Framing = "tcp", *, seed: int = 1, frame: bytes = b"", **values: Any) -> list[Any]:
    memory = Memory()
    memory.other = ASKED_ON[framing]
    return mangle(Fault(kind, **values), framing, frame or TOLD_ON[framing], memory, Random(seed))


def changed(kind: str, framing: Framing = "tcp", **values: Any) -> bytes:
    pieces = struck(kind, framing, **values)
    assert [delay_s for delay_s, _ in pieces] == [0.0]
    return bytes(pieces[0][1])


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
@pytest.mark.parametrize("kind", [kind for kind in KINDS if not KINDS[kind].whole_line])
def test_no_fault_of_a_frame_leaves_the_right_reply_at_the_right_time(kind: str, framing: Framing) -> None:
    if framing not in KINDS[kind].framings:
        return
    echo = bytes.fromhex("110600010003")
    frame = {"tcp": bytes.fromhex("000100000006") + echo, "rtu": seal(echo)}[framing]
    for seed in range(50):
        memory = Memory()
        memory.other = ASKED_ON[framing]
        memory.past.append(TOLD_ON[framing])
        pieces = mangle(Fault(kind, size=3 if kind == "split" else None), framing, frame, memory, Random(seed))
        assert pieces != [(0.0, frame)]


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
@pytest.mark.parametrize("kind", ["wrong_unit", "wrong_function", "wrong_count", "exception"])
def test_content_is_wrong_and_the_frame_in_order(kind: str, framing: Framing) -> None:
    for seed in range(50):
        frame = changed(kind, framing, seed=seed)
        body = body_of(framing, frame)
        assert body != TOLD
        if framing == "tcp":
            assert frame[:4] == TCP_TOLD[:4]
            assert int.from_bytes(frame[4:6], "big") == len(frame) - 6
        else:
            assert crc16(frame) == 0
        assert (body[0] != 17) == (kind == "wrong_unit")
        assert (body[1] != 3) == (kind in ("wrong_function", "exception"))


def test_a_wrong_count_lies_or_is_short_or_is_long() -> None:
    found: Counter[str] = Counter()
    for seed in range(60):
        body = body_of("tcp", changed("wrong_count", seed=seed))
        found["lies" if body[2] != len(body) - 3 else "short" if body[2] == 4 else "long" if body[2] == 8 else "?"] += 1
    assert set(found) == {"lies", "short", "long"}


def test_the_header_of_a_tcp_frame() -> None:
    assert changed("wrong_transaction")[2:] == TCP_TOLD[2:]
    assert changed("wrong_transaction")[:2] != TCP_TOLD[:2]
    assert changed("wrong_protocol")[2:4] != b"\0\0"
    assert int.from_bytes(changed("wrong_length")[4:6], "big") != 9


def test_a_turned_bit_breaks_the_crc() -> None:
    for seed in range(50):
        frame = changed("wrong_crc", "rtu", seed=seed)
        assert sum((a ^ b).bit_count() for a, b in zip(frame, TOLD_ON["rtu"], strict=True)) == 1
        assert crc16(frame) != 0


def test_a_wrong_address_strikes_echoes_and_leaves_data_alone() -> None:
    assert changed("wrong_address") == TCP_TOLD  # its data cannot be told from right data by anybody
    echo = bytes.fromhex("000100000006110600010003")
    assert changed("wrong_address", frame=echo)[8:10] != echo[8:10]


def test_times_and_pieces() -> None:
    assert struck("drop") == []
    assert struck("duplicate") == [(0.0, TCP_TOLD + TCP_TOLD)]
    assert struck("duplicate", seconds=0.3) == [(0.0, TCP_TOLD), (0.3, TCP_TOLD)]
    assert struck("split", size=8, seconds=0.016) == [(0.0, TCP_TOLD[:8]), (0.016, TCP_TOLD[8:])]
    assert struck("echo") == [(0.0, TCP_ASKED + TCP_TOLD)]
    assert changed("truncate", size=3) == TCP_TOLD[:-3]
    assert {len(changed("truncate", seed=seed)) for seed in range(200)} == set(range(1, 15))
    delays = [struck("delay", seed=seed, seconds=0.5, spread_s=0.1)[0][0] for seed in range(200)]
    assert 0.4 <= min(delays) < 0.45
    assert 0.55 < max(delays) <= 0.6
    noisy = {changed("noise", seed=seed, size=2) for seed in range(20)}
    assert {frame[:15] == TCP_TOLD for frame in noisy} == {True, False}
    assert {len(frame) for frame in noisy} == {17}


def test_a_held_frame_comes_after_the_next_one() -> None:
    wire = Wire(Deck([Fault("reorder", frames=(1,))]), "tcp")
    second = bytes.fromhex("0002") + TCP_TOLD[2:]
    assert wire.pass_on("to_master", TCP_TOLD, 0.0) == []
    assert [p.data for p in wire.pass_on("to_master", second, 0.0)] == [second, TCP_TOLD]


def test_a_held_frame_is_lost_where_the_next_one_comes_too_late() -> None:
    wire = Wire(Deck([Fault("reorder", frames=(1, 3), seconds=0.1)]), "tcp")
    frames = [bytes((0, number)) + TCP_TOLD[2:] for number in range(4)]
    came = [[p.data for p in wire.pass_on("to_master", frame, 0.06 * n * n)] for n, frame in enumerate(frames)]
    assert came == [[], [frames[1], frames[0]], [], [frames[3]]]


@pytest.mark.parametrize(
    ("kind", "comes"), [("carry_over", TCP_TOLD), ("carry_over_stamped", b"\0\x63" + TCP_TOLD[2:])]
)
def test_a_frame_is_carried_over_to_the_next_connection(kind: str, comes: bytes) -> None:
    deck = Deck([Fault(kind, frames=(1, 4), seconds=0.1)])
    first, second, third = (Wire(deck, "tcp") for _ in range(3))
    other = b"\0\x63" + TCP_TOLD[2:-1] + b"\x55"

    def came(wire: Wire, frame: bytes, now_s: float) -> list[bytes]:
        return [passage.data for passage in wire.pass_on("to_master", frame, now_s)]

    assert came(first, TCP_TOLD, 0.0) == []
    assert came(first, other, 0.05) == [other]
    assert came(second, other, 0.1) == [comes, other]
    assert came(second, TCP_TOLD, 0.1) == []
    assert came(third, other, 0.21) == [other], "it was lost in the meantime"
    assert deck.carried == []


def test_a_stale_frame_is_an_earlier_one() -> None:
    wire = Wire(Deck([Fault("stale", frames=(2,))]), "tcp")
    wire.pass_on("to_master", TCP_TOLD, 0.0)
    assert [p.data for p in wire.pass_on("to_master", b"\0\2" + TCP_TOLD[2:], 0.0)] == [TCP_TOLD]


def test_a_black_hole_swallows_both_ways_for_its_time_and_counts() -> None:
    deck = Deck([Fault("black_hole", frames=(2,), seconds=3.0)])
    wire = Wire(deck, "tcp")
    assert [p.data for p in wire.pass_on("to_master", TCP_TOLD, 10.0)] == [TCP_TOLD]
    (passage,) = wire.pass_on("to_master", TCP_TOLD, 10.0)
    assert passage.outage is not None
    assert passage.data == b""
    assert wire.pass_on("to_device", TCP_ASKED, 12.9) == []
    assert [p.data for p in wire.pass_on("to_device", TCP_ASKED, 13.0)] == [TCP_ASKED]
    assert deck.done == {"black_hole": 1, "swallowed": 1}
    assert deck.seen == {"to_master": 2, "to_device": 2}


@pytest.mark.parametrize("framing", ["tcp", "rtu"])
@pytest.mark.parametrize("size", [1, 2, 5, 100])
def test_frames_are_cut_out_of_any_pieces(framing: Framing, size: int) -> None:
    stream = TOLD_ON[framing] * 3
    cut = cutter(framing, "to_master")
    frames = [frame for i in range(0, len(stream), size) for frame in cut.feed(stream[i : i + size])]
    assert frames == [TOLD_ON[framing]] * 3
    assert not cut.waiting


def test_what_is_no_modbus_is_handed_on_as_it_came() -> None:
    assert cutter("tcp", "to_device").feed(b"GET / HTTP/1.0\r\n") == [b"GET / HTTP/1.0\r\n"]
    cut = cutter("rtu", "to_master")
    assert cut.feed(b"\x01\x03\x04\x00") == []
    assert cut.waiting
    assert cut.flush() == b"\x01\x03\x04\x00"


def test_short_rubbish_passes_every_fault_unharmed() -> None:
    for kind in KINDS:
        if not KINDS[kind].whole_line:
            mangle(Fault(kind), "rtu", b"\x01", Memory(), Random(1))
            mangle(Fault(kind), "tcp", b"\x01\x02", Memory(), Random(1))


def test_shares_come_out_as_asked_and_the_counts_add_up() -> None:
    deck = Deck(read_mix("delay=0.1,drop=0.05,wrong_unit=0.02"), seed=7)
    picked = Counter(
        fault.kind if fault else "none" for fault in (deck.pick("to_master", 1, 0.0) for _ in range(20000))
    )
    assert deck.done == {kind: count for kind, count in picked.items() if kind != "none"}
    assert deck.seen["to_master"] == 20000
    for kind, share in (("delay", 0.1), ("drop", 0.05), ("wrong_unit", 0.02)):
        assert picked[kind] / 20000 == pytest.approx(share, rel=0.15)


def test_the_same_seed_deals_the_same_faults() -> None:
    def dealt(seed: int) -> list[Fault | None]:
        deck = Deck(read_mix("all=0.02", "rtu"), seed)
        return [deck.pick("to_master", 1, 0.0) for _ in range(500)]

    assert dealt(3) == dealt(3)
    assert dealt(3) != dealt(4)


def test_a_script_strikes_by_number_period_unit_direction_and_time() -> None:
    deck = Deck(
        [
            Fault("drop", frames=(2, 4)),
            Fault("delay", every=3),
            Fault("echo", unit=9),
            Fault("noise", direction="to_device"),
            Fault("duplicate", from_s=100.0, for_s=5.0),
        ]
    )
    kinds = [getattr(deck.pick("to_master", 1, 0.0), "kind", "") for _ in range(6)]
    assert kinds == ["", "drop", "delay", "drop", "", "delay"]
    assert getattr(deck.pick("to_master", 9, 0.0), "kind", "") == "echo"
    assert getattr(deck.pick("to_device", 1, 0.0), "kind", "") == "noise"
    assert getattr(deck.pick("to_master", 1, 104.9), "kind", "") == "duplicate"
    deck.clear()
    assert deck.pick("to_master", 9, 0.0) is None


def test_a_mix_names_what_is_wrong_with_it() -> None:
    assert {f.kind for f in read_mix("all=0.01", "rtu")} == {
        kind for kind, what in KINDS.items() if "rtu" in what.framings and not what.whole_line
    }
    delay, drop = read_mix("delay=0.1,drop=0.1", seconds=0.4, spread_s=0.02)
    assert (delay.lasts_s, delay.spread_s) == (0.4, 0.02)
    assert drop.lasts_s == 0.0
    with pytest.raises(ValueError, match=r"half: not `kind=share`; .*no such fault .*; share = 2.0.*more than 1"):
        read_mix("half,dely=0.1,drop=2.0")
    with pytest.raises(ValueError, match="only with framing rtu"):
        read_mix("wrong_crc=0.1", "tcp")


def test_a_script_is_read_or_refused_whole(tmp_path: Path) -> None:
    path = tmp_path / "faults.toml"
    path.write_text('seed = 5\n[[fault]]\nkind = "delay"\nframes = [3, 9]\nseconds = 0.5\nspread_s = 0.01\n')
    assert read_script(path) == ((Fault("delay", frames=(3, 9), seconds=0.5, spread_s=0.01),), 5)
    path.write_text('[[fault]]\nkind = "delya"\n[[fault]]\nkind = "drop"\nshare = 0.1\nevery = 2\n')
    with pytest.raises(FileRefusedError) as caught:
        read_script(path)
    assert "fault[0].kind = 'delya': no such fault" in str(caught.value)
    assert "fault[1].share, frames, every: only one of them" in str(caught.value)
    path.write_text('[[fault]]\nkind = "drop"\nshar = 0.1\n')
    with pytest.raises(FileRefusedError, match="did you mean share"):
        read_script(path)


@pytest.mark.parametrize(
    "fault", [Fault("drop", share=1.5), Fault("drop", frames=(0,)), Fault("delay", seconds=0.1, spread_s=0.2)]
)
def test_a_fault_that_cannot_be(fault: Fault) -> None:
    assert problems_of(fault)
    with pytest.raises(ValueError, match=r"expected|counted"):
        Deck([fault])
