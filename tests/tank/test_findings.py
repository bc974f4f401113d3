"""Was it the tank or the instrument, on reefs that know nothing of the filter (`reef.py`)."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from saltern.tank.consumption import consumption
from saltern.tank.findings import (
    OF_INSTRUMENT,
    OF_TANK,
    TAKEN_BACK_BELOW,
    Ask,
    Cause,
    Circumstances,
    Finding,
    SalinitySeen,
    Weighing,
    Whose,
    breaks_of,
    in_force,
    look,
    looks,
    right_afterwards,
)
from saltern.tank.history import Doser, History, Priors, Reference, Seen
from saltern.tank.shocks import Shock, suspicions, without_outliers
from tests.sizes import sizes
from tests.tank.reef import HOBBY_OWN_UMOL_KG, Reef, play, priors_of

AT_D = 14.3
REFERENCE_D = 16.0
GOOD = {"wander": (0.03, 0.10), "reference_every_d": 7.0}
HOBBY = GOOD | {"own_umol_kg": HOBBY_OWN_UMOL_KG}
QUIET = {"electrode_wander_mv": 0.05}
WIDE = Circumstances()

CHANGES = {
    "good, consumption": (GOOD | {"rate_step": (AT_D, 0.4)}, Whose.TANK),
    "good, dose that nobody logged": (GOOD | {"level_step": (AT_D, 0.3)}, Whose.TANK),
    "good, factor": (GOOD | {"factor_step": (AT_D, 2.0)}, Whose.INSTRUMENT),
    "hobby, consumption": (HOBBY | {"rate_step": (AT_D, 0.7)}, Whose.TANK),
    "hobby, factor": (HOBBY | {"factor_step": (AT_D, 6.5)}, Whose.INSTRUMENT),
}


def told_of(history, priors, begin_d, end_d, around=WIDE):
    return looks(history, priors, begin_d, end_d, [], around)


def played(world, tanks, seed, begin_d, end_d, days=17, around=WIDE):
    reef = Reef(tanks, days, **world)
    return [told_of(history, priors_of(reef), begin_d, end_d, around) for history in play(reef, seed).histories]


@pytest.mark.parametrize("tanks", sizes(1, in_soak=60))
@pytest.mark.parametrize("change", CHANGES)
def test_twice_the_unit_size_is_named_rightly_by_the_next_reference(change, tanks):
    """Named and right in 90 %; confident and wrong in at most 2 %; *silent* and *cannot tell* are columns."""
    world, right = CHANGES[change]
    ends = [in_force(told) for told in played(world, tanks, 5, 13.9, REFERENCE_D + 0.4)]
    columns = Counter(told[-1].whose.value if told else "silent" for told in ends)
    print(f"{change}: {dict(columns)}")

    assert columns[right.value] >= 0.9 * tanks
    assert sum(columns[whose.value] for whose in Whose if whose not in (right, Whose.CANNOT_TELL)) <= 0.02 * tanks


def test_one_pass_over_a_time_is_told_the_same_as_a_look_after_each_result():
    reef = Reef(1, 17, **GOOD | QUIET | {"level_step": (AT_D, 0.4), "standardised": True})
    (history,) = play(reef, 6).histories
    begin, end, priors = 14.0, 15.6, priors_of(reef)
    told = []
    for each in history.seen:
        if begin <= each.at_d <= end:
            found = look(history, priors, each.at_d + 1e-3, told, WIDE)
            told += [] if found is None else [found]
    at_once = looks(history, priors, begin, end, [], WIDE)

    assert told
    assert [(each.whose, each.cause, each.supersedes) for each in told] == [
        (each.whose, each.cause, each.supersedes) for each in at_once
    ]
    for one, other in zip(told, at_once, strict=True):
        assert (one.at_d, one.size) == pytest.approx((other.at_d, other.size), rel=0.02)


def test_before_a_reference_a_jump_is_told_and_not_named_and_a_reference_is_asked_for():
    reef = Reef(1, 17, **GOOD | {"level_step": (AT_D, 0.3)})
    (history,) = play(reef, 5).histories
    (found,) = told_of(history, priors_of(reef), 13.9, AT_D + 0.5)
    level = next(each.dkh for each in reversed(history.seen) if each.at_d < AT_D)

    assert found.whose is Whose.CANNOT_TELL
    assert found.at_d - AT_D < 0.34  # two results show it
    assert (found.cause, found.ask, found.cost_ml) == (Cause.UNKNOWN, Ask.REFERENCE, 600.0)
    assert abs(found.since_d - AT_D) < 0.2
    assert found.unit in ("dKH", "%")
    assert (found.size if found.unit == "dKH" else found.size / 100 * level) == pytest.approx(0.3, abs=0.08)


@pytest.mark.parametrize(
    ("shape", "right"), [({"factor_step": (AT_D, 2.0)}, Whose.INSTRUMENT), ({"level_step": (AT_D, 0.3)}, Whose.TANK)]
)
def test_a_quiet_electrode_tells_pump_from_dose_without_a_reference(shape, right):
    """The fitted offset moves by 0.26 mV a percent of a volume, and not with a dose."""
    (told,) = played(GOOD | QUIET | shape | {"reference_every_d": 0.0}, 1, 5, 13.9, AT_D + 0.7)

    assert in_force(told)[-1].whose is right
    assert in_force(told)[-1].at_d - AT_D <= 4.5 / 6.0


def test_a_step_that_its_first_result_made_look_like_a_rate_is_said_to_be_a_step():
    """A rate that was taken for granted would need the opposite rate after it, and the tank would be named for that."""
    reef = Reef(1, 17, **GOOD | {"factor_step": (AT_D, -1.4), "standardised": True, "consumption": (1.0, 2.0)})
    (history,) = play(reef, 24).histories
    told = told_of(history, priors_of(reef), 13.9, REFERENCE_D - 0.1)
    (stands,) = in_force(told)

    assert told[0].shape is Shock.RATE
    assert stands.whose is Whose.CANNOT_TELL
    assert stands.supersedes == told[0].id
    assert stands.shape in (Shock.LEVEL, Shock.FACTOR)
    assert stands.at_d - told[0].at_d <= 2.1 / 6.0  # two results more

    named = in_force([*told, *looks(history, priors_of(reef), REFERENCE_D, REFERENCE_D + 0.9, told, WIDE)])
    assert [each.whose for each in named] == [Whose.INSTRUMENT]


def test_a_name_given_to_a_rate_goes_once_results_show_a_step():
    """The tank was named for a rate of four results; the fifth and sixth lie flat."""
    reef = Reef(
        1,
        23,
        consumption=(1.0, 2.0),
        wander=(0.03, 0.10),
        dosed_over_consumed=(0.9, 1.1),
        ramp_percent_per_month=(0.0, 1.0),
        reference_every_d=7.0,
        standardised=True,
        factor_step=(18.538, -1.646),
    )
    (history,) = play(reef, 6).histories
    told = told_of(history, priors_of(reef), 18.0, 22.9)
    (stands,) = in_force(told)

    assert (told[0].whose, told[0].shape) == (Whose.TANK, Shock.RATE)
    assert stands.whose is Whose.CANNOT_TELL
    assert stands.supersedes == told[0].id
    assert stands.shape in (Shock.LEVEL, Shock.FACTOR)


def test_a_name_that_a_reference_contradicts_does_not_stand_though_the_change_is_too_small_to_name_another():
    """An electrode wanders by itself just when 0.13 dKH come into the tank: so much may not be named."""
    history = steady(11.0, jump_at_d=8.0, jump=0.13)
    seen = tuple(replace(each, e0_mv=400.0 - (0.45 if each.at_d > 8.0 else 0.0), u_e0_mv=0.03) for each in history.seen)
    references = tuple(Reference(at_d, 0.0, 0.002) for at_d in (5.0, 10.0))
    known = History(seen, doser=history.doser, references=references)
    told = told_of(known, Priors(), 7.5, 9.9)
    (before,) = in_force(told)
    (after,) = in_force([*told, *looks(known, Priors(), 10.0, 11.0, told, WIDE)])

    assert before.whose is Whose.INSTRUMENT
    assert (after.whose, after.supersedes) == (Whose.CANNOT_TELL, before.id)
    assert after.shape is Shock.LEVEL
    assert (after.size, after.unit) == (pytest.approx(0.13, abs=0.03), "dKH")


def test_a_name_does_not_stand_once_a_reference_makes_it_the_less_likely_one():
    """The reference is too coarse to refute the electrode: the tank is likelier than not, and neither may be named."""
    history = steady(11.0, jump_at_d=8.0, jump=-0.13)
    seen = tuple(replace(each, e0_mv=400.0 + (0.44 if each.at_d > 8.0 else 0.0), u_e0_mv=0.03) for each in history.seen)
    references = tuple(Reference(at_d, 0.0, 0.003) for at_d in (5.0, 10.0))
    known = History(seen, doser=history.doser, references=references)
    told = told_of(known, Priors(), 7.5, 9.9)
    (before,) = in_force(told)
    found = suspicions(known, Priors(), known.seen[-1].at_d)
    later = looks(known, Priors(), 10.0, 11.0, told, WIDE)
    (after,) = in_force([*told, *later])

    assert before.whose is Whose.INSTRUMENT
    assert found.probability(*OF_INSTRUMENT) >= TAKEN_BACK_BELOW
    assert found.probability(*OF_TANK) >= 0.5
    assert (after.whose, after.supersedes) == (Whose.CANNOT_TELL, before.id)
    assert len(later) == 1

    named_since = [replace(before, at_d=10.1)]  # with the reference: only another may undo it

    assert looks(known, Priors(), 10.15, 11.0, named_since, WIDE) == []


@pytest.mark.parametrize("tanks", sizes(2, in_soak=100))
@pytest.mark.parametrize("world", [GOOD, HOBBY], ids=["good", "hobby"])
def test_nothing_is_told_of_tanks_in_which_nothing_happens(world, tanks):
    """At most one false alarm a year; factor ramps of 0 to 1 % a month, weekly references, any usual wander."""
    days = 20 if tanks < 10 else 55
    quiet = world | {"ramp_percent_per_month": (0.0, 1.0), "dosed_over_consumed": (0.98, 1.02)}
    every = played(quiet, tanks, 21, 8.0 if days > 20 else 17.5, days, days=days)
    years = tanks * (days - 8.0) / 365.0
    alarms = sum(len(told) for told in every)
    print(f"{alarms} false alarms in {years:.1f} tank-years")

    assert alarms <= max(1.0, years + 2.0 * np.sqrt(years)) if days > 20 else alarms == 0


@pytest.mark.soak
@pytest.mark.parametrize(
    ("own", "wander", "size", "within_h"),
    [
        (3.2, 0.03, 0.3, 16.0),
        (HOBBY_OWN_UMOL_KG, 0.03, 0.3, 30.0),
        (3.2, 0.08, 0.3, 24.0),
        (HOBBY_OWN_UMOL_KG, 0.08, 0.45, 36.0),
    ],
)
def test_how_soon_a_change_of_the_consumption_is_told(own, wander, size, within_h):
    """The change begins at any hour of the day; 90 % are told in time, on a steady tank and on one that wanders."""
    delays = []
    for k, begin in enumerate((16.0, 16.25, 16.5, 16.75)):
        reef = Reef(15, 20, own_umol_kg=own, wander=(wander, wander), rate_step=(begin, size))
        for told in (told_of(h, priors_of(reef), begin, 20.0) for h in play(reef, 30 + k).histories):
            delays.append(min((24.0 * (each.at_d - begin) for each in told), default=np.inf))
    share = np.mean(np.array(delays) <= within_h)
    print(
        f"own {own}, wander {wander}, {size} dKH/day: {share:.2f} within {within_h:g} h, "
        f"median {np.median(delays):.0f} h"
    )

    assert share >= 0.9


def steady(days, jump_at_d=99.0, jump=0.0, u=0.01, doser=0.0):
    random = np.random.default_rng(4)
    at = np.arange(0.02, days, 1.0 / 6.0)
    values = 8.0 + np.where(at > jump_at_d, jump, 0.0) + u * random.standard_normal(len(at))
    return History(
        tuple(Seen(float(t), float(v), u) for t, v in zip(at, values, strict=True)), doser=(Doser(0, doser),)
    )


def rate_of_the_tank(number, at_d, since_d, size):
    cause = Cause.CONSUMPTION_ROSE if size > 0.0 else Cause.CONSUMPTION_FELL
    return Finding(
        number, at_d, since_d, Whose.TANK, cause, 0.95, size, 0.06, "dKH/day", None, None, None, Shock.RATE
    )  # fmt: skip


def test_two_rates_that_undo_each_other_go_where_a_step_says_the_same():
    """Each by itself is needed to undo the other; without both, a step is all there was."""
    history = steady(11.0, jump_at_d=8.0, jump=-0.2)
    reported = [rate_of_the_tank(1, 8.2, 7.86, 0.6), rate_of_the_tank(2, 8.9, 8.2, -0.6)]
    told = looks(history, Priors(), 9.0, 10.9, reported, WIDE)
    (stands,) = in_force([*reported, *told])

    assert [each.supersedes for each in told[:2]] == [2, 1]
    assert told[1].at_d - 9.0 < 1.0
    assert stands.shape in (Shock.LEVEL, Shock.FACTOR)
    assert stands.whose is Whose.CANNOT_TELL


def test_two_rates_that_undo_each_other_stay_where_both_were():
    """Corals take 0.6 dKH a day more for two days."""
    history = steady(14.0)
    days = np.clip([each.at_d - 8.0 for each in history.seen], 0.0, 2.0)
    seen = tuple(replace(each, dkh=each.dkh - 0.6 * more) for each, more in zip(history.seen, days, strict=True))
    reported = [rate_of_the_tank(1, 8.5, 8.0, 0.6), rate_of_the_tank(2, 10.5, 10.0, -0.6)]

    assert looks(History(seen, doser=history.doser), Priors(), 10.6, 13.9, reported, WIDE) == []


def test_one_result_that_is_off_is_asked_again_and_not_told():
    history = steady(9.0)
    last = history.seen[-1]
    off = History((*history.seen[:-1], Seen(last.at_d, last.dkh + 0.3, 0.01)), doser=history.doser)

    assert look(off, Priors(), last.at_d, [], WIDE) is None
    found = suspicions(off, Priors(), last.at_d)
    assert found.nothing < 0.05


def test_a_result_that_was_off_alone_hides_no_change_after_it():
    history = steady(12.0, jump_at_d=10.0, jump=0.3)
    seen = tuple(replace(each, dkh=each.dkh + 1.5) if i == 40 else each for i, each in enumerate(history.seen))
    off = History(seen, doser=history.doser)
    told = told_of(off, Priors(), 9.0, 11.0)
    cleaned = without_outliers(off, Priors(), 9.5)

    assert told
    assert abs(told[0].since_d - 10.0) < 0.3
    assert [i for i, (one, other) in enumerate(zip(cleaned.seen, seen, strict=True)) if one != other] == [40]
    found = consumption(cleaned, Priors(), 9.5, (7.0,)).windows[7.0]
    assert abs(found.net_dkh_per_day.value) < 3.0 * found.net_dkh_per_day.u
    assert abs(found.alkalinity_dkh.value - 8.0) < 0.05


def test_salinity_that_moved_as_much_is_the_cause():
    history = steady(9.0, jump_at_d=8.0, jump=-0.4)
    salt = tuple(SalinitySeen(t, 35.0 if t < 8.0 else 33.25, 0.05) for t in np.arange(6.0, 9.0, 0.25))
    quiet = tuple(Seen(each.at_d, each.dkh, each.u_own_dkh, 400.0, 0.03) for each in history.seen)
    told = told_of(
        History(quiet, doser=history.doser),
        Priors(factor_u=0.002, electrode_wander_mv=0.03),
        7.5,
        9.0,
        Circumstances(salinity=salt),
    )

    assert told[-1].whose is Whose.TANK
    assert told[-1].cause is Cause.SALINITY_MOVED


@pytest.mark.parametrize(
    ("around", "cause"),
    [
        (Circumstances(new_bottles_d=(8.0,)), Cause.TITRANT_CHANGED),
        (Circumstances(recalibrations_d=(8.0,)), Cause.RECALIBRATION),
        (Circumstances(titrant_weighed=(Weighing(8.8, -0.05, 0.005),)), Cause.AIR_IN_TITRANT_LINE),
        (Circumstances(), Cause.FACTOR_MOVED),
    ],
)
def test_what_was_done_just_then_or_weighed_names_the_cause(around, cause):
    """Results rise by 5 %, and the electrode's offset falls by 1.3 mV."""
    history = steady(9.0, jump_at_d=8.0, jump=0.4)
    seen = tuple(
        Seen(each.at_d, each.dkh, each.u_own_dkh, 400.0 - (1.3 if each.at_d > 8.0 else 0.0), 0.03)
        for each in history.seen
    )
    told = told_of(History(seen, doser=history.doser), Priors(electrode_wander_mv=0.03), 7.5, 9.0, around)

    assert told[-1].whose is Whose.INSTRUMENT
    assert told[-1].cause is cause


