"""The OPC UA link against a server that dies silently, changes its namespaces, or says of its values what it likes.

Lessons 16 (a subscription that is silently dead) and 38 (quality mishandled). The server is a process of its own.
"""

import asyncio
import contextlib
import signal
from collections.abc import Iterator
from random import Random
from typing import NoReturn

import pytest
from asyncua import ua

from crumbmeter.adapters.clock import RealClock
from crumbmeter.adapters.field_links import FieldLinkMaker
from crumbmeter.adapters.opcua import OpcuaLink
from crumbmeter.field.opcua import WORDS, make_node_decoder
from crumbmeter.field.spec import DeviceSpec, RegisterSpec, Table
from crumbmeter.model.faults import BugError, ReconnectError, RetryLaterError
from crumbmeter.model.quality import Reason
from crumbmeter.runtime.link import DeviceLine, make_lines
from tests.fakes import Reports
from tests.opcua_server import ServerProcess, opcua_spec, registers, served
from tests.system.brokers import until

KINDS = {
    "Flow": ("double", "Double", 1.5),
    "Level": ("float", "Float", 2.5),
    "Run": ("boolean", "Boolean", True),
    "Count": ("int64", "Int64", 2**62 + 1),
    "Speed": ("uint16", "UInt16", 7),
    "Rest": ("int32", "Int32", -5),
}
NODES = {name: {"kind": kind, "value": value, "writable": True} for name, (_, kind, value) in KINDS.items()}
REGISTERS = registers(*((name, told[0]) for name, told in KINDS.items()))
ALL = WORDS * len(KINDS)
BAD_TIMEOUT = 0x800A0000


@pytest.fixture(scope="module")
def running() -> Iterator[ServerProcess]:
    """Run one server for all."""
    with served(NODES) as server:
        yield server


@pytest.fixture
def server(running: ServerProcess) -> Iterator[ServerProcess]:
    """Give the server with the values that it starts with, and bring it back whatever was done to it."""
    for name, (_, _, value) in KINDS.items():
        running.put(name, value)
    yield running
    running.settings.pop("spaces_before", None)
    running.revive()


def link_to(server: ServerProcess, **changes: object) -> OpcuaLink:
    spec = opcua_spec(server, REGISTERS, **changes)
    (link,) = FieldLinkMaker([spec])([spec])
    assert isinstance(link, OpcuaLink)
    return link


async def values(link: OpcuaLink) -> list[tuple[float | None, Reason]]:
    return decoded(await link.read(Table.NODE, 0, ALL))


def decoded(words: tuple[int, ...]) -> list[tuple[float | None, Reason]]:
    return [make_node_decoder(register)(words, register.address) for register in REGISTERS]


RIGHT = [
    (1.5, Reason.OK), (2.5, Reason.OK), (1.0, Reason.OK), (float(2**62), Reason.OK), (7, Reason.OK), (-5, Reason.OK),
]  # fmt: skip


async def test_every_type_comes_in_one_request(server: ServerProcess) -> None:
    link = link_to(server)
    await link.connect()
    sent = link._counts.sent
    assert await values(link) == RIGHT
    assert link._counts.sent == sent + 1
    words = await link.read(Table.NODE, 3 * WORDS, WORDS)
    assert words[:4] == (0x4000, 0, 0, 1), "the raw image is exact beyond 2^53"
    await link.close()


async def test_what_lies_between_and_nobody_asked_for_is_zero(server: ServerProcess) -> None:
    spec = opcua_spec(server, (REGISTERS[0], REGISTERS[2]))
    (link,) = FieldLinkMaker([spec])([spec])
    await link.connect()
    words = await link.read(Table.NODE, 0, 3 * WORDS)
    assert words[WORDS : 2 * WORDS] == (0,) * WORDS
    assert words[2 * WORDS] == 1
    await link.close()


