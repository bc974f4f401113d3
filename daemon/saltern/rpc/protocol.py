"""What travels over the socket: one JSON-RPC 2.0 message a line; methods and their parameters; errors and their codes.

The version is that of this page: a client asks for it with `hello`.
"""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from saltern.errors import ConfigError, InterlockError, SalternError
from saltern.model.calibration import Kind
from saltern.model.commands import COMMANDS, form, shortened
from saltern.model.logbook import Entry
from saltern.rpc.messages import failure

VERSION = 1
LONGEST_TEXT = 500
"""Characters of any text that is sent."""

MOST_IMPORTED = 150
"""Entries of one message; a longer import goes on into the first one's batch."""

MOST_PROBLEMS = 6
"""An answer lists so many mistakes of one call: whoever corrects these sees the rest next time."""

LONGEST_MESSAGE = 65536
"""Bytes of one line; a client that sends more gets an error and is dropped."""

PARSE_ERROR, INVALID_REQUEST, NO_SUCH_METHOD, INVALID_PARAMS = -32700, -32600, -32601, -32602
FAILED, USAGE, REFUSED, BUSY, ASKED = 1, 2, 3, 5, 6
"""Codes of our own errors: the exit codes of the command line, busy, and that somebody must say that it is so."""


class BusyError(SalternError):
    """The bench is at work; what was asked cannot begin."""

    rpc_code = BUSY


class AskedError(SalternError):
    """What was sent is unlikely: it is done when it is sent again with `sure`."""

    rpc_code = ASKED


class ReaderError(SalternError):
    """Who may only read asked for more."""

    rpc_code = FAILED


