"""Makes the records in `tests/records/old`: each by the code that kept them, taken from the history.

    python -m tests.records.old_records COMMIT NAME

plays some hours of a simulated bench with that commit's own service, lets that service say what it has kept, and packs
both. A fixture is made once, when the schema has just changed; it is not made anew with later code.
"""

import gzip
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path

HERE = Path(__file__).parent / "old"
ROOT = Path(__file__).parents[2]

BY_THEIR_OWN_CODE = """
import dataclasses, json, sys
try:
    import saltern.cli.simulation as simulation
    from saltern.cli.simulation import run
except ImportError:
    import saltern.cli.simulate as simulation
    from saltern.cli.simulate import run
from pathlib import Path
from saltern.clock import VirtualClock
try:
    from saltern.records.opening import open_for_reading
except ImportError:
    from saltern.records.store import open_for_reading
from saltern_drivers.twin.scenario import Scenario

simulation.IN_MEMORY = sys.argv[1]
trip = {"kind": "leak", "at_h": 3.4, "for_h": 0.1}
table = {"seed": 4, "days": 0.25, "schedule": {"every_h": 1.5}, "fault": [trip]}
run(Scenario.model_validate(table), Path())
store = open_for_reading(sys.argv[1], VirtualClock())

def quantity(q):
    return [q.value, q.u, q.verdict.value, [reason.value for reason in q.reasons]]

found = {
    "results": [
        [number, d.source.value, d.started_at.isoformat(), d.method, quantity(d.alkalinity), quantity(d.ph_total),
         quantity(d.salinity), None if d.curve is None else d.curve.emf_mv.tolist()]
        for number, d in store.results(100)
    ],
    "ledger": dataclasses.asdict(store.load_ledger()),
    "latches": sorted(store.load_latches()),
    "alerts": [[str(at), code, text] for at, code, text in store._connection.execute(
        "SELECT at_utc, code, text FROM alert ORDER BY id").fetchall()],
}
store.close()
print(json.dumps(found))
"""


def main(commit: str, name: str) -> None:
    """Make one fixture."""
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        archive = subprocess.run(["git", "archive", commit], cwd=ROOT, capture_output=True, check=True)
        subprocess.run(["tar", "x", "-C", folder], input=archive.stdout, check=True)
        records = folder / "saltern.sqlite"
        path = os.pathsep.join(str(folder / source) for source in ("daemon", "drivers"))
        said = subprocess.run(
            [sys.executable, "-c", BY_THEIR_OWN_CODE, records],
            env={**os.environ, "PYTHONPATH": path},
            capture_output=True,
            text=True,
            check=True,
        )
        with closing(sqlite3.connect(records)) as database:
            database.execute("VACUUM")
        HERE.mkdir(exist_ok=True)
        for suffix in (".sqlite", ".sqlite.ledger.json", ".sqlite.latches.json"):
            file = records.with_suffix(suffix)
            if file.exists():
                (HERE / f"{name}{suffix}.gz").write_bytes(gzip.compress(file.read_bytes(), mtime=0))
        (HERE / f"{name}.json").write_text(json.dumps(json.loads(said.stdout.splitlines()[-1]), indent=1) + "\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
