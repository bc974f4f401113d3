"""What DEVELOPERS.md says of adding a method, an outlet and an interlock is done here, in a copy of the tree.

Beside its own file, its test and its page, a method and an outlet may touch one place, an interlock two.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

from saltern import __version__
from tests.chemistry.test_methods import ALKALINITY, CONDITIONS, SAMPLE_G, curve_after
from tests.toml import to_toml
from tests.twin_bench import bench_table

ROOT = Path(__file__).parents[1]
COPIED = ("daemon/saltern", "drivers/saltern_drivers", "config", "hardware")


class Tree:
    """A copy of the tree, and every place of it that was touched."""

    def __init__(self, folder):
        self.folder, self.places = folder, []
        for name in COPIED:
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(ROOT / "pyproject.toml", folder)

    def new(self, name, text):
        """Add the extension's own file."""
        path = self.folder / name
        assert not path.exists()
        path.write_text(text)

    def own(self, name, change):
        """Change what is the extension's own: its row in the table, its test, its page."""
        path = self.folder / name
        before = path.read_text()
        path.write_text(change(before))
        assert path.read_text() != before

    def touch(self, name, change):
        """Change a place beyond these."""
        self.own(name, change)
        self.places.append(name)

    def install(self):
        """Write what pip writes of the copy's entry points."""
        project = tomllib.loads((self.folder / "pyproject.toml").read_text())["project"]
        info = self.folder / "daemon" / f"saltern-{__version__}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: saltern\nVersion: {__version__}\n")
        groups = {**project["entry-points"], "console_scripts": project["scripts"]}
        lines = [
            line
            for group, entries in groups.items()
            for line in (f"[{group}]", *(f"{name} = {value}" for name, value in entries.items()))
        ]
        (info / "entry_points.txt").write_text("\n".join(lines) + "\n")

    def run(self, *words, code=0):
        """Run Python on the copy, and return what it says."""
        path = os.pathsep.join(str(self.folder / source) for source in ("daemon", "drivers"))
        done = subprocess.run(
            [sys.executable, *words],
            cwd=self.folder,
            env={**os.environ, "PYTHONPATH": path, "COLUMNS": "300"},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == code, done.stdout[-3000:] + done.stderr[-3000:]
        return done.stdout if code == 0 else done.stderr

    def saltern(self, *words, code=0):
        return self.run("-m", "saltern.cli.main", *words, code=code)


@pytest.fixture
def tree(tmp_path):
    return Tree(tmp_path)


# A method ------------------------------------------------------------------------------------

ACID_EXCESS = '''"""Excess acid: below pH 3.9 what was given and is not found as acid was taken up by the sample.

Bias in seawater: some umol/kg, for the ratio of total to free acid is taken as that of the undiluted sample.
"""

import numpy as np

from saltern.chemistry.electrode import nernst_mv
from saltern.chemistry.endpoint.curve import Conditions, Curve, EndPoint, EndPointMethod, Priors
from saltern.chemistry.endpoint.gran import gran_line
from saltern.chemistry.equilibria import total_over_free
from saltern.errors import CurveError

NAME = "acid-excess"
BIAS_U_UMOL_KG = 5.0
HIGHEST_PH = 3.9


def acid_excess(curve: Curve, conditions: Conditions, priors: Priors) -> EndPoint:
    """Average what each acid reading says."""
    line = gran_line(curve, conditions, priors)
    slope = nernst_mv(curve.temperature_c) * priors.slope.value
    free = np.exp((curve.emf_mv - line.e0_free_mv) / slope)
    used = -np.log10(free) < HIGHEST_PH
    if used.sum() < 2:
        raise CurveError("no two readings lie below pH 3.9", where=NAME, remedy="Titrate further")
    acid = curve.titrant_g * conditions.titrant_mol_per_kg
    z = total_over_free(conditions.salinity, float(curve.temperature_c[0]), conditions.medium)
    found = (acid - free * z * (conditions.sample_g + curve.titrant_g))[used] / conditions.sample_g
    return EndPoint(
        method=NAME,
        alkalinity_umol_kg=float(found.mean()) * 1e6,
        u_umol_kg=float(np.hypot(found.std() * 1e6, BIAS_U_UMOL_KG)),
        e0_mv=line.e0_free_mv,
        slope=priors.slope.value,
        points_used=int(used.sum()),
        residual_mv=line.residual_mv,
    )


METHOD = EndPointMethod(acid_excess, targets_ph_free=(6.0, 4.5, 3.8, 3.7, 3.6, 3.5, 3.4, 3.3, 3.2, 3.1))
'''


def test_a_method_is_one_file_and_one_line(tree):
    tree.new("daemon/saltern/chemistry/endpoint/acid_excess.py", ACID_EXCESS)
    tree.touch(
        "daemon/saltern/chemistry/endpoint/methods.py",
        lambda text: text.replace('    "gran": ', '    "acid-excess": "acid_excess:METHOD",\n    "gran": '),
    )

    curve = curve_after(np.linspace(0.0, 1.3, 40) * ALKALINITY * SAMPLE_G / CONDITIONS.titrant_mol_per_kg)
    lines = [f"{g:.6f},{e:.4f},25.0" for g, e in zip(curve.titrant_g, curve.emf_mv, strict=True)]
    (tree.folder / "curve.csv").write_text("\n".join(["titrant_g,emf_mv,temperature_c", *lines]))
    known = ("--sample-g", str(SAMPLE_G), "--salinity", "35", "--titrant-mol-per-kg", "0.05", "--co2", "closed")
    found = json.loads(tree.saltern("evaluate", "curve.csv", *known, "--method", "acid-excess", "--json"))
    assert found["alkalinity"]["umol_per_kg"] == pytest.approx(1e6 * ALKALINITY, abs=60.0)
    assert "acid-excess" in tree.saltern("evaluate", "--help")

    (tree.folder / "bench.toml").write_text(to_toml(bench_table({"method": "acid-excess"})))
    (tree.folder / "day.toml").write_text('seed = 5\ndays = 0.05\nbench = "bench.toml"\n')
    *_, measured = json.loads(tree.saltern("simulate", "day.toml", "--json"))["determinations"]
    alkalinity = measured["alkalinity"]
    assert alkalinity["verdict"] == "accepted", alkalinity
    assert abs(alkalinity["umol_per_kg"] - alkalinity["truth"]) < 3.3 * alkalinity["u"]
    assert len(tree.places) <= 1, tree.places


# An outlet -----------------------------------------------------------------------------------

LAMP = '''"""A lamp on the shelf, by a file that whatever drives it reads: lit while something stands."""

from pathlib import Path
from typing import Any

from saltern.config.tables import Table
from saltern.publish.outlet import OutletKind, Surroundings


class Lamp(Table):
    """Where the lamp looks."""

    file: str


class LampOutlet:
    """Writes whenever there is news."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def update(self, status: dict[str, Any]) -> None:
        self._path.write_text("lit" if status["alerts"] else "dark", encoding="utf-8")

    def close(self) -> None:
        self._path.write_text("out", encoding="utf-8")


def _open(table: Lamp, around: Surroundings) -> LampOutlet:
    return LampOutlet(around.folder / table.file)


KIND = OutletKind(_open, Lamp, reaches=lambda table: f"the lamp at {table.file}")
'''


def test_an_outlet_is_one_file_and_one_line(tree):
    tree.new("daemon/saltern/publish/lamp.py", LAMP)
    tree.touch(
        "pyproject.toml",
        lambda text: text.replace(
            '[project.entry-points."saltern.outlets"]\n',
            '[project.entry-points."saltern.outlets"]\nlamp = "saltern.publish.lamp:KIND"\n',
        ),
    )
    tree.install()

    table = bench_table()
    (tree.folder / "wrong.toml").write_text(to_toml({**table, "outlets": {"lamp": {"fiel": "lamp"}}}))
    assert "outlets.lamp.fiel" in tree.saltern("check", "wrong.toml", code=2)
    assert "lamp" in json.loads(tree.saltern("check", "--schema"))["properties"]["outlets"]["properties"]
    (tree.folder / "bench.toml").write_text(to_toml({**table, "outlets": {"lamp": {"file": "lamp"}}}))
    said = tree.run(
        "-c",
        "from pathlib import Path\n"
        "from saltern.clock import RealClock\n"
        "from saltern.config.loading import load_bench\n"
        "from saltern.publish.outlets import outlets, reaches\n"
        "from saltern.records.opening import open_store\nfrom saltern.records.store import IN_MEMORY\n"
        "config, store = load_bench(Path('bench.toml')), open_store(IN_MEMORY, RealClock())\n"
        "with outlets(lambda: config, Path('.'), store, RealClock(), lambda: True) as found:\n"
        "    found.update({'alerts': ['one'], 'last': None})\n"
        "    print(Path('lamp').read_text(), reaches(config))\n"
        "print(Path('lamp').read_text())\n",
    )
    assert said == "lit ['the lamp at lamp']\nout\n"
    assert len(tree.places) <= 1, tree.places


# An interlock --------------------------------------------------------------------------------

CONDITION = """def surely_too_full(seen: Snapshot) -> bool:
    return seen.vessel_low_ml > seen.overfill_ml


TABLE: tuple[Row, ...] = (
    Row(
        "surely-overfull",
        "ledger, lower bound",
        surely_too_full,
        ADDING_PUMPS,
        "trip",
        EDGE_S,
        Severity.CRITICAL,
        "Look at the vessel and at the overfill float, which should have acted, then empty and reset",
    ),
"""


def test_an_interlock_is_one_row_and_at_most_two_places(tree):
    tree.own(
        "daemon/saltern/bench/interlocks.py",
        lambda text: text.replace("TABLE: tuple[Row, ...] = (\n", CONDITION).replace(
            "    vessel_high_ml: float = 0.0\n", "    vessel_high_ml: float = 0.0\n    vessel_low_ml: float = 0.0\n"
        ),
    )
    filled = re.compile(r"^( +)seen\.vessel_high_ml = (.+)\.high$", re.MULTILINE)
    (looking,) = (p for p in (tree.folder / "daemon/saltern/bench").glob("*.py") if filled.search(p.read_text()))
    tree.touch(looking.relative_to(tree.folder), lambda text: filled.sub(r"\g<0>\n\1seen.vessel_low_ml = \2.low", text))
    shutil.copytree(ROOT / "tests/bench", tree.folder / "tests/bench", ignore=shutil.ignore_patterns("__pycache__"))
    tree.own(
        "tests/bench/test_interlocks.py",
        lambda text: text.replace("CAUSES = {\n", 'CAUSES = {\n    "surely-overfull": {"vessel_low_ml": 136.1},\n'),
    )
    tree.own("hardware/INTERLOCKS.md", lambda _: tree.saltern("check", "--interlocks"))

    tree.run("-m", "pytest", "-q", "-p", "no:cacheprovider", "--noconftest", "tests/bench/test_interlocks.py")
    assert "| surely-overfull |" in (tree.folder / "hardware/INTERLOCKS.md").read_text()
    assert len(tree.places) <= 2, tree.places
