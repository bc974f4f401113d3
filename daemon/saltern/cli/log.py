"""`saltern log`: what a keeper writes down, looks at, takes back and takes in from a file."""

import getpass
import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from saltern.cli.live import BenchOption, JsonOption, SocketOption, socket_of
from saltern.errors import ConfigError, RemoteError

log = typer.Typer(help="Keep a log of the tank: add, list, undo and correct entries.", no_args_is_help=True)
At = Annotated[
    str | None,
    typer.Option(
        "--at", help="Date and time in the bench's zone: 'yesterday 9:00', '2 h ago', 9:00 or ISO 8601 (default: now)."
    ),
]
Yes = Annotated[bool, typer.Option("--yes", help="Accept entries that would otherwise be questioned.")]
Who = Annotated[str | None, typer.Option("--who", help="Name of the person (default: your user name).")]
UnitOption = Annotated[
    str | None,
    typer.Option("--unit", help="Unit of alkalinity: dKH, meq/L, 'mg/L CaCO3' or umol/kg (default: the bench file's)."),
]
Supplement = Annotated[str, typer.Argument(help="Name of the supplement, from tank.supplements.", show_default=False)]
Salinity = Annotated[float | None, typer.Option("--salinity", help="Salinity of the new water.")]
ASKED = 6
"""The service's code for: somebody must say that it is so."""


