"""Keys of a quality plan: how this plant's mix is cut into lots, judged, stored and reported.

It is a file of its own: QC may change it without touching what control was enabled for. What was recorded never changes
with it; reports say which plan they were made with.
"""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, StringConstraints

from crumbmeter.site.keys.base import Choice, Keys, Name, Text, choice

CLOCK_PATTERN = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"
TOPIC_PATTERN = r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$"
Clock = Annotated[str, StringConstraints(pattern=CLOCK_PATTERN)]
Tonne = Annotated[float, Field(gt=0, le=100_000)] | None


class PlaceKeys(Keys):
    """What stands at the head of every report."""

    project: Text | None = Field(default=None, description="Project or contract that the mix is made for.")
    location: Text | None = Field(default=None, description="Where the plant stands.")
    additive: Text | None = Field(default=None, description="What is fed, as the log of the agency wants it named.")
    brand: Text | None = Field(default=None, description="Its brand, where the agency wants it.")
    logo: Text | None = Field(
        default=None, description="SVG or PNG file for the head of a report. A relative path starts at this file."
    )


class CalendarKeys(Keys):
    """Days and shifts."""

    time_zone: Text = Field(default="UTC", description="Time zone by its IANA name, such as America/Denver.")
    day_begins: Clock = Field(default="00:00", description="Clock time at which a production day begins.")
    shift_begins: Annotated[tuple[Clock, ...], Field(strict=False)] = Field(
        default=(), description="Clock times at which shifts begin; none: no shifts."
    )


class LotKeys(Keys):
    """How mix is cut into lots and sublots. A boundary falls at the end of a parcel."""

    by: Literal["mass", "day", "mix"] = Field(
        default="day", description="A lot ends when it has its mass, with the production day, or where the mix changes."
    )
    lot_tonne: Tonne = Field(default=None, description="Size of a lot by mass.")
    lot_short_ton: Tonne = Field(default=None, description="The same in short tons.")
    sublot_tonne: Tonne = Field(default=None, description="Size of a sublot; 500 t where nothing is said.")
    sublot_short_ton: Tonne = Field(default=None, description="The same in short tons.")

    choices: ClassVar[dict[str, Choice]] = {
        "lot": choice(False, lot_tonne="tonne", lot_short_ton="short_ton"),
        "sublot": choice(False, sublot_tonne="tonne", sublot_short_ton="short_ton"),
    }


class DeviationKeys(Keys):
    """When mix is a deviation. Left out, it is as the site's tolerance has it for an alarm."""

    within_percent: Annotated[float, Field(gt=0, le=100)] | None = Field(
        default=None, description="Largest error of the rubber in a window, in percent of what was asked for."
    )
    window_tonne: Tonne = Field(default=None, description="Mix over which it is judged.")
    window_short_ton: Tonne = Field(default=None, description="The same in short tons.")

    choices: ClassVar[dict[str, Choice]] = {
        "window": choice(False, window_tonne="tonne", window_short_ton="short_ton"),
    }


class SiloKeys(Keys):
    """One silo for hot mix."""

    code: Annotated[int, Field(ge=0, le=65535)] | None = Field(
        default=None, description="Value of the diverter's signal while mix goes into this silo."
    )
    capacity_tonne: Tonne = Field(default=None, description="What it holds.")
    capacity_short_ton: Tonne = Field(default=None, description="The same in short tons.")
    mixing_tonne: Tonne = Field(
        default=None, description="Mix that lies within so much of each other in the silo cannot be told apart."
    )
    mixing_short_ton: Tonne = Field(default=None, description="The same in short tons.")
    travel_s: Annotated[float, Field(ge=0, le=3600)] = Field(
        default=0.0, description="From the drum's outlet to the silo's top."
    )

    choices: ClassVar[dict[str, Choice]] = {
        "capacity": choice(capacity_tonne="tonne", capacity_short_ton="short_ton"),
        "mixing": choice(mixing_tonne="tonne", mixing_short_ton="short_ton"),
    }


class TicketKeys(Keys):
    """How load tickets come in by themselves. They can always be entered or read from a CSV file."""

    mqtt_topic: Annotated[str, StringConstraints(pattern=TOPIC_PATTERN)] | None = Field(
        default=None, description="Topic on the site's broker ([publish.mqtt]) that carries load tickets as JSON."
    )


class BagKeys(Keys):
    """How well the mass on a bag's label is known. Bags of one lot come from one scale and share its error."""

    scale_percent: Annotated[float, Field(gt=0, le=20)] = Field(
        default=0.5, description="Bounds of the error that all bags share (the scale's), in percent. Common practice."
    )
    each_percent: Annotated[float, Field(gt=0, le=20)] = Field(
        default=0.5, description="Bounds of the error of each bag by itself, in percent. Common practice."
    )
    mixing_percent: Annotated[float, Field(ge=0, le=100)] = Field(
        default=20.0, description="Share of the hoppers' content within which rubber of two lots cannot be told apart."
    )


class PropertyKeys(Keys):
    """A property of the mix that is judged by per cent within limits, on samples that were taken at random."""

    test: Literal["hamburg", "fracture energy", "ct index", "binder content", "gradation", "air voids"] = Field(
        description="Test of the laboratory."
    )
    figure: Name = Field(description="Which of its figures (docs/laboratory.md), such as air_voids_percent.")
    figure_low: Annotated[float, Field(ge=-1e6, le=1e6)] | None = Field(default=None, description="Lower limit.")
    figure_high: Annotated[float, Field(ge=-1e6, le=1e6)] | None = Field(default=None, description="Upper limit.")
    decimals: Annotated[int, Field(ge=0, le=6)] = Field(default=2, description="Of the figure in reports.")


class QualityPlanFile(Keys):
    """One quality plan."""

    place: PlaceKeys = Field(default_factory=PlaceKeys, description="What stands at the head of every report.")
    calendar: CalendarKeys = Field(default_factory=CalendarKeys, description="Days and shifts.")
    lots: LotKeys = Field(default_factory=LotKeys, description="Lots and sublots.")
    deviations: DeviationKeys = Field(default_factory=DeviationKeys, description="When mix is a deviation.")
    diverter: Name | None = Field(default=None, description="Signal that tells into which silo mix goes.")
    silos: dict[Name, SiloKeys] = Field(default_factory=dict, description="Silos, by name.")
    tickets: TicketKeys = Field(default_factory=TicketKeys, description="How load tickets come in by themselves.")
    bags: BagKeys = Field(default_factory=BagKeys, description="How well the mass of bags is known.")
    properties: dict[Name, PropertyKeys] = Field(
        default_factory=dict, description="Properties judged by per cent within limits, by name."
    )
    pay: Text | None = Field(
        default=None, description="File of the pay table for them. A relative path starts at this file."
    )
    specification: Text | None = Field(
        default=None, description="File of the specification that holds here. A relative path starts at this file."
    )
