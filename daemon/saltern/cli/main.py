"""The command `saltern`: a list of registrations, and what becomes of errors.

Exit codes: 0 done, 1 failed, 2 usage or config, 3 refused by an interlock, 4 service not running.
"""

import sys

import typer

from saltern.cli import (
    bring_up,
    bundle,
    calibrations,
    check,
    commission,
    daemon,
    demo,
    diagnose,
    evaluate,
    explain,
    guide,
    init,
    keep,
    live,
    log,
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
EVERY_DAY, AT_THE_BENCH, CALIBRATE = "Every day", "At the bench", "Calibrate"
MEND, FILES, WITHOUT_A_BENCH = "Mend", "Files and reports", "Try it without a bench"

# help shows the groups in the order in which they come here
app.command(rich_help_panel=EVERY_DAY)(live.status)
app.command(rich_help_panel=EVERY_DAY)(live.measure)
app.command(rich_help_panel=EVERY_DAY)(live.stop)
app.command(rich_help_panel=EVERY_DAY)(results.results)
app.command(rich_help_panel=EVERY_DAY)(show.show)
app.command(rich_help_panel=EVERY_DAY)(tank.tank)
app.command(rich_help_panel=EVERY_DAY)(diagnose.diagnose)
app.command(rich_help_panel=EVERY_DAY)(keep.schedule)
app.command(rich_help_panel=EVERY_DAY)(live.away)
app.command(rich_help_panel=EVERY_DAY)(keep.condition)
app.add_typer(log.log, name="log", rich_help_panel=EVERY_DAY)
app.command(rich_help_panel=AT_THE_BENCH)(operate.hold)
app.command(rich_help_panel=AT_THE_BENCH)(operate.part)
app.command(rich_help_panel=AT_THE_BENCH)(operate.empty)
app.command(rich_help_panel=AT_THE_BENCH)(operate.rinse)
app.command(rich_help_panel=AT_THE_BENCH)(commission.commission)
app.command("proof-test", rich_help_panel=AT_THE_BENCH)(proof_test.proof_test)
# a panel is not handed on to the commands of a nameless group
for command in guide.commands.registered_commands:
    command.rich_help_panel = AT_THE_BENCH if command.callback is bring_up.bring_up else CALIBRATE
for group in guide.commands.registered_groups:
    group.rich_help_panel = CALIBRATE
app.add_typer(guide.commands)
app.add_typer(calibrations.calibrations, name="calibrations", rich_help_panel=CALIBRATE)
app.command(rich_help_panel=CALIBRATE)(recipe.recipe)
app.command(rich_help_panel=MEND)(explain.explain)
app.command(rich_help_panel=MEND)(operate.reset)
app.command(rich_help_panel=MEND)(operate.bypass)
app.add_typer(keep.alert, name="alert", rich_help_panel=MEND)
app.command(rich_help_panel=MEND)(check.check)
app.command(rich_help_panel=MEND)(probe.probe)
app.command("safe-off", rich_help_panel=MEND)(safe_off.safe_off)
app.command("report-death", rich_help_panel=MEND)(report_death.report_death)
app.command(rich_help_panel=FILES)(report.report)
app.command(rich_help_panel=FILES)(records.export)
app.command(rich_help_panel=FILES)(records.backup)
app.command(rich_help_panel=FILES)(records.restore)
app.command(rich_help_panel=FILES)(bundle.bundle)
app.command(rich_help_panel=FILES)(init.init)
app.command(rich_help_panel=FILES)(live.reload)
app.command(rich_help_panel=FILES)(daemon.daemon)
app.command(rich_help_panel=WITHOUT_A_BENCH)(demo.demo)
app.command(rich_help_panel=WITHOUT_A_BENCH)(practice.practice)
app.command(rich_help_panel=WITHOUT_A_BENCH)(simulate.simulate)
app.command(rich_help_panel=WITHOUT_A_BENCH)(evaluate.evaluate)

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
