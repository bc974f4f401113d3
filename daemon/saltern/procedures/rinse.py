"""How often to rinse, and with how much: the least tank water that keeps the carry-over within its limit."""

from dataclasses import dataclass

from saltern.config.tables import BenchConfig

MOST_RINSES = 8
COVER = 1.1  # of the volume at which the probes' tips are just covered: a drain must be seen to go from wet to dry
WORST_DIFFERENCE_UMOL_KG = 9000.0
"""Most that the liquid before can differ from the sample: 20 dKH titrated to pH 3."""


@dataclass(frozen=True)
class RinsePlan:
    """So many rinses of so much."""

    times: int
    volume_ml: float

    @property
    def total_ml(self) -> float:
        return self.times * self.volume_ml


def rinse_plan(
    residue_ml: float,
    sample_ml: float,
    carry_over_umol_kg: float,
    worst_difference_umol_kg: float,
    least_ml: float,
) -> RinsePlan:
    """Return the plan that takes the least water.

    Each rinse of V leaves the share residue / (residue + V) of the liquid before, and filling leaves
    residue / (residue + sample); so n rinses need V = residue (ratio^(1/n) - 1).

    Parameters
    ----------
    residue_ml
        What a drain leaves, mL.
    sample_ml
        Volume of the sample, and the largest rinse, mL.
    carry_over_umol_kg
        The most that may be carried over.
    worst_difference_umol_kg
        The most that the liquid before can differ from the sample.
    least_ml
        The smallest rinse that can be seen to drain, and that flushes the sample line.
    """
    ratio = worst_difference_umol_kg * residue_ml / (residue_ml + sample_ml) / carry_over_umol_kg
    if ratio <= 1.0:
        return RinsePlan(0, least_ml)
    plans = []
    for times in range(1, MOST_RINSES + 1):
        volume_ml = max(least_ml, residue_ml * (ratio ** (1.0 / times) - 1.0))
        if volume_ml <= sample_ml:
            plans.append(RinsePlan(times, volume_ml))
    return min(plans, key=lambda plan: plan.total_ml, default=RinsePlan(MOST_RINSES, sample_ml))


def plan_for(config: BenchConfig) -> RinsePlan:
    """Return the rinse plan of a bench; the first rinse also flushes what stood in the sample line."""
    vessel = config.vessel
    cover_ml = COVER * vessel.volume_at_ml(max(vessel.ph_tip_mm, vessel.conductivity_tip_mm))
    plan = rinse_plan(
        vessel.residue_ml,
        config.sample.volume_ml,
        config.sample.carry_over_umol_kg,
        WORST_DIFFERENCE_UMOL_KG,
        max(cover_ml, config.pumps.sample.line.volume_ml),
    )
    return RinsePlan(max(1, plan.times), plan.volume_ml)
