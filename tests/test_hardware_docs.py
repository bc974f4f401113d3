"""The builder's page shows drawings that are there, follows the example bench, and names parts by what matters."""

import csv
import importlib.util
import re
from pathlib import Path

import pytest

HARDWARE = Path(__file__).parents[1] / "hardware"


def test_every_link_of_the_builders_pages_leads_somewhere():
    for page in (HARDWARE / "README.md", HARDWARE / "pump_node" / "README.md", HARDWARE.parent / "README.md"):
        for target in re.findall(r"\]\((?!http)([^)#]+)\)", page.read_text()):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_drawings_are_shown_and_drawn_anew_with_the_pins_of_the_example(tmp_path, monkeypatch):
    pytest.importorskip("schemdraw")
    spec = importlib.util.spec_from_file_location("draw", HARDWARE / "draw.py")
    draw = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(draw)
    monkeypatch.setattr(draw, "OUT", tmp_path)
    draw.main()
    drawn = {path.name for path in tmp_path.iterdir()}

    assert drawn == {path.name for path in (HARDWARE / "drawings").iterdir()}
    page = (HARDWARE / "README.md").read_text()
    assert all(f"drawings/{name}" in page for name in drawn if name.endswith(".png"))


def test_parts_are_generic_and_say_what_matters():
    with (HARDWARE / "parts.csv").open() as file:
        parts = list(csv.DictReader(file))
    assert len(parts) > 20
    assert all(part["property that matters"] and int(part["how many"]) > 0 for part in parts)
