"""A device that counts and moves its decimal point between any two requests: no torn and no mis-scaled value (REQ-29).

The device is whole within one request and nowhere else, which is all that Modbus promises.
"""

import pytest

from crumbmeter.field.plan import make_plan
from crumbmeter.field.sampling import make_sampler, sample_image
from crumbmeter.field.spec import BlockSpec, PowerOfTen, RegisterSpec, SignalSource, Table, WordType
from crumbmeter.model.image import RawBlock, RawImage, ReadOutcome
from tests.fakes import device_spec

POINT = RegisterSpec(Table.INPUT, 5, WordType.U16)
WEIGHT = RegisterSpec(Table.INPUT, 2, WordType.U32, power=PowerOfTen(POINT, decimals=True))


class Restless:
    """Weight [g] at 2 and 3, decimals at 5: both change after every request, about the carry into the upper word."""

    def __init__(self) -> None:
        self.requests = 0

    def truth(self) -> tuple[int, int]:
        return 0xFFFE + self.requests % 5, self.requests % 4

    def answer(self, block: BlockSpec) -> tuple[int, ...]:
        count, decimals = self.truth()
        self.requests += 1
        words = {2: count >> 16, 3: count & 0xFFFF, 5: decimals}
        return tuple(words.get(address, 0x7777) for address in range(block.address, block.address + block.count))


def wrong_values(sources: list[SignalSource], reads: int) -> int:
    """Count values that the device never had. The second signal, where there is one, is taken for the decimals."""
    plan = make_plan([device_spec(max_gap=8)], sources, [])
    sampler = make_sampler(plan, sources)
    device, wrong = Restless(), 0
    for _ in range(reads):
        true = []
        blocks = []
        for block in plan.blocks:
            count, decimals = device.truth()
            true.append(count / 10**decimals)
            blocks.append(RawBlock(device.answer(block), 1.0, ReadOutcome.OK))
        values = [sample.value for sample in sample_image(sampler, RawImage(1.0, tuple(blocks)))]
        value = values[0] if len(values) == 1 else (values[0] or 0.0) / 10 ** int(values[1] or 0)
        assert value is not None
        wrong += not any(abs(value - one) <= 1e-12 * one for one in true)
    return wrong


def test_in_one_request_nothing_is_torn() -> None:
    assert wrong_values([SignalSource("weight", 0, WEIGHT, 0.2)], 20_000) == 0


@pytest.mark.slow
def test_in_a_million_reads_nothing_is_torn() -> None:
    assert wrong_values([SignalSource("weight", 0, WEIGHT, 0.2)], 1_000_000) == 0


def test_in_two_requests_it_would_be() -> None:
    # The same registers without the tie, at two periods and so in two requests: what the test above would find.
    plain = RegisterSpec(Table.INPUT, 2, WordType.U32)
    apart = [SignalSource("weight", 0, plain, 0.2), SignalSource("point", 0, POINT, 1.0)]
    assert wrong_values(apart, 1000) > 500
