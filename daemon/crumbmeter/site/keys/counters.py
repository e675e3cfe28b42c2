"""Keys of a signal that is more than one number: the status of a weight, totalisers, pulse counters."""

from typing import Annotated, Literal

from pydantic import Field

from crumbmeter.site.keys.base import Keys, Name, Ref

Contact = Annotated[Name, Ref("signal", "contact")]
Mark = Annotated[Name, Ref("signal", "contact|count|mass")]
Modulus = Annotated[int, Field(ge=100, le=2**53)]
Highest = Annotated[float, Field(gt=0, le=1e9)]


class StatusKeys(Keys):
    """What a scale says of its weight: signals of the same device, best read in the same request (`atomic_with`)."""

    over: Contact | None = Field(default=None, description="Closed while more lies on it than it weighs: Bad.")
    under: Contact | None = Field(default=None, description="Closed while it is pulled below its range: Bad.")
    mode_weighing: Contact | None = Field(
        default=None, description="Closed while it weighs; open in set-up, test or calibration: Bad."
    )
    setup: Contact | None = Field(
        default=None, description="The other way round: closed while somebody is in its set-up: Bad."
    )
    fault: Contact | None = Field(default=None, description="Closed while its load cells are not in order: Bad.")
    motion: Contact | None = Field(default=None, description="Closed while the weight changes too fast to be stable.")
    in_motion: Literal["good", "uncertain", "bad"] = Field(
        default="good",
        description="What a weight in motion is worth. A loss-in-weight hopper always moves: `good`.",
    )
    net: Contact | None = Field(default=None, description="Closed for net, open for gross. A change is an event.")
    tare_active: Mark | None = Field(
        default=None, description="Tare in effect, or a count of its changes. A change is an event."
    )
    zero: Mark | None = Field(
        default=None, description="Zero correction, or a count of its changes (not the lamp for the centre of zero)."
    )
    decimal_point: Mark | None = Field(default=None, description="Position of the decimal point. A change is an event.")
    calibration_counter: Mark | None = Field(
        default=None, description="Count of changes of the calibration. A change is an event."
    )


class TotaliserKeys(Keys):
    """A counter that totals. Only what it proves is booked; the rest is a gap that a person settles."""

    max_rate_per_h: Highest = Field(
        description="More than this cannot pass in an hour, in the register's unit. Tells a turn over the top from a "
        "reset, and another device from either."
    )
    count: Annotated[float, Field(gt=0, le=1e9)] | None = Field(
        default=None,
        description="What one count stands for, in the register's unit. Left out: the register's scale. Required for "
        "floats.",
    )
    wraps_at: Modulus | None = Field(
        default=None,
        description="Number of counts that it can show; after them comes 0. Left out: as many as its type holds.",
    )
    at_top: Literal["wraps", "stays"] = Field(
        default="wraps", description="What it does after its highest count: `wraps` to 0, or `stays` there."
    )
    resettable: bool = Field(
        default=False,
        description="Somebody can set it to 0. A turn over the top can then no longer be told from a reset.",
    )
    confirm_reads: Annotated[int, Field(ge=2, le=20)] = Field(
        default=3, description="A count that is out of line is believed after so many reads in line with each other."
    )
    rate: Annotated[Name, Ref("signal", "mass_flow")] | None = Field(
        default=None, description="Signal with the rate of the same material; what it comes to is shown beside."
    )


class PulseKeys(Keys):
    """A pulse counter that a rate is made of. `low` and `high` of its signal are in `unit` per second."""

    unit: Literal["kg", "lb", "m", "ft", "rev"] = Field(
        description="What pulses are counted for: mass, length of belt, turns."
    )
    pulses_per_unit: Annotated[float, Field(gt=0, le=1e9)] = Field(description="Pulses for one of it.")
    window_s: Annotated[float, Field(ge=0.5, le=60)] = Field(
        default=5.0, description="The rate is a regression over this time; nothing is shown before it is filled."
    )
    wraps_at: Modulus | None = Field(
        default=None, description="Number of counts after which it begins at 0. Left out: as many as its type holds."
    )
