"""`saltern calibrate`, `standardise`, `prime` and their kin: guided procedures of the running service, over SSH.

The service asks, this terminal shows and answers. Ctrl-C ends the showing, never the procedure: `saltern rejoin` takes
it up again, `saltern stop` ends it. Scripts give `--answer KEY=VALUE`, as often as needed, or write to standard input.
"""

import os
import select
import sys
import termios
import threading
import tomllib
import tty
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache
from getpass import getuser
from pathlib import Path
from typing import Annotated, Any

import typer

from saltern.cli.live import BenchOption, JsonOption, SocketOption, socket_of
from saltern.errors import ConfigError, NotRunningError, RemoteError

AnswerOption = Annotated[
    list[str] | None,
    typer.Option("--answer", help="Answer given in advance, as KEY=VALUE. Repeat it if the key is asked again."),
]
YesOption = Annotated[bool, typer.Option("--yes", help="Assume that every requested step has been done. For scripts.")]
WhoOption = Annotated[str | None, typer.Option("--who", help="Your name, for the records (default: the user's name).")]

calibrate = typer.Typer(help="Calibrate a pump or a probe, step by step.", no_args_is_help=True)


@dataclass(frozen=True)
class Asked:
    """A guided procedure, as it was typed."""

    procedure: str
    options: dict[str, Any]
    answers: dict[str, list[str]] = field(default_factory=dict)
    who: str | None = None


_INSTEAD: ContextVar[Callable[[Asked], None] | None] = ContextVar("instead", default=None)
"""Who takes what was typed, where that is not the running service."""


