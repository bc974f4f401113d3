"""The page for the telephone, and the sitter's: what is now, self-contained, honest about its own age.

A page may lie in a folder long after the bench that wrote it has died. So each says until when it is good; a few lines
of script, which are in the page, count its age where the browser lets them, and take back "all well" when it is old.
"""

import base64
import hashlib
from dataclasses import dataclass, field
from datetime import datetime
from html import escape
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.report import words
from saltern.report.standing import Reason, Standing, standing

STYLE = """
:root { color-scheme: light dark; --paper: #ffffff; --ink: #1d2329; --faint: #59636e; --rule: #d9dee3;
  --well: #1a7a45; --look: #8a5a00; --act: #b3261e; }
@media (prefers-color-scheme: dark) { :root { --paper: #14181c; --ink: #e4e8ec; --faint: #9aa5b0; --rule: #2c343c;
  --well: #58c98a; --look: #e6b04a; --act: #ff8a80; } }
* { box-sizing: border-box; }
body { background: var(--paper); color: var(--ink); font: 17px/1.45 system-ui, sans-serif; margin: 0 auto;
  max-width: 62rem; padding: 1rem; }
h1 { font-size: 1rem; font-weight: 600; margin: 0; } p { margin: 0.4rem 0; }
.faint { color: var(--faint); } .number { font-size: 3.6rem; line-height: 1.1; font-weight: 650; margin: 0.4rem 0 0;
  font-variant-numeric: tabular-nums; } .number small { font-size: 1.2rem; font-weight: 400; color: var(--faint); }
.state { border-left: 0.4rem solid; padding: 0.3rem 0 0.3rem 0.7rem; margin: 0.7rem 0; overflow-wrap: anywhere; }
.state b { font-size: 1.25rem; } .well { border-color: var(--well); } .well b { color: var(--well); }
.look { border-color: var(--look); } .look b { color: var(--look); } .act { border-color: var(--act); }
.act b { color: var(--act); } ul { margin: 0.2rem 0; padding-left: 1.1rem; }
.chart svg { width: 100%; height: auto; display: block; }
dl { display: grid; grid-template-columns: minmax(6rem, max-content) 1fr; gap: 0.35rem 0.9rem; margin: 0.8rem 0; }
dt { color: var(--faint); } dd { margin: 0; overflow-wrap: anywhere; } a { color: inherit; }
.sitter { text-align: center; } .sitter .state { border: 0; padding: 0; } .sitter .state b { font-size: 3rem; }
.sitter ul { text-align: left; display: inline-block; }
.when-old { display: none; } .old .when-old { display: block; } .old .when-good { display: none; }
@media (min-width: 56rem) { .beside { display: grid; grid-template-columns: 22rem 1fr; gap: 0 2.5rem; }
  .beside .chart { grid-column: 2; grid-row: 1 / span 2; } }
"""
SCRIPT = """
function look() {
  const page = document.documentElement, now = Date.now();
  page.classList.toggle("old", now > Date.parse(page.dataset.goodUntil));
  for (const at of document.querySelectorAll("time.age")) {
    const min = Math.round((now - Date.parse(at.dateTime)) / 60000);
    at.textContent = min < 1 ? "just now" : min < 90 ? min + " min ago" : min < 2160 ?
      Math.round(min / 60) + " h ago" : Math.round(min / 1440) + " days ago";
  }
}
look(); setInterval(look, 20000);
"""
POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; script-src 'sha256-"
    f"{base64.b64encode(hashlib.sha256(SCRIPT.encode()).digest()).decode()}'; base-uri 'none'; form-action 'none'"
)
"""What a browser may load for the page: nothing, and no script but its own (Content Security Policy Level 3)."""

REFRESHED_S = 120
CLASS = {Standing.WELL: "well", Standing.LOOK: "look", Standing.ACT: "act"}


@dataclass(frozen=True)
class Today:
    """What the page shows.

    Parameters
    ----------
    bench, now, zone
        Its name, when the page is written, and the zone of its clock.
    good_until
        Until when the page is to be relied on.
    newest
        The newest determination of the tank that was accepted, as JSON with its change; None before the first.
    status
        As outlets are given it.
    reasons
        What is not well.
    chart
        The band chart as SVG; empty where there is none.
    call
        How a sitter reaches the keeper, in the keeper's words.
    """

    bench: str
    now: datetime
    zone: ZoneInfo
    good_until: datetime
    newest: dict[str, Any] | None
    status: dict[str, Any]
    reasons: list[Reason] = field(default_factory=list)
    chart: str = ""
    call: str = "the keeper"


def html(today: Today) -> str:
    """Return the keeper's page."""
    body = [
        f"<h1>{escape(today.bench)}</h1>",
        _state(today),
        '<div class="beside">',
        f"<div>{_number(today)}</div>",
        f'<div class="chart">{today.chart}</div>',
        f"<div>{_details(today)}</div>",
        "</div>",
        f'<p class="faint">{words.NEVER_BY_ONE_NUMBER} ± is twice the standard uncertainty (k = 2). '
        '<a href="sitter.html">For a sitter</a></p>',
        _written(today),
    ]
    return _page(today, f"{today.bench}: {standing(today.reasons).value}", "", body)


