"""`saltern tank`, as its user runs it: on records of a reef that knows nothing of the filter."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import load_bench
from saltern.errors import StartupError
from saltern.model.determination import Determination, Source
from saltern.model.logbook import Dose, OtherTest
from saltern.model.verdict import Quantity, Verdict
from saltern.records.opening import open_store
from tests.cli.command import run
from tests.tank.reef import DKH_PER_UMOL_KG, GOOD_OWN_UMOL_KG, Reef, play

BEGIN = datetime(2026, 3, 2, tzinfo=UTC)
TANK = """
[tank]
volume_l = 400.0
volume_u_percent = 1.5
target_dkh = 8.3
low_dkh = 7.5
high_dkh = 9.5

[tank.supplements.soda]
salt = "sodium-bicarbonate"
g_per_l = 84.0

[[tank.doser]]
since = 2026-03-01T00:00:00+00:00
supplement = "soda"
ml_per_day = {ml_per_day:.2f}
"""
DEMO = Path(__file__).parents[2] / "config" / "bench-simulated.toml"


def determination(at, dkh):
    alkalinity = dkh / DKH_PER_UMOL_KG
    return Determination(
        source=Source.TANK,
        started_at=at,
        started_s=at.timestamp(),
        alkalinity=Quantity(alkalinity, GOOD_OWN_UMOL_KG * 1.2, Verdict.ACCEPTED),
        ph_total=Quantity(8.05, 0.02, Verdict.ACCEPTED),
        salinity=Quantity(35.0, 0.1, Verdict.ACCEPTED),
        finished_s=at.timestamp() + 900.0,
        method="least-squares",
        temperature_c=24.0,
        budget_umol_kg={"curve": GOOD_OWN_UMOL_KG, "titre factor": 2.0},
    )


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Eight days of results, a doser whose strength the bench file knows, and a dose of something unknown."""
    folder = tmp_path_factory.mktemp("bench")
    played = play(Reef(1, 9, dosed_over_consumed=(0.8, 0.8)), 2)
    (history,) = played.histories
    meq_per_dkh = 400.0 / 2.8039
    file = folder / "bench.toml"
    file.write_text(
        DEMO.read_text() + TANK.format(ml_per_day=history.doser[0].dkh_per_day * meq_per_dkh / (84.0 / 84.006))
    )
    store = open_store(folder / load_bench(file).records.path, VirtualClock())
    for each in history.seen:
        store.keep(determination(BEGIN + timedelta(days=each.at_d), each.dkh))
    store.log(Dose(chemical="something", amount=5.0), BEGIN + timedelta(days=2))
    store.log(OtherTest(quantity="magnesium_mg_l", value=1300.0, method="kit"), BEGIN + timedelta(days=7))
    store.close()
    return file, played, history


def test_the_json_holds_what_the_tank_takes_with_its_uncertainty(bench):
    file, played, history = bench
    code, out, _ = run("tank", "--bench", file, "--json")
    words = json.loads(out)
    window = next(each for each in words["consumption"]["windows"] if each["days"] == 7.0)
    end_d = history.seen[-1].at_d
    truth = played.over(played.consumed, end_d, 7.0)[0]

    assert code == 0
    assert abs(window["consumption_dkh_per_day"]["value"] - truth) < 3.0 * window["consumption_dkh_per_day"]["u"]
    assert abs(window["net_dkh_per_day"]["value"] - played.over(played.net, end_d, 7.0)[0]) < 0.02
    assert not words["consumption"]["too_early"]
    assert 2000.0 < words["carbonate"]["carbon_umol_kg"]["value"] < 2800.0
    assert "something" in words["not_understood"][0]


def test_the_screen_says_what_to_dose_in_the_keepers_own_supplement(bench):
    code, out, _ = run("tank", "--bench", bench[0])

    assert code == 0
    for part in ("last 7 days: consumption", "dKH a day", "soda:", "mL a day", "Never dose by one number", "something"):
        assert part in out
    assert "k = 2" in out


