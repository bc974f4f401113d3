"""Whatever the GPIO library raises, only errors of ours come out of the drivers that stand on it."""

import json
import subprocess
import sys

from tests.real.foreign import AT_IMPORT

PARTS = 5
MOVES_OUTPUTS = {"gpio_claim_output", "gpio_write", "tx_pulse", "tx_pwm", "tx_room", "gpio_read", "gpio_claim_alert"}


def test_no_error_of_the_library_leaves_a_driver(pi_header):
    parts = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.real.foreign", str(part), str(PARTS)],
            env=pi_header.environment() | {"SALTERN_HEADER": str(pi_header.another())},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for part in range(PARTS)
    ]
    found = []
    for part in parts:
        said, complaints = part.communicate(timeout=300)
        assert part.returncode == 0, complaints
        found.append(json.loads(said))

    assert {len(each["used"]) for each in found} == {len(found[0]["used"])}
    assert set(found[0]["used"]) >= MOVES_OUTPUTS
    assert not AT_IMPORT & set(found[0]["used"])
    assert sum(each["tried"] for each in found) == 2 * 8 * len(found[0]["used"])
    assert [line for each in found for line in each["foreign"]] == []
