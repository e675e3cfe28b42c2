"""The view, as a model: what control sends and the stream carries. Used for the document, and to check it in tests.

Control may send more keys than stand here (a newer one, or a batch plant); they are passed on as they are.
"""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from crumbmeter.web.models import Link


class Part(BaseModel):
    """A part of the view."""

    model_config = ConfigDict(extra="allow")


class ReadingBody(Part):
    """A value that is read. It is null exactly when it is Bad."""

    value: float | None
    quality: Literal["Good", "Uncertain", "Bad"]
    reason: str
    age_s: float | None = Field(description="[s] null: it never came.")


class SignalBody(ReadingBody):
    """One signal of the site."""

    signal_id: str
    unit: str


class TotalsBody(Part):
    """Sums, in grams."""

    rubber_g: int
    target_rubber_g: int
    mix_g: int
    mix_with_dose_g: int
    parcels_count: int
    wasted_mix_g: int
    wasted_rubber_g: int


class AlarmBody(Part):
    """An alarm that is not in its normal state."""

    alarm_id: str
    state: str
    since_s: float | None = Field(description="[s] Process time.")
    text: str
    remedy: str
    priority: str
    first_out: bool
    shelf_left_s: float | None = Field(description="[s] Until it comes back by itself.")
    put_aside_by: str
    put_aside_why: str


class PermissiveBody(Part):
    """One condition that the feed needs."""

    name: str
    met: bool | None = Field(description="null: not known, its reading is Bad.")
    why: str


class NarrowedBody(Part):
    """A stage of the chain of constraints that narrowed the setpoint."""

    stage: str
    reason: str


class StreamBody(Part):
    """One material."""

    stream_id: str
    rate_kg_s: ReadingBody
    dry_kg_s: float | None
    moisture_fraction: float | None = Field(description="[1] Of dry mass.")
    at_injection_kg_s: float | None


class DoseBody(Part):
    """The newest tons' dose, with its uncertainty."""

    dose_basis: str
    dose_fraction: float | None
    expanded_fraction: float | None = Field(description="[1] U = k u.")
    coverage_factor: float | None = Field(description="[1] k.")
    mix_kg: float | None
    quality: str
    largest: str
    assumed: list[str]


class WriteBody(Part):
    """How far the write of one output has come."""

    role: str
    stage: str
    requested_words: list[int]
    read_back_words: list[int] | None
    wear_fraction: float
    age_s: float | None


class OutputBody(Part):
    """One output's value."""

    role: str
    unit: str
    value: float | None


class OutputsBody(Part):
    """What control wants written."""

    write_enabled: bool
    stop_now: bool
    values: list[OutputBody]


class TotaliserValue(Part):
    """In the unit of the totaliser."""

    value: float | None


class TotaliserBody(Part):
    """One counter, beside what the rate of the same material comes to."""

    signal_id: str
    unit: str
    open_gaps_count: int
    booked: TotaliserValue
    settled: TotaliserValue
    compared: TotaliserValue
    by_rate: TotaliserValue


class TripBody(Part):
    """How long the feeder goes on when the heartbeat stands."""

    measuring: bool
    trip_s: float | None
    resolution_s: float
    why: str


class LineBody(Part):
    """What the watch over the conveying line says."""

    diagnosis: str
    expected_pa: float | None
    spread_pa: float | None
    load_kg: float | None
    soonest_s: float | None
    latest_s: float | None


class SupplyBody(Part):
    """What rubber there is, and what the job still takes. Null: not known, or nobody said."""

    hopper_empty_in_s: float | None = Field(description="[s] Until the weigh hopper is at its low level, unfilled.")
    empty_in_s: float | None = Field(description="[s] The same with what the supply holds.")
    here_kg: float | None
    planned_mix_kg: float | None = Field(description="[kg] Mix with rubber that the job is to have.")
    left_mix_kg: float | None
    takes_kg: float | None = Field(description="[kg] Rubber that the rest of the job takes.")
    bags_to_load_count: int | None
    bags_loaded_count: int
    bags_kg: float | None
    bag_lot: str
    wasted_mix_kg: float | None


class OrderBody(Part):
    """What people last asked of the run, and was done."""

    kind: str
    who: str
    age_s: float | None


class NoteBody(Part):
    """The last note that was left for the next shift."""

    text: str
    who: str
    age_s: float | None


class ViewBody(Part):
    """The newest scan whole, in SI, and how the link to control is (docs/socket.md, docs/mqtt.md)."""

    site_id: str
    boot_id: str
    settings_id: str
    simulated: bool
    seq: int
    wall_time: str = Field(description="UTC, ISO 8601.")
    process_time_s: float | None
    valid_for_s: float | None
    scan_age_s: float | None = Field(description="[s] When control sent it.")
    run_state: str
    run_reason: str
    control_enabled: bool
    in_service: bool
    mix_id: str
    mix_at_injection: str
    dose_basis: str
    dose_target_fraction: float | None
    mix_rate_kg_s: float | None
    wanted_kg_s: float | None
    setpoint_kg_s: float | None
    fed_kg_s: ReadingBody
    fed_uncertainty_kg_s: float | None = Field(description="[kg/s] Standard uncertainty (k=1).")
    feed_factor_kg_rev: float | None
    learning: bool
    auger_speed_rev_s: ReadingBody
    hopper_mass_kg: ReadingBody
    supply_mass_kg: ReadingBody
    line_pressure_pa: ReadingBody
    window_dose_fraction: float | None
    window_error_fraction: float | None
    feed_error_fraction: float | None
    look_ahead_error_fraction: float | None
    dose_uncertainty: DoseBody | None
    owed_kg: float | None
    totals: TotalsBody
    job: TotalsBody
    supply: SupplyBody
    order: OrderBody
    note: NoteBody
    alarm_flood: bool
    narrowed: list[NarrowedBody]
    permissives: list[PermissiveBody]
    alarms: list[AlarmBody]
    streams: list[StreamBody]
    signals: list[SignalBody]
    outputs: OutputsBody
    writes: list[WriteBody]
    totalisers: list[TotaliserBody]
    trip: TripBody
    line: LineBody
    link: Link
