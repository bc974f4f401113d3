"""Who may use a bench is in its records, by a word of a person."""

from saltern.cli.logs import quiet_logs
from saltern.clock import RealClock
from saltern.config.loading import bench_from
from saltern.records.opening import open_for_reading
from saltern.running.commissioning import commissioned
from tests.cli.command import run
from tests.toml import to_toml
from tests.twin_bench import bench_table


def a_new_bench(folder):
    quiet_logs()
    table = {**bench_table(), "wires": "gpio", "records": {"path": str(folder / "saltern.sqlite")}}
    table["service"] = {"socket": str(folder / "bench.sock")}
    file = folder / "bench.toml"
    file.write_text(to_toml(table))
    return file, bench_from(table, where="test")


def test_a_person_says_that_the_bench_may_be_used(tmp_path):
    file, config = a_new_bench(tmp_path)
    code, out, err = run("commission", "--records-only", "the keeper", "tried it all", "--bench", file)

    assert code == 0, err
    assert "the keeper" in out
    reader = open_for_reading(tmp_path / "saltern.sqlite", RealClock())
    found = commissioned(reader, config)
    reader.close()
    assert (found["who"], found["why"]) == ("the keeper", "tried it all")
    assert found["at_utc"]


def test_without_trials_it_says_what_to_do_first(tmp_path):
    file, _ = a_new_bench(tmp_path)
    code, _, err = run("commission", "the keeper", "tried it all", "--bench", file)

    assert code == 2
    assert "saltern bring-up" in err
    assert not (tmp_path / "saltern.sqlite").exists()
