"""A reference at an inlet of its own: measured without a person when it is due, as long as its bottle lasts."""

from saltern.bench.bench import StopRequested
from saltern.errors import SalternError
from saltern.procedures.arithmetic import sample_per_run_ml
from saltern.procedures.reference import Unattended, is_due, needs_ml, options_of
from saltern.records.upkeep import keep_state, state
from saltern.running import guided
from saltern.running.anchoring import step_open
from saltern.running.workplace import Workplace

REFERENCE_USED, AGAIN_S = "reference used, mL", 12 * 3600.0
"""The state that counts what was taken of the bottle; and after how long one that failed is tried again (assumed)."""


class ReferenceWater:
    """Owns when the reference was last tried."""

    def __init__(self, place: Workplace) -> None:
        self._place = place
        self._tried_s = -AGAIN_S

    def due(self) -> bool:
        """Return whether the reference is to be measured, and alert where it cannot be.

        It is when its time has come, and at once if only a witness can show what a step was.
        """
        place = self._place
        config, now, now_s = place.config, place.clock.now(), place.clock.monotonic()
        reference = config.reference
        if reference is None:
            return False
        if not is_due(reference, config.titre.calibrated_on, now.date()) and not step_open(place.store):
            return False
        lacking = reference.bottle_ml - self._used_ml() < needs_ml(config, reference)
        expired = reference.expires is not None and now.date() > reference.expires
        place.alerting.stands(
            lacking or expired,
            "reference-unusable",
            f"a reference is due and its bottle is {'expired' if expired else 'nearly empty'}: put in a fresh one, and "
            "say: saltern part replaced reference",
        )
        if lacking or expired or now_s - self._tried_s < AGAIN_S:
            return False
        self._tried_s = now_s
        return True

    def measure(self) -> None:
        """Standardise with the reference; nobody is asked for anything."""
        place, reference = self._place, self._place.config.reference
        if reference is None:
            return
        place.at_work.claim("standardise")
        try:
            guided.run(place, "standardise", options_of(reference), Unattended(), "service")
        except StopRequested:
            raise
        except SalternError as error:
            text = f"the reference was measured to no avail: {error}"
            place.alerting.alert("reference-refused", text)
        else:
            place.alerting.clear("reference-refused")
        finally:
            place.bench.select("reference", other=False)
            self._take(sample_per_run_ml(place.config) * reference.times)
            place.at_work.release()

    def _take(self, volume_ml: float) -> None:
        """Keep what a standardisation has taken of the bottle."""
        keep_state(self._place.store, REFERENCE_USED, self._used_ml() + volume_ml, self._place.clock.now())

    def _used_ml(self) -> float:
        used_ml = state(self._place.store, REFERENCE_USED)
        return float(used_ml) if isinstance(used_ml, int | float) else 0.0
