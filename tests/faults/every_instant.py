"""The computer dies at every instant of a determination at which anything happens at all.

An instant is each at which time was seen to move (waits, scans, timers, pulses) and each change of an output pin. One
determination is played; at every instant the playing process splits, and its child is the one in which the computer
dies there, starts again and brings the bench to rest. Records are copied for it as a death leaves them: what is not
committed is lost. A keeper holds the schedule then: what is played is what a start does by itself. Each twentieth is
not held, and the next determination follows.

    python -m tests.faults.every_instant [every nth instant [power-cut | process-killed]]
"""

import os
import pickle
import shutil
import sqlite3
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

from saltern.cli.logs import quiet_logs
from saltern.cli.simulation import Stage, bench_of
from saltern.records.beside import LATCHES, LEDGER
from saltern_drivers.twin.scenario import FaultTable
from tests.faults.campaign import SOUND_SEEDS, Case, scenario_of
from tests.faults.judge import Judge
from tests.faults.layers import without

KINDS = ("power-cut", "process-killed")
DOWN_H = 0.01
LEAST_S, STEP_S, AFTER_S = 240.0, 20.0, 1200.0
"""At least a start and some minutes; at most a drain with all its tries, and fresh sample for the probes."""

GOES_ON_EVERY = 20
CARRIED = (".sqlite", ".sqlite-wal", f".sqlite{LEDGER}", f".sqlite{LATCHES}")


class _NeverClosed(list[Any]):
    """Connections of the process that split: its child must not touch them, not even to close them."""

    def pop(self, *_: Any) -> Any:
        raise AssertionError("nothing is closed that another process has open")

    def __bool__(self) -> bool:
        return False


class Splitting:
    """One determination, and its deaths.

    Parameters
    ----------
    kind
        How the computer dies.
    every
        At every nth instant alone.
    folder
        For records.
    goes_on_every
        So manieth death is followed by the next determination.
    after_s
        Instants before that time are passed over.
    """

    def __init__(self, kind: str, every: int, folder: Path, goes_on_every: int, after_s: float) -> None:
        quiet_logs()
        self._goes_on_every, self._after_s = goes_on_every, after_s
        self._fault = FaultTable.model_validate({"kind": kind, "at_h": 0.0, "for_h": DOWN_H})
        self._every, self._folder = every, folder
        case = Case(SOUND_SEEDS[0], ({"kind": kind, "at_h": 0.0},))
        scenario = scenario_of(case, determinations=2)
        config = bench_of(scenario, folder)
        self.stage = Stage(scenario, config, str(folder / "parent.sqlite"))
        wanted = 1  # whatever becomes of it
        self._judge = Judge(self.stage, case.faults, folder / "parent.sqlite", config.limits, wanted)
        self._pipe: int | None = None  # of a child, to its parent
        self._died_s = 0.0
        self._seen = 0
        self._over = False
        self.played: list[tuple[str, float, dict[str, str]]] = []  # what happened, when, what was violated

    def play(self) -> list[tuple[str, float, dict[str, str]]]:
        """Play the first determination to its end; return what became of every death."""
        clock, pins = self.stage.clock, self.stage.play.wires.pins
        clock.attach(lambda _: self._instant("time"))
        pins.changed = lambda: self._instant("pin")
        try:
            while not self.stage.log.outcomes:
                self.stage.play_until(clock.monotonic() + STEP_S)
                if self._pipe is not None:
                    self._end_of_child(self._pipe)
            self._over = True
            self.stage.close()
        finally:
            if self._pipe is not None:  # a child that came here has lost its way, and says nothing
                os._exit(1)
        return self.played

    def _instant(self, what: str) -> None:
        if self._over or self._pipe is not None or self.stage.clock.monotonic() < self._after_s:
            return
        self._seen += 1
        if self._seen % self._every:
            return
        at_s = self.stage.clock.monotonic()
        ours, childs = os.pipe()
        if os.fork():
            os.close(childs)
            with os.fdopen(ours, "rb") as answer:
                told = answer.read()
            os.wait()
            self.played.append((what, at_s, pickle.loads(told) if told else {"the child answers": "it is gone"}))
            return
        os.close(ours)
        self._pipe = childs
        self._die(at_s)

    def _die(self, at_s: float) -> None:
        """Die here, in the child, and let its own computer start again on its own records."""
        self._died_s = at_s
        for end in CARRIED:
            parents = self._folder / f"parent{end}"
            if parents.exists():
                shutil.copyfile(parents, self._folder / f"child{end}")
        if len(self.played) % self._goes_on_every:
            until = (self.stage.clock.now() + timedelta(hours=2.0)).isoformat()
            with closing(sqlite3.connect(self._folder / "child.sqlite")) as database, database:
                database.execute(
                    "INSERT INTO state (name, value, set_utc) VALUES ('held_until', json_quote(?), ?)", (until, until)
                )
        computer = self.stage.computer
        computer._records = str(self._folder / "child.sqlite")
        self._judge.read_on_from(self._folder / "child.sqlite")
        computer._left_open = _NeverClosed()
        computer.befall(self._fault)  # raises: nothing of the process goes on

    def _let_it_come_to_rest(self) -> None:
        """Play until what the last process left is dealt with, or told."""
        end_s = self._died_s + LEAST_S
        self.stage.play_until(end_s)
        while end_s < self._died_s + AFTER_S:
            service = self.stage.computer.service
            told = {alert.code for alert in service.alerting.standing} if service is not None else {"unclean-stop"}
            if "unclean-stop" not in told or "not-recovered" in told:
                break
            end_s += STEP_S
            self.stage.play_until(end_s)

    def _end_of_child(self, pipe: int) -> None:
        """Let the bench come to rest, judge it, tell the parent, and be no more."""
        violated: dict[str, str] = {"the child answers": "it does not"}
        try:
            self._let_it_come_to_rest()
            violated = self._judge.judge().violated
            with closing(sqlite3.connect(self._folder / "child.sqlite")) as database:
                if database.execute("PRAGMA integrity_check").fetchone() != ("ok",):
                    violated["records are sound"] = "integrity_check says otherwise"
        except BaseException as error:  # noqa: BLE001 - it has nobody above it
            violated = {"the service goes on": repr(error)}
        finally:
            os.write(pipe, pickle.dumps(violated))
            os._exit(0)


def die_everywhere(
    kind: str,
    every: int = 1,
    layers: tuple[str, ...] = (),
    goes_on_every: int = GOES_ON_EVERY,
    after_s: float = 0.0,
) -> list[tuple[str, float, dict[str, str]]]:
    """Play one determination and all its deaths of a kind, these layers of protection switched off."""
    with tempfile.TemporaryDirectory() as folder, without(*layers):
        return Splitting(kind, every, Path(folder), goes_on_every, after_s).play()


def main(every: int = 1, *kinds: str) -> int:
    """Print how many deaths were died, and what was violated."""
    bad, kinds = 0, kinds or KINDS
    with ProcessPoolExecutor() as pool:
        for kind, played in zip(kinds, pool.map(die_everywhere, kinds, [every] * len(kinds)), strict=True):
            counts = Counter(what for what, _, _ in played)
            wrong = [(what, at_s, violated) for what, at_s, violated in played if violated]
            bad += len(wrong)
            print(f"{kind}: {counts['time']} moves of time, {counts['pin']} changes of pins, {len(wrong)} violated")
            for what, at_s, violated in wrong[:10]:
                print(f"   {what} at {at_s:.3f} s: {violated}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(*(int(word) if word.isdigit() else word for word in sys.argv[1:])))  # type: ignore[arg-type]
