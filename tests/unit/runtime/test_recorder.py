"""What the recorder writes at once, and what waits for its time."""

from dataclasses import replace

from crumbmeter.journal.entry import Appendable, Entry
from crumbmeter.model.commands import CommandKind
from crumbmeter.runtime.recorder import TOTALS_S, Recorder
from tests.cores import Bench, command
from tests.unit.outward.samples import scan


class Desk:
    """The small plant with a recorder behind it."""

    def __init__(self) -> None:
        self.bench = Bench()
        self.entries: list[Appendable] = []
        self.recorder = Recorder(self.bench.params, self.entries.extend, clock_synced=True)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.2)):
            self.scan()

    def scan(self, kind: CommandKind | None = None, value: float = 0.0) -> list[str]:
        """Scan once; return the kinds of entries that were written."""
        self.entries.clear()
        asked = () if kind is None else (command(kind, value=value),)
        result = self.bench.scan(*asked)
        done = replace(
            scan(), began_s=self.bench.now_s, dt_s=result.dt_s, image=result.shown.image, commands=asked,
            events=result.events, parcels=result.parcels, view=result.view,
        )  # fmt: skip
        self.recorder.take(done, result)
        return [entry.kind for entry in self.entries if isinstance(entry, Entry)]


def test_totals_are_kept_at_once_when_the_drum_was_dumped() -> None:
    desk = Desk()
    assert "totals" in desk.scan()
    desk.run(TOTALS_S - 10.0)
    desk.bench.values["drum_turning"] = 0.0
    desk.run(1.0)
    assert "totals" not in desk.scan()
    kinds = desk.scan(CommandKind.DRUM_DUMPED, 0.5)
    assert kinds.index("event") < kinds.index("totals")
    assert "totals" not in desk.scan()
