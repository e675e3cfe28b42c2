"""A belt keyed by the distance it has moved: material on a belt that stands still stands still.

gate ──────────── [ weigh span ] ─────────────── drum
  │◄ gate_to_scale ►│◄────── scale_to_drum ──────►│
"""

import math
from collections import deque
from random import Random

from crumbmeter_sim.plantfile import BeltTruth

Packet = tuple[float, float, float, float]
"""(stretch of belt that it covers: from [m], to [m]; dry [kg], water [kg])"""


class Belt:
    """Gate, belt, scale. Flows in kg/s, masses in kg."""

    def __init__(self, truth: BeltTruth, step_s: float, random: Random) -> None:
        self.truth = truth
        self.name = truth.name
        self.is_recycle = truth.kind == "recycle"
        self._dt = step_s
        self._random = random
        # What the plant commands
        self.running = False
        self.target_dry_kg_s = 0.0
        self.moisture = truth.moisture_percent / 100.0
        # Faults
        self.frozen = False
        self.gate_shut = False
        self.zero_kg_m = truth.scale.zero_error_kg_m
        # State
        self.speed_m_s = 0.0
        self.gate_kg_s = 0.0
        self._moved_m = 0.0
        self._wander = 0.0
        self._borders: deque[float] = deque()
        self.falling = 0
        """Number of the mix of what falls into the drum: counts up as each border reaches its mouth."""
        self._to_span: deque[Packet] = deque()
        self._on_span: deque[Packet] = deque()
        self._to_drum: deque[tuple[float, float, float, float]] = deque()
        self._span_kg = 0.0
        self._load_kg = 0.0
        self._pending_kg = 0.0
        # Indications
        self.shown_wet_kg_s = 0.0
        self.shown_speed_m_s = 0.0
        self.shown_total_kg = 0.0
        # Sums for the oracle
        self.in_dry_kg = 0.0
        self.in_water_kg = 0.0
        self.out_indicated_kg = 0.0
        scale = truth.scale
        self._at_span_m = truth.gate_to_scale_m - scale.span_m / 2
        self._past_span_m = truth.gate_to_scale_m + scale.span_m / 2
        self._at_drum_m = truth.gate_to_scale_m + truth.scale_to_drum_m
        self._gate_keep = math.exp(-step_s / max(truth.gate_lag_s, 1e-9))
        self._show_keep = math.exp(-step_s / max(scale.filter_s, 1e-9))
        self._wander_keep = math.exp(-step_s / max(truth.variation_time_s, 1e-9))
        self._wander_gain = truth.variation_percent / 100 * math.sqrt(1 - self._wander_keep**2)
        self._gain = 1 + scale.gain_error_percent / 100
        self._entered = 1 + scale.entered_moisture_percent / 100
        self._speed_gain = 1 + scale.speed_error_percent / 100

    @property
    def held_dry_kg(self) -> float:
        """[kg] Dry material that lies on the belt."""
        return math.fsum(p[2] for p in (*self._to_span, *self._on_span)) + math.fsum(p[1] for p in self._to_drum)

    @property
    def held_water_kg(self) -> float:
        """[kg] Water that lies on the belt."""
        return math.fsum(p[3] for p in (*self._to_span, *self._on_span)) + math.fsum(p[2] for p in self._to_drum)

    def change_mix(self) -> None:
        """Let what has not yet passed the middle of the scale be of the next mix."""
        self._borders.append(self._moved_m - self.truth.gate_to_scale_m)

    def step(self) -> tuple[float, float, float]:
        """Move one step; return what falls into the drum: dry [kg], water [kg], indicated dry [kg]."""
        truth, gauss = self.truth, self._random.gauss
        self._wander = self._wander * self._wander_keep + self._wander_gain * gauss(0.0, 1.0)
        self._drive()
        speed = self.speed_m_s
        moved_m = speed * self._dt
        if moved_m > 0.0:
            self._load(moved_m)
            self._moved_m += moved_m
            self._cross_scale()
        noise = gauss(0.0, 1.0)
        true_wet = self._load_kg / truth.scale.span_m * speed
        read = true_wet * self._gain * (1 + truth.scale.noise_percent / 100 * noise) + self.zero_kg_m * speed
        if not self.frozen:
            self.shown_wet_kg_s = self.shown_wet_kg_s * self._show_keep + read * (1 - self._show_keep)
            self.shown_speed_m_s = speed * self._speed_gain * (1 + truth.scale.speed_noise_percent / 100 * noise)
            if self.shown_wet_kg_s > truth.scale.cut_off_kg_s:
                self.shown_total_kg += self.shown_wet_kg_s * self._dt
        else:
            read = self.shown_wet_kg_s
        if moved_m <= 0.0:
            return 0.0, 0.0, 0.0
        if read > truth.scale.cut_off_kg_s:
            self._indicate(read / self._entered * self._dt)
        return self._discharge()

    def _drive(self) -> None:
        truth = self.truth
        if self.running:
            if self.speed_m_s < truth.speed_m_s:
                self.speed_m_s = min(
                    truth.speed_m_s, self.speed_m_s + truth.speed_m_s * self._dt / max(truth.run_up_s, self._dt)
                )
        elif self.speed_m_s > 0.0:
            self.speed_m_s = max(0.0, self.speed_m_s - truth.speed_m_s * self._dt / max(truth.run_down_s, self._dt))
        wanted = self.target_dry_kg_s if self.running and not self.gate_shut else 0.0
        self.gate_kg_s = self.gate_kg_s * self._gate_keep + wanted * (1 - self._gate_keep)
        if not self.running:
            self.gate_kg_s = 0.0

    def _load(self, moved_m: float) -> None:
        truth = self.truth
        if self.gate_kg_s < 1e-3:
            return
        ripple = 1 + self._wander + truth.ripple_percent / 100 * self._random.gauss(0.0, 1.0)
        dry_kg = self.gate_kg_s * max(0.0, ripple) * self._dt * (moved_m / (truth.speed_m_s * self._dt))
        water_kg = dry_kg * self.moisture
        self._to_span.append((self._moved_m, self._moved_m + moved_m, dry_kg, water_kg))
        self.in_dry_kg += dry_kg
        self.in_water_kg += water_kg

    def _cross_scale(self) -> None:
        to_span, on_span = self._to_span, self._on_span
        entry = self._moved_m - self._at_span_m
        while to_span and to_span[0][1] <= entry:
            packet = to_span.popleft()
            on_span.append(packet)
            self._span_kg += packet[2] + packet[3]
        leave = self._moved_m - self._past_span_m
        while on_span and on_span[0][1] <= leave:
            _, place, dry, water = on_span.popleft()
            self._to_drum.append((place, dry, water, self._pending_kg))
            self._pending_kg = 0.0
            self._span_kg = self._span_kg - dry - water if on_span else 0.0
        load = self._span_kg
        if to_span and to_span[0][0] < entry:
            load += _part(to_span[0], entry)
        if on_span and on_span[0][0] < leave:
            load -= _part(on_span[0], leave)
        self._load_kg = load

    def _indicate(self, dry_kg: float) -> None:
        """Tie what the scale says to the material that it says it of; on an empty belt to that stretch of belt."""
        self._pending_kg += dry_kg
        if not self._on_span:
            self._to_drum.append((self._moved_m - self._past_span_m, 0.0, 0.0, self._pending_kg))
            self._pending_kg = 0.0

    def _discharge(self) -> tuple[float, float, float]:
        dry_kg = water_kg = said_kg = 0.0
        to_drum = self._to_drum
        limit = self._moved_m - self._at_drum_m
        while self._borders and self._borders[0] < limit:
            self._borders.popleft()
            self.falling += 1
        while to_drum and to_drum[0][0] <= limit:
            _, dry, water, said = to_drum.popleft()
            dry_kg += dry
            water_kg += water
            said_kg += said
        return dry_kg, water_kg, said_kg


def _part(packet: Packet, border_m: float) -> float:
    """[kg] Return the wet mass of the part of a packet that has passed a border."""
    start, end, dry, water = packet
    return (dry + water) * (border_m - start) / (end - start)
