"""One unit, the keeper's: no screen, page, message, report or topic names another one, and each number is right in it.

The factors are not the product's. 1 dKH is 10 mg/L of CaO: M(CaO) = 56.0774 and M(CaCO3) = 100.0869 g/mol (IUPAC), so
0.3566 meq/L and 17.848 mg/L of CaCO3, as common tables say; umol/kg by gsw's density (TEOS-10) at 20 degC.
"""

import json
import re
from contextlib import closing
from zoneinfo import ZoneInfo

import gsw
import pytest

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.cli.present import result_lines
from saltern.cli.present_live import status_lines
from saltern.clock import VirtualClock
from saltern.config.loading import load_bench
from saltern.publish.discovery import announcement
from saltern.publish.mqtt import status_json
from saltern.publish.page import Page, drawn
from saltern.publish.tank_now import tank_now
from saltern.records.opening import open_for_reading
from saltern.report.morning import morning
from tests.cli.command import run
from tests.nine_days import NOW, nine_days, shown

A_DEGREE = {
    "dKH": 1.0,
    "meq/L": 20.0 / 56.0774,
    "mg/L CaCO3": 20.0 / 56.0774 * 100.0869 / 2.0,
    "umol/kg": 20.0e3 / 56.0774 / (gsw.rho_t_exact(gsw.SR_from_SP(35.0), 20.0, 0.0) / 1000.0),
}
NEAR = {"dKH": 0.0051, "meq/L": 0.00051, "mg/L CaCO3": 0.051, "umol/kg": 0.51}
NAMED = re.compile(r"dKH|meq/L|mg/L CaCO3|umol/kg")


@pytest.fixture(scope="module", params=list(A_DEGREE))
def bench(request, tmp_path_factory):
    """A bench of nine days whose keeper reads this unit."""
    file, unit = nine_days(tmp_path_factory.mktemp("bench")), request.param
    said = f'schema_version = 1\nalkalinity_unit = "{unit}"'
    file.write_text(file.read_text().replace("schema_version = 1", said, 1))
    return unit, file


@pytest.fixture(scope="module")
def newest(bench):
    """The tank's newest accepted result as JSON, which has it in degrees."""
    _, file = bench
    config = load_bench(file)
    with closing(open_for_reading(file.parent / config.records.path, VirtualClock(start=NOW))) as store:
        return tank_now(store).newest


@pytest.fixture(scope="module")
def status(bench):
    return shown(bench[1])


def units(text):
    return set(NAMED.findall(text))


def text_of(page):
    """Return what a reader sees of a page, the letters of its charts with it."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<(style|script).*?</\1>", "", page, flags=re.S)))


def holds(text, dkh, unit):
    """Return whether a number in the text is so many degrees in this unit, to the digits that are written."""
    found = [float(one) for one in re.findall(r"\d+\.?\d*", text)]
    return any(abs(one - dkh * A_DEGREE[unit]) <= NEAR[unit] for one in found)


def test_a_screen_of_status_speaks_it(bench, status, newest):
    unit, _ = bench
    lines = [line for line, _ in status_lines(status, newest, 80)]

    assert units("\n".join(lines)) == {unit}
    (last,) = [line for line in lines if line.startswith("last")]
    assert holds(last, newest["alkalinity"]["dkh"], unit)
    assert max(map(len, lines)) <= 80


def test_the_picture_of_the_tank_speaks_it(bench):
    unit, file = bench
    level = json.loads(run("tank", "--bench", file, "--json")[1])["consumption"]["level_dkh"]["value"]
    code, said, _ = run("tank", "--bench", file)

    assert code == 0
    assert holds(said.split("\n")[0], level, unit)
    without_carbon = "\n".join(line for line in said.split("\n") if not line.startswith("carbon "))
    assert units(without_carbon) == {unit}


def test_a_table_of_results_speaks_it(bench, newest):
    unit, file = bench
    said = run("results", "--bench", file)[1].split("\n")

    assert units("\n".join(said)) == {unit}
    (row,) = [line for line in said if line.split()[:1] == [str(newest["id"])]]
    assert holds(row, newest["alkalinity"]["dkh"], unit)


def test_a_diagnosis_names_no_other(bench):
    unit, file = bench

    assert units(run("diagnose", "--bench", file)[1]) <= {unit}


def test_a_determination_speaks_it_beside_the_unit_of_its_budget(bench, newest):
    unit, file = bench
    said = run("show", newest["id"], "--bench", file)[1]

    assert units(said) == {unit, "umol/kg"}
    assert holds(next(line for line in said.split("\n") if unit in line), newest["alkalinity"]["dkh"], unit)


@pytest.mark.parametrize("width", [60, 80, 110])
def test_a_table_fits_whatever_the_unit_is_called(bench, newest, width):
    unit, _ = bench
    lines = result_lines([newest, newest], ZoneInfo("Europe/Lisbon"), AlkalinityUnit(unit), NOW, width)

    assert max(map(len, lines)) <= width
    assert unit in lines[0]


def test_page_and_morning_message_speak_it(bench, status, newest):
    unit, file = bench
    config = load_bench(file)
    with closing(open_for_reading(file.parent / config.records.path, VirtualClock(start=NOW))) as store:
        page = drawn(Page(folder="x"), config, store, status, NOW, alive=True, also=[]).files["index.html"].decode()
    message = morning(status, newest, [], NOW, ZoneInfo("Europe/Lisbon"))

    for said in (text_of(page), f"{message.title} {message.body}"):
        assert units(said) == {unit}
        assert holds(said, newest["alkalinity"]["dkh"], unit)


def test_the_report_speaks_it(bench, newest, tmp_path):
    unit, file = bench
    code, _, err = run("report", "--bench", file, "--days", "3650", "--to", tmp_path / "report.html")
    said = text_of((tmp_path / "report.html").read_text())

    assert code == 0, err
    assert units(re.sub(r"carbon \d+ ± \d+ umol/kg", "", said)) == {unit}
    assert holds(said, newest["alkalinity"]["dkh"], unit)


def test_home_automation_reads_it(bench, status, newest):
    unit, _ = bench
    _, announced = announcement("announce", "saltern/x", "x", AlkalinityUnit(unit))
    published = status_json(status)

    assert announced["components"]["alkalinity"]["unit_of_measurement"] == unit
    assert announced["components"]["consumption"]["unit_of_measurement"] == f"{unit}/d"
    as_read = published["newest"]["alkalinity"]["as_read"]
    assert as_read["unit"] == unit
    assert as_read["value"] == pytest.approx(newest["alkalinity"]["dkh"] * A_DEGREE[unit], rel=1e-6)
    a_day = status["tank"]["consumption"]["windows"][0]["consumption_dkh_per_day"]["value"]
    assert published["consumption"]["value"] == pytest.approx(a_day * A_DEGREE[unit], rel=1e-6)
