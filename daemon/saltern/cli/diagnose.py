"""`saltern diagnose [N]`: tank or instrument, and which measurement would decide best. From the records alone."""

from datetime import timedelta
from typing import Annotated, Any

import typer

from saltern.cli.records import BenchOption
from saltern.errors import ConfigError

COUNTS_AFTER = timedelta(days=2)
"""A reference or a note so long after the newest result still counts for it; later nothing is known of the tank."""


def diagnose(
    number: Annotated[
        int | None, typer.Argument(min=1, help="Judge as of this determination (default: the newest).")
    ] = None,
    bench: BenchOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, and only JSON.")] = False,
) -> None:
    """Show whether the tank or the instrument has changed: causes, evidence, and the measurement that would decide."""
    from saltern.cli.present import console, print_json, say_lines
    from saltern.cli.present_diagnosis import diagnosis_lines
    from saltern.clock import RealClock
    from saltern.config.loading import load_bench
    from saltern.config.paths import meant
    from saltern.config.paths import records_path as records_of
    from saltern.model.determination import Source
    from saltern.records.opening import open_for_reading
    from saltern.running.diagnosis import as_json as diagnosis_json
    from saltern.running.diagnosis import diagnosis

    bench = meant(bench)
    if bench is None:
        raise ConfigError("which bench?", where="--bench", remedy="Give --bench BENCH.toml, or set SALTERN_BENCH")
    config = load_bench(bench)
    store = open_for_reading(records_of(config, bench), RealClock())
    try:
        last = store.last_started(Source.TANK) or RealClock().now()
        now = max(last, min(RealClock().now(), last + COUNTS_AFTER))
        found = diagnosis(store, config, now, number)
    finally:
        store.close()
    words: dict[str, Any] | None = None if found is None else diagnosis_json(found)
    if as_json:
        print_json(words if words is not None else {"schema_version": 1, "is": None, "causes": [], "charts": []})
    elif words is None:
        console().print("Too few results of the tank to say: it takes six.")
    else:
        say_lines(diagnosis_lines(words, now, config.schedule.time_zone, console().width), bold=1)
