"""What the keeper wrote down, in plain words and in the keeper's unit: for a screen and for a report."""

from typing import Any

from saltern.chemistry.alkalinity_unit import AlkalinityUnit, from_dkh, said

SPOKEN = {
    "calcium_mg_l": ("calcium", "mg/L"),
    "magnesium_mg_l": ("magnesium", "mg/L"),
    "phosphate_mg_l": ("phosphate", "mg/L"),
    "nitrate_mg_l": ("nitrate", "mg/L"),
    "salinity": ("salinity", ""),
    "ph": ("pH", ""),
    "other": ("other", ""),
}


def in_words(entry: dict[str, Any], unit: AlkalinityUnit) -> str:
    """Return an entry of JSON in words."""
    kind = entry["kind"]
    if kind == "dose":
        return f"{entry['amount']:g} {entry['unit']} of {entry['chemical']}"
    if kind == "doser":
        a_day = entry["ml_per_day"]
        return (
            f"doser: {a_day:g} mL of {entry['supplement']} a day" if a_day else f"doser of {entry['supplement']}: off"
        )
    if kind == "water-change":
        more = []
        if entry["alkalinity_dkh"] is not None:
            more.append(said(entry["alkalinity_dkh"], unit, entry["salinity"]))
        if entry["salinity"] is not None:
            more.append(f"salinity {entry['salinity']:g}")
        return f"{entry['litres']:g} L of water changed" + (f" ({', '.join(more)})" if more else "")
    if kind == "test":
        return f"test: {_tested(entry, unit)}, {entry['method']}"
    if kind == "event":
        return str(entry["what"]).replace("-", " ") + (f": {entry['text']}" if entry["text"] else "")
    return str(entry["text"])


def _tested(entry: dict[str, Any], unit: AlkalinityUnit) -> str:
    value, u = entry["value"], entry["u"]
    if entry["quantity"] == "alkalinity_dkh":
        spread = "" if u is None else f" ± {2.0 * from_dkh(u, unit):.2g}"
        return f"alkalinity {said(value, unit)}{spread}"
    name, its_unit = SPOKEN[entry["quantity"]]
    spread = "" if u is None else f" ± {2.0 * u:.2g}"
    return f"{name} {value:g}{spread} {its_unit}".rstrip()
