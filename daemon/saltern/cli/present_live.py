"""Screens of a running service: the status, and a titration as it grows."""

import sys
from datetime import datetime
from types import TracebackType
from typing import Any, Self

import plotext
from rich.live import Live
from rich.table import Table
from rich.text import Text

from saltern.chemistry.units import umol_kg_to_dkh
from saltern.cli.present import COVERAGE, change_in_words, console


def print_status(s: dict[str, Any]) -> None:
    """Print one screen."""
    screen = console()
    screen.print(f"[bold]{s['bench']}[/bold]  {s['at_utc']}")
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_row("last", _last(s["last"]))
    change = change_in_words(None if s["last"] is None else s["last"].get("change"))
    if change:
        table.add_row("change", change)
    line = s["trend"]
    if line is not None:
        salinity = None if s["last"] is None else s["last"]["salinity"]["value"]
        per_umol_kg = umol_kg_to_dkh(1.0, 35.0 if salinity is None else salinity)
        per_day, u = (line[key] * per_umol_kg for key in ("umol_per_kg_per_day", "u"))
        table.add_row("trend", f"{per_day:+.2f} ± {COVERAGE * u:.2f} dKH a day, over {line['days']} days")
    running = s["running"]
    table.add_row("now", "idle" if running is None else f"{running['what']}: {running['phase']}")
    if s["next"] is not None:
        table.add_row("next", f"{s['next']['at_utc']}, {s['next']['why']}")
    left_ml, days = s["titrant"]["left_ml"][0], s["titrant"]["days_left"]
    table.add_row("titrant", f"{left_ml:.0f} mL at least, {days:.0f} days")
    table.add_row("waste", f"room for {s['waste']['room_ml'] / 1000.0:.1f} L")
    table.add_row("vessel", f"holds {s['vessel_ml'][0]:.0f} to {s['vessel_ml'][1]:.0f} mL")
    for name, holds in s["conditions"].items():
        table.add_row("condition", f"{name}: {'holds' if holds else 'does not hold'}")
    for device in s["devices"]:
        if not device["up"]:
            table.add_row("absent", f"{device['place']} at {device['where']}: {device['trouble']}")
        elif device["returns"]:
            table.add_row("port", f"{device['place']} at {device['where']}: has come back {_times(device['returns'])}")
    for part in s["parts"]:
        table.add_row("part", _part(part))
    for bypass in s["bypasses"]:
        table.add_row("bypassed", f"{bypass['name']}, for {bypass['left_h']:.1f} h more")
    if s["away"] is not None:
        gap_h = s["away"]["gap_h"]
        kept = f"at least {gap_h:.1f} h from start to start" if gap_h else "the schedule stays as it is"
        table.add_row("away", f"until {s['away']['until_utc']}; {kept}")
    if s["held_until"] is not None and s["held_until"] > s["at_utc"]:
        table.add_row("held", f"nothing starts by schedule until {s['held_until'][:16]}")
    if s["commissioned"] is None:
        table.add_row("not commissioned", "nothing is pumped but by guided procedures: see hardware/README.md")
    if s["parked"] is not None:
        table.add_row("parked", f"since {s['parked'][:16]}: saltern resume")
    if s["question"] is not None:
        table.add_row("asks", f"{s['question']['text']} (saltern guided)")
    for one in s["calibrations"]:
        table.add_row(one["kind"], f"{one['words']} (calibration {one['id']}, {one['at_utc'][:10]})")
    screen.print(table)
    for row in s["interlocks"]:
        screen.print(f"[bold]{row['kind']} {row['name']}[/bold]: {row['remedy']}")
    for alert in s["alerts"]:
        screen.print(f"[bold]{alert['for_the_keeper']}[/bold], since {alert['since_utc']}: {alert['text']}")
    if not s["interlocks"] and not s["alerts"]:
        screen.print("Nothing acts, nothing is wrong.")


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _part(part: dict[str, Any]) -> str:
    if part["installed_utc"] is None:
        return f"{part['name']}: of unknown age; say `saltern part BENCH.toml installed {part['name']}` when it is new"
    return f"{part['name']}: {'was due' if part['overdue'] else 'due'} {part['due_utc'][:10]}"


