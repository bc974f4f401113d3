"""Screens of a running service: its status, and what it has done."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, written
from saltern.cli.present import alkalinity_of, console, say, say_lines, value_and_u
from saltern.cli.present_lines import labelled, wrapped
from saltern.cli.present_progress import progress
from saltern.cli.present_time import moment, relative, short
from saltern.report import words


def print_status(s: dict[str, Any], tank: dict[str, Any] | None) -> None:
    """Print one screen; `tank` is the newest determination of the tank, whatever was measured since."""
    for line, bold in status_lines(s, tank, console().width):
        say_lines([line], bold=int(bold))


def status_lines(s: dict[str, Any], tank: dict[str, Any] | None, width: int) -> list[tuple[str, bool]]:
    """Return a status as lines for a screen of this width, and whether each is bold."""
    zone, now = ZoneInfo(s["time_zone"]), datetime.fromisoformat(s["at_utc"])
    lines = [(f"{s['bench']}, {now.astimezone(zone):%a %d %b %Y %H:%M}", True)]
    rows = [*_measured(s, tank, now, zone), *_bench(s, now, zone), *_to_do(s, now, zone)]
    for label, text in rows:
        lines += [(line, label == "last") for line in labelled(label, text, width)]
    wrong = _wrong(s, now, zone)
    for text in wrong:
        lines += [(line, True) for line in wrapped(text, width, hanging=2)]
    if not wrong and _is_well(s):
        lines.append(("Nothing acts, nothing is wrong.", False))
    return lines


Rows = list[tuple[str, str]]


def _measured(s: dict[str, Any], tank: dict[str, Any] | None, now: datetime, zone: ZoneInfo) -> Rows:
    unit = AlkalinityUnit(s["alkalinity_unit"])
    rows: Rows = [("last", _last(tank, unit))]
    if tank is not None:
        rows.append(("", f"{moment(tank['started_utc'], now, zone)} (no. {tank['id']})"))
        change = words.change(tank, unit)
        if change:
            rows.append(("change", change))
        ph, salinity, temperature_c = tank["ph_total"], tank["salinity"], tank["temperature_c"]
        at = "" if temperature_c is None else f", total scale, at {temperature_c:.1f} °C"
        if ph["value"] is not None:
            rows.append(("pH", value_and_u(ph["value"], ph["u"], 2) + at))
        if salinity["value"] is not None:
            rows.append(("salinity", value_and_u(salinity["value"], salinity["u"], 2)))
    line = s["trend"]
    if line is not None and tank is not None:
        factor = words.per_umol_kg(tank["alkalinity"], unit)
        a_day, spread = written(factor * line["umol_per_kg_per_day"], factor * line["u"], unit, signed=True)
        rows.append(("trend", f"{words.with_minus(a_day)} ± {spread} {unit.value} a day, over {line['days']} days"))
    if s["tank"] is not None:
        rows.append(("consumes", words.consumption(s["tank"], unit)))
        ahead = words.ahead(s["tank"], unit, zone)
        if ahead:
            rows.append(("ahead", ahead))
        rows.append(("dose", words.advice(s["tank"], unit)))
    other = s["last"]
    if other is not None and other["source"] != "tank":
        rows.append(
            (other["source"], f"{_last(other, unit)}, {moment(other['started_utc'], now, zone)} (no. {other['id']})")
        )
    return rows


def _bench(s: dict[str, Any], now: datetime, zone: ZoneInfo) -> Rows:
    running = s["running"]
    now_at = "idle" if running is None else f"{running['what']}: {running['phase']}{progress(running)}"
    rows: Rows = [("now", now_at)]
    if s["next"] is not None:
        rows.append(("next", f"{moment(s['next']['at_utc'], now, zone)} ({s['next']['why']})"))
    left_ml, days = s["titrant"]["left_ml"][0], s["titrant"]["days_left"]
    rows.append(("titrant", f"{left_ml:.0f} mL at least, {days:.0f} days"))
    rows.append(("waste", f"room for {s['waste']['room_ml'] / 1000.0:.1f} L, {words.days(s['waste_days'])}"))
    rows.append(("vessel", f"holds {s['vessel_ml'][0]:.0f} to {s['vessel_ml'][1]:.0f} mL"))
    for name, holds in s["conditions"].items():
        rows.append(("condition", f"{name}: {'holds' if holds else 'does not hold'}"))
    if s["away"] is not None:
        gap_h = s["away"]["gap_h"]
        kept = f"at least {gap_h:.1f} h from start to start" if gap_h else "the schedule stays as it is"
        rows.append(("away", f"until {moment(s['away']['until_utc'], now, zone)}; {kept}"))
    if s["copied"] is not None:
        at_utc = s["copied"]["at_utc"]
        when = "not yet" if at_utc is None else moment(at_utc, now, zone)
        rows.append(("copy", f"{when}, in {s['copied']['to']}"))
    for one in s["calibrations"]:
        on = short(datetime.fromisoformat(one["at_utc"]), now, zone)
        rows.append((one["kind"], f"{one['words']} (calibration {one['id']}, {on})"))
    return rows


def _to_do(s: dict[str, Any], now: datetime, zone: ZoneInfo) -> Rows:
    """Return what waits for the keeper's hand, or was left so by it."""
    rows: Rows = []
    for device in s["devices"]:
        if not device["up"]:
            rows.append(("absent", f"{device['place']} at {device['where']}: {device['trouble']}"))
        elif device["returns"]:
            rows.append(("port", f"{device['place']} at {device['where']}: has come back {_times(device['returns'])}"))
    rows += [("part", _part(part, now, zone)) for part in s["parts"]]
    rows += [("bypassed", f"{bypass['name']}, for {bypass['left_h']:.1f} h more") for bypass in s["bypasses"]]
    if s["held_until"] is not None and datetime.fromisoformat(s["held_until"]) > now:
        rows.append(("held", f"nothing starts by schedule until {moment(s['held_until'], now, zone)}"))
    if s["commissioned"] is None:
        coming = s["bring_up"]["next"]
        rows.append(
            (
                "not commissioned",
                f"nothing is pumped but by guided procedures; {s['bring_up']['done']} of "
                f"{len(s['bring_up']['items'])} are on record, next is "
                + ("to say so: saltern commission" if coming is None else f"{coming['name']}: {coming['command']}"),
            ),
        )
    if s["parked"] is not None:
        rows.append(("parked", f"since {moment(s['parked'], now, zone)}: saltern resume"))
    if s["question"] is not None:
        rows.append(("asks", f"{s['question']['text']} (saltern rejoin)"))
    return rows


