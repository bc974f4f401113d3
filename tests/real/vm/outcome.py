"""What came of each case, as a table for people and JSON for programs."""

import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from rich.console import Console
from rich.table import Table

MARK = {True: "held", False: "VIOLATED", None: "not had"}


@dataclass(frozen=True)
class Case:
    """One case: it held, it was violated, or it could not be had here (None), with figures as measured and why."""

    scenario: str
    name: str
    held: bool | None
    figures: dict[str, float | int | str] = field(default_factory=dict)
    why: str = ""


def judged(scenario: str, name: str, wrong: Iterable[str], **figures: float | int | str) -> Case:
    """Return a case that held unless something was wrong."""
    said = list(wrong)
    return Case(scenario, name, not said, figures, "; ".join(said))


def exit_code(cases: Iterable[Case]) -> int:
    """Return 1 where something was violated, or nothing was tried."""
    states = [case.held for case in cases]
    return 1 if False in states or True not in states else 0


def line(case: Case) -> str:
    figures = ", ".join(f"{name} {_short(value)}" for name, value in case.figures.items())
    return f"{MARK[case.held]:9} {case.scenario}: {case.name}. {figures}{' | ' if case.why else ''}{case.why}"


def print_table(cases: list[Case], console: Console) -> None:
    table = Table("scenario", "case", "", "figures", "why", title="Saltern on a real kernel, emulated")
    for case in cases:
        figures = ", ".join(f"{name} {_short(value)}" for name, value in case.figures.items())
        table.add_row(case.scenario, case.name, MARK[case.held], figures, case.why)
    console.print(table)
    counts = Counter(MARK[case.held] for case in cases)
    console.print(", ".join(f"{counts[mark]} {mark}" for mark in MARK.values()))


def write_json(cases: list[Case], path: Path, seconds: float) -> None:
    rows = [asdict(case) for case in cases]
    path.write_text(
        json.dumps({"schema_version": 1, "seconds": round(seconds), "cases": rows}, indent=1), encoding="utf-8"
    )


def read_json(path: Path) -> list[Case]:
    """Return the cases that `write_json` wrote there."""
    return [Case(**row) for row in json.loads(path.read_text(encoding="utf-8"))["cases"]]


def _short(value: float | str) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)
