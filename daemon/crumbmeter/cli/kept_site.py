"""The site that a recorded run was made with, built again from the journal's own copy of its files."""

import tempfile
from pathlib import Path

from crumbmeter.journal.reader import Reader
from crumbmeter.ledger import settings
from crumbmeter.model.faults import CrumbmeterError
from crumbmeter.site import Site, load


class SettingsGoneError(CrumbmeterError):
    """The journal no longer holds the settings that a run was made with."""


def kept_site(reader: Reader, settings_id: str) -> Site:
    """Build the site of a run.

    Raises:
        SettingsGoneError: the journal does not hold it any more.
        SiteRefusedError: this version refuses it.
    """
    stored = settings.find(reader, settings_id)
    if stored is None:
        raise SettingsGoneError(f"the journal holds no settings {settings_id[:12]}")
    with tempfile.TemporaryDirectory(prefix="crumbmeter-settings-") as folder:
        for name, content in settings.read(stored).files:
            path = Path(folder) / "sites" / name if "/" not in name else Path(folder) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        site = load(Path(folder) / "sites" / "site.toml")
    if site.params.settings_id != settings_id:
        raise SettingsGoneError(f"the files kept for {settings_id[:12]} make {site.params.settings_id[:12]}")
    return site
