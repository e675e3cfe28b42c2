"""Several units behind one TCP gateway: what a time-out of one costs the others, and what it can never bring about."""

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from random import Random

import pytest

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.modbus import LinkMaker, ModbusLink, make_links, silence_library
from crumbmeter.adapters.modbus_port import Port
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table, Transport, WordType
from crumbmeter.model.faults import BadReplyError, BugError, ReconnectError, RetryLaterError
from crumbmeter.runtime.link import make_lines
from tests import raw_modbus as raw
from tests.fakes import device_spec, turns
from tests.raw_modbus import RawServer


@pytest.fixture(autouse=True)
def quiet_library() -> None:
    """Keep the library's hex dumps out of the report; at import time it would reach other modules' tests too."""
    silence_library()


SPEED = RegisterSpec(Table.HOLDING, 5, WordType.U16)
RATE = RegisterSpec(Table.HOLDING, 10, WordType.F32)
RUN = RegisterSpec(Table.COIL, 3, WordType.BIT)
GUARD_S = 0.3


class Gateway:
    def __init__(self, server: RawServer) -> None:
        self.server = server
        self.specs = [self._spec("one", 1), self._spec("two", 2)]
        self.maker = LinkMaker(self.specs)

    def _spec(self, name: str, unit: int) -> DeviceSpec:
        return device_spec(name, port=self.server.port, unit_id=unit, worst_response_s=GUARD_S)

    async def open(self) -> tuple[ModbusLink, ...]:
        links = self.maker(self.specs)
        await links[0].connect()
        return links


@pytest.fixture
async def gateway() -> AsyncIterator[Gateway]:
    server = RawServer((1, 2))
    await server.start()
    for unit in (1, 2):
        server.words[unit, 3][:] = [unit * 256 + address for address in range(256)]
    yield Gateway(server)
    await server.stop()


async def test_a_late_reply_is_skipped_by_its_id_and_the_others_keep_their_socket(gateway: Gateway) -> None:
    one, two = await gateway.open()
    gateway.server.script.append(raw.late(0.08))
    with pytest.raises(RetryLaterError) as silence:
        await one.read(Table.HOLDING, 7, 1)
    assert silence.value.link_sound
    assert await two.read(Table.HOLDING, 9, 1) == (512 + 9,)
    # The late one comes while this waits.
    gateway.server.script.append(raw.late(0.045))
    assert await two.read(Table.HOLDING, 9, 1) == (512 + 9,)
    assert gateway.server.accepted == 1
    assert gateway.maker.counts["one"].late_skipped + gateway.maker.counts["two"].late_skipped == 1
    await one.close()


async def test_what_a_late_reply_would_fit_is_not_asked_while_it_may_come(gateway: Gateway) -> None:
    # Not even a gateway that stamps the late reply with the newest id can bring its contents in.
    one, _ = await gateway.open()
    gateway.server.script.append(raw.hang)
    with pytest.raises(RetryLaterError):
        await one.read(Table.HOLDING, 7, 2)
    assert await one.read(Table.HOLDING, 7, 2) == (263, 264)
    asked = len(gateway.server.frames)
    with pytest.raises(RetryLaterError) as withheld:
        await one.read(Table.HOLDING, 50, 2)
    assert (withheld.value.withheld, withheld.value.link_sound) == (True, True)
    assert len(gateway.server.frames) == asked
    # Another length and another function can be told from it; the very same request, before, is no other register.
    assert await one.read(Table.HOLDING, 50, 3) == (306, 307, 308)
    assert await one.read(Table.INPUT, 50, 2) == (0, 0)
    assert gateway.maker.counts["one"].withheld == 1
    await one.close()


