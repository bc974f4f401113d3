"""The page for the telephone: what it says, that it never says more, and that a real browser shows it so."""

import http.client
import json
import re
import shutil
import socket
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from errno import EADDRNOTAVAIL
from html import escape
from zoneinfo import ZoneInfo

import matplotlib.image
import pytest
from hypothesis import given
from hypothesis import strategies as st

from saltern.clock import VirtualClock
from saltern.config.loading import bench_from, load_bench
from saltern.errors import ConfigError, StartupError
from saltern.model import codes
from saltern.publish import page as page_module
from saltern.publish import page_server
from saltern.publish.outlet import Surroundings
from saltern.publish.page import Page, PageOutlet, drawn
from saltern.publish.page_server import MOST_CLIENTS, PageServer
from saltern.records.as_json import determination_json
from saltern.records.opening import open_for_reading, open_store
from saltern.report.standing import Standing, reasons, standing
from saltern.report.today import Today, html, sitter_html
from tests.nine_days import NOW, alert, nine_days, shown
from tests.processes import free_port, run, until
from tests.twin_bench import bench_table

CALL = "Ines, 0123 456"
BROWSER = pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed")


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    return nine_days(tmp_path_factory.mktemp("bench"))


@pytest.fixture(scope="module")
def status(file):
    return shown(file)


@pytest.fixture(scope="module")
def whole(file, status):
    """The files as they are written, charts and all."""
    return drawn_of(file, status, NOW)


def drawn_of(file, status, now):
    config = load_bench(file)
    with closing(open_for_reading(file.parent / config.records.path, VirtualClock(start=now))) as store:
        return drawn(Page(folder="x", call=CALL), config, store, status, now, alive=True, also=[]).files


def pages(file, status, now=NOW, alerts=(), alive=True, **changes):
    """Return the keeper's page and the sitter's, without charts, of a bench of which this is so too."""
    config = load_bench(file)
    with closing(open_for_reading(file.parent / config.records.path, VirtualClock(start=now))) as store:
        newest = store.results(2)[1]
    last = determination_json(*newest, past=[])
    status = {**status, "alerts": [alert_json(one) for one in alerts], **changes}
    found = reasons(status, last, now, alive=alive, no_result_h=24.0)
    today = Today("kelp-room", now, ZoneInfo("UTC"), now + timedelta(hours=1), last, status, found, call=CALL)
    return html(today), sitter_html(today)


def alert_json(one):
    row = codes.of_alert(one.code)
    return {"code": one.code, "for_the_keeper": one.severity.for_the_keeper, "text": one.text, "do": row.do}


def text_of(page):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<(style|script|svg).*?</\1>", "", page, flags=re.S)))


def test_it_shows_the_number_its_change_and_age_and_what_waits(status, whole):
    keeper, sitter = whole["index.html"].decode(), whole["sitter.html"].decode()
    said = text_of(keeper)

    newest = status["last"]
    assert newest["source"] == "reference"  # what was measured last is not what is shown
    assert f"{newest['alkalinity']['dkh']:.2f} ± " not in said
    assert re.search(r"\d\.\d\d ± 0\.\d\d dKH", said)
    assert re.search(r"[+−]\d\.\d\d ± \d\.\d\d dKH since yesterday", said)
    for what in (
        "All well",
        "consumption",
        "dKH a day, over 3 days",
        "soda",
        "mL a day",
        "pH",
        "salinity",
        "titrant for",
    ):
        assert what in said
    assert "waste room for 6 days" in said
    assert "good until" in said
    assert "All well" in text_of(sitter)
    assert CALL in text_of(sitter)
    assert "<svg role=" in keeper
    assert "your test" in keeper
    assert whole["alkalinity.png"].startswith(b"\x89PNG")


def test_its_only_script_is_the_one_that_its_policy_names_and_what_others_wrote_is_text(file, status):
    evil = alert(4, "titrant-low", "<script src=//evil.example></script> & so on")
    for page in pages(file, status, alerts=[evil]):
        assert page.count("<script") == 1
        assert "&lt;script src=//evil" in page
        assert re.findall(r"""(?:src|href)="(?!#|sitter\.html)([^"]*)""", page) == []
        assert "default-src &#x27;none&#x27;" in page


@pytest.mark.parametrize(
    ("what", "asks", "word"),
    [
        ({"alerts": [alert(2, "leak", "water in the tray")]}, "Act now", "water in the tray"),
        ({"alerts": [alert(4, "titrant-low", "titrant for 2 days")]}, "Look today", "Have a bottle ready"),
        ({"alive": False}, "Act now", "does not answer"),
        ({"now": NOW + timedelta(days=2)}, "Look today", "no result has been accepted for more than 24 h"),
        ({"parked": "2026-03-02T00:00:00+00:00"}, "Look today", "parked"),
        ({"commissioned": None}, "Look today", "not commissioned"),
        ({"bypasses": [{"name": "leak", "left_h": 3.0}]}, "Look today", "leak is bypassed"),
        ({"interlocks": [{"name": "leak", "kind": "trip", "remedy": "Dry it"}]}, "Look today", "trip leak"),
    ],
)
def test_the_sitter_is_asked_to_call_whenever_all_is_not_well(file, status, what, asks, word):
    keeper, sitter = pages(file, status, **what)

    assert f"{asks} " in text_of(keeper)
    assert word in text_of(keeper)
    assert "All well" not in sitter
    assert "Call me" in sitter


def test_a_sign_of_life_and_what_is_for_information_leave_all_well(file, status):
    standing_alerts = [alert(6, "heartbeat", "alive"), alert(5, "proof-due", "due")]

    assert "All well" in pages(file, status, alerts=standing_alerts)[1]


@given(st.lists(st.sampled_from([1, 2, 3, 4, 5, 6]), max_size=4), st.booleans())
def test_no_alert_that_asks_for_somebody_is_ever_well(severities, alive):
    status = {
        "alerts": [
            {"code": f"c{i}", "text": f"t{i}", "do": "do", "for_the_keeper": alert(s, "c", "t").severity.for_the_keeper}
            for i, s in enumerate(severities)
        ],
        "interlocks": [],
        "parked": None,
        "commissioned": {},
        "bypasses": [],
        "devices": [],
    }
    found = standing(reasons(status, {"started_utc": NOW.isoformat()}, NOW, alive=alive, no_result_h=24.0))

    assert (found is Standing.WELL) is (alive and all(s > 4 for s in severities))
    assert (found is Standing.ACT) is (not alive or any(s <= 2 for s in severities))


# A real browser --------------------------------------------------------------------------


def browse(page, folder, *options, width=390):
    path = folder / "page.html"
    path.write_text(page, encoding="utf-8")
    shown_there = run(
        "chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", f"--window-size={width},1000",
        *options, path,
    )  # fmt: skip
    assert shown_there.returncode == 0, shown_there.stderr
    return shown_there.stdout


@BROWSER
def test_nothing_is_wider_than_the_screen_and_an_old_page_says_so(file, status, whole, tmp_path):
    """In frames, for a browser without a screen has no window narrower than 500 px.

    The browser's own clock decides what is old: the page of March is, and one of this minute is not. In the last frame
    somebody has smuggled in a script.
    """
    now, long = datetime.now(UTC), "probes.ph.board at /dev/serial/by-id/" + "a-converter-with-a-long-name-" * 3
    keeper, sitter = pages(file, status, now, [alert(4, "absent-x", long)])
    recent = {**json.loads(json.dumps(status)), "tank": None}
    fresh = sitter_html(Today("kelp-room", now, ZoneInfo("UTC"), now + timedelta(hours=1), None, recent))
    smuggled = fresh.replace("</body>", "<script>document.title = 'stranger'</script></body>")
    frames = [
        (width, page)
        for width in (390, 1280)
        for page in (keeper, sitter, whole["index.html"].decode(), whole["sitter.html"].decode())
    ]
    frames += [(390, smuggled)]
    body = "".join(
        f'<iframe width="{width}" height="700" style="border: 0; display: block" srcdoc="{escape(page)}"></iframe>'
        for width, page in frames
    )
    probe = """<pre></pre><script>onload = () => { document.querySelector('pre').textContent = JSON.stringify(
      [...document.querySelectorAll('iframe')].map(({contentWindow: w}) => [w.document.documentElement.scrollWidth,
      w.innerWidth, w.document.documentElement.className, w.document.title])); }</script>"""
    seen = json.loads(re.search(r"<pre>(.*?)</pre>", browse(body + probe, tmp_path, "--dump-dom", width=1400))[1])

    assert [inner for _, inner, *_ in seen] == [width for width, _ in frames]
    assert [one for one in seen if one[0] > one[1]] == []
    assert [name for _, _, name, _ in seen] == ["", "", "old", "old"] * 2 + [""]
    assert seen[-1][3] == "All well"


@BROWSER
@pytest.mark.parametrize(("mode", "dark"), [(1, False), (0, True)])
def test_it_is_light_or_dark_as_the_browser_prefers(whole, tmp_path, mode, dark):
    picture = tmp_path / "p.png"
    preferred = f"--blink-settings=preferredColorScheme={mode}"
    browse(whole["index.html"].decode(), tmp_path, preferred, f"--screenshot={picture}")
    seen = matplotlib.image.imread(picture)[..., :3].mean(axis=2)

    assert bool(seen[5, 5] < 0.3) is dark  # the paper
    assert seen.min() < 0.3
    assert seen.max() > 0.7  # and ink on it


# The folder ------------------------------------------------------------------------------


def outlet(file, page, alive=lambda: True):
    config, clock = load_bench(file), VirtualClock(start=NOW)
    store = open_store(file.parent / config.records.path, clock)
    around = Surroundings(lambda: config, file.parent, store, clock, alive)
    return PageOutlet(page, around), clock, store


@pytest.fixture
def copied(file, tmp_path):
    """The nine days, for whoever writes to their records."""
    for path in file.parent.iterdir():
        shutil.copy(path, tmp_path)
    return tmp_path / file.name


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(page_module, "LOOK_EVERY_S", 0.02)
    monkeypatch.setattr(page_module, "AFTER_FAILURE_S", 0.05)


@pytest.mark.usefixtures("quick")
def test_it_is_written_anew_when_something_changes_and_as_time_passes_and_says_at_last_that_it_ends(
    copied, status, tmp_path
):
    life = [True]
    out, clock, store = outlet(copied, Page(folder="page"), lambda: life[0])
    sitter = tmp_path / "page" / "sitter.html"

    def written():
        return sitter.stat().st_mtime_ns if sitter.exists() else 0

    def anew():
        before = written()
        return lambda: written() > before

    try:
        first = anew()
        out.update(status)
        until(first)
        assert sitter.stat().st_mode & 0o777 == 0o644
        again = anew()
        clock.sleep(page_module.WRITTEN_EVERY_S + 1.0)
        until(again)
        again = anew()
        life[0] = False
        until(again)
        until(lambda: "does not answer" in sitter.read_text())
    finally:
        out.close()
        store.close()
    assert "the service was stopped" in sitter.read_text()
    assert sorted(path.name for path in (tmp_path / "page").iterdir()) == [
        "alkalinity.png",
        "index.html",
        "sitter.html",
    ]


@pytest.mark.usefixtures("quick")
def test_an_address_that_comes_late_keeps_no_bench_from_measuring(copied, status, monkeypatch):
    """A router that starts later than the bench: the address is not there yet, and then it is."""
    port = free_port()
    with pytest.raises(ConfigError) as refused:
        PageServer("10.254.254.254", port)
    assert refused.value.__cause__.errno == EADDRNOTAVAIL  # as the kernel says it
    real, answers = page_server.PageServer, [refused.value, refused.value]

    def late(*words):
        if answers:
            raise answers.pop()
        return real(*words)

    monkeypatch.setattr(page_module, "PageServer", late)
    out, _, store = outlet(copied, Page(address="127.0.0.1", port=port))
    try:
        out.update(status)

        def served():
            try:
                return ask(port, path="/sitter.html")[0] == 200
            except OSError:
                return False

        until(served)
        assert answers == []
    finally:
        out.close()
        store.close()


@pytest.mark.usefixtures("quick")
def test_a_disk_that_takes_nothing_costs_the_page_alone_and_it_comes_back(copied, status, tmp_path, monkeypatch):
    out, _, store = outlet(copied, Page(folder="page"))
    folder, elsewhere = tmp_path / "page", tmp_path / "elsewhere"
    try:
        folder.write_text("in the way")
        tried = []
        sound = PageOutlet._written
        monkeypatch.setattr(PageOutlet, "_written", lambda *a: tried.append(sound(*a)) or tried[-1])
        out.update(status)
        until(lambda: tried)
        assert tried[0] is False
        assert not elsewhere.exists()
        folder.unlink()
        until(lambda: (folder / "index.html").exists())
    finally:
        out.close()
        store.close()


