"""Keys of the desk: the second process, which people meet with their browsers."""

from typing import Annotated

from pydantic import Field

from crumbmeter.site.keys.base import Keys, Text
from crumbmeter.site.keys.links import Host, Port


class DeskKeys(Keys):
    """Where `crumbmeter desk` serves the operator's page and the API. Left out, all of it is as by default."""

    address: Host = Field(
        default="127.0.0.1",
        description="Address to listen on; 127.0.0.1 keeps it on this machine. Any other needs TLS, or a proxy that "
        "does it.",
    )
    port: Port = Field(default=8480, description="Port to listen on.")
    people: Text = Field(
        default="desk/people.json",
        description="File of the people who may log in; the desk writes it. A relative path starts where the folder "
        "of the record lies.",
    )
    session_h: Annotated[float, Field(ge=0.1, le=168)] = Field(
        default=12.0, description="A login ends after so long, whatever is done."
    )
    tls_certificate: Text | None = Field(
        default=None, description="Certificate file (PEM), with its chain; turns TLS on. Needs `tls_key`."
    )
    tls_key: Text | None = Field(
        default=None, description="File of the certificate's key (PEM), without a passphrase. Needs `tls_certificate`."
    )
    quality_plan: Text | None = Field(
        default=None,
        description="File of the quality plan: lots, silos, calendar, deviations. A relative path starts at this file. "
        "Left out, all of it is as by default.",
    )
    behind_proxy: bool = Field(
        default=False,
        description="`true` states that nobody reaches this address but through a proxy that does TLS. The last entry "
        "of its `X-Forwarded-For` is then taken for the browser's address.",
    )
