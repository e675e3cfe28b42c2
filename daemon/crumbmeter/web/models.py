"""What goes over the API, as models: /api/openapi.json is made of them. Names of quantities end with their unit."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema

from crumbmeter.web.actions import OFFERED
from crumbmeter.web.door import LONGEST, SHORTEST
from crumbmeter.web.people import NAME_PATTERN, Role


def _known(kind: str) -> str:
    if kind not in OFFERED:
        raise ValueError(f"must be one of {', '.join(OFFERED)}")
    return kind


PersonName = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
Typed = Annotated[str, StringConstraints(max_length=LONGEST)]
NewPassword = Annotated[str, StringConstraints(min_length=SHORTEST, max_length=LONGEST)]
Kind = Annotated[str, AfterValidator(_known), WithJsonSchema({"type": "string", "enum": sorted(OFFERED)})]
Note = Annotated[str, StringConstraints(max_length=200)]


class Answer(BaseModel):
    """Something that the desk says."""

    model_config = ConfigDict(extra="forbid")


class Request(BaseModel):
    """Something that is asked for. Unknown keys are refused, and a text is never taken for a number."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class Fault(Answer):
    """Why a request was not carried out."""

    place: str = Field(description="Key, path or thing that it is about.")
    found: str = Field(description="What was found there.")
    expected: str = Field(description="What was expected.")
    remedy: str = Field(description="What to do.")


class Refused(Answer):
    """Body of every answer that is not a success."""

    error: Fault


class Link(Answer):
    """How the desk's link to control is."""

    up: bool = Field(description="A view has come within 3 s.")
    silent_s: float = Field(description="[s] How long no view has come.", ge=0)


class Health(Answer):
    """That the desk is there."""

    desk: Literal["up"]
    link: Link


class LoggedOut(Answer):
    """Nobody is logged in."""

    who: None


class LoggedIn(Answer):
    """Who is logged in, in this browser."""

    who: str
    role: Role
    token: str = Field(description="Goes into the header X-Crumbmeter-Token of everything that changes something.")
    ends_in_s: float = Field(description="[s] The session lasts no longer than this.", ge=0)
    must_change_password: bool = Field(description="Nothing else can be done before.")


class Login(Request):
    """Name and password."""

    name: Annotated[str, StringConstraints(max_length=64)]
    password: Typed


class PasswordChange(Request):
    """Another password of one's own."""

    old: Typed
    new: NewPassword


class PersonBody(Answer):
    """One who may log in."""

    name: str
    role: Role
    must_change_password: bool = Field(description="Has a one-time password that was not used yet.")


class NewPerson(Request):
    """Somebody who is to be let in."""

    name: PersonName
    role: Annotated[Role, Field(strict=False)]


class OneTimePassword(Answer):
    """A password that is shown this once."""

    name: str
    password: str = Field(description="To be changed at the first login.")


class SettingsBody(BaseModel):
    """What control goes by, as far as people need it to read the rest."""

    model_config = ConfigDict(extra="allow")

    site_id: str
    title: str
    settings_id: str = Field(description="SHA-256 over the site file and its profiles.")
    units: Literal["us", "metric"] = Field(description="How numbers are shown to people.")
    simulated: bool
    control_allowed: bool = Field(description="By the site file.")
    mixes: list[str]
    streams: list[str] = Field(description="Materials, by their id.")
    training: bool = Field(description="The plant behind this page is one for practice.")
    zone: str = Field(description="Time zone of the machine that the desk runs on.")
    version: str = Field(description="Of control.")


class LinksBody(BaseModel):
    """Of each device what its requests came to (docs/socket.md)."""

    model_config = ConfigDict(extra="allow")

    links: list[dict[str, object]]


class CardRowBody(Answer):
    """One rate of the plant."""

    mix_kg_s: float = Field(description="[kg/s] Mix without rubber, round in the site's unit.")
    rubber_kg_s: float
    auger_speed_rev_s: float
    possible: bool = Field(description="Whether the feeder can: its highest and its lowest steady speed allow it.")


class CardBody(Answer):
    """What to feed by hand of one mix."""

    mix_id: str
    title: str
    rows: list[CardRowBody]


class CardsBody(Answer):
    """Cards to print, for the day on which no computer feeds; from the same functions as the setpoint."""

    feed_factor_kg_rev: float
    factor_learned: bool = Field(description="By the weight; else it is the site file's.")
    delay_s: float = Field(description="[s] Rubber that is set now reaches the mix so much later.")
    cards: list[CardBody]


class TrendColumns(Answer):
    """Columns of equal length. null: Bad or missing."""

    t_s: list[float] = Field(description="[s] UTC since 1970.")
    target_fraction: list[float | None] = Field(description="[1] Dose asked for, in the mix's own basis.")
    fed_kg_s: list[float | None] = Field(description="[kg/s] Rubber leaving the auger.")
    setpoint_kg_s: list[float | None] = Field(description="[kg/s] Rubber asked of the feeder.")
    mix_rate_kg_s: list[float | None] = Field(description="[kg/s] Mix without rubber passing the injection point.")
    window_dose_fraction: list[float | None] = Field(description="[1] Dose of the last tolerance window.")
    hopper_kg: list[float | None] = Field(description="[kg] In the weigh hopper.")


class TrendBody(Answer):
    """The last minutes. Where thinned: two rows a bucket, with the least and the greatest value, as they came."""

    period_s: float = Field(description="[s] From one row to the next.")
    columns: TrendColumns


class ActionSubject(Answer):
    """What must be named with it."""

    kind: str
    choices: list[str] = Field(description="What it can be now; empty where any text may be given.")


class ActionValue(Answer):
    """The number that must come with it."""

    unit: str = Field(description="SI.")
    low: float
    high: float
    high_by_subject: dict[str, float] = Field(description="Where the most depends on the subject.")


class ActionBody(Answer):
    """One kind of command, and whether the caller may ask for it now. Control decides when it is asked."""

    kind: str
    says: str = Field(description="What it does.")
    role: Role = Field(description="Least role.")
    allowed: bool
    why_not: str = Field(description="Empty where allowed.")
    subject: ActionSubject | None
    value: ActionValue | None
    reason: bool = Field(description="Whether the record must know why.")
    confirm: Literal["none", "ask", "type"] = Field(description="How surely it must be meant.")


class CommandRequest(Request):
    """Something asked of control."""

    kind: Kind = Field(description="As in /api/v1/actions.")
    subject: Note = ""
    value: float | None = Field(default=None, description="In the unit of /api/v1/actions (SI).")
    reason: Note = ""
    since_s: Annotated[float, Field(ge=0, le=86400, description="[s] `set moisture`: so long it has been so.")] = 0.0
    id: Annotated[str, StringConstraints(max_length=64)] = Field(
        default="", description="To know it by; the same id is never done twice. One is made where it is empty."
    )


class Outcome(Answer):
    """The event that names the command."""

    name: str
    detail: dict[str, object]


class CommandAnswer(Answer):
    """What became of it."""

    id: str
    accepted: bool
    why: str
    outcome: Outcome | None = Field(description="null: nothing was heard of it within 3 s.")


class CatalogueAlarm(Answer):
    """One alarm of the catalogue."""

    alarm_id: str
    priority: Literal["low", "medium", "high"]
    text: str
    cause: str = Field(description="What brings it about.")
    consequence: str
    remedy: str = Field(description="What the operator does about it.")
    time_to_act_s: float = Field(description="[s] So long there is before what follows has followed.")
    latches: bool = Field(description="It stays until somebody has reset it.")
