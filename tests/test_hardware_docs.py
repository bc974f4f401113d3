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

    kept = {path.name for path in (HARDWARE / "drawings").iterdir()}
    assert drawn == {name for name in kept if not name.startswith("hands-")}
    page = (HARDWARE / "README.md").read_text()
    assert all(f"drawings/{name}" in page for name in drawn if name.endswith(".png"))


def test_each_step_of_the_first_day_that_needs_hands_has_its_picture(tmp_path, monkeypatch):
    from hardware import draw_hands
    from saltern.procedures.bring_up.steps import STEPS

    monkeypatch.setattr(draw_hands, "OUT", tmp_path)
    draw_hands.main()
    names = [panel.__name__ for panels in draw_hands.PICTURES.values() for panel in panels]
    assert names == [{"vessel": "weighed"}.get(step.name, step.name) for step in STEPS if step.name != "computer"]
    page = (HARDWARE / "FIRST_DAY.md").read_text()
    for path in tmp_path.iterdir():
        assert f"](drawings/{path.name})" in page
        assert (HARDWARE / "drawings" / path.name).exists()


def test_parts_are_generic_and_say_what_matters():
    with (HARDWARE / "parts.csv").open() as file:
        parts = list(csv.DictReader(file))
    assert len(parts) > 20
    assert all(part["property that matters"] and int(part["how many"]) > 0 for part in parts)
