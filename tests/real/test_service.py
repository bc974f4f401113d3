"""The service starts, ends and dies on the real libraries, and leaves every output low."""

import os
import signal

import pytest

from tests.real.examples import header_bench, serial_bench
from tests.real.service import running, safe_off

OUTPUTS = (11, 12, 13, 17, 18, 19, 22, 23, 24, 25, 27)


@pytest.fixture(params=[header_bench, serial_bench], ids=["header", "serial"])
def bench(request, header, tmp_path):
    """An example bench on a header, with the world behind its pins and boards."""
    example = request.param(header, tmp_path)
    yield example.file, example.world
    example.world.close()


def driven(header):
    return [line for line in OUTPUTS if header.level(line)]


def test_it_starts_on_real_libraries_drains_and_stops_with_every_output_low(bench, header):
    path, world = bench
    with running(header, path) as service:
        service.wait_until_ready()
        service.wait_for(lambda: header.level(12), "the waste pump drains the first sample")

        assert service.stop() == 0, service.said()

        assert driven(header) == []
        assert all(header.owner(line) == 0 for line in OUTPUTS)
    assert "Traceback" not in service.said()
    assert world.world.spilled.spilled_ml == 0.0


def test_killed_while_a_pump_turns_it_leaves_no_output_high_after_safe_off(bench, header):
    path, _ = bench
    with running(header, path) as service:
        service.wait_for(lambda: header.level(12), "the waste pump drains the first sample")
        permits = header.rises(11)
        service.kill()
        assert header.level(12) is header.persist  # a Raspberry Pi's line stays driven

        done = safe_off(header, path)

        assert done.returncode == 0, done.stderr
        assert driven(header) == []
        assert header.rises(11) <= permits + 1  # nobody holds the permit any more
    with running(header, path) as service:  # and it starts again
        service.wait_until_ready()
        service.wait_for(lambda: header.level(12) or header.rises(17), "it recovers")
        assert service.stop() == 0, service.said()
    assert driven(header) == []


def test_a_hung_service_loses_its_pump_and_safe_off_takes_its_lines(bench, header):
    path, _ = bench
    with running(header, path) as service:
        service.wait_for(lambda: header.level(12), "the waste pump drains the first sample")
        os.kill(service.process.pid, signal.SIGSTOP)

        done = safe_off(header, path)

        assert done.returncode == 0, done.stderr
        assert driven(header) == []