@calibrate.command("pump")
def calibrate_pump(
    pump: Annotated[str, typer.Argument(help="Pump: sample, titrant or waste.", show_default=False)],
    times: Annotated[int, typer.Option(min=1, max=10, help="Number of runs.")] = 3,
    by: Annotated[str, typer.Option(help="How you measure: mass (a scale) or volume (a measuring cylinder).")] = "mass",
    reading_u: Annotated[
        float | None, typer.Option(max=10, help="Standard uncertainty of one reading, in g or mL.")
    ] = None,
    volume_ml: Annotated[
        float | None,
        typer.Option(min=0.1, max=1000, help="Volume of one run, in mL (default: what the pump gives in a minute)."),
    ] = None,
    new_tube: Annotated[
        bool, typer.Option("--new-tube", help="The tube is new: do not compare with the last calibration.")
    ] = False,
    small_doses: Annotated[int, typer.Option(min=0, max=100, help="Make one more run, in this many small doses.")] = 0,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Calibrate a pump by the volume that it delivers onto a scale or into a cylinder."""
    options = {
        "pump": pump, "times": times, "by": by, "reading_u": reading_u, "volume_ml": volume_ml, "new_tube": new_tube,
        "small_doses": small_doses,
    }  # fmt: skip
    begin("calibrate-pump", options, answer, yes, who, bench, socket, as_json)


@calibrate.command("ph")
def calibrate_ph(
    buffer: Annotated[
        list[str] | None,
        typer.Option(
            help="Buffer: phosphate, phthalate, borax, carbonate, phosphate-7.41, or the pH on the label. Up to three."
        ),
    ] = None,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Calibrate the pH electrode in one to three buffers, the neutral one first."""
    buffers = buffer or ["phosphate", "phthalate"]
    begin("calibrate-ph", {"buffers": buffers}, answer, yes, who, bench, socket, as_json)


@calibrate.command("conductivity")
def calibrate_conductivity(
    standard: Annotated[
        list[str] | None,
        typer.Option(
            help="Standard: practical salinity (35, 28), kcl-0.1, or a label such as '53.0 mS/cm'. One or two."
        ),
    ] = None,
    together_min: Annotated[
        float,
        typer.Option(min=0, max=120, help="Minutes that probe and standard wait together before the first reading."),
    ] = 10.0,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Calibrate the conductivity cell in one or two standards."""
    options = {"standards": standard or ["35"], "together_s": 60.0 * together_min}
    begin("calibrate-conductivity", options, answer, yes, who, bench, socket, as_json)


@calibrate.command("temperature")
def calibrate_temperature(
    thermometer_u_k: Annotated[
        float, typer.Option(min=0.005, max=2, help="Standard uncertainty of the thermometer, in K.")
    ] = 0.1,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare the temperature probe with a thermometer at one temperature."""
    options = {"thermometer_u_k": thermometer_u_k}
    begin("calibrate-temperature", options, answer, yes, who, bench, socket, as_json)


def standardise(
    alkalinity: Annotated[float, typer.Option(min=100, max=8000, help="Alkalinity of the reference, in umol/kg.")],
    u: Annotated[
        float, typer.Option("--u", min=0.01, max=200, help="Standard uncertainty of the reference, in umol/kg.")
    ],
    medium: Annotated[
        str, typer.Option(help="Medium of the reference: seawater, or nacl (carbonate in 0.7 mol/kg NaCl).")
    ] = "seawater",
    times: Annotated[int, typer.Option(min=1, max=6, help="Number of replicates.")] = 3,
    lot: Annotated[str, typer.Option(help="Lot of the reference, for the records.")] = "",
    expires: Annotated[str | None, typer.Option(help="Expiry date of the reference, ISO 8601.")] = None,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure water of known alkalinity to find the titre factor."""
    options = {
        "alkalinity_umol_kg": alkalinity, "u_umol_kg": u, "medium": medium, "times": times, "lot": lot,
        "expires": expires,
    }  # fmt: skip
    begin("standardise", options, answer, yes, who, bench, socket, as_json)


def prime(
    pump: Annotated[str, typer.Argument(help="Pump: sample or titrant.", show_default=False)],
    volume_ml: Annotated[
        float | None,
        typer.Option(min=0.01, max=1000, help="Volume to pump, in mL (default: one and a half line volumes)."),
    ] = None,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Empty the vessel, then fill a line through into it. The total is shown, and `saltern stop` ends it."""
    begin("prime", {"pump": pump, "volume_ml": volume_ml}, answer, yes, who, bench, socket, as_json)


def change_bottle(
    lot: Annotated[str, typer.Option(help="Lot of the new bottle.")] = "",
    expires: Annotated[str | None, typer.Option(help="Expiry date of the bottle, ISO 8601.")] = None,
    strength: Annotated[
        float | None, typer.Option(max=0.5, help="Concentration on the label, in mol/L (default: as before).")
    ] = None,
    u_percent: Annotated[
        float | None, typer.Option(min=0, max=10, help="Standard uncertainty of the concentration, in %.")
    ] = None,
    volume_ml: Annotated[
        float | None, typer.Option(min=10, max=50_000, help="Volume in the bottle, in mL (default: titrant.bottle_ml).")
    ] = None,
    bridge: Annotated[
        bool,
        typer.Option("--bridge", help="Carry the titre factor over: measure twice and compare with the old bottle."),
    ] = False,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change the titrant bottle: purge the line, and end the titre factor or carry it over."""
    options = {
        "lot": lot, "expires": expires, "mol_per_l": strength, "u_percent": u_percent, "volume_ml": volume_ml,
        "bridge": bridge,
    }  # fmt: skip
    begin("change-bottle", options, answer, yes, who, bench, socket, as_json)


def spike(
    added: Annotated[
        float, typer.Option(min=50, max=3000, help="Alkalinity added, in umol per kg of water in the bucket.")
    ],
    u: Annotated[
        float, typer.Option("--u", min=0, max=1000, help="Standard uncertainty of the amount added, in umol/kg.")
    ] = 0.0,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure a bucket, add a known amount of carbonate, and measure again, to see how much of it is found."""
    begin("spike", {"added_umol_kg": added, "u_umol_kg": u}, answer, yes, who, bench, socket, as_json)


def blank(
    high: Annotated[float, typer.Option(min=300, max=6000, help="Alkalinity of the stronger standard, in umol/kg.")],
    low: Annotated[float, typer.Option(min=300, max=6000, help="Alkalinity of the weaker standard, in umol/kg.")],
    times: Annotated[int, typer.Option(min=1, max=6, help="Number of determinations of each standard.")] = 2,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Measure two carbonate standards in NaCl, to find what titrates without any alkalinity."""
    options = {"high_umol_kg": high, "low_umol_kg": low, "times": times}
    begin("blank", options, answer, yes, who, bench, socket, as_json)


def check_tris(
    salinity: Annotated[float, typer.Option(min=20, max=40, help="Salinity of the buffer, as made up.")] = 35.0,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare the electrode with a tris buffer in artificial seawater, on the total scale."""
    begin("check-tris", {"salinity": salinity}, answer, yes, who, bench, socket, as_json)


def park(
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Prepare the bench for weeks out of use: remove the acid, flush the lines, store the probes, release the tubes."""
    begin("park", {}, answer, yes, who, bench, socket, as_json)


def resume(
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a parked bench into use again. Results are provisional until they have settled."""
    begin("resume", {}, answer, yes, who, bench, socket, as_json)


def rejoin(
    answer: AnswerOption = None,
    yes: YesOption = False,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Rejoin the guided procedure that is under way, with its question and its display."""
    begin(None, {}, answer, yes, None, bench, socket, as_json)


def begin(
    procedure: str | None,
    options: dict[str, Any],
    answer: list[str] | None,
    yes: bool,
    who: str | None,
    bench: Any,
    socket: Any,
    as_json: bool,
) -> None:
    from saltern.cli.present import console, print_json
    from saltern.rpc.client import Client

    known = {name: value for name, value in options.items() if value is not None}
    instead = _INSTEAD.get()
    if instead is not None and procedure is not None:
        instead(Asked(procedure, known, _answers(answer), who))
        return
    where = socket_of(bench, socket)
    with Client(where) as watching, Client(where) as asking:
        found = watching.call("follow")
        if procedure is not None:
            asking.call("guide", procedure=procedure, options=known, answers=_answers(answer), who=who or getuser())
        elif found["running"] is None:
            raise ConfigError("nothing is under way", where="rejoin", remedy="Begin one: saltern calibrate --help")
        elif not found["running"].get("guided"):
            what = found["running"]["what"]
            raise ConfigError(f"{what} is not a guided procedure", where="rejoin", remedy="saltern measure --follow")
        try:
            with stop_at_any_key(where, wanted=procedure == "prime" and not as_json):
                ended = _follow(watching, asking, found.get("question"), yes=yes, quiet=as_json)
        except KeyboardInterrupt:
            typer.echo("\nIt goes on, and waits. Take it up with: saltern rejoin; end it with: saltern stop", err=True)
            return
    if "error" in ended:
        error = ended["error"]
        raise RemoteError(error["what"], where=error["where"], remedy=error["remedy"], code=int(ended["code"]))
    if as_json:
        print_json({"schema_version": 1, "procedure": ended["procedure"], **ended["result"]})
    else:
        number, kind = ended["result"].get("calibration"), ended["result"].get("kind", "")
        done = f"Done: calibration {number} is in force."
        console().print("Done." if number is None or kind.startswith("bring-up") else done)


def guide(
    procedure: Annotated[
        str | None, typer.Argument(help="Name of the procedure. Without a name, list all of them.")
    ] = None,
    options: Annotated[
        list[str] | None, typer.Argument(help="Option of the procedure, as KEY=VALUE in TOML. Repeat it as needed.")
    ] = None,
    answer: AnswerOption = None,
    yes: YesOption = False,
    who: WhoOption = None,
    bench: BenchOption = None,
    socket: SocketOption = None,
    as_json: JsonOption = False,
) -> None:
    """Begin a guided procedure by its name."""
    if procedure is None:
        _list_procedures(as_json=as_json)
        return
    begin(procedure, _given(options or []), answer, yes, who, bench, socket, as_json)


def _list_procedures(*, as_json: bool) -> None:
    from saltern.cli.present import console, print_json
    from saltern.running.guided import schemas

    found = schemas()
    if as_json:
        print_json({"schema_version": 1, "procedures": found})
        return
    for name, schema in found.items():
        needed = schema.get("required", [])
        words = " ".join(f"{key}=..." if key in needed else f"[{key}=...]" for key in schema.get("properties", {}))
        console().print(f"{name} {words}".rstrip(), markup=False, soft_wrap=True)


def _given(options: Sequence[str]) -> dict[str, Any]:
    """Return options as typed: a value is one of TOML, or else a text."""
    found: dict[str, Any] = {}
    for one in options:
        key, equals, value = one.partition("=")
        if not equals or not key:
            raise ConfigError(f"{one!r} is not KEY=VALUE", where="guide", remedy="For example pump=sample times=5")
        try:
            found[key] = tomllib.loads(f"value = {value}")["value"]
        except (tomllib.TOMLDecodeError, KeyError):
            found[key] = value
    return found


def is_guided(words: Sequence[str]) -> bool:
    """Return whether words of the terminal begin a guided procedure."""
    return bool(words) and words[0] in _names()


def asked_of(words: Sequence[str]) -> Asked:
    """Return the guided procedure that words of the terminal begin, without beginning it.

    Raises
    ------
    ConfigError
        They are no such command.
    """
    found: list[Asked] = []
    token = _INSTEAD.set(found.append)
    try:
        typer.main.get_command(commands).main(list(words), prog_name="saltern", standalone_mode=False)
    except _UsageError as error:
        said = " ".join(words)
        raise ConfigError(f"{said!r}: {error.format_message()}", where="operator", remedy="See its --help") from error
    finally:
        _INSTEAD.reset(token)
    if not found:
        raise ConfigError(f"{' '.join(words)!r} begins nothing", where="operator", remedy="See its --help")
    return found[0]


@contextmanager
def stop_at_any_key(socket: Path, *, wanted: bool) -> Iterator[None]:
    """While a line is primed, at a terminal, any key stops it."""
    if not wanted or not sys.stdin.isatty():
        yield
        return
    from saltern.rpc.client import Client

    descriptor, over = sys.stdin.fileno(), threading.Event()
    before = termios.tcgetattr(descriptor)

    def listen() -> None:
        while not over.is_set():
            if select.select([descriptor], [], [], 0.1)[0]:
                os.read(descriptor, 64)
                with suppress(RemoteError, NotRunningError), Client(socket) as client:  # it may just have ended
                    client.call("stop")
                return

    typer.echo("Any key stops it.", err=True)
    tty.setcbreak(descriptor)
    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    try:
        yield
    finally:
        over.set()
        listener.join(timeout=1.0)
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def _follow(watching: Any, asking: Any, question: dict[str, Any] | None, *, yes: bool, quiet: bool) -> dict[str, Any]:
    """Show what comes and answer what is asked, until it has ended."""
    shown, coming = _Shown(quiet=quiet), watching.notifications()
    while True:
        if question is not None and _answer(watching, asking, question, yes=yes, shown=shown):
            question = None
        found = next(coming, None)
        if found is None:
            raise NotRunningError(
                "the service went away",
                where="rejoin",
                remedy="Check its log. The calibrations in force have not changed",
            )
        kind, what = found
        if question is not None and asking.call("status")["question"] != question:
            question = None  # somebody else has answered it
        if kind == "question":
            question = what
        elif kind == "said":
            shown.line(what["text"])
        elif kind == "seen":
            shown.reading(f"{what['what']}: {what['value']:.5g} {what['unit']}")
        elif kind == "step" and "point" not in what:
            shown.reading(what["phase"])
        elif kind == "ended":
            shown.close()
            return dict(what)


def _answer(watching: Any, asking: Any, question: dict[str, Any], *, yes: bool, shown: "_Shown") -> bool:
    """Ask whoever is at the terminal until the service takes the answer; return False if it spoke first."""
    unit = question["unit"]
    while True:
        shown.line(question["text"])
        if unit is None and yes:
            text = "done"
        else:
            shown.prompt("[Enter] when done: " if unit is None else f"{question['key']} ({unit}): ")
            if sys.stdin.isatty() and watching.first_of(sys.stdin.fileno()):
                shown.line("")
                return False
            line = sys.stdin.readline()
            if not line:
                raise ConfigError(
                    f"nobody is there to answer {question['key']!r}",
                    where="standard input",
                    remedy="Give --answer KEY=VALUE, or take it up at a terminal: saltern rejoin",
                )
            text = line.strip() or "done"
        try:
            asking.call("answer", key=question["key"], text=text)
        except RemoteError as error:
            shown.line(str(error))
            if unit is None:
                return True  # somebody else has answered
            continue
        return True


def _answers(given: list[str] | None) -> dict[str, list[str]]:
    answers: dict[str, list[str]] = {}
    for one in given or []:
        key, equals, value = one.partition("=")
        if not equals:
            raise ConfigError(
                f"{one!r} is not KEY=VALUE", where="--answer", remedy="For example --answer collected=98.72"
            )
        answers.setdefault(key, []).append(value)
    return answers


class _Shown:
    """Lines of text, and one line of what the instrument reads that is written over on a terminal."""

    def __init__(self, *, quiet: bool) -> None:
        self._out = sys.stderr if quiet else sys.stdout
        self._terminal = self._out.isatty()
        self._open = False

    def line(self, text: str) -> None:
        self.close()
        self._out.write(text + "\n")
        self._out.flush()

    def prompt(self, text: str) -> None:
        self.close()
        self._out.write(text)
        self._out.flush()

    def reading(self, text: str) -> None:
        if not self._terminal:
            return
        self._out.write("\r" + text[:78].ljust(78))
        self._out.flush()
        self._open = True

    def close(self) -> None:
        if self._open:
            self._out.write("\n")
            self._open = False


_UsageError: Any = typer.BadParameter.__base__  # typer shows no more of it than its kin

commands = typer.Typer(add_completion=False)
"""Every command that begins or takes up a guided procedure."""

commands.add_typer(calibrate, name="calibrate")
commands.command()(standardise)
commands.command()(prime)
commands.command("change-bottle")(change_bottle)
commands.command()(spike)
commands.command()(blank)
commands.command("check-tris")(check_tris)
commands.command()(park)
commands.command()(resume)
commands.command()(rejoin)
commands.command()(guide)


@cache
def _names() -> frozenset[str]:
    """Return the first words of these commands."""
    return frozenset(typer.main.get_command(commands).commands)  # type: ignore[attr-defined]