def print_away(found: dict[str, Any]) -> None:
    """Print what an absence comes to, and who is told of trouble."""
    screen, away = console(), found["away"]
    if away is None:
        screen.print("Welcome back: the schedule is as the bench file says.")
        return
    screen.print(f"Away until {away['until_utc']}." + ("" if away["applied"] else " Only looked at: nothing changed."))
    screen.print(
        f"The schedule asks for {found['wanted']} determinations; titrant lasts for {found['by_titrant']}, "
        f"waste room for {found['by_waste']}."
    )
    if not found["lasts"]:
        screen.print("[bold]That is less than one a day: fill up before you leave.[/bold]")
    elif away["gap_h"]:
        screen.print(f"So they begin at least {away['gap_h']:.1f} h apart.")
    else:
        screen.print("Nothing has to be stretched.")
    for part in found["parts_due"]:
        screen.print(f"Due meanwhile: {part['name']}, {part['due_utc'][:10]}.")
    if found["told"]:
        screen.print(f"Told of trouble: {'; '.join(found['told'])}.")
    else:
        screen.print("[bold]Nobody is told of trouble:[/bold] set alerts.urls_file or mqtt in the bench file.")


def print_done(d: dict[str, Any]) -> None:
    """Print what a determination came to."""
    screen = console()
    screen.print(f"Determination {d['id']}: {_last(d)}")
    for remark in d["remarks"]:
        screen.print(remark)


def _last(d: dict[str, Any] | None) -> str:
    if d is None:
        return "nothing measured yet"
    a = d["alkalinity"]
    reasons = f" ({', '.join(a['reasons'])})" if a["reasons"] else ""
    at_utc = datetime.fromisoformat(d["started_utc"]).isoformat(timespec="seconds")
    if a["umol_per_kg"] is None:
        return f"{a['verdict']}{reasons}, {at_utc}"
    u_dkh = COVERAGE * a["u"] * a["dkh"] / a["umol_per_kg"]
    return f"{a['dkh']:.2f} ± {u_dkh:.2f} dKH, {a['verdict']}{reasons}, {at_utc}"


class Watched:
    """A run being watched: on a terminal the curve grows in place, elsewhere phases and points come line by line."""

    def __init__(self, running: dict[str, Any], *, silent: bool) -> None:
        self._what = f"{running['what']}"
        self._phase = str(running["phase"])
        self._points = [tuple(point) for point in running["points"]]
        self._silent = silent
        self._live = Live(console=console(), refresh_per_second=4, transient=False) if sys.stdout.isatty() else None
        if silent:
            self._live = None

    def __enter__(self) -> Self:
        if self._live is not None:
            self._live.start()
            self._live.update(self._drawn())
        elif not self._silent:
            console().print(f"{self._what}: {self._phase}")
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._live is not None:
            self._live.stop()

    def step(self, event: dict[str, Any]) -> None:
        point = event.get("point")
        if point is not None:
            self._points.append(tuple(point))
        changed, self._phase = event["phase"] != self._phase, event["phase"]
        if self._live is not None:
            self._live.update(self._drawn())
        elif not self._silent and point is not None:
            console().print(f"  {point[0]:7.3f} mL  {point[1]:8.2f} mV")
        elif not self._silent and changed:
            console().print(self._phase)

    def _drawn(self) -> Text:
        head = f"{self._what}: {self._phase}"
        if len(self._points) < 2:
            return Text(head)
        plotext.clear_figure()
        plotext.theme("clear")
        plotext.plot_size(min(80, console().width), 16)
        plotext.plot([ml for ml, _ in self._points], [mv for _, mv in self._points], marker="dot")
        plotext.xlabel("titrant, mL")
        plotext.ylabel("electrode, mV")
        return Text(head + "\n" + plotext.uncolorize(plotext.build()))
