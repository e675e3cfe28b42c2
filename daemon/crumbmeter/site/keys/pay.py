"""Keys of a pay table: what a per cent within limits is worth. Each agency has its own; none is in the program."""

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from crumbmeter.site.keys.base import Keys, Text

Percent = Annotated[float, Field(ge=0, le=200)]
Source = Annotated[str, StringConstraints(min_length=1, max_length=300)]


class PayRowKeys(Keys):
    """From a per cent within limits upward, to the next row: factor = constant + slope times PWL, or an outcome."""

    from_pwl_percent: Annotated[float, Field(ge=0, le=100)] = Field(description="Lowest PWL of the row.")
    constant_percent: Annotated[float, Field(ge=-1000, le=1000)] | None = Field(
        default=None, description="Of the contract price. Left out: the row has an outcome."
    )
    slope_percent: Annotated[float, Field(ge=-100, le=100)] = Field(
        default=0.0, description="Percent of the price for each percent of PWL."
    )
    outcome: Text | None = Field(default=None, description="What is done instead, such as remove and replace.")


class PayTableKeys(Keys):
    """The head of a pay table."""

    name: Text = Field(description="Its name in reports.")
    source: Source = Field(description="Document and section; for an invented one, that it is.")
    pwl_decimals: Annotated[int, Field(ge=0, le=4)] | None = Field(
        default=0, description="Decimals to which PWL is rounded before it is looked up."
    )
    factor_decimals: Annotated[int, Field(ge=0, le=4)] = Field(default=1, description="Decimals of the factor.")
    rounding: Literal["half to even", "half up"] = Field(
        default="half to even", description="What a 5 exactly becomes."
    )
    least_percent: Percent | None = Field(default=None, description="No factor is below it.")
    most_percent: Percent | None = Field(default=None, description="No factor is above it.")
