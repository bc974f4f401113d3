"""What a tank consumes, on reefs that know nothing of the filter (`reef.py`)."""

from dataclasses import replace

import numpy as np
import pytest

from saltern.tank.consumption import consumption
from saltern.tank.history import Doser, Factor, History, Priors, Reference, Seen, WaterChange
from tests.sizes import sizes
from tests.tank.reef import HOBBY_OWN_UMOL_KG, VOLUME_L, Reef, play, priors_of

AT_D = 8.0
WORLDS = {
    "good": {},
    "hobby": {"own_umol_kg": HOBBY_OWN_UMOL_KG},
    "good, doses scatter by 5 %": {"scatter_percent": 5.0},
    "hobby, doses scatter by 5 %": {"own_umol_kg": HOBBY_OWN_UMOL_KG, "scatter_percent": 5.0},
    "good, wanders twice as much": {"wander": (0.1, 0.1)},
    "hobby, wanders twice as much": {"own_umol_kg": HOBBY_OWN_UMOL_KG, "wander": (0.1, 0.1)},
    "good, factor drifts": {"ramp_percent_per_month": (0.0, 1.0), "reference_every_d": 7.0},
    "hobby, factor drifts": {
        "own_umol_kg": HOBBY_OWN_UMOL_KG,
        "ramp_percent_per_month": (0.0, 1.0),
        "reference_every_d": 7.0,
    },
    "good, wander of six days": {"wander_days": 6.0},
}
NET_WITHIN = {"good": 0.01, "hobby": 0.02}  # dKH/day, after seven days


def found_and_true(world, tanks, seed):
    """Return errors and their stated standard uncertainties of net rate and consumption, and the true consumption."""
    reef = Reef(tanks, 8, **world)
    played = play(reef, seed)
    truth, net = played.over(played.consumed, AT_D, 7.0), played.over(played.net, AT_D, 7.0)
    windows = [consumption(each, priors_of(reef), AT_D, (7.0,)).windows[7.0] for each in played.histories]
    taken = np.array([(each.consumption_dkh_per_day.value, each.consumption_dkh_per_day.u) for each in windows])
    moved = np.array([(each.net_dkh_per_day.value, each.net_dkh_per_day.u) for each in windows])
    return (moved[:, 0] - net, moved[:, 1]), (taken[:, 0] - truth, taken[:, 1]), truth


@pytest.mark.parametrize("tanks", sizes(16, in_soak=1000))
@pytest.mark.parametrize("world", WORLDS)
def test_net_rate_and_consumption_after_seven_days(world, tanks):
    """Within 0.01 or 0.02, and 5 % or 0.04 dKH/day, in 95 % of tanks; k = 2 intervals cover 93 to 98 %."""
    (net, net_u), (taken, taken_u), truth = found_and_true(WORLDS[world], tanks, seed=17)
    doubt = 2.0 * np.sqrt(0.05 / tanks)  # of a share near 95 %, from so many tanks
    close = (np.abs(taken) < 0.05 * truth) | (np.abs(taken) < 0.04)
    covered_net, covered = np.mean(np.abs(net) < 2.0 * net_u), np.mean(np.abs(taken) < 2.0 * taken_u)
    print(
        f"{world}: net rms {np.sqrt(np.mean(net**2)):.4f}, covered {covered_net:.3f}; "
        f"consumption rms {np.sqrt(np.mean(taken**2)):.4f}, close {np.mean(close):.3f}, covered {covered:.3f}"
    )

    assert np.mean(np.abs(net) < NET_WITHIN[world.split(",", maxsplit=1)[0]]) > 0.95
    assert np.mean(close) > 0.95 - doubt
    for share in (covered_net, covered):
        assert 0.93 - doubt < share < 0.985 + doubt


@pytest.mark.parametrize("tanks", sizes(12, in_soak=1000))
@pytest.mark.parametrize(("own", "share"), [(3.2, 0.95), (HOBBY_OWN_UMOL_KG, 0.78)])
def test_one_test_dose_shows_the_volume(own, share, tanks):
    """The volume is known to 10 % (k = 2); one logged dose of 1 dKH on the fourth day."""
    (_, _), (taken, taken_u), truth = found_and_true(
        {"own_umol_kg": own, "volume_percent": 5.0, "test_dose_at_d": 3.3}, tanks, seed=18
    )
    close = (np.abs(taken) < 0.05 * truth) | (np.abs(taken) < 0.04)
    print(f"own {own}: close {np.mean(close):.3f}, covered {np.mean(np.abs(taken) < 2.0 * taken_u):.3f}")

    assert np.mean(close) > share
    assert np.mean(np.abs(taken) < 2.0 * taken_u) > 0.93 - 2.0 * np.sqrt(0.05 / tanks)


