"""How often to rinse."""

MOST_RINSES = 8


def rinse_plan(
    residue_ml: float,
    rinse_ml: float,
    sample_ml: float,
    carry_over_umol_kg: float,
    worst_difference_umol_kg: float,
) -> int:
    """Return how many rinses keep what residue carries over within `carry_over_umol_kg`.

    Each rinse leaves the share residue / (residue + rinse) of the liquid before; filling leaves
    residue / (residue + sample).

    Parameters
    ----------
    residue_ml, rinse_ml, sample_ml
        Volumes, mL.
    carry_over_umol_kg
        The most that may be carried over.
    worst_difference_umol_kg
        The most that the liquid before can differ from the sample.
    """
    left = worst_difference_umol_kg * residue_ml / (residue_ml + sample_ml)
    for rinses in range(MOST_RINSES):
        if left <= carry_over_umol_kg:
            return rinses
        left *= residue_ml / (residue_ml + rinse_ml)
    return MOST_RINSES
