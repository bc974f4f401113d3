"""A report says of the tank what `saltern tank` and `saltern diagnose` say, and nothing where nothing is known."""

import json
import re
from datetime import UTC, datetime, timedelta

import pytest

from tests.cli.command import run
from tests.nine_days import nine_days


def text_of(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<(style|svg).*?</\1>", "", page, flags=re.S)))


def report(file):
    code, _, err = run("report", "--bench", file, "--days", "3650", "--to", file.parent / "report.html")
    assert code == 0, err
    return (file.parent / "report.html").read_text()


@pytest.fixture(scope="module")
def today(tmp_path_factory):
    """Nine days that end now."""
    return nine_days(tmp_path_factory.mktemp("today"), now=datetime.now(UTC).replace(microsecond=0))


@pytest.fixture(scope="module")
def page(today):
    return report(today)


def test_consumption_forecast_findings_and_advice_are_on_the_first_page(today, page):
    said = text_of(page)
    tank = json.loads(run("tank", "--bench", today, "--json", "--at", datetime.now(UTC).isoformat())[1])

    taken = tank["consumption"]["windows"][0]["consumption_dkh_per_day"]
    assert f"consumption {taken['value']:.2f} ± {2 * taken['u']:.2f} dKH a day" in said
    (soda,) = tank["advice"]["supplements"]
    assert f"advice soda {soda['ml_per_day']:.0f} mL" in said
    assert "Never dose by one number alone" in said
    assert tank["findings"]
    for finding in tank["findings"]:
        assert f"no. {finding['id']}: since" in said
        assert f"{min(99, round(100 * finding['probability']))} % sure" in said
    assert said.index("consumption") < said.index("Results")


def test_the_control_charts_are_those_of_the_diagnosis(today, page):
    charts = json.loads(run("diagnose", "--bench", today, "--json")[1])["charts"]

    drawn = [chart for chart in charts if chart["values"]]
    assert drawn
    assert page.count('aria-label="Control charts of') == len(drawn)
    for chart in drawn:
        outside = ", ".join(
            f"{name} {len(chart[key]['out'])}"
            for key, name in (("shewhart", "Shewhart"), ("ewma", "EWMA"), ("cusum", "CUSUM"))
        )
        assert f"{len(chart['values'])} values; outside the limits: {outside}" in text_of(page)


def test_of_results_that_are_old_nothing_is_said_of_what_comes(tmp_path):
    said = text_of(report(nine_days(tmp_path, now=datetime.now(UTC) - timedelta(days=40))))

    assert "ahead not known" in said
    assert "advice none (results-not-trusted)" in said
    assert "stays in its band" not in said


def test_without_a_table_of_the_tank_nothing_is_said_of_it(tmp_path):
    file = nine_days(tmp_path)
    file.write_text(file.read_text().split("\n[tank]")[0])
    page = report(file)

    assert "consumption" not in text_of(page)
    assert "Control charts" not in page
