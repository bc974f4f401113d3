"""The page of a report: self-contained HTML, light or dark as the reader's screen is, narrow enough for a telephone."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import DIGITS, AlkalinityUnit, written
from saltern.model.alert import Alert
from saltern.model.determination import Determination, Source
from saltern.model.logbook import Logged
from saltern.model.verdict import REPORTABLE, Verdict
from saltern.report import finding_words, words
from saltern.report.charts import as_svg, curve, in_unit, overview
from saltern.report.control_charts import control_charts
from saltern.report.control_charts import summary as control_charts_summary
from saltern.report.logbook_words import in_words
from saltern.tank.trend import trend_of

MOST_DOUBTED, MOST_ROWS = 6, 60
STYLE = """
:root { color-scheme: light dark; --paper: #ffffff; --ink: #1d2329; --faint: #6b7480; --rule: #d9dee3; }
@media (prefers-color-scheme: dark) { :root { --paper: #14181c; --ink: #e4e8ec; --faint: #98a2ad; --rule: #2c343c; } }
body { background: var(--paper); color: var(--ink); font: 16px/1.5 system-ui, sans-serif; margin: 0 auto;
       max-width: 60rem; padding: 1rem; }
h1 { font-size: 1.4rem; margin: 0.5rem 0; } h2 { font-size: 1.1rem; margin: 1.6rem 0 0.4rem; }
dl { display: grid; grid-template-columns: minmax(6rem, max-content) 1fr; gap: 0.25rem 0.9rem; }
dt { color: var(--faint); } dd { margin: 0; overflow-wrap: anywhere; }
td:last-child { overflow-wrap: anywhere; min-width: 12rem; } .faint { color: var(--faint); }
.chart { overflow-x: auto; direction: rtl; }
.chart svg { direction: ltr; width: 100%; min-width: 30rem; height: auto; display: block; }
.pair { display: grid; grid-template-columns: repeat(auto-fill, minmax(20rem, 1fr)); gap: 1rem; }
.pair .chart svg { min-width: 20rem; }
.wide { overflow-x: auto; } table { border-collapse: collapse; width: 100%; font-size: 0.9rem; }
th, td { text-align: left; padding: 0.25rem 0.6rem 0.25rem 0; vertical-align: top;
         border-bottom: 1px solid var(--rule); }
td:not(:last-child), th { white-space: nowrap; }
"""


@dataclass(frozen=True)
class Contents:
    """What a report covers."""

    bench: str
    begin: datetime
    end: datetime
    zone: ZoneInfo
    unit: AlkalinityUnit
    results: Sequence[tuple[int, Determination]]  # oldest first
    logged: Sequence[Logged]
    alerts: Sequence[tuple[int, Alert]]
    calibrations: Sequence[tuple[str, str, str]] = ()  # what, value, date
    parts: Sequence[tuple[str, str, str]] = ()  # name, put in, due
    tank: dict[str, Any] | None = None  # as `saltern tank --json` prints it
    control_charts: Sequence[dict[str, Any]] = ()  # as `saltern diagnose --json` prints them


def html(c: Contents) -> str:
    """Return the page."""
    of_the_tank = [(n, d) for n, d in c.results if d.source is Source.TANK]
    determinations = [d for _, d in of_the_tank]
    parts = [
        f"<h1>{escape(c.bench)}</h1>",
        f'<p class="faint">{_day(c.begin, c)} to {_day(c.end, c)}, times of {escape(str(c.zone))}</p>',
        f"<p>{_summary(determinations, c.unit)}</p>",
        _tank(c),
    ]
    if determinations:
        parts.append(f'<div class="chart">{as_svg(overview(determinations, c.logged, c.zone, c.unit))}</div>')
    doubted = [(n, d) for n, d in c.results if d.source is Source.TANK and d.alkalinity.verdict is Verdict.SUSPECT][
        -MOST_DOUBTED:
    ]
    if doubted:
        parts.append("<h2>Results not accepted</h2>")
        figures = "".join(_doubted(n, d, c) for n, d in reversed(doubted))
        parts.append(f'<div class="pair">{figures}</div>')
    parts.append("<h2>Results</h2>" + _results(c) + _left_out(len(c.results)))
    parts.append("<h2>Written down</h2>" + _logged(c))
    parts.append("<h2>Alerts</h2>" + _alerts(c))
    parts += _control_charts(c)
    parts.append("<h2>Calibrations</h2>" + _table(("what", "value", "date"), c.calibrations))
    parts.append("<h2>Parts</h2>" + _table(("part", "put in", "due"), c.parts))
    body = "\n".join(parts)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(c.bench)}</title><style>{STYLE}</style></head><body>\n{body}\n</body></html>\n"
    )


def _summary(results: Sequence[Determination], unit: AlkalinityUnit) -> str:
    accepted = [d for d in results if d.alkalinity.verdict in REPORTABLE]
    values = [in_unit(d, d.alkalinity.value, unit) for d in accepted if d.alkalinity.value is not None]
    if not values:
        return f"{len(results)} determinations of the tank, none of which is accepted."
    line = trend_of(results)
    slope = ""
    if line is not None:
        a_day, u = (in_unit(accepted[-1], each, unit) for each in (line.umol_kg_per_day, line.u_umol_kg_per_day))
        value, spread = written(a_day, u, unit, signed=True, more_digits=1)
        slope = f"; trend {words.with_minus(value)} ± {spread} {unit.value} a day"
    low, high, last = (f"{value:.{DIGITS[unit]}f}" for value in (min(values), max(values), values[-1]))
    return (
        f"{len(results)} determinations of the tank, {len(accepted)} accepted. "
        f"Alkalinity {low} to {high} {unit.value}, last {last} {unit.value}{slope}."
    )


def _tank(c: Contents) -> str:
    """Return what the tank consumes, where it goes, what changed, and what to dose; empty where nothing is known."""
    if c.tank is None:
        return ""
    rows = [
        ("consumption", words.consumption(c.tank, c.unit)),
        ("ahead", _ahead(c.tank, c)),
        ("advice", words.advice(c.tank, c.unit)),
    ]
    if c.tank["carbonate"] is not None:
        rows.append(("carbonate", f"{words.carbonate(c.tank['carbonate'])}, of the newest result"))
    found = [finding_words.line(one, c.unit, c.tank["salinity"], c.zone) for one in c.tank["findings"]]
    rows += [("found" if number == 0 else "", text) for number, text in enumerate(reversed(found))]
    listed = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in rows)
    return f'<dl>{listed}</dl><p class="faint">{words.NEVER_BY_ONE_NUMBER}</p>'


def _ahead(tank: dict[str, Any], c: Contents) -> str:
    taken, ahead = tank["consumption"], tank["forecast"]
    if taken is None or taken["too_early"] or ahead is None:
        return "not known: there are too few results of late"
    return words.ahead(tank, c.unit, c.zone) or "it stays in its band, as far as can be seen"


def _control_charts(c: Contents) -> list[str]:
    drawn = [chart for chart in c.control_charts if chart["values"]]
    if not drawn:
        return []
    parts = ["<h2>Control charts</h2>"]
    for chart in drawn:
        figure = as_svg(control_charts(chart, c.zone), label=f"Control charts of {chart['of']}")
        parts.append(f'<p>{escape(control_charts_summary(chart))}</p><div class="chart">{figure}</div>')
    return parts


def _doubted(number: int, d: Determination, c: Contents) -> str:
    why = ", ".join(reason.value for reason in d.alkalinity.reasons)
    head = f"<p><b>{number}</b>, {_time(d.started_at, c)}: {escape(why)}</p>"
    if d.curve is None:
        return f'<div>{head}<p class="faint">It has no curve.</p></div>'
    return f'<div>{head}<div class="chart">{as_svg(curve(d))}</div></div>'


def _results(c: Contents) -> str:
    rows = []
    for number, d in list(reversed(c.results))[:MOST_ROWS]:
        a, factor = d.alkalinity, in_unit(d, 1.0, c.unit)
        value = "–"
        if a.value is not None:
            value = " ± ".join(written(factor * a.value, None if a.u is None else factor * a.u, c.unit))
        ph = "–" if d.ph_total.value is None else f"{d.ph_total.value:.3f}"
        salinity = "–" if d.salinity.value is None else f"{d.salinity.value:.2f}"
        rows.append((_time(d.started_at, c), str(number), value, ph, salinity, verdict(d)))
    return _table(("time", "no.", f"{c.unit.value} (k = 2)", "pH total", "salinity", "verdict"), rows)


def verdict(d: Determination) -> str:
    """Return one verdict on all that a determination measured: what is not accepted is named, with its reasons."""
    of = "" if d.source is Source.TANK else f"{d.source.value}: "
    doubts: dict[tuple[str, str], list[str]] = {}
    for name, quantity in (("alkalinity", d.alkalinity), ("pH", d.ph_total), ("salinity", d.salinity)):
        if quantity.verdict is not Verdict.ACCEPTED:
            why = ", ".join(reason.value for reason in quantity.reasons)
            doubts.setdefault((quantity.verdict.value, why), []).append(name)
    said = [f"{', '.join(names)} {word}{f': {why}' if why else ''}" for (word, why), names in doubts.items()]
    return of + ("; ".join(said) or "accepted")


def _left_out(count: int) -> str:
    if count <= MOST_ROWS:
        return ""
    return f'<p class="faint">{count - MOST_ROWS} earlier ones are not shown: `saltern export` has all.</p>'


def _logged(c: Contents) -> str:
    rows = [(_time(entry.at, c), in_words(entry.entry.model_dump(), c.unit)) for entry in reversed(c.logged)]
    return _table(("time", "what"), rows)


def _alerts(c: Contents) -> str:
    rows = [(_time(alert.at, c), alert.severity.for_the_keeper, alert.text) for _, alert in reversed(c.alerts)]
    return _table(("time", "asks to", "text"), rows[:MOST_ROWS])


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    if not rows:
        return '<p class="faint">Nothing.</p>'
    top = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    lines = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f'<div class="wide"><table><thead><tr>{top}</tr></thead><tbody>{lines}</tbody></table></div>'


def _day(at: datetime, c: Contents) -> str:
    return f"{at.astimezone(c.zone):%Y-%m-%d}"


def _time(at: datetime, c: Contents) -> str:
    """Return a time; its year stands above the page, unless the page goes back into another one."""
    one_year = c.begin.astimezone(c.zone).year == c.end.astimezone(c.zone).year
    return at.astimezone(c.zone).strftime("%d %b %H:%M" if one_year else "%Y-%m-%d %H:%M")
