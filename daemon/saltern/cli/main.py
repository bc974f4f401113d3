"""The command `saltern`: a list of registrations, and what becomes of errors.

Exit codes: 0 done, 1 failed, 2 usage or config, 3 refused by an interlock, 4 service not running.
"""

import sys

import typer

from saltern.cli import (
    calibrations,
    check,
    commission,
    daemon,
    demo,
    evaluate,
    guide,
    init,
    keep,
    live,
    operate,
    practice,
    probe,
    proof_test,
    recipe,
    records,
    report,
    report_death,
    results,
    safe_off,
    show,
    simulate,
    tank,
)
from saltern.errors import ConfigError, InterlockError, NotRunningError, RemoteError, SalternError, StartupError

app = typer.Typer(
    name="saltern",
    help="Runs a home-built seawater alkalinity titrator, unattended and honestly.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
app.command()(demo.demo)
app.command()(simulate.simulate)
app.command()(practice.practice)
app.command()(evaluate.evaluate)
app.command()(init.init)
app.command()(check.check)
app.command()(probe.probe)
app.command()(results.results)
app.command()(show.show)
app.command()(records.export)
app.command()(records.backup)
app.command()(records.restore)
app.command()(report.report)
app.command()(daemon.daemon)
app.command()(live.status)
app.command()(live.measure)
app.command()(live.stop)
app.command()(live.away)
app.command()(live.reload)
app.command()(keep.schedule)
app.command()(keep.condition)
app.add_typer(keep.log, name="log")
app.add_typer(keep.alert, name="alert")
app.command("safe-off")(safe_off.safe_off)
app.command("report-death")(report_death.report_death)
app.command()(operate.reset)
app.command()(operate.empty)
app.command()(operate.rinse)
app.command()(operate.part)
app.command()(operate.bypass)
app.command()(operate.hold)
app.command()(commission.commission)
app.command("proof-test")(proof_test.proof_test)
app.add_typer(guide.commands)
app.add_typer(calibrations.calibrations, name="calibrations")
app.command()(recipe.recipe)
app.command()(tank.tank)

FAILED, USAGE, REFUSED, NOT_RUNNING = 1, 2, 3, 4


def main() -> None:
    """Run the command line; every error of ours is a message, never a traceback."""
    try:
        app()
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