SAID = [
    (0x808C0000, None, Reason.SAYS_SENSOR_FAILURE),
    (0x80310000, None, Reason.SAYS_NO_COMMUNICATION),
    (0x80AB0000, None, Reason.SAYS_BAD),
    (0x40950000, 1.0, Reason.SAYS_SUB_NORMAL),
    (0x40900000, 1.0, Reason.SAYS_LAST_USABLE),
    (0x00960000, 1.0, Reason.LOCAL_OVERRIDE),
    (0x00300000, 1.0, Reason.OK),
    (0xC0000000, None, Reason.SAYS_BAD),
]


async def test_one_of_each_status_in_a_batch_and_all_others_are_unaffected(server: ServerProcess) -> None:
    """Lesson 38: an item's status never raises, and its sub-code is in the record as it came."""
    link = link_to(server)
    await link.connect()
    for status, value, reason in SAID:
        server.put("Run", True, status=status)
        words = await link.read(Table.NODE, 0, ALL)
        assert decoded(words) == [*RIGHT[:2], (value, reason), *RIGHT[3:]]
        assert words[2 * WORDS + 4] << 16 | words[2 * WORDS + 5] == status
    await link.close()


@pytest.mark.parametrize(
    ("name", "value", "kind", "reason"),
    [
        ("Flow", None, "", Reason.NO_VALUE),
        ("Flow", 3.0, "Float", Reason.OTHER_TYPE),
        ("Flow", "3.0", "String", Reason.OTHER_TYPE),
        ("Flow", [1.0, 2.0], "Double", Reason.OTHER_TYPE),
        ("Flow", "nan", "Double", Reason.NOT_FINITE),
        ("Flow", "inf", "Double", Reason.NOT_FINITE),
        ("Level", "nan", "Float", Reason.NOT_FINITE),
        ("Speed", 7, "Int32", Reason.OTHER_TYPE),
        ("Run", 1, "Byte", Reason.OTHER_TYPE),
    ],
)
async def test_what_is_no_value_of_the_type_described_is_none(
    server: ServerProcess, name: str, value: object, kind: str, reason: Reason
) -> None:
    link = link_to(server)
    await link.connect()
    server.put(name, value, kind=kind)
    place = list(KINDS).index(name)
    found = await values(link)
    assert found[place] == (None, reason)
    assert found[:place] + found[place + 1 :] == RIGHT[:place] + RIGHT[place + 1 :]
    await link.close()


@pytest.mark.parametrize(
    ("name", "words", "value"),
    [
        ("Flow", (0xC004, 0, 0, 0), -2.5), ("Level", (0x3F80, 0), 1.0), ("Run", (0,), False),
        ("Count", (0, 0x20, 0, 1), 2**37 + 1), ("Speed", (65535,), 65535), ("Rest", (0xFFFF, 0xFFFE), -2),
    ],
)  # fmt: skip
async def test_a_write_goes_out_as_the_very_type(
    server: ServerProcess, name: str, words: tuple[int, ...], value: object
) -> None:
    link = link_to(server)
    await link.connect()
    register = REGISTERS[list(KINDS).index(name)]
    await link.write(register, words)
    assert server.get(name) == value
    assert (await link.read(Table.NODE, register.address, WORDS))[: len(words)] == words
    await link.close()


async def test_a_modbus_register_or_function_is_a_mistake(server: ServerProcess) -> None:
    link = link_to(server)
    await link.connect()
    with pytest.raises(BugError):
        await link.read(Table.HOLDING, 0, 8)
    with pytest.raises(BugError):
        await link.read(Table.NODE, 0, 4)
    with pytest.raises(BugError):
        await link.write(REGISTERS[4], (1,), 6)
    await link.close()


