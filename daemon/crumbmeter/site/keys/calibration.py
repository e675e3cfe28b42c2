"""Keys of the file of calibration limits (config/calibration-limits.toml)."""

from typing import Annotated, Literal

from pydantic import Field

from crumbmeter.site.keys.base import Keys
from crumbmeter.site.keys.specification import Note, Status


class LimitKeys(Keys):
    """One limit of one kind of calibration."""

    regime: Literal["agency", "legal_for_trade"] = Field(
        description="An agency's limit for proportioning, or the law's for a scale that is legal for trade."
    )
    kind: Literal[
        "belt scale zero test", "belt scale simulated load test", "belt scale material test", "feeder catch test",
        "feeder loss-in-weight run", "load cell check", "load cell shift test", "binder meter calibration",
    ] = Field(description="Kind of calibration.")  # fmt: skip
    what: Literal[
        "error_percent", "spread_percent", "trials_at_least", "due_days", "linearity_percent", "repeatability_percent",
        "hysteresis_percent", "zero_return_percent",
    ] = Field(description="What is limited.")  # fmt: skip
    value: Annotated[float, Field(gt=0, le=10_000)] | None = Field(
        default=None, description="In the unit that `what` ends with. Left out: not specified, nothing is judged by it."
    )
    section: Note = Field(description="Document and section.")
    status: Status = Field(description="How sure the limit is.")
    note: Note | None = Field(default=None, description="What the figure does not say.")