def test_calcium_and_sodium_that_go_with_it_are_named(bench):
    """By hand: a dKH is 0.35663 meq/L; CaCO3 holds one calcium (40.078 g/mol) for two equivalents, each salt one
    sodium (22.990 g/mol) for one (IUPAC).
    """
    tank, said = json.loads(run("tank", "--bench", bench[0], "--json")[1]), run("tank", "--bench", bench[0])[1]
    taken = tank["consumption"]["windows"][0]["consumption_dkh_per_day"]["value"]
    word = tank["advice"]
    given = word["dose_dkh_per_day"] + word["correction_dkh_per_day"]

    assert f"about {taken * 0.35663 * 40.078 / 2.0:.0f} mg/L of calcium a day" in " ".join(said.split())
    assert f"{given * 0.35663 * 22.990:.0f} mg/L of sodium a day" in " ".join(said.split())


def test_on_the_first_day_it_is_too_early_to_say(bench):
    at = (BEGIN + timedelta(hours=16)).isoformat()
    code, out, _ = run("tank", "--bench", bench[0], "--at", at)
    words = json.loads(run("tank", "--bench", bench[0], "--at", at, "--json")[1])

    assert code == 0
    assert "Too early to say" in out
    assert words["advice"]["withheld_because"] == "too-early"
    assert words["advice"]["dose_dkh_per_day"] is None
    assert words["not_understood"] == []  # that was written down later


def test_results_that_are_merely_old_are_not_called_early(bench):
    code, said, _ = run("tank", "--bench", bench[0], "--at", (BEGIN + timedelta(days=92)).isoformat())

    assert code == 0
    assert "three results of the last four weeks" in " ".join(said.split())
    assert "early" not in said.lower()


def test_a_bench_without_a_tank_is_told_what_to_write(tmp_path):
    file = tmp_path / "bench.toml"
    file.write_text(DEMO.read_text())
    open_store(tmp_path / load_bench(file).records.path, VirtualClock()).close()
    code, _, err = run("tank", "--bench", file)

    assert code == 2
    assert "volume_l" in err


def test_a_tank_that_was_never_measured_says_so(tmp_path):
    file = tmp_path / "bench.toml"
    file.write_text(DEMO.read_text() + "\n[tank]\nvolume_l = 100.0\n")
    open_store(tmp_path / load_bench(file).records.path, VirtualClock()).close()

    assert "Nothing has been measured" in run("tank", "--bench", file)[1]


VOLUME = "[tank]\nvolume_l = 9.0\n"
DOSER = VOLUME + '[[tank.doser]]\nsupplement = "y"\nml_per_day = 1.0\nsince = '


@pytest.mark.parametrize(
    ("wrong", "what"),
    [
        (VOLUME + "low_dkh = 9.0\n", "target_dkh lies between"),
        ("[tank]\nvolume_l = 0.0\n", "volume_l"),
        (VOLUME + '[tank.supplements.x]\nsalt = "own-stock"\ng_per_l = 3.0\n', "meq_per_ml"),
        (VOLUME + '[tank.supplements.x]\nsalt = "sodium-carbonate"\n', "one of g_per_l"),
        (DOSER + "2026-03-01T00:00:00\n", "offset"),
        (DOSER + "2026-03-01T00:00:00Z\n", "not among"),
        (VOLUME + "most_rise_dkh_per_day = 4.0\n", "most_rise"),
    ],
)
def test_a_wrong_table_is_refused_with_what_is_wrong(tmp_path, wrong, what):
    file = tmp_path / "bench.toml"
    file.write_text(DEMO.read_text() + "\n" + wrong)
    with pytest.raises(StartupError, match=what):
        load_bench(file)


def test_a_wrong_moment_is_refused(bench):
    assert run("tank", "--bench", bench[0], "--at", "yesterday")[0] == 2
    assert "offset" in run("tank", "--bench", bench[0], "--at", "2026-03-05T08:00:00")[2]


@pytest.mark.parametrize("width", [80, 60])
def test_what_is_said_of_the_tank_fits_the_screen(bench, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    code, out, _ = run("tank", "--bench", bench[0])
    assert code == 0
    assert [line for line in out.splitlines() if len(line) > width] == []
