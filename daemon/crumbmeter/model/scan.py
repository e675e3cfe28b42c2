"""One finished scan as the runtime hands it out. One frozen value: every consumer sees the same scan (R15)."""

from crumbmeter.model.commands import Command
from crumbmeter.model.events import Event
from crumbmeter.model.frozen import dataclass
from crumbmeter.model.image import RawImage
from crumbmeter.model.parcel import Parcel
from crumbmeter.model.view import ScanView


@dataclass(frozen=True, slots=True)
class ScanResult:
    """What went in, what came out, and when."""

    number: int
    """Counts up by one from the start of the process."""
    wall_us: int
    """[us] UTC since 1970 at which the image was latched."""
    due_s: float
    """[s] Process time at which it should have begun."""
    began_s: float
    """[s] Process time at which it began."""
    ended_s: float
    """[s] Process time at which the step and the hand-over to the writer were done."""
    skipped: int
    """Slots of the scan's timetable that this scan came too late for."""
    dt_s: float
    """[s] Process time since the last scan, as given to the step."""
    image: RawImage
    commands: tuple[Command, ...]
    events: tuple[Event, ...]
    parcels: tuple[Parcel, ...]
    view: ScanView
