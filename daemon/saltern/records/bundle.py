"""One file for the person who helps: bench file, log, last curves, calibrations and versions, without secrets."""

import io
import json
import platform
import sqlite3
import zipfile
from datetime import datetime
from importlib.metadata import PackageNotFoundError, distributions, version
from pathlib import Path
from typing import Any

import numpy as np

from saltern import __version__
from saltern.config.redacted import redacted, secrets_of, without
from saltern.model.determination import Determination
from saltern.records.calibrations import listed
from saltern.records.export import write_log, write_results
from saltern.records.schema import VERSION
from saltern.records.store import Store

MOST_CURVES = 20
MOST_RESULTS = 500
MODEL = Path("/proc/device-tree/model")

README = """What is in here, for the person who helps with the bench {bench}; made {at}.

bench.toml          the bench file, without comments; addresses, names of users and hosts, and other texts that may be
                    private are {removed}. Credentials are files of their own, and are not in here.
versions.json       this computer, Python, Saltern and its libraries
results.csv         the newest determinations; curves/N.csv the newest curves, each with conditions/N.json beside it:
                    `saltern evaluate` reads them
calibrations.json   every calibration
keeper-log.csv      what the keeper wrote down
alerts.csv          the newest alerts
status.json         the running service's own picture, where one runs
service.log         the service's log, where one was found; known secrets and every address are {removed}

Look through it before you hand it on: a remark or a log line may say what you would rather keep.
"""


def bundle(
    to: Path, bench_file: Path, bench: str, store: Store, now: datetime, *, log: str | None, status: Any | None
) -> list[str]:
    """Write the bundle; return the names of what is in it.

    Parameters
    ----------
    to
        The zip file.
    bench_file, bench, store
        The bench file, the bench's name, and its records, open for reading.
    now
        The time.
    log, status
        The service's log, and its status; None where there is none.

    Raises
    ------
    OSError
        It cannot be written.
    SalternError
        The bench file or the records cannot be read.
    """
    secrets = secrets_of(bench_file)
    results = store.results(MOST_RESULTS)
    texts = {
        "README.txt": README.format(bench=bench, at=now.isoformat(timespec="seconds"), removed="(removed)"),
        "bench.toml": redacted(bench_file),
        "versions.json": json.dumps(versions(), indent=1),
        "results.csv": _csv(write_results, results[::-1]),
        "calibrations.json": json.dumps(listed(store), indent=1),
        "keeper-log.csv": _csv(write_log, store.logged(datetime.min.replace(tzinfo=now.tzinfo))),
        "alerts.csv": _alerts(store),
    }
    for number, d in [(number, d) for number, d in results if d.curve is not None][:MOST_CURVES]:
        texts[f"curves/{number}.csv"], texts[f"conditions/{number}.json"] = curve_csv(d), conditions_json(d)
    if status is not None:
        texts["status.json"] = json.dumps(status, indent=1)
    if log is not None:
        texts["service.log"] = log
    partial = to.with_name(f"{to.name}.partial")
    try:
        with zipfile.ZipFile(partial, "w", zipfile.ZIP_DEFLATED) as file:
            for name, text in texts.items():
                file.writestr(name, text if name == "README.txt" else without(text, secrets))
        partial.replace(to)
    finally:
        partial.unlink(missing_ok=True)
    return list(texts)


def versions() -> dict[str, Any]:
    """Return what runs here."""
    try:
        model = MODEL.read_bytes().rstrip(b"\0").decode(errors="replace")
    except OSError:
        model = None
    packages = {name: one.version for one in distributions() if (name := one.metadata["Name"]) is not None}
    try:
        installed: str | None = version("saltern")
    except PackageNotFoundError:
        installed = None
    return {
        "saltern": __version__,
        "installed": installed,
        "records": VERSION,
        "python": platform.python_version(),
        "system": platform.platform(),
        "machine": platform.machine(),
        "model": model,
        "sqlite": sqlite3.sqlite_version,
        "packages": dict(sorted(packages.items(), key=lambda pair: pair[0].lower())),
    }


def curve_csv(d: Determination) -> str:
    """Return a curve as `saltern evaluate` reads it.

    Raises
    ------
    ValueError
        The determination has none.
    """
    if d.curve is None:
        msg = "this determination has no curve"
        raise ValueError(msg)
    lines = ["titrant_g,emf_mv,temperature_c"]
    columns = (d.curve.titrant_g, d.curve.emf_mv, np.broadcast_to(d.curve.temperature_c, d.curve.emf_mv.shape))
    lines += [f"{g:.6f},{mv:.4f},{c:.3f}" for g, mv, c in zip(*columns, strict=True)]
    return "\n".join(lines) + "\n"


def conditions_json(d: Determination) -> str:
    """Return what an evaluation of the curve needs beside it, and what came of it, as JSON; k = 1."""
    c = d.conditions
    known = None
    if c is not None:
        known = {
            "sample_g": c.sample_g,
            "salinity": c.salinity,
            "titrant_mol_per_kg": c.titrant_mol_per_kg,
            "titrant_salinity": c.titrant_salinity,
            "medium": c.medium.value,
            "co2": c.co2.value,
        }
    return json.dumps(
        {
            "method": d.method,
            "conditions": known,
            "alkalinity_umol_per_kg": d.alkalinity.value,
            "u_umol_per_kg": d.alkalinity.u,
            "verdict": d.alkalinity.verdict.value,
            "reasons": [reason.value for reason in d.alkalinity.reasons],
            "remarks": list(d.remarks),
        },
        indent=1,
    )


def _csv(write: Any, rows: Any) -> str:
    file = io.StringIO(newline="")
    write(file, rows)
    return file.getvalue()


def _alerts(store: Store) -> str:
    (newest,) = store.rows("SELECT coalesce(max(id), 0) FROM alert")[0]
    lines = ["id,at_utc,severity,code,text"]
    for number, alert in store.alerts_after(max(0, newest - MOST_RESULTS), MOST_RESULTS):
        text = alert.text.replace('"', '""')
        at = alert.at.isoformat(timespec="seconds")
        lines.append(f'{number},{at},{alert.severity.label},{alert.code},"{text}"')
    return "\n".join(lines) + "\n"
