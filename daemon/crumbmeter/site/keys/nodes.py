"""Keys of the profile of a device that speaks OPC UA, and of how its connection is protected."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from crumbmeter.site.keys.base import Keys, Name, Text
from crumbmeter.site.keys.profile import RawInteger

NODE_PATTERN = (
    r"^(i=[0-9]{1,10}|s=.{1,400}|g=[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}|b=[A-Za-z0-9+/]{1,400}={0,2})$"
)
VARIABLE_PATTERN = r"^[A-Z_][A-Z0-9_]{0,79}$"
NodeText = Annotated[str, StringConstraints(pattern=NODE_PATTERN)]
FileName = Annotated[str, StringConstraints(min_length=1, max_length=400)]


class NodeKeys(Keys):
    """One node of the server: `value = scale * raw + offset` in `unit`."""

    node: NodeText = Field(
        description="Its identifier in the profile's namespace, as OPC UA writes it: `s=` a text, `i=` a number, `g=` "
        "a GUID, `b=` bytes in base 64."
    )
    type: Literal["boolean", "int16", "uint16", "int32", "uint32", "int64", "uint64", "float", "double"] = Field(
        description="Its built-in type. A value of another type is Bad, and is never converted; it is written as this."
    )
    scale: Annotated[float, Field(ge=-1e9, le=1e9)] = Field(default=1.0, description="Units per raw count. Not 0.")
    offset: Annotated[float, Field(ge=-1e9, le=1e9)] = Field(default=0.0, description="Value at raw 0, in the unit.")
    unit: str = Field(
        description="Unit of the scaled value, from the closed list at the end of the reference. A `boolean` is a "
        "`contact`."
    )
    sentinels: Annotated[tuple[RawInteger, ...], Field(strict=False)] = Field(
        default=(),
        description="Raw numbers (for float and double: bit patterns) by which the device says that it has no value.",
    )
    inverted: bool = Field(default=False, description="Only for `boolean`: false means true.")
    writable: bool = Field(default=False, description="Whether an output may name it.")


class NodeProfileKeys(Keys):
    """The nodes of one kind of OPC UA server, and the only place where node ids stand."""

    profile: Name = Field(description="Its name, the same as the name of the file.")
    title: Text = Field(description="What kind of device it is, for people.")
    protocol: Literal["opcua"] = Field(description="`opcua`.")
    namespace: Annotated[str, StringConstraints(min_length=1, max_length=400)] = Field(
        description="URI of the namespace of all its nodes. Never an index: that may change whenever the server "
        "starts, and is looked up at every connection."
    )
    max_nodes: Annotated[int, Field(ge=1, le=1000)] = Field(default=100, description="Most nodes in one read request.")
    registers: dict[Name, NodeKeys] = Field(min_length=1, description="The values, by name.")


class SecurityKeys(Keys):
    """How the connection to an OPC UA server is protected. Files are read anew at every connection."""

    policy: Literal["none", "basic256sha256"] = Field(
        description="`none`: nothing is signed, nothing encrypted. `basic256sha256`: the OPC UA policy of that name."
    )
    mode: Literal["sign", "sign_and_encrypt"] | None = Field(
        default=None, description="Whether messages are also encrypted. Not for policy `none`."
    )
    certificate: FileName | None = Field(
        default=None,
        description="Our own certificate, DER or PEM; `crumbmeter opcua-certificate` makes one. Not for policy `none`.",
    )
    private_key: FileName | None = Field(default=None, description="Its key, PEM or DER. Not for policy `none`.")
    server_certificate: FileName | None = Field(
        default=None,
        description="The one certificate that the server may show: got from it by another way than this connection. "
        "Not for policy `none`.",
    )
    user: Text | None = Field(default=None, description="User name; anonymous if left out.")
    password_file: FileName | None = Field(
        default=None,
        description="File that holds the password and nothing else. The password itself never stands here.",
    )
    password_variable: Annotated[str, StringConstraints(pattern=VARIABLE_PATTERN)] | None = Field(
        default=None, description="Or the variable of the environment that holds it."
    )
