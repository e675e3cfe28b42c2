"""Values that a test at the plant found, into the site file; the old text and the new one are versions on record."""

from collections.abc import Sequence
from pathlib import Path

from crumbmeter.adapters.clock import machine_pause, machine_wall_us
from crumbmeter.commission.site_values import Change, put_in_place
from crumbmeter.journal.entry import SIMULATED
from crumbmeter.ledger import versions
from crumbmeter.ledger.quality import append
from crumbmeter.site import Site, load


def into_site_file(path: Path, folder: Path, changes: Sequence[Change], found_by: str, who: str) -> str:
    """Put values into the site file; return what a person has to know and do now.

    Args:
        path: The site file.
        folder: Of the quality record, which keeps both versions.
        changes: What changes.
        found_by: What found them, with its entry in the quality record: "calibration 12".
        who: Who confirmed it.

    Raises:
        NotRecordedError: the old version cannot be kept, and the file stays as it is.
        SiteRefusedError: with these values the site would be refused; likewise.
        EditRefusedError: a value cannot be set; likewise.
        OSError: the disk refused; likewise.
    """
    before = load(path)
    _keep(folder, before, f"as it was before {found_by}", who)
    after = put_in_place(path, changes)
    _keep(folder, after, f"{found_by}: {', '.join('.'.join(one.path) for one in changes)}", who)
    return (
        f"{path} is changed. The old one is kept as version {before.settings_id[:12]}: `crumbmeter roll-back` puts it "
        f"back. It is another site now ({after.settings_id[:12]}): start the daemon anew, and control has to be "
        "ENABLED AGAIN."
    )


def _keep(folder: Path, site: Site, reason: str, who: str) -> None:
    """Put a version on record, unless it is the newest one there."""
    known = versions.on_record(folder)
    if known and known[-1].settings_id == site.settings_id:
        return
    files = [(file.name, file.content) for file in site.files]
    kept = versions.said(site.settings_id, files, how="kept", who=who, reason=reason, now_us=machine_wall_us())
    append(folder, [kept], machine_wall_us, machine_pause, flags=SIMULATED if site.params.simulated else 0)
