"""All methods by name."""

from saltern.chemistry.endpoint import fixed_ph, gran, inflection, least_squares, sop3b
from saltern.chemistry.endpoint.curve import Method

DEFAULT = least_squares.NAME

METHODS: dict[str, Method] = {
    least_squares.NAME: least_squares.least_squares,
    sop3b.NAME: sop3b.sop3b,
    gran.NAME: gran.gran,
    inflection.NAME: inflection.inflection,
    fixed_ph.NAME: fixed_ph.fixed_ph,
    fixed_ph.CORRECTED_NAME: fixed_ph.fixed_ph_corrected,
}