class Params(BaseModel):
    """Parameters of a method: named, typed, bounded, none unknown; numbers are finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, str_max_length=LONGEST_TEXT)


class Nothing(Params):
    """No parameters."""


class MeasureParams(Params):
    source: Literal["tank", "reference", "new-saltwater", "other"] = "tank"


SaidTime = Annotated[
    str, Field(max_length=40, description="ISO 8601, or as it is said: 'yesterday 9:00', '2 h ago'; the bench's zone")
]
Who = Annotated[str, Field(max_length=60, description="name of the person")]
Sure = Annotated[bool, Field(description="true: what would be asked about is so")]


class LogParams(Params):
    """Without `at` it is now."""

    entry: Entry
    at: SaidTime | None = None
    who: Who = ""
    sure: Sure = False


class LogListParams(Params):
    limit: int = Field(default=20, ge=0, le=200, description="how many, newest by when they happened")


EntryNumber = Annotated[int, Field(ge=1, le=1_000_000_000)]


class LogUndoParams(Params):
    """One entry; of one that was imported, the whole import."""

    number: EntryNumber
    who: Who = ""


class LogCorrectParams(Params):
    """Without `at` it happened when the corrected one did."""

    number: EntryNumber
    entry: Entry
    at: SaidTime | None = None
    who: Who = ""
    sure: Sure = False


class LogRow(Params):
    line: int = Field(ge=1, le=1_000_000, description="of the file, for messages about it")
    at: SaidTime
    entry: Entry


class LogImportParams(Params):
    """Entries that are kept, and undone, as one."""

    rows: list[LogRow] = Field(min_length=1, max_length=MOST_IMPORTED)
    look: bool = Field(default=False, description="true: only say what would be asked about")
    into: EntryNumber | None = Field(default=None, description="the batch that these rows belong to; none: a new one")
    who: Who = ""
    sure: Sure = False


class ConditionParams(Params):
    name: str = Field(min_length=1, max_length=60)
    holds: bool


class OperateParams(Params):
    words: tuple[str, ...] = Field(min_length=1, max_length=4)


AnswerKey = Annotated[str, Field(max_length=80)]
AnswerText = Annotated[str, Field(max_length=60)]


class GuideParams(Params):
    """A guided procedure: its name, its options, answers given beforehand by key, and whose hands do it.

    What the options of each may be, the procedure itself declares: `saltern.running.guided.schemas`.
    """

    procedure: str = Field(min_length=1, max_length=60)
    options: dict[AnswerKey, Any] = Field(default={}, max_length=20)
    answers: dict[AnswerKey, Annotated[list[AnswerText], Field(max_length=50)]] = Field(default={}, max_length=50)
    who: str = Field(default="operator", min_length=1, max_length=60)


class AnswerParams(Params):
    key: AnswerKey
    text: AnswerText


class CalibrationsParams(Params):
    kind: Kind | None = None


class RollBackParams(Params):
    kind: Kind
    number: int | None = Field(default=None, ge=1, le=1_000_000_000, description="none: as the bench file says")
    who: str = Field(default="operator", min_length=1, max_length=60)


class ResultsParams(Params):
    limit: int = Field(default=20, ge=1, le=100, description="how many, newest")


class ScheduleParams(Params):
    count: int = Field(default=10, ge=1, le=100)


class AcknowledgeParams(Params):
    code: str = Field(min_length=1, max_length=80)


class AwayParams(Params):
    days: float = Field(ge=0, le=365, description="0: back again")
    apply: bool = Field(default=True, description="false: only say what it would come to")


METHODS: dict[str, type[Params]] = {
    "hello": Nothing,
    "status": Nothing,
    "follow": Nothing,
    "measure": MeasureParams,
    "stop": Nothing,
    "operate": OperateParams,
    "log": LogParams,
    "log-list": LogListParams,
    "log-undo": LogUndoParams,
    "log-correct": LogCorrectParams,
    "log-import": LogImportParams,
    "condition": ConditionParams,
    "schedule": ScheduleParams,
    "results": ResultsParams,
    "acknowledge": AcknowledgeParams,
    "alert-test": Nothing,
    "away": AwayParams,
    "reload": Nothing,
    "trials": Nothing,
    "guide": GuideParams,
    "answer": AnswerParams,
    "calibrations": CalibrationsParams,
    "roll-back": RollBackParams,
}
"""Method by method, what it takes. `follow` also subscribes to the notifications `step`, `finished`, `alert` and
`reloaded`, and, of guided procedures, `question`, `said`, `seen` and `ended`."""


READING = frozenset({"hello", "status", "follow", "results", "schedule", "trials", "calibrations", "log-list"})
"""The methods that change nothing: who may only read may ask for these."""


def json_schema(procedures: Mapping[str, dict[str, Any]]) -> dict[str, Any]:
    """Return the published schema: for each method its parameters and its reply, for each guided procedure its
    options, as JSON schemas; and what `operate` takes, word by word.

    Parameters
    ----------
    procedures
        The schema of the options of each guided procedure: `saltern.running.guided.schemas`.
    """
    from saltern.rpc.replies import REPLIES  # what costs a client that does not ask for it

    return {
        "version": VERSION,
        "methods": {name: model.model_json_schema() for name, model in METHODS.items()},
        "replies": {name: model.model_json_schema() for name, model in REPLIES.items()},
        "procedures": dict(procedures),
        "commands": {form(name, model): model.model_json_schema() for name, model in COMMANDS.items()},
    }


def problems(error: ValidationError) -> str:
    """Return what is wrong with what was sent, as one text of a bounded length."""
    mistakes = error.errors()
    found = [
        f"{shortened('.'.join(map(str, one['loc'])))}: {one['msg'].removeprefix('Value error, ')[:200]}"
        for one in mistakes
        if not _only_follows(one["loc"], [other["loc"] for other in mistakes])
    ]
    more = len(found) - MOST_PROBLEMS
    return "; ".join(found[:MOST_PROBLEMS]) + (f"; and {more} more" if more > 0 else "")


def shortened_list(mistakes: list[str]) -> str:
    """Return mistakes as one text of a bounded length."""
    more = len(mistakes) - MOST_PROBLEMS
    return "; ".join(mistakes[:MOST_PROBLEMS]) + (f"; and {more} more" if more > 0 else "")


def _only_follows(place: tuple[int | str, ...], places: list[tuple[int | str, ...]]) -> bool:
    """Return whether a list is wrong only in that something in it is: what is wrong with that is reported already."""
    return any(other[: len(place)] == place and len(other) > len(place) for other in places)


def failure_of(number: object, error: SalternError, code: int | None = None) -> dict[str, Any]:
    """Return an error of ours as a message, with what, where and remedy apart."""
    if code is None:
        code = REFUSED if isinstance(error, InterlockError) else USAGE if isinstance(error, ConfigError) else FAILED
    return failure(number, code, str(error), {"what": error.what, "where": error.where, "remedy": error.remedy})
