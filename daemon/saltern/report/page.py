"""The page of a report: self-contained HTML, light or dark as the reader's screen is, narrow enough for a telephone."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from zoneinfo import ZoneInfo

from saltern.chemistry.units import umol_kg_to_dkh
from saltern.model.alert import Alert
from saltern.model.determination import Determination, Source
from saltern.model.logbook import Logged
from saltern.model.verdict import REPORTABLE, Verdict
from saltern.report.charts import as_svg, curve, dkh_of, overview
from saltern.tank.trend import trend_of

MOST_DOUBTED, MOST_ROWS = 6, 60
STYLE = """
:root { color-scheme: light dark; --paper: #ffffff; --ink: #1d2329; --faint: #6b7480; --rule: #d9dee3; }
@media (prefers-color-scheme: dark) { :root { --paper: #14181c; --ink: #e4e8ec; --faint: #98a2ad; --rule: #2c343c; } }
body { background: var(--paper); color: var(--ink); font: 16px/1.5 system-ui, sans-serif; margin: 0 auto;
       max-width: 60rem; padding: 1rem; }
h1 { font-size: 1.4rem; margin: 0.5rem 0; } h2 { font-size: 1.1rem; margin: 1.6rem 0 0.4rem; }
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
    """What a report tells of."""

    bench: str
    begin: datetime
    end: datetime
    zone: ZoneInfo
    results: Sequence[tuple[int, Determination]]  # oldest first
    logged: Sequence[Logged]
    alerts: Sequence[tuple[int, Alert]]
    calibrations: Sequence[tuple[str, str, str]] = ()  # what, value, date
    parts: Sequence[tuple[str, str, str]] = ()  # name, put in, due


def html(c: Contents) -> str:
    """Return the page."""
    of_the_tank = [(n, d) for n, d in c.results if d.source is Source.TANK]
    determinations = [d for _, d in of_the_tank]
    parts = [
        f"<h1>{escape(c.bench)}</h1>",
        f'<p class="faint">{_day(c.begin, c)} to {_day(c.end, c)}, times of {escape(str(c.zone))}</p>',
        f"<p>{_summary(determinations)}</p>",
    ]
    if determinations:
        parts.append(f'<div class="chart">{as_svg(overview(determinations, c.logged, c.zone))}</div>')
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
    parts.append("<h2>Calibrations</h2>" + _table(("what", "value", "date"), c.calibrations))
    parts.append("<h2>Parts</h2>" + _table(("part", "put in", "due"), c.parts))
    body = "\n".join(parts)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(c.bench)}</title><style>{STYLE}</style></head><body>\n{body}\n</body></html>\n"
    )


def _summary(results: Sequence[Determination]) -> str:
    accepted = [d for d in results if d.alkalinity.verdict in REPORTABLE]
    values = [
        umol_kg_to_dkh(d.alkalinity.value, d.salinity.value or 35.0) for d in accepted if d.alkalinity.value is not None
    ]
    if not values:
        return f"{len(results)} determinations of the tank, none of which is accepted."
    line = trend_of(results)
    slope = ""
    if line is not None:
        per_umol_kg = umol_kg_to_dkh(1.0, accepted[-1].salinity.value or 35.0)
        a_day, u = per_umol_kg * line.umol_kg_per_day, per_umol_kg * line.u_umol_kg_per_day
        slope = f"; trend {a_day:+.3f} ± {2 * u:.3f} dKH a day"
    return (
        f"{len(results)} determinations of the tank, {len(accepted)} accepted. "
        f"Alkalinity {min(values):.2f} to {max(values):.2f} dKH, last {values[-1]:.2f} dKH{slope}."
    )


def _doubted(number: int, d: Determination, c: Contents) -> str:
    why = ", ".join(reason.value for reason in d.alkalinity.reasons)
    head = f"<p><b>{number}</b>, {_time(d.started_at, c)}: {escape(why)}</p>"
    if d.curve is None:
        return f'<div>{head}<p class="faint">It has no curve.</p></div>'
    return f'<div>{head}<div class="chart">{as_svg(curve(d))}</div></div>'


def _results(c: Contents) -> str:
    rows = []
    for number, d in list(reversed(c.results))[:MOST_ROWS]:
        a, factor = d.alkalinity, dkh_of(d, 1.0)
        value = "–" if a.value is None else f"{factor * a.value:.2f} ± {2 * factor * (a.u or 0.0):.2f}"
        ph = "–" if d.ph_total.value is None else f"{d.ph_total.value:.3f}"
        salinity = "–" if d.salinity.value is None else f"{d.salinity.value:.2f}"
        rows.append((_time(d.started_at, c), str(number), value, ph, salinity, verdict(d)))
    return _table(("time", "no.", "dKH (k = 2)", "pH total", "salinity", "verdict"), rows)


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
    rows = []
    for entry in reversed(c.logged):
        detail = ", ".join(
            f"{key.replace('_', ' ')} {value}"
            for key, value in entry.entry.model_dump(exclude={"kind"}).items()
            if value is not None
        )
        rows.append((_time(entry.at, c), entry.entry.kind, detail))
    return _table(("time", "what", "detail"), rows)


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
