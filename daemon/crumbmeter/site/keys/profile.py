"""Keys of a device profile: the register map of one kind of device, and the only place where register numbers stand."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from crumbmeter.site.keys.base import Keys, Name, Text

AddressText = Annotated[str, StringConstraints(pattern=r"^(0x[0-9A-Fa-f]{1,4}|[0-9]{1,6})$")]
RawInteger = Annotated[int, Field(ge=-(2**63), le=2**64 - 1)]


AddressKey = Annotated[int, Field(ge=0, le=465536)] | AddressText
Pair = Annotated[tuple[AddressKey, ...], Field(strict=False, min_length=2, max_length=2)]
Pairs = Annotated[tuple[Pair, ...], Field(strict=False)]
Point = Annotated[float, Field(ge=-1e12, le=1e12)]


class RegisterKeys(Keys):
    """One value in the device: `value = scale * raw + offset` in `unit`."""

    table: Literal["coil", "discrete", "input", "holding"] = Field(description="Which of the four Modbus tables.")
    address: AddressKey = Field(description='In the profile\'s notation; `hex` takes text such as "0x0010".')
    type: Literal[
        "bit", "u16", "i16", "u32", "i32", "u64", "i64", "f32", "f64", "bcd16", "bcd32", "sm16", "sm32", "text"
    ] = Field(
        description="How words make the number; `bcd` is decimal digits, `sm` sign and magnitude. Tables of bits take "
        "`bit` only. A `text` says what a device is and is never a signal."
    )
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] | None = Field(
        default=None,
        description="Bytes as they come over the wire, A the most significant; ABCD if left out. For 64 bits the "
        "pattern goes on: CDAB is GHEFCDAB, BADC is BADCFEHG, DCBA is HGFEDCBA.",
    )
    bit: Annotated[int, Field(ge=0, le=15)] | None = Field(
        default=None,
        description="Which bit of a register, 0 the least significant. Only for `bit` in input or holding.",
    )
    mask: Annotated[int, Field(ge=1, le=2**64 - 1)] | None = Field(
        default=None,
        description="Only these bits, side by side, are the value: 0x0FF0 takes eight. In a signed type the topmost of "
        "them is the sign. For u and i types.",
    )
    characters: Annotated[int, Field(ge=1, le=240)] | None = Field(
        default=None, description="Only for `text`: its length, two characters a register."
    )
    scale: Annotated[float, Field(ge=-1e9, le=1e9)] = Field(default=1.0, description="Units per raw count. Not 0.")
    offset: Annotated[float, Field(ge=-1e9, le=1e9)] = Field(default=0.0, description="Value at raw 0, in the unit.")
    raw_low: Point | None = Field(
        default=None, description="Scaling by two points, in place of `scale` and `offset`: raw count at the lower one."
    )
    raw_high: Point | None = Field(default=None, description="Raw count at the upper point.")
    eng_low: Point | None = Field(default=None, description="Value at the lower point, in the unit.")
    eng_high: Point | None = Field(default=None, description="Value at the upper point, in the unit.")
    live_zero: bool = Field(
        default=False,
        description="A 4-20 mA loop behind an I/O block: `raw_low` is the count at 4 mA, `raw_high` at 20 mA. Up to "
        "3.6 mA and from 21 mA on it is Bad, sensor failure (NAMUR NE 43); outside 3.8 to 20.5 mA Uncertain.",
    )
    scale_register: Name | None = Field(
        default=None,
        description="Register of this profile that holds a power of ten by which the device scales the value at the "
        "moment (-9 to 9). It is always read in the same request.",
    )
    decimals_register: Name | None = Field(
        default=None,
        description="Like `scale_register`, but it counts the digits after the decimal point (0 to 9): 2 means a "
        "hundredth.",
    )
    atomic_with: Annotated[tuple[Name, ...], Field(strict=False)] = Field(
        default=(),
        description="Registers of this profile, such as a status, that are worth something only from the same instant. "
        "All are read in one request, in one another's company always.",
    )
    unit: str | None = Field(
        default=None,
        description="Unit of the scaled value, from the closed list at the end of the reference. Required, except for "
        "a text.",
    )
    sentinels: Annotated[tuple[RawInteger, ...], Field(strict=False)] = Field(
        default=(),
        description="Raw numbers (for floats, bcd and sm: bit patterns) by which the device says that it has no value.",
    )
    inverted: bool = Field(default=False, description="Only for `bit`: 0 means true.")
    writable: bool = Field(
        default=False, description="Whether an output may name it. Only coils and holding registers."
    )


class ForbiddenKeys(Keys):
    """Addresses that no request may touch, by table, as pairs [first, last] in the profile's notation."""

    coil: Pairs = Field(default=(), description="Among the coils.")
    discrete: Pairs = Field(default=(), description="Among the discrete inputs.")
    input: Pairs = Field(default=(), description="Among the input registers.")
    holding: Pairs = Field(default=(), description="Among the holding registers.")


class ProfileKeys(Keys):
    """A register map, and how much the device takes in one request."""

    profile: Name = Field(description="Its name, the same as the name of the file.")
    title: Text = Field(description="What kind of device it is, for people.")
    protocol: Literal["modbus", "opcua"] = Field(
        default="modbus", description="`modbus`. A profile that says `opcua` has the keys of an OPC UA profile."
    )
    notation: Literal["offset", "modicon5", "modicon6", "hex"] = Field(
        description="How addresses are written: `offset` counts from 0 as on the wire; `modicon5` (40101) and "
        "`modicon6` (400101) count from 1 after the digit of the table; `hex` is an offset as text."
    )
    max_words: Annotated[int, Field(ge=1, le=125)] = Field(
        default=125, description="Largest count of registers in one read (Modbus allows 125)."
    )
    max_bits: Annotated[int, Field(ge=1, le=2000)] = Field(
        default=2000, description="Largest count of bits in one read (Modbus allows 2000)."
    )
    max_gap: Annotated[int, Field(ge=0, le=124)] = Field(
        default=0, description="Addresses that nobody asked for and one read may cross; 0 for devices with holes."
    )
    one_per_request: bool = Field(
        default=False,
        description="Ask for every value, with what belongs to it, by itself: for devices that mix up longer reads.",
    )
    forbidden: ForbiddenKeys = Field(
        default=ForbiddenKeys(),
        description="Holes, and registers that do something when they are read. May be left out.",
    )
    registers: dict[Name, RegisterKeys] = Field(min_length=1, description="The values, by name.")
