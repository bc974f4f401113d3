"""The command `saltern`: a table of commands, and what becomes of errors.

Exit codes: 0 done, 1 failed, 2 usage or config, 3 refused by an interlock, 4 service not running.
"""

import os
import sys
from collections.abc import Iterable
from importlib import import_module

import typer

from saltern.errors import ConfigError, InterlockError, NotRunningError, RemoteError, SalternError, StartupError

EVERY_DAY, AT_THE_BENCH, CALIBRATE = "Every day", "At the bench", "Calibrate"
MEND, FILES, WITHOUT_A_BENCH = "Mend", "Files and reports", "Try it without a bench"

COMMANDS = (
    (EVERY_DAY, "status", "live.status"),
    (EVERY_DAY, "measure", "live.measure"),
    (EVERY_DAY, "stop", "live.stop"),
    (EVERY_DAY, "results", "results.results"),
    (EVERY_DAY, "show", "show.show"),
    (EVERY_DAY, "tank", "tank.tank"),
    (EVERY_DAY, "diagnose", "diagnose.diagnose"),
    (EVERY_DAY, "schedule", "keep.schedule"),
    (EVERY_DAY, "away", "live.away"),
    (EVERY_DAY, "condition", "keep.condition"),
    (EVERY_DAY, "log", "log.log"),
    (AT_THE_BENCH, "hold", "operate.hold"),
    (AT_THE_BENCH, "part", "operate.part"),
    (AT_THE_BENCH, "empty", "operate.empty"),
    (AT_THE_BENCH, "rinse", "operate.rinse"),
    (AT_THE_BENCH, "commission", "commission.commission"),
    (AT_THE_BENCH, "proof-test", "proof_test.proof_test"),
    (AT_THE_BENCH, "bring-up", "bring_up.bring_up"),
    (CALIBRATE, "recipe", "recipe.recipe"),
    (CALIBRATE, "standardise", "guide.standardise"),
    (CALIBRATE, "prime", "guide.prime"),
    (CALIBRATE, "change-bottle", "guide.change_bottle"),
    (CALIBRATE, "spike", "guide.spike"),
    (CALIBRATE, "blank", "guide.blank"),
    (CALIBRATE, "check-tris", "guide.check_tris"),
    (CALIBRATE, "park", "guide.park"),
    (CALIBRATE, "resume", "guide.resume"),
    (CALIBRATE, "rejoin", "guide.rejoin"),
    (CALIBRATE, "guide", "guide.guide"),
    (CALIBRATE, "calibrate", "guide.calibrate"),
    (CALIBRATE, "calibrations", "calibrations.calibrations"),
    (MEND, "explain", "explain.explain"),
    (MEND, "reset", "operate.reset"),
    (MEND, "bypass", "operate.bypass"),
    (MEND, "alert", "keep.alert"),
    (MEND, "check", "check.check"),
    (MEND, "probe", "probe.probe"),
    (MEND, "safe-off", "safe_off.safe_off"),
    (MEND, "report-death", "report_death.report_death"),
    (FILES, "report", "report.report"),
    (FILES, "export", "records.export"),
    (FILES, "backup", "records.backup"),
    (FILES, "restore", "records.restore"),
    (FILES, "bundle", "bundle.bundle"),
    (FILES, "init", "init.init"),
    (FILES, "reload", "live.reload"),
    (FILES, "daemon", "daemon.daemon"),
    (WITHOUT_A_BENCH, "demo", "demo.demo"),
    (WITHOUT_A_BENCH, "practice", "practice.practice"),
    (WITHOUT_A_BENCH, "simulate", "simulate.simulate"),
    (WITHOUT_A_BENCH, "evaluate", "evaluate.evaluate"),
)
"""Group, name, and where it is: help shows groups and commands in this order."""

NAMES = tuple(name for _, name, _ in COMMANDS)


def command_line(names: Iterable[str] = NAMES) -> typer.Typer:
    """Return the command line with these commands alone: each has its module loaded, which costs a small computer."""
    app = typer.Typer(
        name="saltern",
        help="Runs a home-built seawater alkalinity titrator, unattended and honestly.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(lambda: None)  # with one command it is still called by its name
    wanted = set(names)
    for group, name, where in COMMANDS:
        if name not in wanted:
            continue
        module, _, what = where.partition(".")
        command = getattr(import_module(f"saltern.cli.{module}"), what)
        if isinstance(command, typer.Typer):
            app.add_typer(command, name=name, rich_help_panel=group)
        else:
            app.command(name, rich_help_panel=group)(command)
    return app


def asked_for() -> tuple[str, ...]:
    """Return the command that was typed; all of them where none is, or where a shell asks how a word may go on."""
    typed = sys.argv[1:2]
    completes = any(name.endswith("_COMPLETE") for name in os.environ)
    return NAMES if completes or not typed or typed[0] not in NAMES else (typed[0],)


FAILED, USAGE, REFUSED, NOT_RUNNING = 1, 2, 3, 4


def main() -> None:
    """Run the command line; every error of ours is a message, never a traceback."""
    try:
        command_line(asked_for())()
    except SalternError as error:
        sys.stderr.write(f"{error}\n")
        sys.exit(exit_code(error))
    except KeyboardInterrupt:
        sys.stderr.write("interrupted\n")
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(0)


def exit_code(error: SalternError) -> int:
    """Return the exit code of an error."""
    if isinstance(error, RemoteError):
        return error.code if error.code in (USAGE, REFUSED) else FAILED
    if isinstance(error, InterlockError):
        return REFUSED
    if isinstance(error, NotRunningError):
        return NOT_RUNNING
    return USAGE if isinstance(error, ConfigError | StartupError) else FAILED


if __name__ == "__main__":
    main()
