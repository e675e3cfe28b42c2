"""A row of the record with what was in force then: what one record of the production log is made of."""

from collections.abc import Mapping

from crumbmeter.ledger.rows import NamedRow
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.quality import Quality


@dataclass(frozen=True, slots=True)
class LogRow:
    """One second of the record."""

    named: NamedRow
    mix_id: str | None
    """Mix that made up most of what passed the injection point; None: not known."""
    moistures: Mapping[str, float]
    """Water by stream as a fraction of DRY mass, where an entry took the place of the settings' figure."""
    batch: Parcel | None = None
    """At a batch plant the newest batch; else None."""

    @property
    def mono_us(self) -> int:
        """[us] Return its process time."""
        return self.named.stored.mono_us

    @property
    def boot_id(self) -> str:
        """Return the run of the daemon that wrote it."""
        return self.named.stored.boot_id

    def value(self, column: str | None) -> float | None:
        """Return a value in SI; None where it is Bad or there is none."""
        return None if column is None else self.named.value(column)

    def quality(self, column: str | None) -> Quality:
        """Return the quality of a value; Good where the site has no such signal: then nothing is missing."""
        names = self.named.layout.columns
        return Quality.GOOD if column not in names else self.named.row.qualities[names.index(column)]
