"""How much processor time `saltern status` takes from cold, beside the libraries that any such command must load.

Typer loads what it needs when its first command is built, pydantic among it: importing it is less than half of what the
least command costs. So two peers: the import alone, and a command of two lines.
"""

import os
import resource
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.toml import to_toml
from tests.twin_bench import bench_table

TIMES = 10

LEAST_COMMAND = """
import typer
from rich.console import Console
app = typer.Typer()
app.command()(lambda name="": Console().print("hello"))
app()
"""


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        bench = Path(folder) / "bench.toml"
        bench.write_text(to_toml(bench_table({"schedule": {"at": ["23:59:00"]}})))
        command = [sys.executable, "-m", "saltern.cli.main"]
        service = subprocess.Popen([*command, "daemon", str(bench)], stderr=subprocess.DEVNULL)
        try:
            while not (bench.parent / "kelp-room.sock").exists():
                time.sleep(0.05)
            bare = processor_s([sys.executable, "-c", "import typer, rich"])
            least = processor_s([sys.executable, "-c", LEAST_COMMAND])
            status = processor_s([*command, "status", "--bench", str(bench)])
        finally:
            service.send_signal(signal.SIGTERM)
            service.wait(30)
    print(f"import typer, rich   {bare:5.2f} s")
    print(f"a command of 2 lines {least:5.2f} s, {least / bare:.1f} times as long")
    print(f"saltern status       {status:5.2f} s, {status / bare:.1f} times as long")
    print(f"                     {status / least:5.2f} of that command")


def processor_s(command: list[str]) -> float:
    """Return the median processor time of a command, user and system."""
    took = []
    for _ in range(TIMES):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=dict(os.environ))
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(took)


if __name__ == "__main__":
    main()