async def test_a_node_that_is_not_there_is_bad_and_the_others_are_not(server: ServerProcess) -> None:
    named = registers(("Flow", "double"), ("NoSuchThing", "double"))
    spec = opcua_spec(server, named)
    (link,) = FieldLinkMaker([spec])([spec])
    await link.connect()
    words = await link.read(Table.NODE, 0, 2 * WORDS)
    assert make_node_decoder(named[0])(words, 0) == (1.5, Reason.OK)
    assert make_node_decoder(named[1])(words, WORDS) == (None, Reason.SAYS_NO_SUCH_NODE)
    await link.close()


async def read_on(link: OpcuaLink) -> NoReturn:
    """Read until it fails; whatever comes until then is right."""
    async with asyncio.timeout(8.0):
        while True:
            assert await values(link) == RIGHT


async def test_a_subscription_that_falls_silent_ends_the_session(server: ServerProcess) -> None:
    """Lesson 16: the server answers every read, and yet its publishing is dead."""
    link = link_to(server)
    await link.connect()
    server.do("silence_subscriptions")
    clock = RealClock()
    began_s = clock.now_s()
    with pytest.raises(ReconnectError, match="nothing from the subscription for"):
        await read_on(link)
    # Keep-alive count 4, publishing interval 0.25 s, plus the one that may just have passed.
    assert 0.5 < clock.now_s() - began_s < 2.5
    with pytest.raises(ReconnectError):
        await link.read(Table.NODE, 0, ALL)
    await link.close()


async def test_keep_alives_alone_keep_the_session(server: ServerProcess) -> None:
    link = link_to(server, publishing_s=0.1)
    await link.connect()
    shared = link._shared
    assert shared._silence_s == pytest.approx(0.5)
    enough_s = shared._heard_s + 4.0 * shared._silence_s
    async with asyncio.timeout(20.0):
        while shared._heard_s < enough_s:  # it goes on for four times the watchdog's patience, and no value changes
            assert await values(link) == RIGHT
    assert link._shared.notices == len(KINDS)  # each node's first value and no more
    await link.close()


async def test_a_subscription_deleted_by_the_server_ends_the_session(server: ServerProcess) -> None:
    link = link_to(server)
    await link.connect()
    server.do("delete_subscriptions")
    with pytest.raises(ReconnectError, match="subscription"):
        await read_on(link)
    await link.close()


async def test_a_session_that_the_server_gave_up_ends_the_link_at_once(server: ServerProcess) -> None:
    link = link_to(server)
    await link.connect()
    server.do("end_sessions")
    with pytest.raises(ReconnectError, match="Session"):
        await link.read(Table.NODE, 0, ALL)
    await link.close()


