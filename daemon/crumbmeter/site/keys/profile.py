"""Keys of a device profile: the register map of one kind of device, and the only place where register numbers stand."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from crumbmeter.site.keys.base import Keys, Name, Text

AddressText = Annotated[str, StringConstraints(pattern=r"^(0x[0-9A-Fa-f]{1,4}|[0-9]{1,6})$")]
RawInteger = Annotated[int, Field(ge=-(2**63), le=2**64 - 1)]


class RegisterKeys(Keys):
    """One value in the device: `value = scale * raw + offset` in `unit`."""

    table: Literal["coil", "discrete", "input", "holding"] = Field(description="Which of the four Modbus tables.")
    address: Annotated[int, Field(ge=0, le=465536)] | AddressText = Field(
        description='In the profile\'s notation; `hex` takes text such as "0x0010".'
    )
    type: Literal["bit", "u16", "i16", "u32", "i32", "f32", "f64"] = Field(
        description="How words make the number. Tables of bits take `bit` only."
    )
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] | None = Field(
        default=None, description="Bytes as they come over the wire, A the most significant; ABCD if left out."
    )
    bit: Annotated[int, Field(ge=0, le=15)] | None = Field(
        default=None,
        description="Which bit of a register, 0 the least significant. Only for `bit` in input or holding.",
    )
    scale: Annotated[float, Field(ge=-1e9, le=1e9)] = Field(default=1.0, description="Units per raw count. Not 0.")
    offset: Annotated[float, Field(ge=-1e9, le=1e9)] = Field(default=0.0, description="Value at raw 0, in the unit.")
    unit: str = Field(description="Unit of the scaled value, from the closed list at the end of the reference.")
    sentinels: Annotated[tuple[RawInteger, ...], Field(strict=False)] = Field(
        default=(), description="Raw numbers (bit patterns, for floats) by which the device says that it has no value."
    )
    inverted: bool = Field(default=False, description="Only for `bit`: 0 means true.")
    writable: bool = Field(
        default=False, description="Whether an output may name it. Only coils and holding registers."
    )


class ProfileKeys(Keys):
    """A register map, and how much the device takes in one request."""

    profile: Name = Field(description="Its name, the same as the name of the file.")
    title: Text = Field(description="What kind of device it is, for people.")
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
    registers: dict[Name, RegisterKeys] = Field(min_length=1, description="The values, by name.")
