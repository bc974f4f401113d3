"""`saltern init`, as it is typed."""

from typer.testing import CliRunner

from saltern.config.loading import load_bench
from saltern.config.questions import QUESTIONS
from tests.cli.command import app


def say(*words, **how):
    return CliRunner().invoke(app, ["init", *map(str, words)], **how)


def test_a_keeper_who_answers_each_question_has_a_bench_file(tmp_path):
    path = tmp_path / "bench.toml"
    said = ["simulated", "Kelp Room", "kelp-room", "Europe/Lisbon", *[""] * (len(QUESTIONS) - 2)]

    done = say(path, input="\n".join(said) + "\n")

    assert done.exit_code == 0, done.output
    assert "'Kelp Room' cannot be a bench's name" in done.output  # asked again
    config = load_bench(path)
    assert (config.name, config.schedule.time_zone) == ("kelp-room", "Europe/Lisbon")
    assert f"saltern check {path}" in done.output.replace("\n", " ")


def test_answers_given_beforehand_are_not_asked(tmp_path):
    path = tmp_path / "new" / "bench.toml"

    done = say(path, "--from", "serial", "--usual", "--answer", "name=cellar", "--answer", "every_h=6")

    assert done.exit_code == 0, done.output
    assert load_bench(path).schedule.every_h == 6.0


def test_a_slip_of_the_keyboard_writes_nothing(tmp_path):
    for words in (["--answer", "spout=75"], ["--answer", "spout_mm"], ["--from", "breadboard"]):
        done = say(tmp_path / "bench.toml", "--usual", *words)

        assert done.exit_code != 0
        assert not (tmp_path / "bench.toml").exists()


def test_the_questions_can_be_read_first():
    done = say("--questions")

    assert done.exit_code == 0
    assert all(question.key in done.output for question in QUESTIONS)
