"""Two machines beside each other, each with a share of the scenarios: one processor emulates one machine at a time."""

import subprocess
import sys
import tempfile
from pathlib import Path

from tests.real.vm.outcome import Case, read_json

SHARES = (("deaths", "cuts"), ("examples", "unplugged", "upkeep"))
"""Of about the same length; each begins with a determination of its own."""


def at_once(words: list[str]) -> list[Case]:
    """Run every share in a process of its own, its lines on this terminal; return what they found.

    Parameters
    ----------
    words : list of str
        What else each is asked, as on the command line.
    """
    with tempfile.TemporaryDirectory(prefix="saltern-vm-") as folder:
        found = [Path(folder) / f"{share[0]}.json" for share in SHARES]
        children = [
            subprocess.Popen(
                [sys.executable, "-m", "tests.real.vm", "--only", *share, "--json", str(path), *words],
                stdin=subprocess.DEVNULL,
            )
            for share, path in zip(SHARES, found, strict=True)
        ]
        try:
            for child in children:
                child.wait()
        finally:
            for child in children:
                child.terminate()
        cases: list[Case] = []
        for share, path, child in zip(SHARES, found, children, strict=True):
            if path.exists():
                cases += [case for case in read_json(path) if case.scenario != "beyond this machine"]
            else:
                name = f"{' and '.join(share)} run to their end"
                cases.append(Case("machine", name, False, {}, f"exit {child.returncode}, and nothing written"))
        return cases
