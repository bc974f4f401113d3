"""`saltern report`: the last days on one page."""

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from saltern.cli.live import JsonOption
from saltern.cli.records import MOST_ROWS, BenchOption
from saltern.cli.results import records_path
from saltern.errors import ConfigError, StorageError

if TYPE_CHECKING:  # a command that is not asked for loads nothing
    from saltern.config.tables import BenchConfig
    from saltern.records.store import Store


def report(
    bench: BenchOption = None,
    days: Annotated[int, typer.Option(min=1, max=3660, help="Number of days to cover.")] = 30,
    to: Annotated[Path, typer.Option("--to", help="Page to write.")] = Path("report.html"),
    png: Annotated[Path | None, typer.Option(help="Picture to write: the chart alone.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Write a page that needs no network: values with their uncertainty, the log, and problems."""
    from zoneinfo import ZoneInfo

    from saltern.cli.done import say_done
    from saltern.clock import RealClock
    from saltern.config.loading import load_bench
    from saltern.config.paths import meant
    from saltern.ports import install_extra
    from saltern.records.opening import open_for_reading
    from saltern.records.upkeep import installed
    from saltern.running.watch.calibrations import calibrations
    from saltern.running.watch.parts import part_rows

    try:
        from saltern.report.charts import as_png, overview
        from saltern.report.page import Contents, html
    except ImportError as error:
        raise ConfigError(f"{error.name} is not installed", where="report", remedy=install_extra("report")) from error
    bench = meant(bench)
    if bench is None:
        raise ConfigError("which bench?", where="--bench", remedy="Give --bench BENCH.toml, or set SALTERN_BENCH")
    config = load_bench(bench)
    store = open_for_reading(records_path(None, bench), RealClock())
    try:
        newest = store.results(1)
        end = max(RealClock().now(), newest[0][1].started_at) if newest else RealClock().now()
        begin = end - timedelta(days=days)
        results = [(number, d) for number, d in store.results(MOST_ROWS)[::-1] if d.started_at >= begin]
        alerts = [(number, alert) for number, alert in store.alerts_after(0, MOST_ROWS) if alert.at >= begin]
        contents = Contents(
            config.name,
            begin,
            end,
            ZoneInfo(config.schedule.time_zone),
            config.alkalinity_unit,
            results,
            store.logged(begin),
            alerts,
            calibrations(config),
            part_rows(config, installed(store)),
            *_tank(store, config, end),
        )
    finally:
        store.close()
    try:
        to.write_text(html(contents), encoding="utf-8")
        if png is not None:
            png.write_bytes(as_png(overview([d for _, d in results], contents.logged, contents.zone, contents.unit)))
    except OSError as error:
        raise StorageError(
            f"cannot be written ({error.strerror})", where=str(to), remedy="Check the folder and its disk"
        ) from error
    found = {"file": str(to), "png": None if png is None else str(png), "determinations": len(results)}
    say_done(found, f"{to}: {len(results)} determinations.", as_json=as_json)


def _tank(store: "Store", config: "BenchConfig", now: datetime) -> tuple[dict[str, Any] | None, list[dict[str, Any]]]:
    """Return what the records say of the tank, and its control charts, where the bench file speaks of a tank."""
    from saltern.running import diagnosis, tank_picture

    if config.tank is None:
        return None, []
    seen, judged = tank_picture.picture(store, config, now), diagnosis.diagnosis(store, config, now)
    charts = [] if judged is None else list(diagnosis.as_json(judged)["charts"])
    return None if seen is None else tank_picture.as_json(seen, config.tank), charts
