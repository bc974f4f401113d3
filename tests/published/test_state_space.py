"""The filter and the smoother against a textbook's figures, and against plain conditioning of one large Gaussian."""

import numpy as np
import pytest

from saltern.tank.state_space import Start, Step, kalman_filter, smooth

NILE = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
]  # fmt: skip
"""Annual flow at Aswan 1871-1970, 1e8 m3: Cobb 1978, Biometrika 65, 243 (typed from memory; the published estimates,
which any wrong figure would move, come out)."""

OWN, WANDER = 15099.0, 1469.1
"""Durbin & Koopman 2012, 2.2.5: estimates by maximum likelihood."""


def local_level(values, wander, own=OWN):
    one = np.ones((1, 1, 1))
    row = np.ones((1, 1))
    return [
        Step(one, np.zeros((1, 1)), one * (0.0 if k == 0 else wander), row, value, own)
        for k, value in enumerate(values)
    ]


DIFFUSE = Start(np.zeros((1, 1)), np.zeros((1, 1, 1)), diffuse=(0,))


def concentrated(ratio):
    """Return the log-likelihood with the scale taken out, without its constants, and that scale (D & K, 2.10.2)."""
    found = kalman_filter(DIFFUSE, local_level(NILE, ratio, own=1.0))
    innovation, variance = found.innovation[1:, 0], found.innovation_variance[1:, 0]
    scale = np.mean(innovation**2 / variance)
    return -0.5 * len(innovation) * np.log(scale) - 0.5 * np.sum(np.log(variance)), scale


@pytest.mark.parametrize(
    ("ratio", "printed"), [(1.0, -495.68), (0.0360, -492.53), (0.0745, -492.10), (0.0974, -492.07), (0.0973, -492.07)]
)
def test_the_likelihood_of_the_nile_on_the_way_to_its_maximum(ratio, printed):
    """Durbin & Koopman 2012, table 2.1 (from memory); its first line is -495.6851 here."""
    assert concentrated(ratio)[0] == pytest.approx(printed, abs=0.0055)


def test_the_variances_of_the_nile():
    """15099 and 1469.1, as the maximum over their ratio."""
    ratios = np.exp(np.linspace(np.log(0.09), np.log(0.105), 301))
    best = max(ratios, key=lambda ratio: concentrated(ratio)[0])
    scale = concentrated(best)[1]

    assert scale == pytest.approx(OWN, rel=5e-4)
    assert best * scale == pytest.approx(WANDER, rel=3e-3)


def test_the_diffuse_log_likelihood_of_the_nile():
    """-632.54: the textbook's maximum (-492.07) with its constants, -(n - 1) (log 2 pi + 1) / 2."""
    found = kalman_filter(DIFFUSE, local_level(NILE, WANDER))
    constants = -0.5 * 99 * (np.log(2.0 * np.pi) + 1.0)

    assert found.log_likelihood.sum() == pytest.approx(-492.07 + constants, abs=0.02)


def test_the_first_flow_and_the_steady_state_of_the_nile():
    """D & K 2.2.5: a2 = y1, P2 = 15099 + 1469.1; 2.11: the variance settles at a root of its quadratic."""
    found = kalman_filter(DIFFUSE, local_level(NILE, WANDER))
    q = WANDER / OWN
    x = (q + np.sqrt(q**2 + 4.0 * q)) / 2.0

    assert found.mean[0, 0, 0] == 1120.0
    assert found.covariance[0, 0, 0, 0] == pytest.approx(OWN)
    assert found.covariance[-1, 0, 0, 0] == pytest.approx(OWN * x / (1.0 + x), rel=1e-6)
    assert found.innovation_variance[1, 0] == pytest.approx(2 * OWN + WANDER)


