"""The report: one page that stands by itself."""

import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from zoneinfo import ZoneInfo

import pytest

from saltern.chemistry.alkalinity_unit import AlkalinityUnit
from saltern.model.alert import Alert, Severity
from saltern.model.determination import Quantity, Source
from saltern.model.logbook import Dose, Logged, OtherTest, Remark, WaterChange
from saltern.model.verdict import Reason, Verdict
from saltern.report.charts import as_png, as_svg, overview
from saltern.report.page import MOST_ROWS, Contents, html
from tests.processes import run
from tests.twin_bench import TwinBench

ZONE = ZoneInfo("Europe/Lisbon")
DKH = AlkalinityUnit.DKH
BEGIN = datetime(2026, 3, 2, tzinfo=UTC)


@pytest.fixture(scope="module")
def contents():
    d = TwinBench().determine()
    results = []
    for i in range(12):
        moved = Quantity(d.alkalinity.value - 5.0 * i, d.alkalinity.u, Verdict.ACCEPTED)
        results.append((i + 1, replace(d, started_at=BEGIN + timedelta(hours=4 * i), alkalinity=moved)))
    doubted = Quantity(d.alkalinity.value + 90.0, 9.0, Verdict.SUSPECT, (Reason.VOLUME_STEP,))
    void = Quantity(None, None, Verdict.VOID, (Reason.NOT_EMPTY,))
    results.append((13, replace(d, started_at=BEGIN + timedelta(hours=50), alkalinity=doubted)))
    results.append((14, replace(d, started_at=BEGIN + timedelta(hours=54), alkalinity=void, ph_total=void, curve=None)))
    logged = [
        Logged(id=1, at=BEGIN + timedelta(hours=9), entry=Dose(chemical="soda solution", amount=40.0)),
        Logged(
            id=3,
            at=BEGIN + timedelta(hours=20),
            entry=OtherTest(quantity="alkalinity_dkh", value=7.4, method="kit"),
        ),
        Logged(id=4, at=BEGIN + timedelta(hours=26), entry=WaterChange(litres=20.0)),
        Logged(id=2, at=BEGIN + timedelta(hours=30), entry=Remark(text="<script>alert(1)</script> & so on")),
    ]
    alerts = [(1, Alert(BEGIN + timedelta(hours=54), 0.0, Severity.ERROR, "determination-void", "no result"))]
    reference = replace(d, source=Source.REFERENCE, started_at=BEGIN + timedelta(hours=55))
    cloudy = replace(d, started_at=BEGIN + timedelta(hours=56))
    cloudy = replace(cloudy, ph_total=Quantity(8.0, 0.02, Verdict.SUSPECT, (Reason.UNSETTLED,)))
    results += [(15, reference), (16, cloudy)]
    return Contents("kelp-room", BEGIN, BEGIN + timedelta(days=3), ZONE, DKH, results, logged, alerts)


def test_the_page_needs_no_network_and_escapes_what_the_keeper_wrote(contents):
    page = html(contents)
    parser = HTMLParser()
    parser.feed(page)

    links = re.findall(r"""(?:src|href)\s*=\s*["']([^"'#][^"']*)""", page)
    assert [link for link in links if not link.startswith("data:")] == []
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert page.count("<svg") == 2  # the overview, and the curve of the one that is not believed


def test_it_tells_values_with_their_uncertainty_and_what_was_not_measured_as_a_dash(contents):
    page = html(contents)

    assert "15 determinations of the tank, 13 accepted" in page
    assert "volume-step" in page
    assert "vessel-not-proved-empty" in page
    assert "<td>–</td>" in page
    assert "act now" not in page
    assert "look today" in page
    assert "02 Mar 09:00" in page  # the dose, at the keeper's own time: Lisbon keeps UTC in winter


def cells(page, heading):
    """Return the rows of the table under a heading, as their cells' texts."""
    table = page.split(f"<h2>{heading}</h2>")[1].split("</table>")[0]
    rows = re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)
    return [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in rows]


def test_the_newest_result_comes_first_and_one_verdict_speaks_for_the_whole_row(contents):
    heading, *rows = cells(html(contents), "Results")

    assert heading.count("verdict") == 1
    assert [int(row[1]) for row in rows] == sorted((int(row[1]) for row in rows), reverse=True)
    verdicts = {int(row[1]): row[-1] for row in rows}
    assert verdicts[16] == "pH suspect: electrode-not-settled"  # its alkalinity alone would say accepted
    assert verdicts[13] == "alkalinity suspect: volume-step"
    assert verdicts[15].startswith("reference")
    assert verdicts[12] == "accepted"
    assert verdicts[14] == "alkalinity, pH void: vessel-not-proved-empty"


def test_rows_that_are_left_out_are_counted(contents):
    many = [(i, contents.results[0][1]) for i in range(1, MOST_ROWS + 41)]
    page = html(replace(contents, results=many))

    assert len(cells(page, "Results")) == MOST_ROWS + 1
    assert "40 earlier ones are not shown" in page


def test_a_reference_is_not_drawn_among_the_tanks_results_nor_counted_as_one(contents):
    only = [(number, d) for number, d in contents.results if d.source is Source.REFERENCE]
    page = html(replace(contents, results=only))

    assert "0 determinations of the tank" in page
    axis = overview([d for _, d in only], [], ZONE, DKH).axes[0]
    assert [line for line in axis.lines if len(line.get_xdata())] == []


def test_tests_are_points_and_water_changes_and_new_factors_are_marked(contents):
    results = [d for _, d in contents.results]
    changed = [replace(d, calibrations={"titre": 2}) if i >= 6 else d for i, d in enumerate(results)]
    figure = overview(changed, contents.logged, ZONE, DKH)
    lines = {line.get_label(): line for line in figure.axes[0].lines}

    assert list(lines["your test"].get_ydata()) == [7.4]
    assert lines["your test"].get_marker() == "D"
    assert {"water change", "new titre factor", "dose"} <= set(lines)
    assert "your test" not in {line.get_label() for line in figure.axes[2].lines}


def test_the_chart_takes_the_pages_own_text_colour(contents):
    svg = as_svg(overview([d for _, d in contents.results], contents.logged, ZONE, DKH))

    assert "currentColor" in svg
    assert "#0a0b0c" not in svg
    assert "alkalinity, dKH" in svg


def test_an_empty_report_says_so():
    page = html(Contents("kelp-room", BEGIN, BEGIN, ZONE, DKH, [], [], []))

    assert "0 determinations" in page
    assert "<svg" not in page


def test_the_picture_is_a_png(contents):
    picture = as_png(overview([d for _, d in contents.results], contents.logged, ZONE, DKH))

    assert picture.startswith(b"\x89PNG")


@pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed")
@pytest.mark.parametrize("width", [390, 1000])
def test_a_browser_shows_it_at_a_telephones_and_a_screens_width(contents, tmp_path, width):
    """The page itself never scrolls sideways: wide charts and tables do so in their own frames."""
    page = tmp_path / "r.html"
    probe = "<script>document.title = document.documentElement.scrollWidth + ' ' + innerWidth</script></body>"
    page.write_text(html(contents).replace("</body>", probe), encoding="utf-8")
    shown = run(
        "chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--window-size={width},900", "--dump-dom", page
    )
    assert shown.returncode == 0, shown.stderr
    scroll, inner = map(int, re.search(r"<title>(\d+) (\d+)</title>", shown.stdout).groups())
    assert scroll <= inner
