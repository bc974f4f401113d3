"""`saltern tank`: what the tank consumes, where it is going, what changed, what to dose. From the records alone."""

from collections.abc import Callable
from datetime import datetime
from functools import partial
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, said
from saltern.cli.records import BenchOption

JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")]


def tank(
    bench: BenchOption = None,
    at: Annotated[str | None, typer.Option(help="Time to judge at, ISO 8601 (default: the newest result).")] = None,
    as_json: JsonOption = False,
) -> None:
    """Show the tank's consumption, its forecast, what has changed, and what to dose."""
    from saltern.cli.present import console, print_json
    from saltern.clock import RealClock
    from saltern.config.loading import load_bench
    from saltern.config.paths import meant
    from saltern.config.paths import records_path as records_of
    from saltern.errors import ConfigError
    from saltern.model.determination import Source
    from saltern.records.opening import open_for_reading
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
        _print(words, config.alkalinity_unit, ZoneInfo(config.schedule.time_zone))


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


def _print(picture: dict[str, Any], unit: AlkalinityUnit, zone: ZoneInfo) -> None:
    from saltern.cli.present import say
    from saltern.report import words
    from saltern.report.finding_words import line as finding_line

    estimate = partial(words.estimate, unit=unit, salinity=picture["salinity"])

    def said_so(dkh: float, *, signed: bool = False) -> str:
        return words.with_minus(said(dkh, unit, picture["salinity"], signed=signed))

    found = picture["consumption"]
    if found is None:
        say("It is not known what the tank consumes: it takes three results of the last four weeks.")
    elif found["too_early"]:
        say("Too early to say what the tank consumes: it takes two days of results, and better three.")
    else:
        say(f"level {estimate(found['level_dkh'])}")
        for window in found["windows"]:
            net = estimate(window["net_dkh_per_day"], signed=True, more_digits=1)
            say(
                f"last {window['days']:.0f} days: consumption {estimate(window['consumption_dkh_per_day'])} a day, "
                f"net {net} a day, mean {estimate(window['alkalinity_dkh'])}"
            )
        calcium = found["windows"][0]["calcium_mg_l_per_day"]
        say(f"With it corals take up about {calcium:.0f} mg/L of calcium a day: one mole for two of alkalinity.")
        say(f"It wanders by about {said_so(found['wander_dkh_per_day'])} a day (learnt from its results).")
    ahead = words.ahead(picture, unit, zone)
    if ahead:
        say(ahead)
    for finding in picture["findings"]:
        say(finding_line(finding, unit, picture["salinity"], zone), hanging=2)
    if picture["carbonate"] is not None:
        say(words.carbonate(picture["carbonate"]))
    _print_advice(picture["advice"], said_so)
    for line in picture["not_understood"]:
        say(f"Not counted, for its strength is not known: {line}. Name it under tank.supplements.")
    say("± is twice the standard uncertainty (k = 2).", style="dim")


Say = Callable[..., str]
"""Writes dKH in the keeper's unit."""


def _print_advice(word: dict[str, Any], said_so: Say) -> None:
    from saltern.cli.present import say
    from saltern.report.words import NEVER_BY_ONE_NUMBER

    if word["withheld_because"] is not None:
        say(f"No advice ({word['withheld_because']}): {word['mend']} Keep to the last dose meanwhile.")
        return
    say(f"to hold the target: {said_so(word['dose_dkh_per_day'])} a day")
    if word["days"]:
        a_day = said_so(word["correction_dkh_per_day"], signed=True)
        spread = "on one day" if word["days"] == 1 else f"spread over {word['days']} days ({a_day} a day)"
        say(f"to come to it: {said_so(word['correction_dkh'], signed=True)}, {spread}")
    for each in word["supplements"]:
        say(f"{each['name']}: {each['ml_per_day']:.0f} mL a day now, {each['hold_ml_per_day']:.0f} mL then.")
        if each["ph_change_if_at_once"] is not None:
            say(f"A day's dose at once would move pH by {each['ph_change_if_at_once']:+.2f}.", indent=2)
        sodium = each["sodium_mg_l_per_day"]
        say(f"It brings {sodium:.0f} mg/L of sodium a day: watch salinity, and change water.", indent=2)
        say(each["caution"], indent=2)
    say(NEVER_BY_ONE_NUMBER)