def _is_well(s: dict[str, Any]) -> bool:
    """Return whether nothing keeps the bench from measuring that its alerts and interlocks do not say."""
    up, in_time = all(device["up"] for device in s["devices"]), not any(part["overdue"] for part in s["parts"])
    return up and in_time and s["commissioned"] is not None and s["parked"] is None and not s["bypasses"]


def _wrong(s: dict[str, Any], now: datetime, zone: ZoneInfo) -> list[str]:
    """Return what acts and what is wrong, each once: an interlock's own alert says no more than its row."""
    acting = {f"interlock-{row['name']}": row for row in s["interlocks"]}
    since = {alert["code"]: moment(alert["since_utc"], now, zone) for alert in s["alerts"]}
    found = []
    for code, row in acting.items():
        begun = f", since {since[code]}" if code in since else ""
        found.append(f"{row['kind']} {row['name']}{begun}: {row['remedy']}")
    for alert in s["alerts"]:
        if alert["code"] not in acting:
            found.append(f"{alert['for_the_keeper']}, since {since[alert['code']]}: {alert['text']}")
    return found


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _part(part: dict[str, Any], now: datetime, zone: ZoneInfo) -> str:
    if part["installed_utc"] is None:
        return f"{part['name']}: of unknown age; say `saltern part installed {part['name']}` when it is new"
    due = datetime.fromisoformat(part["due_utc"])
    return f"{part['name']}: {'was due' if part['overdue'] else 'due'} {_day(due, zone)}, {relative(due, now)}"


def _day(at: datetime, zone: ZoneInfo) -> str:
    return f"{at.astimezone(zone):%d %b %Y}"


def print_away(found: dict[str, Any], now: datetime, zone: ZoneInfo) -> None:
    """Print what an absence comes to, and who receives alerts."""
    away = found["away"]
    if away is None:
        say("Welcome back: the schedule is as the bench file says.")
        return
    only = "" if away["applied"] else " Only looked at: nothing changed."
    say(f"Away until {moment(away['until_utc'], now, zone)}.{only}")
    say(
        f"The schedule asks for {found['wanted']} determinations; titrant lasts for {found['by_titrant']}, "
        f"waste room for {found['by_waste']}."
    )
    if not found["lasts"]:
        say("That is less than one a day: fill up before you leave.", style="bold")
    elif away["gap_h"]:
        say(f"So they begin at least {away['gap_h']:.1f} h apart.")
    else:
        say("Nothing has to be stretched.")
    for part in found["parts_due"]:
        due = datetime.fromisoformat(part["due_utc"])
        say(f"Due meanwhile: {part['name']}, {_day(due, zone)}, {relative(due, now)}.")
    if found["alerts_go_to"]:
        say(f"Alerts go to: {'; '.join(found['alerts_go_to'])}.")
    else:
        say("Nobody receives alerts: set alerts.urls_file or mqtt in the bench file.", style="bold")


def print_done(d: dict[str, Any], unit: AlkalinityUnit) -> None:
    """Print what a determination came to."""
    say(f"Determination {d['id']}: {_last(d, unit)}")
    for remark in d["remarks"]:
        say(remark)


def _last(d: dict[str, Any] | None, unit: AlkalinityUnit) -> str:
    if d is None:
        return "nothing measured yet"
    a = d["alkalinity"]
    reasons = f" ({', '.join(a['reasons'])})" if a["reasons"] else ""
    if a["umol_per_kg"] is None:
        return f"{a['verdict']}{reasons}"
    return f"{alkalinity_of(a, unit)} {unit.value}, {a['verdict']}{reasons}"
