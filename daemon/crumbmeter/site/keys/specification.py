"""Keys of a specification profile (config/specifications/). Its lines are named in qc/specification.py."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from crumbmeter.site.keys.base import Keys, Name, Text

Status = Literal["confirmed", "from memory", "not specified"]
Note = Annotated[str, StringConstraints(min_length=1, max_length=400)]
Figure = Annotated[float, Field(ge=0, le=1e6)]


class ProfileHeadKeys(Keys):
    """What a profile is and what it was made of."""

    id: Name = Field(description="Id of the profile; its file has the same name.")
    title: Text = Field(description="Name of the profile for people.")
    documents: Annotated[tuple[Note, ...], Field(min_length=1, strict=False)] = Field(
        description="The public texts it was made of."
    )
    note: Note | None = Field(default=None, description="What must be known when it is used.")


class AskedKeys(Keys):
    """One thing that the text asks for, or is silent about."""

    value: bool | Figure | None = Field(
        default=None, description="In the unit that the line's key ends with, or true. Left out: not specified."
    )
    section: Note = Field(description="Document and section.")
    status: Status = Field(description="How sure the line is.")
    note: Note | None = Field(default=None, description="What the figure does not say.")


class TestKeys(Keys):
    """A limit of a laboratory figure."""

    test: Literal["hamburg", "fracture energy", "ct index", "binder content", "gradation", "air voids"] = Field(
        description="The test."
    )
    figure: Annotated[str, StringConstraints(min_length=1, max_length=60)] = Field(
        description="Key of the figure, with its unit, as results have it."
    )
    bound: Literal["at_least", "at_most", "above"] = Field(description="How the figure is held against the limit.")
    limit: Annotated[float, Field(ge=-1e6, le=1e6)] = Field(description="In the unit of the figure.")
    when: Note | None = Field(default=None, description="To which mixes it applies; left out: all.")
    section: Note = Field(description="Document and section.")
    status: Literal["confirmed", "from memory"] = Field(description="How sure the limit is.")


class FieldKeys(Keys):
    """A field of the production log."""

    name: Text = Field(description="What is to be logged.")
    section: Note = Field(description="Document and section.")
    status: Status = Field(description="How sure it is that the text wants it.")
