"""Programs ask by the same commands: each that acts or reports says what came of it as one JSON object."""

import json

import pytest
from typer.main import get_command

from saltern.cli.main import NAMES, command_line
from saltern.rpc.replies import REPLIES
from tests.cli.command import run
from tests.cli.test_live import saltern, scheduled, started
from tests.toml import to_toml
from tests.twin_bench import bench_table

FOR_PEOPLE_OR_SYSTEMD = {
    ("daemon",): "it runs until it is ended; its log is JSON",
    ("practice",): "a terminal at which hands are simulated",
    ("init",): "it asks a person, and writes a bench file",
    ("report-death",): "the unit calls it, and what it says goes to the log",
}


@pytest.fixture
def bench(tmp_path):
    """A bench file whose schedule starts nothing."""
    path = tmp_path / "bench.toml"
    path.write_text(to_toml(bench_table({"schedule": scheduled("06:10")})))
    return path


ASKED = (
    (["hold", "2"], "operate"),
    (["part", "emptied", "waste"], "operate"),
    (["reset"], "operate"),
    (["condition", "tests-are-over", "no"], "condition"),
    (["calibrations", "roll-back", "ph", "bench-file"], "roll-back"),
    (["reload"], "reload"),
    (["away", "2", "--look"], "away"),
    (["log", "remark", "hello"], "log"),
)
"""What is said to a running service, and whose reply it prints."""

WRITTEN = (
    (["export", "--to", "results.csv"], {"file", "rows"}),
    (["export", "log", "--to", "log.csv"], {"file", "rows"}),
    (["backup", "copy.sqlite"], {"file", "determinations"}),
    (["calibrations", "export", "all.json"], {"file", "calibrations"}),
    (["report", "--to", "page.html", "--days", "1"], {"file", "png", "determinations"}),
    (["bundle", "help.zip"], {"file", "members"}),
    (["restore", "copy.sqlite", "elsewhere/bench.toml"], {"bench_file", "records"}),
)


def every_command(group, name=()):
    for word, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from every_command(command, (*name, word))
        else:
            yield (*name, word), command


def test_every_command_takes_json_but_those_that_no_program_calls():
    lacking = {
        name
        for name, command in every_command(get_command(command_line(NAMES)))
        if not any("--json" in option.opts for option in command.params)
    }
    assert lacking == FOR_PEOPLE_OR_SYSTEMD.keys()


def test_what_a_service_answers_is_printed_as_its_schema_says(bench):
    running = started(bench)
    for words, replies in ASKED:
        found = json.loads(saltern(bench, *words, "--json"))
        assert found.pop("schema_version") == 1
        REPLIES[replies].model_validate(found)
    nowhere = json.loads(saltern(bench, "alert", "test", "--json", code=1))
    assert nowhere["ways"] == []
    assert saltern(bench, "hold", "0").startswith("Done: hold 0. Interlocks acting: ")
    assert running.stop() == 0


def test_what_is_written_names_its_file_and_what_is_in_it(bench, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, said = run("commission", "ada", "tried at noon", "--records-only", "--bench", bench, "--json")
    assert code == 0, said
    assert (code, json.loads(out)) == (0, {"schema_version": 1, "who": "ada", "why": "tried at noon"})
    assert run("reset", bench)[0] == 0  # opened once: its records hold its bench file
    (tmp_path / "elsewhere").mkdir()
    for words, keys in WRITTEN:
        which = [] if words[0] == "restore" else ["--bench", bench]
        code, out, said = run(*words, *which, "--json")
        assert code == 0, said
        found = json.loads(out)
        assert found.keys() == keys | {"schema_version"}
        assert all((tmp_path / found[key]).stat().st_size > 0 for key in ("file", "bench_file") if key in keys)


def test_export_keeps_its_rows_apart_from_json(bench):
    code, out, said = run("export", "--bench", bench, "--json")
    assert (code, out) == (2, "")
    assert "--to FILE" in said


def test_safe_off_says_how_many_outputs_of_which_bench_are_low(tmp_path):
    table = bench_table({"records": {"path": str(tmp_path / "records.sqlite")}})
    bench = tmp_path / "bench.toml"
    bench.write_text(to_toml(table))
    assert run("reset", bench)[0] == 0  # opened once, so that there is a list
    (outputs,) = tmp_path.glob("*outputs.json")
    code, out, _ = run("safe-off", outputs, "--json")
    assert code == 0
    (low,) = json.loads(out)["benches"]
    assert low == {"name": outputs.name, "outputs": len(json.loads(outputs.read_text())["lines"]), "killed": False}
