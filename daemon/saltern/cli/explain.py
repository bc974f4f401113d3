"""`saltern explain CODE`: what a code of an alert, a reason, a refusal or an interlock is, and what its reader does."""

from typing import Annotated, Any

import typer

from saltern.cli.live import JsonOption

KINDS = {
    "alert": "Alerts",
    "reason": "Reasons of a verdict",
    "refusal": "Causes for which a calibration is refused",
    "interlock": "Interlocks",
}


def explain(
    code: Annotated[str | None, typer.Argument(help="Code of an alert, a reason or a refusal.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Explain a code: its meaning and what to do. Without a code, list all of them."""
    from saltern.cli.present import console, print_json

    found = pages(code)
    if as_json:
        print_json({"schema_version": 1, "pages": found})
    elif code is None:
        _print_list(console(), found)
    else:
        _print_pages(console(), code, found)


def pages(code: str | None = None) -> list[dict[str, Any]]:
    """Return what there is to say of one code, or of all: one code may be an alert and an interlock, too.

    Raises
    ------
    ConfigError
        No code is so spelled, and none begins a family that it belongs to.
    """
    from saltern.bench.interlocks import as_table
    from saltern.errors import ConfigError
    from saltern.model import codes

    every: list[dict[str, Any]] = [
        {
            "kind": kind,
            "code": each,
            "severity": None if row.severity is None else row.severity.for_the_keeper,
            "means": row.means,
            "do": row.do,
        }
        for kind, each, row in codes.rows()
    ]
    every += [
        {
            "kind": "interlock",
            "code": row["interlock"],
            "severity": row["severity"],
            "means": row["when"].capitalize(),
            "do": row["remedy"],
            **{key: row[key] for key in ("watches", "cuts", "leaves", "within")},
            "acts_as": row["kind"],
        }
        for row in as_table()
    ]
    if code is None:
        return every
    found = [page for page in every if page["code"] == code]
    for page in every:
        begins = page["code"].removesuffix("*")
        if begins != page["code"] and code.startswith(begins) and code not in codes.ALERTS:
            named = code.removeprefix(begins)
            acting = [other for other in every if other["kind"] == "interlock" and other["code"] == named]
            severity = acting[0]["severity"] if begins == "interlock-" and acting else page["severity"]
            found += [{**page, "severity": severity}, *(acting if begins == "interlock-" else [])]
    if not found:
        from difflib import get_close_matches

        near = get_close_matches(code, [page["code"] for page in every], n=3)
        raise ConfigError(
            f"{code!r} is not a code",
            where="explain",
            remedy=f"Perhaps {' or '.join(dict.fromkeys(near))}" if near else "`saltern explain` lists them all",
        )
    return found


def _print_list(screen: Any, found: list[dict[str, Any]]) -> None:
    from saltern.cli.present_lines import labelled

    for kind, heading in KINDS.items():
        screen.print(f"[bold]{heading}[/bold]")
        for page in found:
            if page["kind"] == kind:
                for line in labelled(page["code"], f"{page['means']}.", screen.width, label_width=26):
                    screen.print(line, markup=False)
        screen.print()
    screen.print("What to do about one: saltern explain CODE")


def _print_pages(screen: Any, code: str, found: list[dict[str, Any]]) -> None:
    from saltern.cli.present_lines import labelled

    for page in found:
        screen.print(f"[bold]{code if page['kind'] == 'alert' else page['code']}[/bold], {_kind(page)}")
        said = {"what it is": f"{page['means']}.", "what you do": f"{page['do']}."}
        if page["kind"] == "interlock":
            acts = page["within"] if page["within"].startswith("before") else f"within {page['within']}"
            said |= {"watches": page["watches"], "acts": acts, "cuts": page["cuts"], "leaves": page["leaves"]}
        for label, text in said.items():
            for line in labelled(label, text, screen.width, label_width=13):
                screen.print(line, markup=False)


def _kind(page: dict[str, Any]) -> str:
    if page["kind"] == "interlock":
        latches = "a trip: it stays until somebody resets it" if page["acts_as"] == "trip" else "it ends with its cause"
        return f"an interlock, {latches}"
    if page["kind"] == "alert":
        return f"an alert ({page['severity'] or 'as severe as the interlock'})"
    return {"reason": "a reason of a verdict", "refusal": "a cause of refusal"}[page["kind"]]
