"""Whether the tank is about to leave its band: said while there is still time to dose."""

from datetime import timedelta
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import said, said_with_u
from saltern.config.tables import BenchConfig
from saltern.running.tank_picture import Picture
from saltern.running.watch.watched import Watched
from saltern.tank.findings import Whose, in_force
from saltern.tank.forecast import is_leaving

CODE = "alkalinity-leaving"
MIDNIGHT_IS_THE_DAY_BEFORE = timedelta(hours=1)
NET_OVER_D = 3.0


def of_leaving(seen: Picture, config: BenchConfig) -> Watched:
    """Check the forecast of the tank as it stood after its newest result.

    Where doses by hand are on record, they are supposed to go on as in the week past: without them the tank of a keeper
    who doses each morning would leave its band every night.
    """
    ahead, taken, band = seen.as_dosed, seen.consumption, config.tank
    if ahead is None or taken is None or taken.too_early or band is None:
        return Watched(False, CODE, "")
    newest, unit, salinity = seen.known.history.seen[-1].dkh, config.alkalinity_unit, seen.known.salinity
    if not band.low_dkh <= newest <= band.high_dkh:
        return Watched(False, CODE, "")  # it has left: that has an alert of its own
    unsure = f"alkalinity may leave its band, but that is no longer sure; it is {said(newest, unit, salinity)} now"
    if any(one.whose is not Whose.TANK for one in in_force(seen.findings)):
        return Watched(None, CODE, unsure)  # it may be the instrument that goes
    inside = f"Alkalinity is {said(newest, unit, salinity)} now, and stays in its band as far as can be seen"
    leaves = ahead.leaves
    if leaves is None:
        return Watched(is_leaving(ahead), CODE, unsure, over=inside)
    when = seen.known.time_of(leaves.at_d).astimezone(ZoneInfo(config.schedule.time_zone)) - MIDNIGHT_IS_THE_DAY_BEFORE
    limit, way = (band.low_dkh, "below") if ahead.downwards else (band.high_dkh, "above")
    sure = min(99, round(100.0 * max(leaves.below, leaves.above)))
    net = taken.windows[NET_OVER_D].net_dkh_per_day
    text = (
        f"alkalinity will be {way} {said(limit, unit, salinity)} on {when:%A %d %B}, {sure} % sure, if it is dosed as "
        f"before; it is {said(newest, unit, salinity)} now, and changes by "
        f"{said_with_u(net.value, net.u, unit, salinity, signed=True)} a day"
    )
    return Watched(True, CODE, text, over=inside)