def random_model(seed, n=3, k=12):
    """A drifting model with gaps, of no meaning."""
    random = np.random.default_rng(seed)
    steps = []
    for i in range(k):
        root = random.normal(size=(n, n)) * 0.3
        seen = None if i in (4, 5) else float(random.normal())
        steps.append(
            Step(
                np.eye(n)[None] + 0.2 * random.normal(size=(1, n, n)),
                random.normal(size=(1, n)),
                (root @ root.T)[None],
                random.normal(size=(1, n)),
                seen,
                float(random.uniform(0.1, 1.0)),
            )
        )
    return steps


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("diffuse", [(), (0,), (0, 2)])
def test_filter_smoother_and_likelihood_are_those_of_one_large_gaussian(seed, diffuse):
    """All states and observations at once, by the textbook rule for conditioning; a diffuse part as a huge variance."""
    n, steps = 3, random_model(seed)
    huge = 1e7
    prior = np.diag([huge if i in diffuse else 0.5 for i in range(n)])
    start = Start(np.zeros((1, n)), np.diag([0.0 if i in diffuse else 0.5 for i in range(n)])[None], diffuse)
    filtered = kalman_filter(start, steps)
    smoothed = smooth(steps, filtered)

    k = len(steps)
    mean, root = np.zeros(n), np.hstack([np.linalg.cholesky(prior), np.zeros((n, n * k))])
    means, roots = [], []
    for i, step in enumerate(steps):
        mean, root = step.transition[0] @ mean + step.shift[0], step.transition[0] @ root
        root[:, n * (i + 1) : n * (i + 2)] += np.linalg.cholesky(step.noise[0] + 1e-15 * np.eye(n))
        means.append(mean)
        roots.append(root.copy())

    def given(upto, of):
        seen = [j for j in range(upto + 1) if steps[j].seen is not None]
        see = np.array([steps[j].row[0] @ roots[j] for j in seen])
        off = np.array([steps[j].seen - steps[j].row[0] @ means[j] for j in seen])
        spread = see @ see.T + np.diag([steps[j].variance for j in seen])
        gain = np.linalg.solve(spread, see @ roots[of].T).T
        log = -0.5 * (len(seen) * np.log(2 * np.pi) + np.linalg.slogdet(spread)[1] + off @ np.linalg.solve(spread, off))
        return means[of] + gain @ off, roots[of] @ roots[of].T - gain @ see @ roots[of].T, log

    for i in (3, 5, 8, k - 1):
        expected, covariance, _ = given(i, i)
        np.testing.assert_allclose(filtered.mean[i, 0], expected, atol=2e-4)
        np.testing.assert_allclose(filtered.covariance[i, 0], covariance, atol=2e-4)
    for i in range(k):
        expected, covariance, log = given(k - 1, i)
        if not diffuse or i >= 3:
            np.testing.assert_allclose(smoothed.mean[i, 0], expected, atol=2e-4)
            np.testing.assert_allclose(smoothed.covariance[i, 0], covariance, atol=2e-4)
        else:
            np.testing.assert_allclose(smoothed.mean[i, 0], expected, rtol=2e-3, atol=2e-2)
            np.testing.assert_allclose(smoothed.covariance[i, 0], covariance, rtol=2e-3, atol=2e-2)
    huge_part = 0.5 * len(diffuse) * (np.log(huge) + np.log(2 * np.pi))
    assert filtered.log_likelihood.sum() == pytest.approx(log + huge_part, abs=1e-3)


def test_several_models_at_once_are_each_as_if_alone():
    one, row, zero = np.ones((1, 1, 1)), np.ones((1, 1)), np.zeros((1, 1))
    noises = np.array([500.0, 1469.1, 4000.0])[:, None, None]
    together = kalman_filter(DIFFUSE, [Step(one, zero, noises, row, y, OWN) for y in NILE], models=3)
    for i, noise in enumerate(noises[:, 0, 0]):
        alone = kalman_filter(DIFFUSE, [Step(one, zero, one * noise, row, y, OWN) for y in NILE])
        np.testing.assert_allclose(together.mean[:, i], alone.mean[:, 0])
        np.testing.assert_allclose(together.log_likelihood[:, i], alone.log_likelihood[:, 0])
