"""The import rules hold for files that nobody has written yet: a planted import breaks them, whatever it is called."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = ("daemon/saltern", "drivers/saltern_drivers")

LAYERS = "arrows point one way, and every room has its floor"
CIRCLES = "no circles inside a room"
NO_TWIN = "nothing of the service imports drivers or the twin"
PORTS_ALONE = "drivers know the ports alone, and the twin published constants beside"
NO_DRIVER_KNOWS = "no driver knows the twin"
DEVICES = "devices stand on what they share"
PURE = "chemistry is pure"
VERDICT = re.compile(r"^(\S.*) (KEPT|BROKEN)(?: \(\d+ ignored imports?\))?$", re.MULTILINE)

PLANTED = {
    "a new driver that imports the bench": (
        "drivers/saltern_drivers/new_float.py", "import saltern.bench.bench", PORTS_ALONE,
    ),
    "a new driver that imports the twin": (
        "drivers/saltern_drivers/new_float.py", "import saltern_drivers.twin.world", NO_DRIVER_KNOWS,
    ),
    "a new module of the drivers that nobody has placed": (
        "drivers/saltern_drivers/new_float.py", "import saltern.ports", DEVICES,
    ),
    "a driver that imports another driver": (
        "drivers/saltern_drivers/gpio_switch.py", "import saltern_drivers.gpio_stirrer", DEVICES,
    ),
    "the twin asks how a titration is evaluated": (
        "drivers/saltern_drivers/twin/new_truth.py", "import saltern.chemistry.endpoint.gran", PORTS_ALONE,
    ),
    "a new file of the service that imports the twin": (
        "daemon/saltern/running/new_thing.py", "import saltern_drivers.twin.world", NO_TWIN,
    ),
    "a new command that imports the twin": (
        "daemon/saltern/cli/new_command.py", "import saltern_drivers.twin.wires", NO_TWIN,
    ),
    "the playing of a scenario imports the world": (
        "daemon/saltern/cli/simulation.py", "import saltern_drivers.twin.world", NO_TWIN,
    ),
    "chemistry asks the bench file": ("daemon/saltern/chemistry/new_method.py", "import saltern.config.tables", LAYERS),
    "chemistry asks pydantic": ("daemon/saltern/chemistry/new_method.py", "import pydantic", PURE),
    "the ports know a procedure": ("daemon/saltern/ports.py", "import saltern.procedures.prompts", LAYERS),
    "a new room that nobody has given a floor": ("daemon/saltern/new_room/__init__.py", "", LAYERS),
    "the service uses what only tests may": ("daemon/saltern/running/new_thing.py", "import saltern.testing", LAYERS),
    "two files of one room that import each other": (
        "daemon/saltern/records/blobs.py", "import saltern.records.store", CIRCLES,
    ),
}  # fmt: skip


def tree(folder, planted=None):
    """Copy what the rules are about, with one line planted at the end of a file."""
    shutil.copy(ROOT / "pyproject.toml", folder)
    for source in SOURCES:
        shutil.copytree(ROOT / source, folder / source, ignore=shutil.ignore_patterns("__pycache__"))
    if planted is not None:
        path, line = folder / planted[0], planted[1]
        path.parent.mkdir(exist_ok=True)
        with path.open("a", encoding="utf-8") as file:
            file.write(f"\n{line}\n")
    return folder


def broken_in(folder):
    """Return the contracts that are broken there."""
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=folder,
        env={"PYTHONPATH": ":".join(str((folder / source).parent) for source in SOURCES), "COLUMNS": "200"},
        capture_output=True,
        text=True,
        check=False,
    )
    verdicts = dict(VERDICT.findall(done.stdout))
    assert LAYERS in verdicts, done.stdout + done.stderr
    broken = {name for name, verdict in verdicts.items() if verdict == "BROKEN"}
    assert done.returncode == (1 if broken else 0)
    return broken


def test_as_it_is_no_rule_is_broken(tmp_path):
    assert broken_in(tree(tmp_path)) == set()


@pytest.mark.parametrize("case", PLANTED)
def test_a_planted_import_breaks_its_rule(tmp_path, case):
    path, line, contract = PLANTED[case]

    assert contract in broken_in(tree(tmp_path, (path, line)))


def test_no_command_loads_a_driver_or_the_twin_until_a_bench_is_opened():
    """What is imported for the type checker alone is not there at run time."""
    modules = ", ".join(
        ".".join(path.relative_to(ROOT / "daemon").with_suffix("").parts)
        for path in sorted((ROOT / "daemon/saltern/cli").glob("*.py"))
        if path.stem != "__init__"
    )
    script = f"import sys\nimport {modules}\nprint([name for name in sys.modules if 'saltern_drivers' in name])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "[]"