def test_what_a_measurement_would_be_worth():
    assert right_afterwards(0.5, 0.0) == 0.5
    assert right_afterwards(0.5, 2.0) == pytest.approx(0.8413, abs=1e-4)  # of a standard normal below 1
    assert right_afterwards(0.7, 6.0) > 0.99
    assert right_afterwards(0.95, 0.5) >= 0.95


def test_a_finding_in_public_words():
    (told,) = played(GOOD | {"level_step": (AT_D, 0.3)}, 1, 5, 13.9, AT_D + 0.5)
    words = told[0].as_json()

    assert list(words) == [
        "id", "at_h", "since_h", "is", "cause", "probability", "size", "unit", "supersedes", "ask", "cost_ml",
    ]  # fmt: skip
    assert words["is"] == "cannot-tell"


@pytest.mark.parametrize("tanks", sizes(2, in_soak=40))
def test_a_dose_that_was_found_counts_into_the_net_rate_as_one_that_was_logged(tanks):
    """The reef's own balance has it among doses; the net rate of the week lies within its uncertainty of that."""
    world = GOOD | {"level_step": (AT_D, 0.6)}
    reef = Reef(tanks, 17, **world)
    played_ = play(reef, 9)
    off = []
    for i, history in enumerate(played_.histories):
        told = told_of(history, priors_of(reef), 13.9, 16.5)
        found = consumption(history, priors_of(reef), 16.5, (7.0,), breaks_of(in_force(told)))
        net = found.windows[7.0].net_dkh_per_day
        assert [each.cause for each in in_force(told)] == [Cause.DOSE_UNLOGGED]
        off.append((net.value - played_.over(played_.net, 16.5, 7.0)[i]) / net.u)

    assert np.sqrt(np.mean(np.square(off))) < 2.0