async def test_what_an_ended_connection_is_owed_is_not_believed_on_the_next(gateway: Gateway) -> None:
    # A gateway keeps the reply to the first request of a connection, and brings it as the first of the next one.
    held: list[bytes] = []

    def hold(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        held.append(reply)
        connection.reset()

    def bring(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        connection.transport.write(held.pop())

    one, _ = await gateway.open()
    gateway.server.script.extend([hold, bring])
    with pytest.raises(ReconnectError):
        await one.read(Table.HOLDING, 7, 2)
    again, _ = await gateway.open()
    with pytest.raises(BadReplyError, match="transaction"):
        await again.read(Table.HOLDING, 7, 2)
    await again.close()
    once_more, _ = await gateway.open()
    with pytest.raises(RetryLaterError) as withheld:  # whatever id the gateway might stamp on it
        await once_more.read(Table.HOLDING, 50, 2)
    assert withheld.value.withheld
    await once_more.close()


async def test_the_second_reply_to_a_doubled_request_is_not_believed_on_the_next_connection(gateway: Gateway) -> None:
    # Doubled on its way: one reply came; the other comes after a doubt, to the next connection, with its newest id.
    second: list[bytes] = []

    def answer_once(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        connection.transport.write(reply)
        second.append(reply)

    def bring(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        connection.transport.write(request[:2] + second.pop()[2:])

    one, _ = await gateway.open()
    gateway.server.script.extend([answer_once, raw.wrong_unit, bring])
    assert await one.read(Table.HOLDING, 7, 2) == (263, 264)
    with pytest.raises(BadReplyError):
        await one.read(Table.HOLDING, 20, 3)
    await one.close()
    again, _ = await gateway.open()
    assert await again.read(Table.HOLDING, 7, 2) == (263, 264), "the second reply to the very same is no other register"
    assert not second
    with pytest.raises(RetryLaterError) as withheld:
        await again.read(Table.HOLDING, 50, 2)
    assert withheld.value.withheld
    await again.close()


async def test_a_device_that_closes_after_each_reply_is_read_without_a_wait(gateway: Gateway) -> None:
    def answer_and_close(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        connection.transport.write(reply)
        connection.transport.close()

    gateway.server.always = answer_and_close
    gateway.specs = [replace(spec, close_after_each=True) for spec in gateway.specs]
    links = await gateway.open()
    for turn in range(40):
        unit, address = 1 + turn % 2, 7 + turn % 3 * 40
        assert await links[unit - 1].read(Table.HOLDING, address, 2) == (unit * 256 + address, unit * 256 + address + 1)
        await links[0].write(SPEED, [turn])
    assert gateway.server.words[1, 3][5] == 39
    assert gateway.server.accepted == 80
    counts = gateway.maker.counts["one"]
    assert (counts.ok, counts.lost, counts.withheld) == (60, 0, 0)
    await links[0].close()


async def test_words_are_chosen_after_the_connection_that_they_go_out_on(
    gateway: Gateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A connection may take seconds; what was wanted before it may be too old, or overtaken by a stop (REQ-25).
    opened = asyncio.Event()
    open_it = Port.open

    async def open_late(port: Port) -> None:
        await opened.wait()
        await open_it(port)

    specs = [replace(spec, close_after_each=True) for spec in gateway.specs]
    line, _ = make_lines(specs, LinkMaker(specs), RealClock(), Random(1).random, lambda _: None)
    await line.endpoint.revive()
    assert await line.read(Table.HOLDING, 5, 1) == (261,)
    monkeypatch.setattr(Port, "open", open_late)
    wanted = [(30,)]
    writing = asyncio.ensure_future(line.write(SPEED, lambda: wanted[-1]))
    await asyncio.wait([writing], timeout=0.05)
    wanted.append((0,))
    opened.set()
    assert await writing == (0,)
    assert gateway.server.codes == [3, 6]
    assert gateway.server.words[1, 3][5] == 0
    await line.endpoint.close()


async def test_a_device_for_one_master_at_a_time_is_left_after_each_reply(gateway: Gateway) -> None:
    gateway.specs = [replace(spec, close_after_each=True) for spec in gateway.specs]
    one, _ = await gateway.open()
    for _ in range(5):
        assert await one.read(Table.HOLDING, 7, 1) == (263,)
        await gateway.server.until(lambda: not gateway.server.connections)
    gateway.server.script.append(raw.wrong_unit)
    with pytest.raises(BadReplyError) as fault:
        await one.read(Table.HOLDING, 7, 1)
    assert not fault.value.link_sound
    with pytest.raises(ReconnectError, match="unit"):  # in doubt it is for the endpoint to connect again, and when
        await one.read(Table.HOLDING, 7, 1)
    await one.close()


async def test_a_register_that_never_answers_does_not_starve_another_that_looks_the_same(gateway: Gateway) -> None:
    def answer(connection: raw.Connection, request: bytes, reply: bytes) -> None:
        if int.from_bytes(request[8:10], "big") != 7:
            connection.transport.write(reply)

    gateway.server.always = answer
    links = await gateway.open()
    answered, clock = 0, asyncio.get_running_loop()
    until_s = clock.time() + 8.0 * GUARD_S
    while clock.time() < until_s:
        for address in (7, 50):
            try:
                assert await links[0].read(Table.HOLDING, address, 2) == (256 + 50, 256 + 51)
                answered += 1
            except RetryLaterError as fault:
                if not fault.link_sound:
                    await links[0].close()
                    links = await gateway.open()
        await turns(1)
    assert answered >= 3
    await links[0].close()


async def test_an_unanswered_write_ends_the_connection_with_all_that_is_in_it(gateway: Gateway) -> None:
    one, two = await gateway.open()
    gateway.server.script.append(raw.hang)
    with pytest.raises(RetryLaterError) as silence:
        await one.write(SPEED, (9,))
    assert not silence.value.link_sound
    with pytest.raises(ReconnectError):
        await two.read(Table.HOLDING, 0, 1)
    await one.close()


async def test_a_half_read_reply_and_a_wrong_one_end_the_connection(gateway: Gateway) -> None:
    for fault in (raw.truncated, raw.wrong_transaction):
        one, _ = await gateway.open()
        gateway.server.script.append(fault)
        with pytest.raises((RetryLaterError, BadReplyError)) as doubt:
            await one.read(Table.HOLDING, 0, 4)
        assert not doubt.value.link_sound
        await one.close()


async def test_a_gateway_that_never_answers_is_reconnected_to(gateway: Gateway) -> None:
    one, two = await gateway.open()
    gateway.server.always = raw.hang
    sound = []
    for number in range(5):
        with pytest.raises(RetryLaterError) as silence:
            await (one, two)[number % 2].read(Table.HOLDING, 0, 1)
        sound.append(silence.value.link_sound)
    assert sound == [True] * 4 + [False]
    await one.close()


async def test_a_second_master_on_the_device_is_hinted_at(gateway: Gateway) -> None:
    gateway.server.hang_up_on_accept = True
    (link,) = make_links([gateway.specs[0]])

    async def use() -> None:
        await link.connect()
        while True:
            await link.read(Table.HOLDING, 0, 1)

    with pytest.raises(ReconnectError, match="another master may hold this device"):
        await use()
    await link.close()


@pytest.mark.parametrize(
    ("register", "words", "function", "code"),
    [
        (SPEED, (258,), 0, 6),
        (SPEED, (258,), 16, 16),
        (RATE, (1, 2), 0, 16),
        (RUN, (1,), 0, 5),
        (RUN, (1,), 15, 15),
    ],
)
async def test_the_function_that_a_site_names_writes(
    gateway: Gateway, register: RegisterSpec, words: tuple[int, ...], function: int, code: int
) -> None:
    one, _ = await gateway.open()
    await one.write(register, words, function)
    assert gateway.server.codes == [code]
    bank = gateway.server.bits[1, 1] if register.table.of_bits else gateway.server.words[1, 3]
    assert tuple(bank[register.address : register.address + len(words)]) == words
    await one.close()


@pytest.mark.parametrize(
    ("register", "words", "function"), [(RATE, (1, 2), 6), (RATE, (1, 2), 22), (RUN, (1,), 6), (SPEED, (1,), 5)]
)
async def test_a_function_that_does_not_fit_is_a_mistake(
    gateway: Gateway, register: RegisterSpec, words: tuple[int, ...], function: int
) -> None:
    one, _ = await gateway.open()
    with pytest.raises(BugError):
        await one.write(register, words, function)
    assert gateway.server.frames == []
    await one.close()


async def test_framings_are_not_mixed_on_one_endpoint(gateway: Gateway) -> None:
    with pytest.raises(BugError):
        make_links([gateway.specs[0], replace(gateway.specs[1], transport=Transport.RTU_OVER_TCP)])
