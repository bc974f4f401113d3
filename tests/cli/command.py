"""Running a command in this process, as `main` would."""

from typer.testing import CliRunner

from saltern.cli.main import command_line, exit_code
from saltern.errors import SalternError

app = command_line()


def run(*arguments):
    """Return exit code, standard output and standard error."""
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    if isinstance(result.exception, SalternError):
        return exit_code(result.exception), result.stdout, f"{result.exception}\n"
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr
