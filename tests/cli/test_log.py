"""`saltern log` at a service's real socket: what is written down, asked about, taken back, corrected and taken in."""

import csv
import json
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from
from saltern.records.opening import open_for_reading, open_store
from saltern.records.tank_history import known
from saltern.rpc.replies import REPLIES
from saltern.rpc.server import Server
from saltern.running.remote import Remote
from saltern.running.service import open_service
from saltern_drivers.twin.scenario import Play, Scenario
from tests.cli.command import run
from tests.test_standing_alerts import determination
from tests.twin_bench import bench_table

TANK = {
    "volume_l": 400.0,
    "supplements": {
        "soda": {"salt": "sodium-bicarbonate", "g_per_l": 84.0},
        "kalk": {"salt": "own-stock", "meq_per_ml": 0.04},
    },
}
BERLIN = ZoneInfo("Europe/Berlin")


class Bench:
    """A service behind its socket; its control thread does what is posted for the records."""

    def __init__(self, folder, **changes):
        table = {"tank": TANK, "schedule": {"time_zone": "Europe/Berlin"}, **changes}
        self.config = bench_from(bench_table(table), where="test")
        self.clock = VirtualClock(start=datetime(2026, 3, 4, 13, 0, tzinfo=UTC))
        self.records, self.socket = folder / "saltern.sqlite", folder / "s.sock"
        play = Play(Scenario(seed=4, days=1.0), self.config.model_dump(), self.clock)
        self.store = open_store(self.records, self.clock)
        self.service = open_service(self.config, play.wires, self.clock, self.store)
        self.reader = open_for_reading(self.records, self.clock)
        remote = Remote(self.service, self.reader, list)
        self.server = Server(self.socket, remote.handlers())
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._control)
        self._thread.start()

    def _control(self):
        while not self._over.wait(0.005):
            for act in self.service.mailbox.take_for_records():
                act()

    def close(self):
        self._over.set()
        self._thread.join()
        self.server.close()
        self.reader.close()
        self.service.bench.close()
        self.store.close()

    def log(self, *words, code=0):
        """Say it at the terminal; return what is printed, or the error where `code` says that it fails."""
        found, out, err = run("log", *words, "--socket", self.socket)
        assert found == code, (out, err)
        return out if code == 0 else err

    def kept(self):
        return json.loads(self.log("list", "--json"))["entries"]


@pytest.fixture
def bench(tmp_path):
    made = []

    def make(**changes):
        made.append(Bench(tmp_path, **changes))
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_each_kind_is_written_down_with_its_time_and_who_said_it(bench):
    at = bench()
    at.log("dose", "soda", 40, "--at", "yesterday 9:00", "--who", "ada")
    at.log("doser", "kalk", 120, "--at", "2 h ago", "--who", "bo")
    at.log("water-change", 40, "--alkalinity", 8.1, "--salinity", 35)
    at.log("test", "phosphate", 0.08, "--u", 0.02)
    at.log("test", "alkalinity_dkh", 7.6, "drops")  # as it was spelled before
    at.log("event", "coral-added", "two small ones")
    at.log("remark", "new lamp", "--at", "2026-03-01 08:00")
    entries = at.kept()

    assert [one["entry"]["kind"] for one in entries] == [
        "remark", "dose", "doser", "water-change", "test", "test", "event",
    ]  # fmt: skip
    assert [one["at_utc"][:16] for one in entries[:3]] == ["2026-03-01T07:00", "2026-03-03T08:00", "2026-03-04T11:00"]
    assert [one["who"] for one in entries[1:3]] == ["ada", "bo"]
    assert entries[4]["entry"] == {
        "kind": "test",
        "quantity": "phosphate_mg_l",
        "value": 0.08,
        "method": "kit",
        "u": 0.02,
    }
    shown = at.log("list")
    assert "yesterday 09:00    40 mL of soda (ada)" in shown
    assert "phosphate 0.08 ± 0.04 mg/L, kit" in shown


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    """One bench for what is refused: its log stays empty."""
    made = Bench(tmp_path_factory.mktemp("empty"))
    yield made
    made.close()


@pytest.mark.parametrize("width", [80, 60])
def test_the_list_fits_the_screen(bench, monkeypatch, width):
    at = bench()
    at.log("remark", "a long story of a coral and its keeper, " * 5)
    at.log("water-change", 40, "--alkalinity", 8.1, "--salinity", 35, "--who", "somebody-with-a-name")
    at.log("undo", 1)
    monkeypatch.setenv("COLUMNS", str(width))
    assert max(map(len, at.log("list").splitlines())) <= width


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (("water-change", 4000), "4000 L into a tank of 400 L"),
        (("dose", "soda", 4000), "by 28.04 dKH at once, where 1.50 dKH a day is the most"),
        (("dose", "something", 40000), "40000 mL into a tank of 400 L"),
        (("doser", "soda", 9000), "dKH a day"),
        (("test", "calcium", 42), "calcium 42 mg/L, where 250 to 650"),
        (("test", "alkalinity", 2.8), "alkalinity 2.80 dKH, where 4.00 dKH to"),
        (("dose", "soda", 4, "--at", "2024-03-01 09:00"), "days ago"),
    ],
)
def test_what_no_such_tank_takes_is_asked_about_and_yes_answers(bench, words, asked):
    at = bench()
    assert asked in at.log(*words, code=2)
    assert at.kept() == []
    at.log(*words, "--yes")
    assert len(at.kept()) == 1


@pytest.mark.parametrize(
    ("words", "what"),
    [
        (("dose", "soda", 4, "--at", "tomorrow 9:00"), "tomorrow"),
        (("dose", "soda", 4, "--at", "2027-01-01 09:00"), "ahead of the bench's clock"),
        (("test", "colour", 3), "quantity"),
        (("event", "party"), "what"),
        (("test", "alkalinity", 3, "--unit", "grains"), "not a unit"),
        (("undo", 7), "no entry 7"),
        (("correct", 7, "amount=3"), "number 7"),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_do(empty, words, what):
    at = empty
    code, out, err = run("log", *words, "--socket", at.socket)
    assert (code in (1, 2), out) == (True, "")
    assert what in err
    assert at.kept() == []


def test_an_alkalinity_is_in_the_keepers_unit_unless_another_is_given(bench):
    at = bench(alkalinity_unit="meq/L")
    at.log("test", "alkalinity", 2.8, "--u", 0.05)
    at.log("test", "alkalinity", 140.1, "--unit", "mg/L CaCO3")
    first, second = (one["entry"]["value"] for one in at.kept())
    assert first == pytest.approx(2.8 * 2.804, rel=1e-3)  # 1 meq/L is 2.804 dKH (common tables)
    assert second == pytest.approx(140.1 / 17.848, rel=1e-3)
    assert "alkalinity 2.800 meq/L ± 0.1" in at.log("list")
    assert "alkalinity 1.000 meq/L, where 1.427 meq/L to" in at.log("test", "alkalinity", 1.0, code=2)


def test_what_is_undone_stays_with_its_mark_and_counts_no_more(bench):
    at = bench()
    at.log("dose", "soda", 40, "--at", "1 h ago")
    at.log("dose", "soda", 50, "--at", "3 h ago")
    assert at.service.store.last_dose() == at.clock.now() - timedelta(hours=1)
    at.log("undo", 1, "--who", "ada")

    assert at.service.store.last_dose() == at.clock.now() - timedelta(hours=3)
    assert [one.id for one in at.store.logged(datetime(2026, 1, 1, tzinfo=UTC))] == [2]
    assert [(one["id"], one["undone_by"]) for one in at.kept()] == [(2, None), (1, "ada")]
    assert "undone by ada, today 14:00: does not count" in at.log("list")
    assert "undid it" in at.log("undo", 1, code=1)
    at.reader.rows("SELECT 1")
    with closing(sqlite3.connect(f"file:{at.records}?mode=ro", uri=True)) as plain:
        assert plain.execute("SELECT id, undone_by FROM v_log ORDER BY id").fetchall() == [(1, "ada"), (2, None)]


def test_a_correction_stands_in_the_place_of_what_was_wrong(bench):
    at = bench()
    at.log("dose", "soda", 400, "--at", "yesterday 9:00", "--yes")
    at.log("correct", 1, "amount=40")
    old, new = sorted(at.kept(), key=lambda one: one["id"])
    assert (new["entry"]["amount"], new["at_utc"], new["corrects"]) == (40.0, old["at_utc"], 1)
    assert old["undone_utc"] is not None
    at.log("correct", 2, "--at", "yesterday 10:00")
    assert at.kept()[-1]["entry"]["amount"] == 40.0
    assert "changes nothing" in at.log("correct", 3, "litres=3", code=2)
    assert "If that is so" in at.log("correct", 3, "amount=40000", code=2)


def test_doses_dosers_and_what_is_undone_reach_the_history_of_the_tank(bench):
    at = bench()
    at.store.keep(determination(at.clock, 8.0))
    at.clock.sleep(2.0 * 86400.0)
    at.log("doser", "soda", 100, "--at", "1 day ago")
    at.log("doser", "kalk", 1000, "--at", "12 h ago")
    at.log("dose", "soda", 40, "--at", "2 h ago")
    at.log("dose", "soda", 41, "--at", "1 h ago")
    at.log("undo", 4)
    at.log("doser", "unknown-stuff", 10)
    found = known(at.store, at.config, at.config.tank, at.clock.now())

    meq_per_dkh = 400.0 / 2.804  # common tables
    soda, kalk = 84.0 / 84.007, 0.04  # meq in a mL
    assert [each.dkh for each in found.history.doses] == pytest.approx([40 * soda / meq_per_dkh], rel=2e-3)
    assert [each.dkh_per_day for each in found.history.doser] == pytest.approx(
        [100 * soda / meq_per_dkh, (100 * soda + 1000 * kalk) / meq_per_dkh], rel=2e-3
    )
    assert "unknown-stuff" in found.not_understood[0]
    assert "does not count" in at.log("dose", "soad", 4)


GOOD = """at,kind,chemical,amount,litres,quantity,value,method,text
2026-02-01 09:00,dose,soda,40,,,,,
2026-02-02T18:00:00+01:00,water-change,,,60,,,,
2026-02-03 08:30,test,,,,calcium_mg_l,420,drops,
2026-02-03 08:35,remark,,,,,,,"skimmer, cleaned"
"""


def test_a_file_of_past_notes_is_shown_asked_about_kept_as_one_and_undone_as_one(bench, tmp_path):
    at = bench()
    file = tmp_path / "notes.csv"
    file.write_text(GOOD)
    refused = at.log("import", file, code=2)
    assert "4 entries" in refused
    assert at.kept() == []

    out = at.log("import", file, "--yes", "--who", "ada")
    assert "60 L of water changed" in out
    assert "saltern log undo 1" in out
    assert [(one["batch"], one["who"]) for one in at.kept()] == [(1, "ada")] * 4
    assert at.kept()[0]["at_utc"] == "2026-02-01T08:00:00+00:00"
    assert "4 of 4 are in the log already" in at.log("import", file, code=2)
    at.log("correct", 1, "amount=41")
    at.log("undo", 3)
    assert all(one["undone_utc"] for one in at.kept())


def test_a_file_speaks_the_keepers_unit_too(bench, tmp_path):
    at = bench(alkalinity_unit="meq/L")
    file = tmp_path / "notes.csv"
    file.write_text(
        "at,kind,quantity,value,u,litres,alkalinity,method\n"
        "2026-02-01 09:00,test,alkalinity,2.8,0.05,,,drops\n"
        "2026-02-02 09:00,test,phosphate,0.1,,,,drops\n"
        "2026-02-03 09:00,water-change,,,,40,2.9,\n"
    )
    at.log("import", file, "--yes")
    alkalinity, phosphate, change = (one["entry"] for one in at.kept())
    assert alkalinity["value"] == pytest.approx(2.8 * 2.804, rel=1e-3)  # 1 meq/L is 2.804 dKH (common tables)
    assert alkalinity["u"] == pytest.approx(0.05 * 2.804, rel=1e-3)
    assert phosphate["quantity"] == "phosphate_mg_l"
    assert change["alkalinity_dkh"] == pytest.approx(2.9 * 2.804, rel=1e-3)


def test_a_long_file_is_one_import(bench, tmp_path):
    at = bench()
    file = tmp_path / "notes.csv"
    rows = [f"2025-{1 + k % 12:02d}-{1 + k // 12:02d} 09:00;dose;soda;{10 + k}" for k in range(320)]
    file.write_text("at;kind;chemical;amount\n" + "\n".join(rows) + "\n")
    found = json.loads(at.log("import", file, "--yes", "--json"))
    assert len(found["ids"]) == 320
    at.log("undo", found["batch"])
    assert at.store.logged(datetime(2024, 1, 1, tzinfo=UTC)) == []


def test_a_file_that_is_not_there_or_no_text_says_so(empty, tmp_path):
    assert "No such file" in empty.log("import", tmp_path / "none.csv", code=2)
    (tmp_path / "odd.csv").write_bytes(b"at,kind\n\xff\xfe,remark\n")
    assert "UTF-8" in empty.log("import", tmp_path / "odd.csv", code=2)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (GOOD.replace("420", "four"), "line 4: value"),
        (GOOD.replace("soda,40", ",40"), "line 2: chemical"),
        (GOOD.replace("2026-02-02T18:00:00+01:00", "last week"), "line 3: 'last week' is not a time"),
        (GOOD.replace("remark", "poem"), "line 5"),
        (GOOD.replace("amount", "millilitres"), "millilitres"),
        (GOOD.replace("60,,,,", "60,,,,,,,,"), "line 3: it has another number of fields"),
        ("at,kind\n", "no entries"),
        ("kind,text\nremark,hello\n", "needs the columns"),
    ],
)
def test_a_file_that_is_half_good_is_refused_by_its_line_and_nothing_is_taken(empty, tmp_path, text, what):
    at = empty
    file = tmp_path / "notes.csv"
    file.write_text(text)
    assert what in at.log("import", file, "--yes", code=2)
    assert at.kept() == []


def test_an_export_holds_all_entries_and_marks_what_was_undone(bench, tmp_path):
    at = bench()
    at.log("remark", "so")
    at.log("remark", "not so")
    at.log("undo", 2)
    code, _, _ = run("export", "log", "--db", at.records, "--to", tmp_path / "log.csv")
    rows = list(csv.DictReader((tmp_path / "log.csv").read_text().splitlines()))
    assert (code, [row["id"] for row in rows]) == (0, ["1", "2"])
    assert [bool(row["undone_utc"]) for row in rows] == [False, True]


def test_every_reply_of_the_log_is_as_its_schema_says(bench):
    at = bench()
    words = {
        "log": json.loads(at.log("test", "magnesium", 1300, "--json")),
        "log-correct": json.loads(at.log("correct", 1, "value=1310", "--json")),
        "log-undo": json.loads(at.log("undo", 2, "--json")),
        "log-list": json.loads(at.log("list", "--json")),
    }
    for method, found in words.items():
        assert found.pop("schema_version") == 1
        REPLIES[method].model_validate_json(json.dumps(found))
