"""What goes over the API about quality, as models."""

from typing import Annotated, Any

from pydantic import AfterValidator, ConfigDict, Field, StringConstraints, WithJsonSchema

from crumbmeter.report.forms import FORM_NAMES
from crumbmeter.web.models import Answer, Request


def _known(name: str) -> str:
    if name not in FORM_NAMES:
        raise ValueError(f"must be one of {', '.join(FORM_NAMES)}")
    return name


LONGEST_FIELD = 100_000
"""[characters] A raw curve of the laboratory is the longest thing that is said."""
FormName = Annotated[str, AfterValidator(_known), WithJsonSchema({"type": "string", "enum": list(FORM_NAMES)})]
Word = Annotated[str, StringConstraints(min_length=1, max_length=40)]
Value = Annotated[str, StringConstraints(max_length=LONGEST_FIELD)]


class QuestionBody(Answer):
    """A question that can be asked."""

    name: str
    title: str
    under: str = Field(description="The question whose answer leads to it; empty: it stands by itself.")
    about: str = Field(description="What it is about, in words; empty: nothing.")
    files: list[str] = Field(description="Formats in which the answer can be taken away.")


class FieldBody(Answer):
    """One field of a form."""

    name: str
    label: str
    kind: str = Field(description="text, number, choice, time, curve or password.")
    unit: str
    choices: list[str]
    required: bool
    help: str
    subject: bool = Field(description="Filled in with what the page is about.")


class FormBody(Answer):
    """A form in which something can be said for the record."""

    name: str
    title: str
    question: str = Field(description="Under which question it is offered.")
    roles: list[str] = Field(description="Who may use it.")
    button: str
    fields: list[FieldBody]


class QualityBody(Answer):
    """Which questions and forms there are."""

    questions: list[QuestionBody]
    forms: list[FormBody]
    today: str = Field(description="Production day of now, ISO 8601.")
    zone: str = Field(description="Time zone of the quality plan.")


class IdentityBody(Answer):
    """One thing that an answer rests on."""

    label: str
    text: str


class AnswerBody(Answer):
    """An answer: a document (docs/reports.md)."""

    model_config = ConfigDict(extra="forbid")

    v: int = Field(description="[1] Version of its form.")
    kind: str
    title: str
    site: str
    period: str
    marks: list[str] = Field(description="SIMULATE where anything in it is simulated.")
    identity: list[IdentityBody]
    blocks: list[dict[str, Any]] = Field(description="facts, table, chart, text or signature.")


class EntryRequest(Request):
    """Something that is said for the record."""

    form: FormName
    fields: Annotated[dict[Word, Value], Field(max_length=30)]


class EntryAnswer(Answer):
    """It is on record."""

    says: str
    seq: int = Field(description="Its entry in the quality record.")


class TicketsRequest(Request):
    """Load tickets as a CSV text."""

    csv: Value


class TicketsAnswer(Answer):
    """What became of load tickets."""

    recorded: list[str]
    known: list[str] = Field(description="On record already, with the same content.")
    problems: list[str]
