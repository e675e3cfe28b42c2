"""The whole site file, put together from its tables."""

from typing import Annotated

from pydantic import Field

from crumbmeter.model.outputs import OutputRole
from crumbmeter.site.keys.base import Keys, Name
from crumbmeter.site.keys.batch import BatchKeys, IngredientKeys
from crumbmeter.site.keys.desk import DeskKeys
from crumbmeter.site.keys.feed import AlarmKeys, FeederKeys, SequenceKeys, ToleranceKeys, TrimKeys
from crumbmeter.site.keys.links import (
    DeviceKeys,
    JournalKeys,
    OutputKeys,
    PublishKeys,
    SignalKeys,
    SocketKeys,
    UnitsKeys,
)
from crumbmeter.site.keys.plant import ControlKeys, DrumKeys, LineKeys, MixKeys, PlantKeys, SiteKeys, StreamKeys
from crumbmeter.site.keys.uncertainty import UncertaintyKeys

ROLES = tuple(role.value for role in OutputRole)


class SiteFile(Keys):
    """One plant with its feeder: everything that the daemon is told."""

    site: SiteKeys = Field(description="What this site is.")
    control: ControlKeys = Field(description="Whether the daemon may ever write.")
    units: UnitsKeys = Field(description="How numbers are shown.")
    devices: Annotated[dict[Name, DeviceKeys], Field(min_length=1)] = Field(description="Modbus devices, by name.")
    signals: Annotated[dict[Name, SignalKeys], Field(min_length=1)] = Field(
        description="Values that are read, by name."
    )
    streams: dict[Name, StreamKeys] = Field(default_factory=dict, description="Drum plant: materials, by name.")
    drum: DrumKeys | None = Field(
        default=None,
        description="Drum plant: the drum from the injection point to its outlet. A site has a drum or batches.",
    )
    ingredients: dict[Name, IngredientKeys] = Field(
        default_factory=dict, description="Batch plant: what its batches are made of, by name."
    )
    batch: BatchKeys | None = Field(
        default=None, description="Batch plant: hand-shake, transfer vessel, charge. A site has a drum or batches."
    )
    line: LineKeys = Field(description="The conveying line.")
    plant: PlantKeys = Field(description="The plant around the feeder.")
    mixes: Annotated[dict[Name, MixKeys], Field(min_length=1)] = Field(description="Mixes, by name.")
    feeder: FeederKeys = Field(description="The loss-in-weight feeder.")
    sequence: SequenceKeys = Field(description="Times of the run sequence.")
    trim: TrimKeys | None = Field(default=None, description="Drum plant: how owed rubber is paid back.")
    tolerance: ToleranceKeys = Field(description="When the dose is out of tolerance.")
    uncertainty: UncertaintyKeys = Field(default_factory=UncertaintyKeys, description="How exactly things are known.")
    alarms: dict[Name, AlarmKeys] = Field(
        default_factory=dict, description="Where this site differs from the alarm catalogue, by alarm."
    )
    outputs: dict[Name, OutputKeys] = Field(
        default_factory=dict, description=f"Registers that may be written, by role: {', '.join(ROLES)}."
    )
    publish: PublishKeys = Field(default_factory=PublishKeys, description="What goes out.")
    socket: SocketKeys = Field(description="The local socket.")
    desk: DeskKeys = Field(default_factory=DeskKeys, description="The desk, which people meet with their browsers.")
    journal: JournalKeys = Field(description="Where the record is kept.")