@log.command()
def dose(
    supplement: Supplement,
    amount: Annotated[float, typer.Argument(help="Amount of the dose.", show_default=False)],
    unit: Annotated[str, typer.Option(help="Unit of the amount: mL or g.")] = "mL",
    at: At = None,
    who: Who = None,
    yes: Yes = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Log a dose by hand. No determination starts soon after it."""
    entry = {"kind": "dose", "chemical": supplement, "amount": amount, "unit": unit}
    _write(entry, at, who, bench, socket, yes=yes, as_json=as_json)


@log.command()
def doser(
    supplement: Supplement,
    ml_per_day: Annotated[float, typer.Argument(help="New setting, in mL a day; 0 means stopped.", show_default=False)],
    at: At = None,
    who: Who = None,
    yes: Yes = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Log a new setting of a doser: mL of a supplement a day."""
    entry = {"kind": "doser", "supplement": supplement, "ml_per_day": ml_per_day}
    _write(entry, at, who, bench, socket, yes=yes, as_json=as_json)


@log.command("water-change")
def water_change(
    litres: Annotated[float, typer.Argument(help="Volume replaced, in L.", show_default=False)],
    alkalinity: Annotated[
        float | None, typer.Option("--alkalinity", help="Alkalinity of the new water, in --unit.")
    ] = None,
    alkalinity_dkh: Annotated[
        float | None, typer.Option("--alkalinity-dkh", help="Alkalinity of the new water, in dKH.")
    ] = None,
    salinity: Salinity = None,
    unit: UnitOption = None,
    at: At = None,
    who: Who = None,
    yes: Yes = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Log a water change and the new water's values."""
    if alkalinity is not None and alkalinity_dkh is not None:
        raise ConfigError(
            "both are the same", where="--alkalinity", remedy="Give one of --alkalinity, --alkalinity-dkh"
        )
    if alkalinity is not None:
        alkalinity_dkh = _in_dkh(alkalinity, unit, salinity, bench, socket)
    entry = {"kind": "water-change", "litres": litres, "alkalinity_dkh": alkalinity_dkh, "salinity": salinity}
    _write(entry, at, who, bench, socket, yes=yes, as_json=as_json)


@log.command("test")
def other_test(
    quantity: Annotated[
        str,
        typer.Argument(
            help="Quantity: alkalinity, calcium, magnesium, phosphate, nitrate (mg/L), salinity, ph, other.",
            show_default=False,
        ),
    ],
    value: Annotated[float, typer.Argument(show_default=False)],
    method: Annotated[str, typer.Argument(help="How it was measured.")] = "kit",
    u: Annotated[float | None, typer.Option(help="Standard uncertainty: half of the kit's ± value.")] = None,
    unit: UnitOption = None,
    at: At = None,
    who: Who = None,
    yes: Yes = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Log a value that you measured by other means, with its uncertainty."""
    from saltern.cli.log_file import QUANTITIES

    if quantity == "alkalinity":
        value_dkh = _in_dkh(value, unit, None, bench, socket)
        u = None if u is None else u * value_dkh / value if value else u
        value = value_dkh
    name = QUANTITIES.get(quantity, quantity)
    entry = {"kind": "test", "quantity": name, "value": value, "method": method, "u": u}
    _write(entry, at, who, bench, socket, yes=yes, as_json=as_json)


@log.command()
def event(
    what: Annotated[
        str,
        typer.Argument(
            help="Event: coral-added, coral-removed, pump-stopped, pump-started, light-changed, other.",
            show_default=False,
        ),
    ],
    text: Annotated[str, typer.Argument(help="Details of the event.")] = "",
    at: At = None,
    who: Who = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Log an event that may explain a change in the tank."""
    _write({"kind": "event", "what": what, "text": text}, at, who, bench, socket, yes=True, as_json=as_json)


@log.command()
def remark(
    text: Annotated[str, typer.Argument(show_default=False)],
    at: At = None,
    who: Who = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Log a remark."""
    _write({"kind": "remark", "text": text}, at, who, bench, socket, yes=True, as_json=as_json)


@log.command("list")
def list_(
    limit: Annotated[int, typer.Option(min=1, max=200, help="Number of entries, the newest ones.")] = 20,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """List the entries, oldest first. Undone entries are marked."""
    from saltern.cli.present import console, print_json, say_lines
    from saltern.cli.present_log import log_lines
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("log-list", limit=limit)
    if as_json:
        print_json({"schema_version": 1, **found})
    elif found["entries"]:
        say_lines(log_lines(found, console().width), bold=1)
    else:
        typer.echo("Nothing has been written down yet.")


@log.command()
def undo(
    number: Annotated[
        int, typer.Argument(min=1, help="Number of the entry, from `saltern log list`.", show_default=False)
    ],
    who: Who = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Undo an entry, or all entries of an import. They stay in the list, marked."""
    from saltern.cli.present import print_json
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    with Client(socket_of(bench, socket)) as client:
        found = client.call("log-undo", AT_NEXT_REST_S, number=number, who=_who(who))
    if as_json:
        print_json({"schema_version": 1, **found})
    else:
        count = len(found["undone"])
        typer.echo(f"Undone: {found['undone'][0] if count == 1 else f'{count} entries of one import'}.")


@log.command()
def correct(
    number: Annotated[
        int, typer.Argument(min=1, help="Number of the entry, from `saltern log list`.", show_default=False)
    ],
    changes: Annotated[
        list[str] | None, typer.Argument(help="Values to change: amount=4, value=7.6, text='...'.", show_default=False)
    ] = None,
    at: At = None,
    who: Who = None,
    yes: Yes = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Replace an entry by a corrected one. The old one stays in the list, marked."""
    from saltern.rpc.client import Client

    with Client(socket_of(bench, socket)) as client:
        known = client.call("log-list", limit=200)["entries"]
    was = next((one["entry"] for one in known if one["id"] == number), None)
    if was is None:
        raise ConfigError(
            f"the newest 200 entries have no number {number}", where="log", remedy="See: saltern log list"
        )
    if not changes and at is None:
        raise ConfigError("nothing is to be changed", where="log", remedy="For example: amount=4, or --at '2 h ago'")
    entry = {**was, **_changed(changes or [], was)}
    _write(entry, at, who, bench, socket, yes=yes, as_json=as_json, correcting=number)


@log.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="CSV file with a header: at, kind, and the columns of each kind.")],
    who: Who = None,
    yes: Yes = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Import past notes from a file. They are shown and confirmed first, and can be undone as one.

    Columns: at; kind (dose, doser, water-change, test, event, remark); chemical, supplement, amount, unit, ml_per_day,
    litres, alkalinity (the keeper's unit) or alkalinity_dkh, salinity, quantity, value, u, method, what, text. What a
    kind does not have stays empty.
    """
    from saltern.chemistry.alkalinity_unit import AlkalinityUnit
    from saltern.cli.log_file import read_log
    from saltern.cli.present import console, print_json, say, say_lines
    from saltern.cli.present_log import import_lines
    from saltern.rpc.client import AT_NEXT_REST_S, Client
    from saltern.rpc.protocol import MOST_IMPORTED

    who = _who(who)
    with Client(socket_of(bench, socket)) as client:
        about = client.call("log-list", limit=0)
        rows = read_log(file, AlkalinityUnit(about["alkalinity_unit"]))
        parts = [rows[k : k + MOST_IMPORTED] for k in range(0, len(rows), MOST_IMPORTED)]
        looked = [client.call("log-import", rows=part, look=True, who=who) for part in parts]
        asked = [what for one in looked for what in one["asks"]]
        if not as_json:
            shown = [line for one in looked for line in one["rows"]]
            say_lines(import_lines(rows, shown, about, console().width), bold=1)
            for what in asked:
                say(f"Asked: {what}.", hanging=2)
        if not yes:
            what = "; ".join(asked) or f"{len(rows)} entries are to be kept as one"
            _demand(f"Keep {len(rows)} entries as one?", what, file)
        batch: int | None = None
        ids: list[int] = []
        for part in parts:
            found = client.call("log-import", AT_NEXT_REST_S, rows=part, into=batch, who=who, sure=True)
            batch, ids = found["batch"], [*ids, *found["ids"]]
    if as_json:
        print_json({"schema_version": 1, "batch": batch, "ids": ids, "asks": asked})
    else:
        say(f"{len(ids)} entries are kept as one. To take them back: saltern log undo {batch}")


def _write(
    entry: dict[str, Any],
    at: str | None,
    who: str | None,
    bench: Path | None,
    socket: Path | None,
    *,
    yes: bool,
    as_json: bool,
    correcting: int | None = None,
) -> None:
    """Have an entry written down; what is unlikely is asked about first."""
    from saltern.cli.present import print_json, say
    from saltern.rpc.client import AT_NEXT_REST_S, Client

    method, more = ("log", {}) if correcting is None else ("log-correct", {"number": correcting})
    with Client(socket_of(bench, socket)) as client:
        try:
            found = client.call(method, AT_NEXT_REST_S, entry=entry, at=at, who=_who(who), sure=yes, **more)
        except RemoteError as error:
            if error.code != ASKED:
                raise
            _demand(f"{error.what}: is that so?", error.what, None)
            found = client.call(method, AT_NEXT_REST_S, entry=entry, at=at, who=_who(who), sure=True, **more)
    if as_json:
        print_json({"schema_version": 1, **found})
        return
    instead = "" if correcting is None else f", instead of {correcting}"
    say(f"Written down, number {found['id']}{instead}.")
    if found["note"]:
        say(f"Note: {found['note']}.", hanging=2)


def _demand(question: str, what: str, file: Path | None) -> None:
    """Let the keeper say that it is so.

    Raises
    ------
    ConfigError
        Nobody can be asked, or it is not so: nothing was written down.
    """
    where = "log" if file is None else str(file)
    if not sys.stdin.isatty():
        raise ConfigError(what, where=where, remedy="If that is so, say it again with --yes")
    if not typer.confirm(question):
        raise ConfigError("nothing was written down", where=where, remedy="Correct it, and say it again")


def _in_dkh(value: float, unit: str | None, salinity: float | None, bench: Path | None, socket: Path | None) -> float:
    """Return an alkalinity in dKH, from the unit that is given or the keeper's own."""
    from saltern.chemistry.alkalinity_unit import AlkalinityUnit, to_dkh
    from saltern.rpc.client import Client

    if unit is None:
        with Client(socket_of(bench, socket)) as client:
            unit = client.call("log-list", limit=0)["alkalinity_unit"]
    try:
        known = AlkalinityUnit(str(unit))
    except ValueError as error:
        choices = ", ".join(AlkalinityUnit)
        raise ConfigError(f"{unit!r} is not a unit of alkalinity", where="--unit", remedy=f"Give {choices}") from error
    return to_dkh(value, known, salinity)


def _changed(changes: list[str], was: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for change in changes:
        name, equals, text = change.partition("=")
        if not equals or name not in was or name == "kind":
            names = ", ".join(f"{key}=" for key in was if key != "kind")
            raise ConfigError(f"{change!r} changes nothing of this entry", where="log", remedy=f"It has {names}")
        found[name] = text if isinstance(was[name], str) else _number(text)
    return found


def _number(text: str) -> float | None:
    if text == "":
        return None
    try:
        return float(text)
    except ValueError as error:
        raise ConfigError(f"{text!r} is not a number", where="log", remedy="For example: amount=4.5") from error


def _who(said: str | None) -> str:
    if said is not None:
        return said
    try:
        return os.environ.get("SUDO_USER") or getpass.getuser()
    except (KeyError, OSError):  # a user of a container may have no name
        return ""