def sitter_html(today: Today) -> str:
    """Return the page of whoever looks after the tank, and need not know it: all well, or whom to call."""
    well, call = not today.reasons, escape(today.call)
    if well:
        said = f'<div class="state well when-good"><b>All well</b><p>Nothing to do. Questions: {call}</p></div>'
    else:
        why = "".join(f"<li>{escape(reason.what)}</li>" for reason in today.reasons)
        said = (
            f'<div class="state act when-good"><b>Call me</b><p>{call}</p><p>Read this to me:</p><ul>{why}</ul></div>'
        )
    old = (
        f'<div class="state act when-old"><b>Call me</b><p>{call}</p><p>This page is old: the bench does not '
        "report any more.</p></div>"
    )
    body = [
        f"<h1>{escape(today.bench)}</h1>",
        said,
        old,
        "<p>Water on the floor, or a sharp smell? Keep away from it, touch nothing, and call.</p>",
        _written(today),
    ]
    return _page(today, "All well" if well else "Call me", "sitter", body)


def _page(today: Today, title: str, kind: str, body: list[str]) -> str:
    inner = "\n".join(body)
    return (
        f'<!doctype html><html lang="en" data-good-until="{today.good_until.isoformat()}"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{escape(POLICY)}">'
        f'<meta http-equiv="refresh" content="{REFRESHED_S}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="referrer" content="no-referrer">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head>"
        f'<body class="{kind}">\n{inner}\n<script>{SCRIPT}</script></body></html>\n'
    )


def _state(today: Today) -> str:
    found = standing(today.reasons)
    items = "".join(f"<li>{escape(reason.what)}. {escape(reason.do)}.</li>" for reason in today.reasons)
    word = found.value[0].upper() + found.value[1:]
    listed = f"<ul>{items}</ul>" if items else ""
    return (
        f'<div class="state {CLASS[found]} when-good"><b>{word}</b>{listed}</div>'
        '<div class="state act when-old"><b>This page is old</b><p>The bench has not written it anew. Check the '
        "bench, its service, and the way from there to here. What stands below is what was.</p></div>"
    )


def _number(today: Today) -> str:
    newest, unit = today.newest, AlkalinityUnit(today.status["alkalinity_unit"])
    shown = None if newest is None else words.alkalinity(newest["alkalinity"], unit)
    if newest is None or shown is None:
        return '<p class="number">–</p><p>No result has been accepted yet.</p>'
    value, spread = shown
    verdict = newest["alkalinity"]["verdict"]
    reasons = ", ".join(newest["alkalinity"]["reasons"])
    doubt = "" if verdict == "accepted" else f"<p>{escape(verdict)}: {escape(reasons)}</p>"
    moved = words.change(newest, unit)
    return (
        f'<p class="number">{value} <small>± {spread} {unit.value}</small></p>{doubt}'
        + (f"<p>{escape(moved)}</p>" if moved else "")
        + f'<p class="faint">measured {_time(newest["started_utc"], today)}</p>'
    )


def _details(today: Today) -> str:
    status, newest, tank = today.status, today.newest, today.status["tank"]
    unit = AlkalinityUnit(status["alkalinity_unit"])
    rows = [("consumption", words.consumption(tank, unit)), ("advice", words.advice(tank, unit))]
    if newest is not None:
        at = newest["temperature_c"]
        rows.append(
            ("pH", words.quantity(newest["ph_total"], 2) + (f" total, at {at:.1f}\u00a0°C" if at else " total"))
        )
        rows.append(("salinity", words.quantity(newest["salinity"], 2)))
    rows.append(("titrant", f"for {words.days(status['titrant']['days_left'])}"))
    rows.append(("waste", f"room for {words.days(status['waste_days'])}"))
    running, following = status["running"], status["next"]
    if running is not None:
        rows.append(("now", f"{running['what']}: {running['phase']}"))
    if following is not None:
        rows.append(("next", words.clock(datetime.fromisoformat(following["at_utc"]), today.now, today.zone)))
    if status["away"] is not None:
        until = words.clock(datetime.fromisoformat(status["away"]["until_utc"]), today.now, today.zone)
        rows.append(("away", f"until {until}"))
    return "<dl>" + "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in rows) + "</dl>"


def _written(today: Today) -> str:
    good = words.clock(today.good_until, today.now, today.zone)
    return (
        f'<p class="faint">Written {_time(today.now.isoformat(), today)}, good until {good}: do not rely '
        f"on it after that. Times are those of {escape(today.zone.key)}.</p>"
    )


def _time(at_utc: str, today: Today) -> str:
    """Return a time by the bench's clock, and its age where the browser counts it."""
    at = words.clock(datetime.fromisoformat(at_utc), today.now, today.zone)
    return f'{at}, <time class="age" datetime="{escape(at_utc)}">see the clock</time>'
