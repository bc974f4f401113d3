"""A bench in the unfriendly world, calibrated by a keeper, measures: its electrode is bent and slow in part."""

import pytest

from tests.benchmarks.commissioning import play_unfriendly

BENCHES = [
    13,
    *(pytest.param(seed, marks=pytest.mark.soak) for seed in (3, 8, 22)),
]
"""The curves of all four were refused as poorly fitting, at a reduced chi-square of 5 to 60 against their own noise."""


@pytest.mark.slow
@pytest.mark.parametrize("seed", BENCHES)
def test_a_calibrated_bench_of_the_unfriendly_world_measures_within_its_uncertainty(seed):
    played = play_unfriendly((seed, "good", 0, False))

    assert played.trouble == ""
    assert [verdict for _, _, verdict in played.after] == ["accepted"] * 4
    assert all(abs(error) < 2.5 * u for error, u, _ in played.after)
    assert all(u < 8.0 for _, u, _ in played.after)