async def test_a_server_clock_that_stands_ends_the_session(
    server: ServerProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("crumbmeter.adapters.opcua_session.CLOCK_STANDS_S", 1.5)
    link = link_to(server)
    await link.connect()
    assert await values(link) == RIGHT
    assert abs(link._shared.skew_s or 99.0) < 2.0
    server.do("stop_clock")
    with pytest.raises(ReconnectError, match="clock has stood"):
        await read_on(link)
    await link.close()
    server.stop()  # its clock does not come back otherwise


async def test_a_namespace_that_is_not_there_is_named(server: ServerProcess) -> None:
    lost = REGISTERS[0].node.replace("plant", "elsewhere")
    spec = opcua_spec(server, (RegisterSpec(Table.NODE, 0, REGISTERS[0].word_type, node=lost),))
    (link,) = FieldLinkMaker([spec])([spec])
    with pytest.raises(ReconnectError, match=r"no namespace urn:crumbmeter:test:elsewhere; it has .*test:plant"):
        await link.connect()
    await link.close()


def line_to(spec: DeviceSpec, reports: Reports) -> DeviceLine:
    clock = RealClock()
    (line,) = make_lines([spec], FieldLinkMaker([spec]), clock, Random(1).random, reports)
    return line


async def comes_back(line: DeviceLine, within_s: float = 10.0) -> tuple[int, ...]:
    """Read on while the endpoint's own keeper connects, until a read succeeds."""
    async with asyncio.timeout(within_s), asyncio.TaskGroup() as group:
        keeper = group.create_task(line.endpoint.keep())
        while True:
            await until(lambda: line.endpoint.up)
            with contextlib.suppress(ReconnectError, RetryLaterError):
                words = await line.read(Table.NODE, 0, ALL)
                keeper.cancel()
                return words


async def test_a_frozen_server_is_read_anew_by_a_new_session_when_it_thaws(server: ServerProcess) -> None:
    """Lesson 16: SIGSTOP and SIGCONT; no value from before comes back as a new one."""
    spec = opcua_spec(server, REGISTERS, timeout_s=0.3, connect_timeout_s=0.5, backoff_min_s=0.1, backoff_max_s=0.3)
    reports = Reports()
    line = line_to(spec, reports)
    assert decoded(await comes_back(line)) == RIGHT
    connects = line.endpoint.tally.connects
    server.send(signal.SIGSTOP)
    with pytest.raises(RetryLaterError, match="silent"):
        await line.read(Table.NODE, 0, ALL)
    await line.endpoint.revive()
    with pytest.raises(ReconnectError):
        await line.read(Table.NODE, 0, ALL)
    server.send(signal.SIGCONT)
    server.put("Flow", 9.75)
    assert decoded(await comes_back(line))[0] == (9.75, Reason.OK)
    assert line.endpoint.tally.connects > connects
    assert reports.names == ["link_up", "link_down", "link_up"]
    await line.endpoint.close()


async def test_a_restart_that_moves_the_namespace_is_followed(server: ServerProcess) -> None:
    """Lesson 16: after the restart the index of the namespace is another one, and node ids are looked up anew."""
    spec = opcua_spec(server, REGISTERS, backoff_min_s=0.1, backoff_max_s=0.3)
    line = line_to(spec, Reports())
    assert decoded(await comes_back(line)) == RIGHT
    server.stop()
    with pytest.raises((ReconnectError, RetryLaterError)):
        await line.read(Table.NODE, 0, ALL)
    server.settings["spaces_before"] = 3
    server.start()
    assert decoded(await comes_back(line)) == RIGHT
    await line.write(REGISTERS[4], lambda: (77,))
    assert server.get("Speed") == 77
    await line.endpoint.close()


async def test_a_server_that_has_no_subscription_left_is_no_link_until_it_has(server: ServerProcess) -> None:
    """Lesson 16: without the subscription nobody would notice that the server's own machinery stands."""
    server.do("limit_subscriptions", most=0)
    link = link_to(server)
    with pytest.raises(ReconnectError, match="no subscription left"):
        await link.connect()
    await link.close()
    server.do("limit_subscriptions", most=1000)
    again = link_to(server)
    await again.connect()
    assert await values(again) == RIGHT
    await again.close()


async def test_sessions_do_not_pile_up_on_the_server(server: ServerProcess) -> None:
    for _ in range(5):
        link = link_to(server)
        await link.connect()
        await values(link)
        await link.close()
    assert server.do("count")["subscriptions"] == 0


async def test_an_end_of_the_subscription_that_comes_with_a_reply_is_not_forgotten(
    server: ServerProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = link_to(server)
    await link.connect()
    told = ua.PublishResult()
    end = ua.StatusChangeNotification(Status=ua.StatusCode(ua.UInt32(BAD_TIMEOUT)))
    told.NotificationMessage.NotificationData = [end]
    library = link._shared._require().uaclient
    ask = library.read

    async def read(wanted: ua.ReadParameters) -> list[ua.DataValue]:
        found: list[ua.DataValue] = await ask(wanted)
        link._shared._published(told)  # in the very turn in which the reply comes
        return found

    monkeypatch.setattr(library, "read", read)
    try:
        with pytest.raises(ReconnectError, match="the server ended the subscription"):
            await values(link)
    finally:
        await link.close()