def test_the_wander_and_the_scatter_are_learnt():
    learnt = {}
    for world in ("good", "good, wanders twice as much", "good, doses scatter by 5 %"):
        reef = Reef(10, 15, **(WORLDS[world] | ({"wander": (0.02, 0.02)} if world == "good" else {})))
        played = play(reef, 5)
        each = [consumption(history, priors_of(reef), 14.0, (7.0,)) for history in played.histories]
        learnt[world] = np.mean([(c.wander_dkh_per_day, c.doser_scatter) for c in each], axis=0)

    assert learnt["good"][0] < 0.03
    assert 0.07 < learnt["good, wanders twice as much"][0] < 0.15
    assert learnt["good, doses scatter by 5 %"][1] > 1.5 * learnt["good"][1]


def still(days, net=0.0, doser=0.0, every_h=4.0, u=0.01, sample_part=0.0):
    """A tank without chance: its level moves by `net` and by what samples take."""
    level, seen = 8.0, []
    for i in range(round(days * 24.0 / every_h) + 1):
        seen.append(Seen(i * every_h / 24.0, level, u))
        level += net * every_h / 24.0 - sample_part * level
    return History(tuple(seen), doser=(Doser(-1.0, doser),))


def test_a_balance_without_chance():
    found = consumption(still(10, net=-0.2, doser=0.8), Priors(), 10.0)

    for days in (3.0, 7.0):
        assert found.windows[days].consumption_dkh_per_day.value == pytest.approx(1.0, abs=0.003)
        assert found.windows[days].net_dkh_per_day.value == pytest.approx(-0.2, abs=0.002)
    assert found.windows[14.0].days == 10.0
    assert found.level_dkh.value == pytest.approx(6.0, abs=0.02)
    assert found.windows[3.0].alkalinity_dkh.value == pytest.approx(6.3, abs=0.02)


def test_samples_take_their_own_part():
    """Six samples of 0.2 L a day from 400 L of 8 dKH: 0.024 dKH a day, which corals do not take."""
    part = 0.2 / VOLUME_L
    history = still(10, sample_part=part)
    knows = consumption(history, Priors(sample_part=part), 10.0).windows[7.0]
    not_fresh = consumption(history, Priors(sample_part=part, top_up_fresh=False), 10.0).windows[7.0]

    assert knows.consumption_dkh_per_day.value == pytest.approx(0.0, abs=0.002)
    assert knows.net_dkh_per_day.value == pytest.approx(-0.024, abs=0.002)
    assert not_fresh.consumption_dkh_per_day.value == pytest.approx(0.024, abs=0.002)


def test_a_water_change_is_no_consumption():
    history = still(10, net=-0.1)
    changed = tuple(
        replace(each, dkh=each.dkh + 0.2 * (10.0 - (8.0 - 0.5))) if each.at_d > 5.0 else each for each in history.seen
    )
    told = replace(history, seen=changed, water_changes=(WaterChange(5.0, 0.2, 10.0, 0.05),))
    found = consumption(told, Priors(), 10.0).windows[7.0]

    assert found.consumption_dkh_per_day.value == pytest.approx(0.1, abs=0.005)
    assert found.net_dkh_per_day.value == pytest.approx(-0.1, abs=0.005)


def test_a_water_change_of_unknown_water_hides_its_step_alone():
    history = still(10, net=-0.1)
    changed = tuple(replace(each, dkh=each.dkh + 0.5) if each.at_d > 5.0 else each for each in history.seen)
    told = replace(history, seen=changed, water_changes=(WaterChange(5.0, 0.2),))
    found = consumption(told, Priors(), 10.0).windows[7.0]

    assert found.consumption_dkh_per_day.value == pytest.approx(0.1, abs=0.01)


