"""Happenings. One name per happening; transitions, never repetitions."""

from crumbmeter.model.frozen import dataclass

type_of_detail = str | float | int | bool | None
Detail = tuple[tuple[str, type_of_detail], ...]


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened in a scan, in words a record can keep for decades."""

    name: str
    """Stable snake_case name, listed in docs/events.md."""
    detail: Detail = ()
    """Key and value pairs; each numeric key ends with its unit."""

    def get(self, key: str) -> type_of_detail:
        """Return the detail of that name, or None."""
        for name, value in self.detail:
            if name == key:
                return value
        return None


def event(name: str, **detail: type_of_detail) -> Event:
    """Make an event with its details in the order given."""
    return Event(name, tuple(detail.items()))
