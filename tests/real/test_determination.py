"""A whole determination through the real libraries, in real time: about a quarter of an hour a bench.

The twin's physics stands behind the header's lines, its I2C bus and its serial ports. The world holds the truth.
"""

import pytest

from tests.real.bench_world import BenchWorld
from tests.real.service import bench_here, running

ROLES = ("ph", "conductivity", "temperature")
WITHIN_S = 40 * 60.0

pytestmark = pytest.mark.soak


@pytest.mark.parametrize("example", ["header", "serial"])
def test_a_determination_through_the_real_libraries_is_accepted_and_true(example, pi_header, tmp_path):
    ports = {role: tmp_path / "by-id" / f"usb-{role}" for role in ROLES} if example == "serial" else {}
    changes = {f"probes.{role}.board.port": str(path) for role, path in ports.items()}
    path, table = bench_here(f"bench-{example}.toml", tmp_path, changes)
    world = BenchWorld(table, pi_header, seed=3, ports=ports)
    try:
        with running(pi_header, path) as service:
            service.wait_until_ready()
            drawn = []

            def has_measured():
                status = service.ask("status")
                if (status["running"] or {}).get("phase") == "titrate":
                    drawn[:] = [world.drawn_umol_kg()]
                return status["last"] is not None

            service.wait_for(has_measured, "a determination", within_s=WITHIN_S)
            found = service.ask("status")["last"]["alkalinity"]
            assert service.stop() == 0
    finally:
        world.close()

    print(f"{example}: {found['umol_per_kg']:.1f} +- {found['u']:.1f} against {drawn[0]:.1f} umol/kg")
    assert found["verdict"] == "accepted", found
    assert abs(found["umol_per_kg"] - drawn[0]) < 3.0 * found["u"]
    assert world.world.spilled.spilled_ml == 0.0
