"""Nested tables of plain values as TOML, for tests that need a bench file on disk."""

import json


def to_toml(table, path=()):
    lines, inner = [], []
    for key, value in table.items():
        if isinstance(value, dict):
            inner.append((key, value))
        else:
            lines.append(f"{key} = {json.dumps(value)}")
    head = [f"[{'.'.join(path)}]"] if path and lines else []
    return "\n".join([*head, *lines, "", *(to_toml(value, (*path, key)) for key, value in inner)])
