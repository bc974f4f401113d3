"""Boards that drop off their ports, at rest and at work, come back: the bench measures again unattended."""

EVERY_H, DAYS = 4.0, 2.0
PHASES = ("look at the probes", "discard tip", "empty", "rinse", "fill", "measure", "titrate", "evaluate", "keep")


def play_scenario(tmp_path, text):
    import json

    from tests.cli.command import run

    path = tmp_path / "scenario.toml"
    path.write_text(text)
    code, out, _ = run("simulate", path, "--json")
    assert code == 0
    return json.loads(out)


def test_boards_that_are_gone_for_72_s_at_rest_cost_no_determination(tmp_path):
    """Before ports were opened again this left all nine later determinations void."""
    played = play_scenario(
        tmp_path,
        f"""
        seed = 7
        days = {DAYS}
        [keeper]
        attentive = false
        [schedule]
        every_h = {EVERY_H}
        [[fault]]
        kind = "serial-renumbered"
        at_h = 9.5
        for_h = 0.02
        """,
    )
    verdicts = [d["alkalinity"]["verdict"] for d in played["determinations"]]

    assert len(verdicts) == 24 * DAYS / EVERY_H
    assert verdicts.count("void") == 0
    assert verdicts.count("accepted") >= 0.9 * len(verdicts)