def test_two_equal_doses_at_one_time_are_two():
    from saltern.tank.history import Dose

    history = still(6)
    changed = tuple(replace(each, dkh=each.dkh + 0.6) if each.at_d > 3.01 else each for each in history.seen)
    told = replace(history, seen=changed, doses=(Dose(3.01, 0.3), Dose(3.01, 0.3)))

    assert consumption(told, Priors(), 6.0).windows[3.0].consumption_dkh_per_day.value == pytest.approx(0, abs=0.02)


def test_what_came_later_does_not_count():
    reef = Reef(1, 10)
    history = play(reef, 3).histories[0]
    then = consumption(history.until(6.0), priors_of(reef), 6.0)

    assert consumption(history, priors_of(reef), 6.0) == then


def test_too_early_to_say():
    """Sixteen hours of one day's swing are no trend; two results say nothing at all; the third day says something."""
    reef = Reef(5, 5)
    for history in play(reef, 9).histories:
        priors = priors_of(reef)

        assert consumption(history, priors, 0.2) is None
        assert consumption(history, priors, 16.0 / 24.0).too_early
        assert not consumption(history, priors, 4.0).too_early


def test_no_result_is_no_answer():
    assert consumption(History(), Priors(), 5.0) is None


def without_factors(histories):
    return [replace(each, factors=()) for each in histories]


def test_results_alone_say_nothing_of_their_factor():
    """Without a reference, four weeks of results move the level no further from what they say than chance does."""
    reef = Reef(3, 29, factor_percent=0.0, own_umol_kg=HOBBY_OWN_UMOL_KG, dosed_over_consumed=(0.98, 1.02))
    played = play(reef, 4)
    priors = replace(priors_of(reef), factor_u=0.02)
    off = [
        consumption(history, priors, 28.0, (1.0,)).windows[1.0].alkalinity_dkh.value
        - played.level[played.at(27.0) : played.at(28.0), i].mean()
        for i, history in enumerate(without_factors(played.histories))
    ]
    print(np.round(off, 3))

    assert abs(np.mean(off)) < 0.1  # one tank scatters by 0.03


@pytest.mark.parametrize("percent_per_month", [3.0, -3.0])
def test_a_factor_that_follows_its_drift_is_not_read_as_the_tank(percent_per_month):
    """A steady tank; a pump drifts, each week's reference shows it, and from the second on the factor goes with it."""
    random, drift = np.random.default_rng(3), percent_per_month / 100.0 / 30.0
    seen, references, factors, error, course = [], [], [Factor(0.0, 0.001)], 0.0, 0.0
    before_d = 0.0
    for k in range(6 * 22):
        at_d = 0.02 + k / 6.0
        error += (drift + course) * (at_d - before_d)
        before_d = at_d
        if k in (42, 84):
            references.append(Reference(at_d, error, 0.0005))
            course = -drift
            factors.append(Factor(at_d, 0.001, -error, course))
            error = 0.0
        seen.append(Seen(at_d, 8.0 * (1.0 + error) + 0.01 * random.standard_normal(), 0.01))
    history = History(
        tuple(seen), (), (Doser(0.0, 1.0),), references=tuple(references), factors=tuple(factors)
    )  # it takes what is dosed
    priors = Priors(factor_drift_u=0.00033, factor_walk_u=0.0002, factor_turn_u=1.5e-5)

    for day in (12.0, 18.0, 21.9):
        net = consumption(history, priors, day, (7.0,)).windows[7.0].net_dkh_per_day

        assert abs(net.value) < 2.0 * net.u < 0.008


@pytest.mark.parametrize("knock_mv", [6.0, -6.0])
def test_an_electrode_that_is_knocked_moves_no_value(knock_mv):
    """It was read as a volume: intervals of unfriendly hobby benches covered 87 to 92 % of levels and net rates."""
    history = still(10, net=-0.1)
    with_offset = tuple(
        replace(each, e0_mv=400.0 + (knock_mv if each.at_d > 6.0 else 0.0), u_e0_mv=1.0) for each in history.seen
    )
    quiet = consumption(history, Priors(factor_u=0.006), 10.0)
    knocked = consumption(replace(history, seen=with_offset), Priors(factor_u=0.006), 10.0)

    for days in (3.0, 7.0):
        for name in ("net_dkh_per_day", "consumption_dkh_per_day", "alkalinity_dkh"):
            one, other = getattr(quiet.windows[days], name), getattr(knocked.windows[days], name)
            assert other.value == pytest.approx(one.value, abs=0.1 * one.u)
