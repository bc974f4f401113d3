"""`saltern tank`: what the tank consumes, where it is going, what changed, what to dose. From the records alone."""

from datetime import datetime, timedelta
from typing import Annotated, Any

import typer

from saltern.cli.records import BenchOption

JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")]
NEVER_BY_ONE_NUMBER = "Never dose by one number alone: look at the tank, and test by other means before a large change."


def tank(
    bench: BenchOption = None,
    at: Annotated[str | None, typer.Option(help="As it stood then, ISO 8601; otherwise at the newest result.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Show what the tank consumes, where it is going, what has changed, and what to dose."""
    from saltern.cli.present import console, print_json
    from saltern.clock import RealClock
    from saltern.config.loading import load_bench
    from saltern.config.paths import meant
    from saltern.config.paths import records_path as records_of
    from saltern.errors import ConfigError
    from saltern.model.determination import Source
    from saltern.records.store import open_for_reading
    from saltern.running.tank_picture import as_json as picture_json
    from saltern.running.tank_picture import picture

    bench = meant(bench)
    if bench is None:
        raise ConfigError("which bench?", where="--bench", remedy="Give --bench BENCH.toml, or set SALTERN_BENCH")
    config = load_bench(bench)
    store = open_for_reading(records_of(config, bench), RealClock())
    try:
        last = store.last_started(Source.TANK)
        moment = _moment(at) or last or RealClock().now()
        found = picture(store, config, moment)
    finally:
        store.close()
    if found is None or config.tank is None:
        if as_json:
            print_json({"schema_version": 1, "at_utc": moment.isoformat(), "consumption": None})
        else:
            console().print("Nothing has been measured of this tank yet.")
        return
    words = picture_json(found, config.tank)
    if as_json:
        print_json(words)
    else:
        _print(words)


def _moment(text: str | None) -> datetime | None:
    from saltern.errors import ConfigError

    if text is None:
        return None
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(f"{text!r} is not a time", where="--at", remedy="Give ISO 8601 with an offset") from error
    if at.tzinfo is None:
        raise ConfigError(f"{text!r} has no offset", where="--at", remedy="For example 2026-03-02T08:00:00+01:00")
    return at


def _print(words: dict[str, Any]) -> None:
    from saltern.cli.present import say

    found = words["consumption"]
    if found is None or found["too_early"]:
        say("Too early to say what the tank consumes: it takes two days of results, and better three.")
    else:
        say(f"level {_of(found['level_dkh'])} dKH")
        for window in found["windows"]:
            say(
                f"last {window['days']:.0f} days: consumption {_of(window['consumption_dkh_per_day'])} dKH a day, "
                f"net {_of(window['net_dkh_per_day'], 3, sign='+')} dKH a day, mean {_of(window['alkalinity_dkh'])} dKH"
            )
        say(f"It wanders by about {found['wander_dkh_per_day']:.2f} dKH a day (learnt from its results).")
    _print_ahead(words["forecast"])
    for finding in words["findings"]:
        _print_finding(finding)
    carbonate = words["carbonate"]
    if carbonate is not None:
        say(
            f"carbon {_of(carbonate['carbon_umol_kg'], 0)} umol/kg, CO2 {_of(carbonate['pco2_uatm'], 0)} uatm, "
            f"aragonite saturation {_of(carbonate['aragonite_saturation'], 1)}"
        )
    _print_advice(words["advice"])
    for line in words["not_understood"]:
        say(f"Not counted, for its strength is not known: {line}. Name it under tank.supplements.")
    say("± is twice the standard uncertainty (k = 2).", style="dim")


def _print_ahead(ahead: dict[str, Any] | None) -> None:
    from saltern.cli.present import say

    if ahead is None or ahead["leaves_at_utc"] is None:
        return
    # a whole day is a midnight: it is left in the day before
    when = datetime.fromisoformat(ahead["leaves_at_utc"]) - timedelta(hours=1)
    way = "below" if ahead["downwards"] else "above"
    sure = min(99, round(100 * ahead["probability"]))
    limit = ahead["limit_dkh"]
    say(f"{way} {limit:g} dKH, out of its band, on {when:%A %d %B} if nothing else is done, {sure} % sure")


def _print_finding(finding: dict[str, Any]) -> None:
    from saltern.cli.present import say

    since = datetime.fromisoformat(finding["since_utc"])
    line = f"no. {finding['id']}: since {since:%a %d %b %H:%M} {finding['is']}, {finding['cause']}"
    line += f", {finding['size']:+.2f} {finding['unit']} ({100 * finding['probability']:.0f} % sure)"
    if finding["supersedes"] is not None:
        line += f", instead of no. {finding['supersedes']}"
    if finding["ask"] is not None:
        line += f". The measurement that would decide it: {finding['ask']} ({finding['cost_ml']:.0f} mL)"
    say(line, hanging=2)


def _print_advice(word: dict[str, Any]) -> None:
    from saltern.cli.present import say

    if word["withheld_because"] is not None:
        say(f"No advice ({word['withheld_because']}): {word['mend']} Keep to the last dose meanwhile.")
        return
    say(f"to hold the target: {word['dose_dkh_per_day']:.2f} dKH a day")
    if word["days"]:
        say(
            f"to come to it: {word['correction_dkh']:+.2f} dKH more, spread over {word['days']} days "
            f"({word['correction_dkh_per_day']:+.2f} dKH a day)"
        )
    for each in word["supplements"]:
        say(f"{each['name']}: {each['ml_per_day']:.0f} mL a day now, {each['hold_ml_per_day']:.0f} mL then.")
        if each["ph_change_if_at_once"] is not None:
            say(f"A day's dose at once would move pH by {each['ph_change_if_at_once']:+.2f}.", indent=2)
        say(each["caution"], indent=2)
    say(NEVER_BY_ONE_NUMBER)


def _of(estimate: dict[str, float], digits: int = 2, sign: str = "") -> str:
    return f"{estimate['value']:{sign}.{digits}f} ± {2.0 * estimate['u']:.{digits}f}"
