"""What has to be true before anything is started, and the words for when it is not."""

import socket
import uuid
from pathlib import Path

from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.outward.origin import Names, Origin, si_code
from crumbmeter.site import Site


class StartRefusedError(CrumbmeterError):
    """The daemon does not start; the text says what stands in the way and what to do about it."""


def rate_of(site: Site, wanted: float | None) -> float:
    """[1] Return the process seconds per real second: what is wanted, or else what the site says.

    Raises:
        StartRefusedError: another rate than 1 on a site that is not marked simulated.
    """
    rate = site.clock_rate if wanted is None else wanted
    if rate != 1.0 and not site.params.simulated:
        raise StartRefusedError("the clock can only run faster on a site that is marked simulated")
    return rate


def names_of(site: Site) -> Names:
    """Collect the names behind the indices of a view."""
    params = site.params
    return Names(
        signal_ids=tuple(signal.signal_id for signal in params.signals),
        signal_units=tuple(si_code(source.unit) for source in params.sources),
        output_roles=tuple(spec.role for spec in params.outputs),
        places=tuple(
            (place.block, place.offset, source.register.count)
            for place, source in zip(params.plan.signals, params.sources, strict=True)
        ),
    )


def origin_of(site: Site, boot_id: str) -> Origin:
    """Make the envelope of everything that leaves this process."""
    return Origin(site.params.site_id, boot_id, site.settings_id, site.params.simulated)


def new_boot_id() -> str:
    """Name this run: 32 hexadecimal digits, never the same twice."""
    return uuid.uuid4().hex


def instance_of(boot_id: str) -> int:
    """Make the number of this run for the owner register: 1 to 65535, never 0, which means nobody (REQ-54)."""
    return int(boot_id[:8], 16) % 65535 + 1


def client_id_of(site: Site) -> str:
    """Name this daemon at the broker: site and host, so that a second one is noticed (REQ-54)."""
    return f"crumbmeter-{site.params.site_id}-{socket.gethostname()}"


def clock_is_synchronised() -> bool:
    """Tell whether the machine's clock is synchronised, as far as its time service says so."""
    return Path("/run/systemd/timesync/synchronized").exists() or Path("/run/chrony/chronyd.pid").exists()


def in_words(fault: OSError) -> str:
    """Say what the operating system refused, and for which file."""
    if isinstance(fault, FileExistsError | NotADirectoryError):
        return f"{fault.filename}: a folder is needed here, and this is a file or lies under one"
    if "AF_UNIX" in str(fault):
        return "the local socket's path is longer than the 107 bytes that the kernel takes; choose a shorter folder"
    return f"{fault.filename}: {fault.strerror}" if fault.filename else str(fault.strerror or fault)
