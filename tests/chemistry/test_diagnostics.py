"""What a curve says against its own answer, and what the information of readings promises."""

from dataclasses import replace

import numpy as np
import pytest

from saltern.chemistry.endpoint.curve import Curve
from saltern.chemistry.endpoint.information import Belief, Statistics, acid_at, alkalinity_sd, best_targets
from saltern.chemistry.endpoint.least_squares import least_squares, solution_of
from saltern.chemistry.endpoint.organics import share_reported
from tests.benchmarks.made_curves import CLASSES, GOOD, any_water, make

PLAN = (6.6, 6.2, 6.0, 5.8, 4.4, 4.2, 3.5)


def made(n, seed, instruments=GOOD, targets=PLAN, alkalinity=(2000.0, 3000.0)):
    random = np.random.default_rng(seed)
    return make(random, any_water(random, n, 0.05, alkalinity=alkalinity), instruments, targets)


def each(curves):
    return zip(curves.curves, curves.conditions, curves.priors, strict=True)


@pytest.mark.parametrize("klass", list(CLASSES))
def test_statistics_alarm_as_rarely_as_their_limits_say(klass):
    """Four statistics at 0.3 % each: of 600 sound curves at most 15 are flagged (binomial of 1.2 %, 99.9 %)."""
    found = [least_squares(*question) for question in each(made(600, 1, CLASSES[klass]))]

    assert sum(bool(f.flags) for f in found) <= 15
    assert all(len(f.findings) == 4 for f in found)


def test_a_bubble_of_a_twentieth_of_a_millilitre_is_seen_and_located():
    bubble_g, dose = 0.05, 4
    for curve, conditions, priors in each(made(30, 2)):
        if conditions.titrant_mol_per_kg < 0.1:
            continue
        less = curve.titrant_g + np.where(np.arange(len(curve.titrant_g)) >= dose, bubble_g, 0.0)
        found = least_squares(replace(curve, titrant_g=less), conditions, priors)
        step = next(f for f in found.findings if f.code == "volume-step")

        assert "volume-step" in found.flags
        assert f"before reading {dose} of those used" in step.about  # reading 0 is above pH 6.9
        assert float(step.about.split()[0]) == pytest.approx(-bubble_g, abs=0.02)


def test_a_wrong_scale_of_the_whole_curve_cannot_be_seen():
    for curve, conditions, priors in each(made(30, 3)):
        wrong = replace(conditions, sample_g=conditions.sample_g * 0.99)

        assert least_squares(curve, wrong, priors).flags in ((), ("volume-step",))


def with_organic_base(curve, conditions, priors, x, pk):
    """Return the curve of a sample that also holds `x` mol/kg of a base: the signal is the same at more acid."""
    p, theta = (solution := solution_of(curve, conditions, priors)).readings, solution.theta
    h = 1e-4 * np.exp((p.emf_mv - theta[1]) / (theta[2] * p.nernst_mv))
    more = x * h / (10.0**-pk + h) * conditions.sample_g / conditions.titrant_mol_per_kg
    return Curve(
        curve.titrant_g + np.concatenate([np.zeros(len(curve.titrant_g) - len(h)), more]),
        curve.emf_mv,
        curve.temperature_c,
        curve.time_s,
        curve.emf_sd_mv,
        curve.dose_sd_g,
    )


@pytest.mark.parametrize("pk", [3.5, 4.5, 5.5, 7.0])
def test_the_part_of_an_organic_base_that_is_reported_is_as_computed(pk):
    for curve, conditions, priors in each(made(5, 4)):
        more = with_organic_base(curve, conditions, priors, 10e-6, pk)
        without, having = (least_squares(c, conditions, priors).alkalinity_umol_kg for c in (curve, more))
        expected = 10.0 * share_reported(solution_of(curve, conditions, priors), np.array([pk]))[0]

        assert having - without == pytest.approx(expected, abs=0.4)


def test_organic_bases_of_pk_5_5_and_above_are_reported_and_of_3_5_are_not():
    shares = [share_reported(solution_of(*question), np.array([3.5, 4.5, 5.5, 7.0])) for question in each(made(20, 5))]
    low, middle, high, higher = np.mean(shares, axis=0)

    assert low < 0.15
    assert 0.4 < middle < 0.75
    assert high > 0.9
    assert higher > 0.97


def belief_of(question):
    solution = solution_of(*question)
    conditions = question[1]
    k = solution.readings.medium
    first = {name: getattr(k, name) for name in ("k1", "k1k2", "kw")}
    medium = replace(k, acids_k=k.acids_k[:, 0], **{name: np.ravel(v)[0] for name, v in first.items()})
    return (
        Belief(
            solution.theta,
            solution.priors,
            medium,
            float(solution.readings.nernst_mv[0]),
            solution.readings.equilibrium_carbon,
            conditions.co2,
        ),
        Statistics(
            GOOD.noise_mv,
            GOOD.walk_ml**2 * conditions.titrant_mol_per_kg / conditions.sample_g,
            20.0,
            conditions.titrant_mol_per_kg,
        ),
    )


def test_what_readings_promise_is_what_the_evaluation_then_states():
    for question in each(made(20, 6)):
        belief, statistics = belief_of(question)
        solution = solution_of(*question)
        p, theta = solution.readings, solution.theta
        ph = 4.0 - (p.emf_mv - theta[1]) / (theta[2] * p.nernst_mv) / np.log(10.0)
        promised = alkalinity_sd(belief, statistics, ph[None, :])[0] * 1e6

        assert promised == pytest.approx(least_squares(*question).u_umol_kg, rel=0.05)


def test_nine_chosen_readings_tell_nearly_as_much_as_sixty_and_more_than_nine_in_a_row():
    for question in each(made(20, 7)):
        belief, statistics = belief_of(question)
        chosen, _ = best_targets(belief, statistics, np.empty(0), 9)
        nine, row = (alkalinity_sd(belief, statistics, ph[None, :])[0] for ph in (chosen, np.linspace(6.7, 3.45, 9)))
        dense = alkalinity_sd(belief, statistics, np.linspace(6.7, 3.0, 60)[None, :])[0]

        assert np.all(np.diff(chosen) < 0.0)
        assert nine < 1.2 * dense
        assert nine < row


def test_titrant_grows_along_the_targets():
    for question in each(made(5, 8)):
        belief, statistics = belief_of(question)
        acid = acid_at(belief, statistics, np.linspace(6.7, 3.0, 30)[None, :])[0]

        assert np.all(np.diff(acid) > 0.0)
