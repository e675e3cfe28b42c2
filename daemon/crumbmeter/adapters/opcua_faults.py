"""Why an exchange with an OPC UA server failed, in words that a person can act on (REQ-50).

Servers and libraries say of most troubles with certificates only that a check failed. So after a failed secure
connection the server is asked, over an open channel and for nothing but that, what it offers and what time it has: a
renewed certificate, a policy that is switched off and a clock that is wrong are then called by their names.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from asyncua import ua
from asyncua.client.client import Client
from asyncua.ua.ua_binary import struct_from_binary
from asyncua.ua.uaerrors import UaError, UaStatusCodeError

from crumbmeter.adapters.clock import machine_wall_us
from crumbmeter.adapters.opcua_patience import within
from crumbmeter.adapters.opcua_security import MODES, security_of
from crumbmeter.field.spec import DeviceSpec

if TYPE_CHECKING:
    from crumbmeter.adapters.opcua_certificates import Certificate

SKEW_S: Final = 300.0
"""[s] Clocks that differ by more are named as a likely cause: servers take requests no older than some minutes."""
_POLICY: Final = "http://opcfoundation.org/UA/SecurityPolicy#Basic256Sha256"
_WORDS: Final = {
    "BadCertificateUntrusted": "the server does not trust our certificate: have it accepted in the server's trust list",
    "BadCertificateTimeInvalid": "the server finds our certificate expired or not yet valid, by its own clock",
    "BadCertificateUriInvalid": "the application URI in our certificate is not the one that we gave",
    "BadCertificateHostNameInvalid": "the host name in the certificate is not the one of the endpoint",
    "BadCertificateUseNotAllowed": "our certificate may not be used for this (crumbmeter opcua-certificate makes one)",
    "BadCertificateRevoked": "our certificate has been revoked at the server",
    "BadUserAccessDenied": "the server does not let this user in, or not this far",
    "BadIdentityTokenRejected": "the server refuses user name and password, or takes no anonymous user",
    "BadIdentityTokenInvalid": "the server refuses user name and password, or takes no anonymous user",
    "BadSecurityChecksFailed": "the server refuses our certificate or cannot read what was encrypted for it",
    "BadTooManySessions": "the server has no session left; ours are closed, so others must hold them",
    "BadTooManySubscriptions": "the server has no subscription left",
    "BadInvalidTimestamp": "the server finds our clock wrong",
}


@dataclass(frozen=True, slots=True)
class Offered:
    """What a server says of itself to anybody."""

    modes: tuple[tuple[str, ua.MessageSecurityMode, bytes], ...]
    """Policy, mode and certificate of each endpoint."""
    skew_s: float
    """[s] Its clock is ahead of this machine's by so much."""


def cause_of(error: Exception) -> str:
    """Name the cause of a fault, as far as the fault itself tells it."""
    if isinstance(error, UaStatusCodeError):
        status = ua.StatusCode(ua.UInt32(error.code))
        return f"{_WORDS.get(status.name, status.doc)} ({status.name})"
    return str(error) or type(error).__name__


async def explain(error: Exception, device: DeviceSpec, server: "Certificate | None") -> str:
    """Name the real cause of a connection that could not be made.

    Args:
        error: What was raised.
        device: Whose connection.
        server: Certificate that the server may show; None: the connection was open, or never came so far.
    """
    plain = cause_of(error)
    if server is None:
        return plain
    try:
        async with within(device.connect_timeout_s):
            offered = await ask_what_is_offered(device)
    except (OSError, UaError, ValueError, TimeoutError):
        return plain
    return judge(plain, device, server, offered)


def judge(plain: str, device: DeviceSpec, server: "Certificate", offered: Offered) -> str:
    """Say what stands between what the site says and what the server offers; else the plain cause, and the clocks."""
    mode = MODES[security_of(device).mode]
    fitting = [shown for policy, offered_mode, shown in offered.modes if (policy, offered_mode) == (_POLICY, mode)]
    if not fitting:
        listed = ", ".join(f"{policy.rpartition('#')[2]} {kind.name}" for policy, kind, _ in offered.modes) or "nothing"
        return f"the server offers no Basic256Sha256 {mode.name}; it offers {listed}"
    if server.der not in fitting:
        from crumbmeter.adapters.opcua_certificates import certificate_of  # noqa: PLC0415 - loaded where it is needed

        shown = certificate_of(fitting[0])
        return (
            f"the server shows another certificate ({shown.subject}, SHA-1 {shown.thumbprint}) than {server.path} "
            f"(SHA-1 {server.thumbprint}): it was renewed, or this is not the server; get the new one by another way"
        )
    if abs(offered.skew_s) > SKEW_S:
        ahead = "ahead of" if offered.skew_s > 0 else "behind"
        apart = f"{abs(offered.skew_s) / 60.0:.0f} min {ahead}"
        return f"{plain}; its clock is {apart} this machine's: set the wrong one right"
    return plain


async def ask_what_is_offered(device: DeviceSpec) -> Offered:
    """Ask a server for its endpoints over an open channel. Raises what the library raises."""
    client = Client(device.endpoint, timeout=device.connect_timeout_s)
    await client.connect_socket()
    try:
        await client.send_hello()
        await client.open_secure_channel()
        protocol = client.uaclient.protocol
        if protocol is None:
            raise ConnectionError("connection lost")
        asked = ua.GetEndpointsRequest()
        asked.Parameters.EndpointUrl = device.endpoint
        answer = struct_from_binary(ua.GetEndpointsResponse, await protocol.send_request(asked))
    finally:
        client.disconnect_socket()
    told: datetime = answer.ResponseHeader.Timestamp
    told = told if told.tzinfo is not None else told.replace(tzinfo=UTC)
    skew_s = told.timestamp() - machine_wall_us() / 1e6
    modes = [(one.SecurityPolicyUri, one.SecurityMode, bytes(one.ServerCertificate or b"")) for one in answer.Endpoints]
    return Offered(tuple(modes), skew_s)