# The server ------------------------------------------------------------------------------

FILES = {"index.html": b"<p>index", "sitter.html": b"<p>sitter", "alkalinity.png": b"\x89PNG"}


@pytest.fixture
def server():
    made = PageServer("127.0.0.1", 0, ("tank.home",))
    made.show(FILES)
    yield made
    made.close()


def ask(port, method="GET", path="/", **headers):
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=20)) as connection:
        connection.request(method, path, headers={"Host": f"127.0.0.1:{port}", **headers})
        answer = connection.getresponse()
        return answer.status, dict(answer.headers), answer.read()


def test_it_serves_its_three_files_with_headers_that_keep_strangers_out(server):
    status, headers, body = ask(server.port)
    assert (status, body) == (200, FILES["index.html"])
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"
    assert "Python" not in headers["Server"]
    assert ask(server.port, path="/sitter.html?x=1")[2] == FILES["sitter.html"]
    assert ask(server.port, path="/alkalinity.png")[1]["Content-Type"] == "image/png"
    assert ask(server.port, "HEAD")[0::2] == (200, b"")
    assert ask(server.port, Host="tank.home")[0] == 200
    assert ask(server.port, Host="localhost:1")[0] == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "MEASURE"])
def test_it_takes_no_command(server, method):
    status, headers, _ = ask(server.port, method)

    assert status == 405
    assert headers["Allow"] == "GET, HEAD"


@pytest.mark.parametrize("path", ["/../bench.toml", "/saltern.sqlite", "//etc/passwd", "/%2e%2e/x", "/index.html/.."])
def test_it_serves_nothing_else(server, path):
    assert ask(server.port, path=path)[0] == 404


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8020", "", "127.0.0.2", "[::1]"])
def test_a_page_of_a_stranger_whose_name_leads_here_reads_nothing(server, host):
    status, headers, body = ask(server.port, Host=host)

    assert status == 421
    assert b"index" not in body
    assert "default-src 'none'" in headers["Content-Security-Policy"]


def test_it_answers_at_its_own_address_alone(server):
    with closing(socket.socket()) as elsewhere:
        assert elsewhere.connect_ex(("127.0.0.2", server.port)) != 0


def test_before_the_first_page_it_says_that_there_is_none():
    empty = PageServer("127.0.0.1", 0)
    try:
        assert ask(empty.port)[0] == 503
    finally:
        empty.close()


def test_many_and_slow_clients_are_hung_up_on_and_a_reader_is_served_again(server, monkeypatch):
    monkeypatch.setattr(page_server, "ANSWERED_WITHIN_S", 0.6)
    crowd = [socket.create_connection(("127.0.0.1", server.port)) for _ in range(MOST_CLIENTS)]
    dribbling = crowd[0]
    try:
        for one in crowd:
            one.sendall(b"GET / HTTP/1.1\r\n")
        time.sleep(0.1)  # so that each has its place
        with pytest.raises((http.client.HTTPException, OSError)):
            ask(server.port)
        begun = time.monotonic()
        while time.monotonic() - begun < 20.0:
            try:
                dribbling.sendall(b"X: y\r\n")
            except OSError:
                break
            time.sleep(0.05)
        else:
            pytest.fail("a client that asks for ever is never hung up on")

        def served():
            try:
                return ask(server.port)[0] == 200
            except (http.client.HTTPException, OSError):
                return False

        until(served)
    finally:
        for one in crowd:
            one.close()


def test_a_port_that_is_taken_is_told(server):
    with pytest.raises(ConfigError, match="cannot be served"):
        PageServer("127.0.0.1", server.port)


@pytest.mark.parametrize(
    ("table", "what"),
    [
        ({"address": "0.0.0.0"}, "not an address of a private network"),
        ({"address": "::"}, "not an address of a private network"),
        ({"address": "8.8.8.8"}, "not for the Internet"),
        ({"address": "tank.home"}, "not an IP address"),
        ({}, "give folder, address, or both"),
        ({"folder": "x", "good_for_min": 1}, "good_for_min"),
    ],
)
def test_what_would_show_it_to_the_world_or_to_nobody_is_refused(table, what):
    with pytest.raises(StartupError, match=what):
        bench_from({**bench_table(), "outlets": {"page": table}}, where="bench.toml")
