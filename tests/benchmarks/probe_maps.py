"""Made-up devices for the probe: a register map drawn from a seed, a plant behind it, and a person at its display.

Every map has one value that the instrument's display shows, in any type and order, at a scale and sometimes an offset,
and a hundred points beside it: other measurements of similar size, some of which follow the load as well, damped and
converted copies, setpoints near the value, counters, totals, times, status bits, texts, constants; sometimes copies of
the value itself. Values wander; the person reads the display at some moment around the samples and types what it shows.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from tests.benchmarks.probe_codec import FLOATS, ONE, ORDERS, TYPES, encode, limits

DISTRACTORS = 100
READINGS = 3
"""Of the display at each load, as the guide asks for."""
STEP_S = 0.25
SAMPLE_S = 1.0
MARGIN = 8
"""[steps] Of the series before the first and after the last sample."""
POUND = 0.45359237

COPIES = {"same again", "in another form", "held", "peak", "damped", "coarse", "its setpoint", "other sensor"}

Series = list[list[float]]
"""By look: values at each step."""


@dataclass(frozen=True)
class Codec:
    """How a value stands in registers."""

    kind: str
    order: str
    scale: float
    offset: float

    def words(self, value: float) -> list[int]:
        return encode(self.kind, self.order, (value - self.offset) / self.scale)

    @property
    def quantum(self) -> float:
        return 0.0 if self.kind in FLOATS else abs(self.scale)


@dataclass
class Point:
    """Some registers, by look and step."""

    label: str
    words: Callable[[int, int], list[int]]
    codec: Codec | None = None
    """Of the displayed value, and of what is always a fixed multiple of it."""
    factor: float = 1.0
    """By which multiple."""
    address: int = 0

    @property
    def count(self) -> int:
        return len(self.words(0, MARGIN))


@dataclass
class Map:
    """A device, what a person saw, and the truth."""

    table: str
    first: int
    points: list[Point]
    low: float
    high: float
    decimals: int
    unit: str
    shown: list[list[str]]
    """What was typed, by look."""
    samples: int
    one_based: bool
    """The manual counts from 1."""
    traits: dict[str, object] = field(default_factory=dict)

    @property
    def resolution(self) -> float:
        return 10.0**-self.decimals

    @property
    def truth(self) -> list[Point]:
        """The displayed value, and copies of it that always hold the same."""
        return [point for point in self.points if point.codec is not None and point.factor == 1.0]

    @property
    def multiples(self) -> list[Point]:
        """The displayed value in other units: a scale makes the same of them."""
        return [point for point in self.points if point.codec is not None and point.factor != 1.0]

    @property
    def target(self) -> Point:
        return next(point for point in self.points if point.label == "target")

    def image(self, look: int, sample: int) -> list[int]:
        """Words from `first` on, at one sample."""
        step = MARGIN + round(sample * SAMPLE_S / STEP_S)
        found: dict[int, int] = {}
        for point in self.points:
            for at, word in enumerate(point.words(look, step)):
                found[point.address + at] = word
        return [found.get(address, 0) for address in range(self.first, max(found) + 1)]


@dataclass(frozen=True)
class Kind:
    """A measurement that instruments of a plant show."""

    unit: str
    low: tuple[float, ...]
    high: tuple[float, ...]
    decimals: tuple[int, ...]


KINDS = (
    Kind("short_ton/h", (0.0, -5.0), (120.0, 250.0, 400.0, 600.0, 1000.0), (1, 1, 1, 2)),
    Kind("tonne/h", (0.0, -5.0), (100.0, 300.0, 500.0), (1, 1, 2)),
    Kind("kg/h", (0.0,), (1500.0, 3000.0, 6000.0), (0, 1, 1)),
    Kind("lb/min", (0.0, -2.0), (60.0, 150.0, 800.0), (1, 2)),
    Kind("kg", (0.0, -20.0), (500.0, 1500.0, 3000.0), (0, 1, 1, 2)),
    Kind("lb", (0.0, -50.0), (1200.0, 4000.0), (0, 1)),
    Kind("degF", (0.0, 32.0), (400.0, 700.0), (0, 1, 1)),
    Kind("degC", (-40.0, 0.0), (200.0, 400.0), (1, 1, 2)),
    Kind("ft/min", (0.0,), (350.0, 600.0), (0, 1, 1)),
    Kind("percent", (0.0,), (100.0,), (1, 2)),
    Kind("rpm", (0.0,), (90.0, 1750.0), (1,)),
    Kind("kPa", (0.0, -10.0), (60.0, 100.0, 700.0), (1, 2)),
    Kind("A", (0.0,), (80.0, 250.0), (1, 2)),
)


def draw(seed: int, number: int, readings: int = READINGS) -> Map:
    """Draw one map.

    Args:
        seed: Of all maps.
        number: Which.
        readings: How often the person reads the display at each load.
    """
    return _Maker(Random(f"{seed}/{number}"), readings).made()


class _Maker:
    def __init__(self, random: Random, readings: int) -> None:
        self.random, self.readings = random, readings
        self.kind = random.choice(KINDS)
        self.low, self.high = random.choice(self.kind.low), random.choice(self.kind.high)
        self.decimals = random.choice(self.kind.decimals)
        self.samples = random.randint(4, 10)
        loads = [random.uniform(0.08, 0.5), random.uniform(0.58, 0.96)]
        if random.random() < 0.3:
            loads.reverse()
        self.loads = loads
        self.order = random.choice(ORDERS) if random.random() < 0.8 else ""
        """Of all values of the device; empty: each has its own."""
        self.noise = random.choice((0.0, 0.0002, 0.0005, 0.001))
        self.steps = 2 * MARGIN + round(self.samples * SAMPLE_S / STEP_S)

    # Values.

    def series(self, low: float, high: float, *, power: float = 1.0, noise: float | None = None) -> Series:
        """A value that follows the load, and wanders about it."""
        noise = self.noise if noise is None else noise
        return [self._wander(low + (high - low) * load**power, noise * (high - low)) for load in self.loads]

    def _wander(self, middle: float, spread: float) -> list[float]:
        keep = self.random.choice((0.3, 0.7, 0.9))
        value, found = self.random.gauss(0.0, 1.0), []
        for _ in range(self.steps):
            value = keep * value + math.sqrt(1.0 - keep * keep) * self.random.gauss(0.0, 1.0)
            found.append(middle + spread * value)
        return found

    def damped(self, series: Series, weight: float) -> Series:
        found = []
        for values in series:
            state, row = values[0], []
            for value in values:
                state += weight * (value - state)
                row.append(state)
            found.append(row)
        return found

    # How a value stands in registers.

    def codec(self, low: float, high: float, decimals: int) -> Codec:
        """Any type and order; scale and offset as makers choose them, so that the whole range fits."""
        while True:
            kind = self.random.choice(TYPES)
            order = self.order or self.random.choice(ORDERS)
            if kind in ONE:
                order = self.random.choice(("ABCD", "ABCD", "ABCD", "BADC"))
            scale, offset = self._line(kind, low, high, decimals)
            least, most = limits(kind)
            ends = sorted(((low - offset) / scale, (high - offset) / scale))
            if least <= ends[0] and ends[1] <= most:
                return Codec(kind, order, scale, offset)

    def _line(  # noqa: PLR0911 - one return for each habit of makers
        self, kind: str, low: float, high: float, decimals: int
    ) -> tuple[float, float]:
        """Scale and offset as makers choose them; an unsigned type needs an offset for what is below zero."""
        random, step = self.random, 10.0**-decimals
        below = low < 0.0 and kind in ("u16", "u32", "u64", "bcd16", "bcd32")
        if below or random.random() < (0.04 if kind in FLOATS else 0.15):
            scale = 1.0 if kind in FLOATS else step * random.choice((1.0, 1.0, 1.0, 0.1, 0.5, 0.2, 0.25))
            if kind == "u16" and random.random() < 0.15:
                return scale, -32768.0 * scale
            return scale, random.choice(
                (-10.0, -20.0, -40.0, -50.0, -100.0, -200.0, -12.5, -25.0, -30.0, -150.0, 10.0, 32.0, 5.0, 2.5)
            )
        chance = random.random()
        if kind in FLOATS:
            if chance < 0.80:
                return 1.0, 0.0
            if chance < 0.90:
                return random.choice((0.001, 0.01, 0.1, 10.0, 1000.0)), 0.0
            return random.choice((POUND, 1.0 / POUND, 3.6, 60.0, 1.0 / 60.0, 2000.0 * POUND / 1000.0)), 0.0
        if chance < 0.65:
            return step / random.choice((1.0, 1.0, 1.0, 10.0, 100.0)), 0.0
        if chance < 0.80:
            return step * random.choice((0.5, 0.2, 0.25, 0.05, 0.02)), 0.0
        if chance < 0.85:
            return step * random.choice((0.4, 0.8, 0.3, 0.15, 0.12, 0.75, 0.16)), 0.0
        if chance < 0.88:
            return step * random.choice((POUND, 0.1 / POUND, 0.36)), 0.0
        if kind in ("u16", "i16") and low >= 0.0:
            if random.random() < 0.4:
                zero, full = random.choice(((4000, 20000), (6400, 32000), (819, 4095)))
            else:
                zero, full = 0, random.choice((27648, 32767, 4095, 10000, 20000))
            scale = high / (full - zero)
            if scale <= step:  # no instrument counts more coarsely than it shows
                return scale, -zero * scale
        return step, 0.0

    def point(self, label: str, series: Series, codec: Codec, *, faithful: bool = False) -> Point:
        return Point(label, lambda look, step: codec.words(series[look][step]), codec if faithful else None)

    # The map.

    def made(self) -> Map:
        random = self.random
        shown = self.series(self.low, self.high)
        codec = self.codec(self.low, self.high, self.decimals)
        points = [self.point("target", shown, codec, faithful=True)]
        points += self._copies(shown, codec)
        beside = self._relatives(shown)
        beside += [self._distractor(shown) for _ in range(DISTRACTORS - len(beside))]
        damped = random.random() < 0.1
        seen = self.damped(shown, 0.5) if damped else shown
        points += beside
        random.shuffle(points)
        first = random.choice((0, 0, 1, 10, 100, 256, 1000))
        self._place(points, first)
        return Map(
            random.choice(("input", "holding")), first, points, self.low, self.high, self.decimals, self.kind.unit,
            [self._typed(seen[look]) for look in range(2)], self.samples, random.random() < 0.5,
            {
                "noise": self.noise, "damped": damped, "one_order": bool(self.order),
                "copies": sorted({point.label for point in points} & COPIES),
            },
        )  # fmt: skip

    def _typed(self, values: list[float]) -> list[str]:
        """What a person reads off at some moments from shortly before the samples to shortly after."""
        moments = [self.random.randint(MARGIN - 3, self.steps - MARGIN + 2) for _ in range(READINGS)]
        steps = sorted(moments[: self.readings])
        return [f"{values[step]:.{self.decimals}f}" for step in steps]

    def _place(self, points: list[Point], first: int) -> None:
        address, aligned = first, self.random.random() < 0.5
        for point in points:
            if aligned and point.count > 1:
                address += (address - first) % 2
            if self.random.random() < 0.05:
                address += self.random.choice((1, 2, 4))
            point.address = address
            address += point.count

    def _copies(self, shown: Series, codec: Codec) -> list[Point]:
        """The value again: as it is, in another form, held, or as a peak."""
        random, found = self.random, []
        if random.random() < 0.2:
            found.append(self.point("same again", shown, codec, faithful=True))
        if random.random() < 0.2:
            other = self.codec(self.low, self.high, self.decimals)
            if other.quantum <= 10.0**-self.decimals * 1.001:
                found.append(self.point("in another form", shown, other, faithful=True))
        if random.random() < 0.06:
            held = [[values[MARGIN // 2]] * len(values) for values in shown]
            found.append(self.point("held", held, codec))
        if random.random() < 0.06:
            found.append(self.point("peak", _peaks(shown), codec))
        return found

    def _relatives(self, shown: Series) -> list[Point]:
        """The same quantity otherwise: damped, coarser, converted, by another sensor; and what it is to be."""
        chances = {
            "damped": 0.06, "coarse": 0.2, "unit": 0.3, "percent": 0.3, "by the minute": 0.2, "other sensor": 0.2,
            "its setpoint": 0.25,
        }  # fmt: skip
        return [self._relative(what, shown) for what, chance in chances.items() if self.random.random() < chance]

    def _distractor(self, shown: Series) -> Point:
        makers = (
            (self._measurement, 40), (self._setpoint, 10), (self._counter, 10), (self._bits, 8),
            (self._constant, 14), (self._text, 4), (self._noise_word, 4), (self._total, 6),
        )  # fmt: skip
        maker = self.random.choices([maker for maker, _ in makers], [weight for _, weight in makers])[0]
        return maker(shown)

    def _measurement(self, shown: Series) -> Point:
        """Something else that the plant measures: some of it follows the load, at a size like the display's."""
        random = self.random
        span = (self.high - self.low) * math.exp(random.uniform(-1.6, 1.6))
        low = random.choice((0.0, 0.0, self.low, random.uniform(0.0, 0.5) * span))
        power = 0.0 if random.random() < 0.25 else math.exp(random.gauss(0.0, 0.35))
        noise = random.choice((0.0, 0.0005, 0.002, 0.005, 0.02))
        if random.random() < 0.15:
            low, span = low + span, -span
        series = self.series(low, low + span, power=power, noise=noise)
        ends = sorted((low, low + span))
        margin = 0.1 * abs(span)
        decimals = random.choice((0, 1, 1, 2))
        return self.point("measurement", series, self._fitting(ends[0] - margin, ends[1] + margin, decimals))

    def _fitting(self, low: float, high: float, decimals: int) -> Codec:
        return self.codec(min(low, 0.0), high, decimals)

    def _relative(self, what: str, shown: Series) -> Point:
        random = self.random
        factor, series, decimals = 1.0, shown, 2
        if what == "damped":
            series = self.damped(shown, random.choice((0.05, 0.1, 0.3)))
        elif what == "unit":
            factor = random.choice((POUND, 1.0 / POUND, 0.90718474, 1.0 / 0.90718474, 2.20462, 1.8))
        elif what == "percent":
            factor = 100.0 / self.high if self.high != 100.0 else 2.55
        elif what == "other sensor":
            gain, noise = random.uniform(0.97, 1.03), 0.002 * self.high
            series = [[gain * value + random.gauss(0.0, noise) for value in values] for values in shown]
        elif what == "by the minute":
            factor = random.choice((60.0, 1.0 / 60.0, 1000.0 / 60.0, 1.0 / 3.6))
        elif what == "its setpoint":
            rows = [values[0] * random.uniform(0.985, 1.015) for values in shown]
            series = [
                [round(row, self.decimals) if random.random() < 0.5 else float(round(row))] * self.steps for row in rows
            ]
            decimals = self.decimals
        else:
            step = 10.0 * 10.0**-self.decimals
            series = [[step * round(value / step) for value in values] for values in shown]
        series = [[factor * value for value in values] for values in series]
        low, high = sorted((factor * self.low, factor * self.high))
        point = self.point(
            what,
            series,
            self.codec(low, 1.1 * high, decimals),
            faithful=factor != 1.0 or (what == "damped" and self.noise == 0.0),
        )
        point.factor = factor
        return point

    def _setpoint(self, shown: Series) -> Point:
        """What something is to be: often changed from one look to the other, and quiet."""
        random = self.random
        rows = [random.uniform(0.05, 1.0) * self.high for _ in range(2)]
        if random.random() < 0.5:
            rows[1] = rows[0]
        series = [[float(round(row, random.choice((0, 1))))] * self.steps for row in rows]
        return self.point("setpoint", series, self.codec(0.0, 1.1 * self.high, self.decimals))

    def _counter(self, shown: Series) -> Point:
        random = self.random
        kind, order = random.choice(("u16", "u32", "u32", "u64")), self.order or random.choice(ORDERS)
        start, rate = random.randrange(0, 60000), random.choice((0.2, 1.0, 4.0, 50.0))
        gap = random.uniform(60.0, 1800.0)

        def words(look: int, step: int) -> list[int]:
            count = int(start + rate * (look * gap + step * STEP_S))
            return encode(kind, order, float(count & 0xFFFF) if kind == "u16" else float(count))

        return Point("counter", words)

    def _total(self, shown: Series) -> Point:
        random = self.random
        start, gap = random.uniform(0.0, 90000.0), random.uniform(120.0, 1800.0)
        codec = Codec(
            random.choice(("u32", "i32", "f32", "f64")),
            self.order or random.choice(ORDERS),
            random.choice((1.0, 0.1, 0.01)),
            0.0,
        )
        rates = [values[0] / 3600.0 for values in shown]

        def words(look: int, step: int) -> list[int]:
            return codec.words(start + look * gap * abs(rates[0]) + abs(rates[look]) * step * STEP_S)

        return Point("total", words)

    def _bits(self, shown: Series) -> Point:
        random = self.random
        base, by_load = random.getrandbits(16), random.getrandbits(16) & random.getrandbits(16)
        blink = 1 << random.randrange(16) if random.random() < 0.4 else 0

        def words(look: int, step: int) -> list[int]:
            return [base ^ (by_load if look else 0) ^ (blink if step // 4 % 2 else 0)]

        return Point("bits", words)

    def _constant(self, shown: Series) -> Point:
        random = self.random
        choice = random.random()
        if choice < 0.5:
            fixed = [random.choice((0, 0, 0, 1, 1, 2, 10, 100, 1000, 0xFFFF, 0x8000, random.getrandbits(16)))]
        else:
            fixed = self.codec(0.0, self.high, self.decimals).words(random.uniform(0.0, self.high))
        return Point("constant", lambda look, step: fixed)

    def _text(self, shown: Series) -> Point:
        letters = "ABCDEFGHIKLMNOPRSTUVWX 0123456789-."
        data = "".join(self.random.choice(letters) for _ in range(8)).encode()
        fixed = [int.from_bytes(data[at : at + 2], "big") for at in range(0, 8, 2)]
        return Point("text", lambda look, step: fixed)

    def _noise_word(self, shown: Series) -> Point:
        values = [[self.random.getrandbits(16) for _ in range(self.steps)] for _ in range(2)]
        return Point("noise", lambda look, step: [values[look][step]])


def _peaks(shown: Series) -> Series:
    """The greatest value so far."""
    top, found = -math.inf, []
    for values in shown:
        row = []
        for value in values:
            top = max(top, value)
            row.append(top)
        found.append(row)
    return found


def whole_range(drawn: Map) -> list[float]:
    """Values over the instrument's whole range."""
    return [drawn.low + (drawn.high - drawn.low) * at / 200.0 for at in range(201)]
