"""The ledger: it only grows, it survives any death of its writer, and old files are brought up to date."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from calibration.fittings import demo_catalog
from cli.jobs import checklist
from cli.jobs.errors import LedgerError
from cli.jobs.schema import MIGRATIONS
from cli.jobs.settings import settings_of
from cli.ledger import Filing, Ledger, Sight, default_path

SETTINGS = settings_of(demo_catalog()[0], None, 0.95, "1.0", None)
WRITER = """
import sys
from pathlib import Path
from tests.test_ledger import SETTINGS, an_answer
from cli.jobs import checklist
from cli.ledger import Filing, Ledger
with Ledger(Path(sys.argv[1])) as ledger:
    for count in range(100_000):
        made = ledger.record(an_answer(f"{count:064x}"), 10, SETTINGS, Filing("S", f"J-{count}", "p"),
        overlay=b"x" * 20000)
        print(made, flush=True)
"""


def an_answer(sha256: str = "0" * 64) -> dict[str, Any]:
    return {
        "photo": "p.jpg", "sha256": sha256, "fitting": "demo-2", "verdict": "full",
        "unit": "in", "limit": 0.0625,
        "gap": {"value": 0.01, "low": 0.0, "high": 0.02, "u": 0.004}, "insertion": None, "reasons": [],
        "version": "1.0",
    }  # fmt: skip


@pytest.fixture
def ledger(tmp_path: Path) -> Any:
    with Ledger(tmp_path / "deep" / "ledger.sqlite") as made:
        yield made


def test_a_check_comes_back_whole(ledger: Ledger) -> None:
    filing = Filing("Site", "J-1", "a.jpg", "2026-05-04", "Sump", "R. Ames", "P-1")
    number = ledger.record(
        an_answer(), 123, SETTINGS, filing, taken="2026:05:04 10:00:00", phash=b"h", overlay=b"jpeg"
    )
    assert ledger.known("0" * 64, SETTINGS) == number
    assert ledger.hashes_of_size(123, SETTINGS) == {"0" * 64}
    assert ledger.answer(number) == (an_answer(), b"h", "2026:05:04 10:00:00")
    assert ledger.overlay(number) == b"jpeg"
    assert ledger.overlay(number + 1) == b""
    (entry,) = ledger.entries()
    assert (entry.filing, entry.verdict, entry.answer) == (filing, "full", an_answer())


def test_other_settings_are_other_checks(ledger: Ledger) -> None:
    ledger.record(an_answer(), 1, SETTINGS, Filing("S", "J", "p"))
    row = demo_catalog()[0]
    changed = row.model_copy(update={"collar_od": row.collar_od + 0.001})
    for other in (
        settings_of(changed, None, 0.95, "1.0", None), settings_of(row, {"focal_px": 3000}, 0.95, "1.0",
        None),
        settings_of(row, None, 0.99, "1.0", None), settings_of(row, None, 0.95, "1.1", None),
        settings_of(row, None, 0.95, "1.0", "mm"),
    ):  # fmt: skip
        assert ledger.known("0" * 64, other) is None


def test_nothing_is_overwritten_or_removed(ledger: Ledger) -> None:
    ledger.record(an_answer(), 1, SETTINGS, Filing("S", "J", "p"), overlay=b"x", sight=Sight("/p", 1, 1, 1))
    raw = sqlite3.connect(ledger.path)
    for table, column in (
        ("check", "verdict"),
        ("overlay", "jpeg"),
        ("filing", "joint"),
        ("sight", "sha256"),
    ):
        assert raw.execute(f'SELECT count(*) FROM "{table}"').fetchone() == (1,)
        for change in (f'UPDATE "{table}" SET {column} = 1', f'DELETE FROM "{table}"'):
            with pytest.raises(sqlite3.IntegrityError, match="only grows"):
                raw.execute(change)
    with pytest.raises(sqlite3.IntegrityError, match="only grows"):
        raw.execute("INSERT OR REPLACE INTO overlay (check_id, jpeg) VALUES (1, 'other')")
    raw.close()


def test_filing_again_changes_nothing_and_filing_anew_is_kept(ledger: Ledger) -> None:
    number = ledger.record(an_answer(), 1, SETTINGS, Filing("S", "J", "p"))
    ledger.file(number, Filing("S", "J", "p"))
    assert len(list(ledger.entries())) == 1
    ledger.file(number, Filing("S", "J", "p", installer="T. Oduya"))
    assert [entry.filing.installer for entry in ledger.entries()] == ["T. Oduya"]
    ledger.file(number, Filing("S", "K", "q"))
    assert [entry.filing.joint for entry in ledger.entries()] == ["J", "K"]


def test_searching(ledger: Ledger) -> None:
    for site, joint, day in (
        ("North yard", "J-1", "2020-01-02"),
        ("South", "J-10", "2026-05-04"),
        ("South", "J-2", ""),
    ):
        ledger.record(an_answer(), 1, SETTINGS, Filing(site, joint, "p", day))

    def found(**what: Any) -> list[str]:
        return [entry.filing.joint for entry in ledger.entries(**what)]

    assert found(joint="j-1") == ["J-1", "J-10"]
    assert found(joint="J-1", exact=True) == ["J-1"]
    assert found(site="south") == ["J-10", "J-2"]
    assert found(since="2026-05-04", until="2026-05-04") == ["J-10"]
    assert found(until="2021-01-01") == ["J-1"]
    assert found(since="2026-06-01") == ["J-2"]  # no day of its own: the day it was checked counts
    assert found(joint="%") == []
    assert found(joint="' OR 1=1 --") == []


def test_names_are_found_in_capitals_of_any_alphabet(ledger: Ledger) -> None:
    ledger.record(an_answer(), 1, SETTINGS, Filing("BRÄUHAUS Straße", "J-1", "p"))
    for part in ("bräu", "BRÄU", "strasse", "STRASSE"):
        assert [entry.filing.joint for entry in ledger.entries(site=part)] == ["J-1"]


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a running process can't be set here")
def test_a_photo_without_a_day_counts_for_the_day_on_which_it_was_checked_here(
        ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as there:
        there.setenv("TZ", "America/Los_Angeles")
        there.setattr("cli.ledger._now", lambda: "2026-05-14T01:30:00+00:00")  # 18:30 the day before
        time.tzset()
        ledger.record(an_answer(), 1, SETTINGS, Filing("S", "J-1", "p"))
        found = [entry.filing.day for entry in ledger.entries(until="2026-05-13")]
    time.tzset()
    assert found == ["2026-05-13"]


def test_a_file_that_changed_just_now_is_read_again(ledger: Ledger) -> None:
    now = time.time_ns()
    old, new = Sight("/a", 5, 10**18, 10**18), Sight("/b", 5, now, now)
    for sight in (old, new):
        ledger.saw(sight, "s")
    assert ledger.hash_of(old) == "s"
    assert ledger.hash_of(new) is None
    assert ledger.hash_of(Sight("/a", 5, 10**18 + 1, 10**18)) is None
    assert ledger.paths_of("s") == ["/b", "/a"], "where it lies is known all the same"


def test_paths_that_are_no_text(ledger: Ledger) -> None:
    sight = Sight(os.fsdecode(b"/caf\xe9.jpg"), 5, 1, 1)
    ledger.saw(sight, "s")
    assert ledger.hash_of(sight) == "s"


def test_an_old_ledger_is_brought_up_to_date_and_keeps_its_rows(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with Ledger(path, MIGRATIONS[:1]) as old:
        old.record(an_answer(), 1, SETTINGS, Filing("S", "J", "p"))
        assert old.version == 1
    with Ledger(path) as new:
        assert new.version == len(MIGRATIONS)
        assert [entry.filing.joint for entry in new.entries()] == ["J"]


def test_a_migration_that_fails_half_way_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    Ledger(path).close()
    with pytest.raises(LedgerError, match="near"):
        Ledger(path, [*MIGRATIONS, ("CREATE TABLE extra (x)", "NONSENSE")])
    with Ledger(path) as ledger:
        assert ledger.version == len(MIGRATIONS)
    with Ledger(path, [*MIGRATIONS, ("CREATE TABLE extra (x)",)]) as ledger:
        assert ledger.version == len(MIGRATIONS) + 1
    with pytest.raises(LedgerError, match=r"newer collargap; update this one\.$"):
        Ledger(path)


def test_files_that_are_no_ledger_get_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "text").write_bytes(b"This is a letter, not a ledger. " * 99)
    for bad in (tmp_path / "text", tmp_path, tmp_path / "text" / "below"):
        with pytest.raises(LedgerError, match="can't be used") as told:
            Ledger(bad)
        assert "Free space" not in str(told.value)
    with pytest.raises(LedgerError, match="a file of another kind: name the ledger with --ledger"):
        Ledger(tmp_path / "text")


def test_a_full_disk_asks_for_space(ledger: Ledger) -> None:
    pages = ledger._db.execute("PRAGMA page_count").fetchone()[0]
    ledger._db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(LedgerError, match="Free space on its disk"):
        ledger.record(an_answer(), 1, SETTINGS, Filing("S", "J", "p"), overlay=bytes(100_000))


def test_where_the_ledger_lies(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLLARGAP_LEDGER", "/x/y.sqlite")
    assert default_path() == Path("/x/y.sqlite")
    monkeypatch.delenv("COLLARGAP_LEDGER")
    monkeypatch.setenv("XDG_DATA_HOME", "/data")
    assert default_path() == Path("/data/collargap/ledger.sqlite")


def test_many_may_make_the_ledger_at_once(tmp_path: Path) -> None:
    opener = (
        "import sys, time; from pathlib import Path; from cli.ledger import Ledger\n"
        "while time.time() < float(sys.argv[2]): pass\n"
        "Ledger(Path(sys.argv[1])).close()"
    )
    for attempt in range(2):
        start = str(time.time() + 1)
        command = [sys.executable, "-c", opener, str(tmp_path / f"{attempt}.sqlite"), start]
        openers = [subprocess.Popen(command) for _ in range(3)]
        assert [each.wait() for each in openers] == [0, 0, 0]


def test_killed_at_any_moment_it_keeps_all_that_was_said_to_be_kept(tmp_path: Path) -> None:
    """SIGKILL, eight times, each at another moment of a writer that never rests."""
    path = tmp_path / "l.sqlite"
    kept = 0
    for attempt in range(8):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
        assert writer.stdout is not None
        first = writer.stdout.readline()
        time.sleep(0.011 * attempt)
        os.kill(writer.pid, signal.SIGKILL)
        told = [int(line) for line in (first + writer.stdout.read()).split(b"\n")[:-1]]
        writer.wait()
        writer.stdout.close()
        assert told[0] > kept - 1
        with Ledger(path) as ledger:
            numbers = [entry.check_id for entry in ledger.entries()]
            assert set(told) <= set(numbers)
            assert len(numbers) - kept - len(told) in (0, 1)  # one may be kept and not yet said
            assert all(len(ledger.overlay(number)) == 20000 for number in numbers)
            kept = len(numbers)
        raw = sqlite3.connect(path)
        assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        raw.close()


def test_checklists_are_kept_and_the_last_answers_count(ledger: Ledger) -> None:
    ledger.note_checklist("S", "J-1", {"gasket": "no"})
    ledger.note_checklist("S", "J-1", {"gasket": "yes"})
    ledger.note_checklist("T", "J-1", {"gasket": "na"})
    assert ledger.checklists("S") == {"J-1": {"gasket": "yes"}}
    for verb in ("UPDATE checklist SET joint = 'x'", "DELETE FROM checklist",
                 "INSERT OR REPLACE INTO checklist VALUES (1, '', '', '', '{}')"):
        with pytest.raises(sqlite3.IntegrityError, match="only grows"):
            ledger._db.execute(verb)


def test_sides_are_kept_as_a_list_last_named_them(ledger: Ledger) -> None:
    ledger.note_sides("S", {"J-1": "0 120", "J-2": ""})
    ledger.note_sides("S", {"J-1": "0 120"})
    ledger.note_sides("T", {"J-1": "90"})
    assert ledger.sides("S") == {"J-1": "0 120"}
    ledger.note_sides("S", {"J-1": ""})
    assert ledger.sides("S") == {"J-1": ""}
    with pytest.raises(sqlite3.IntegrityError, match="only grows"):
        ledger._db.execute("DELETE FROM sides")


def test_a_no_on_the_checklist_asks_for_a_person() -> None:
    whole = dict.fromkeys(checklist.ITEMS, "yes")
    assert not checklist.told(whole).weighs
    assert not checklist.told({"gasket": "yes"}).weighs
    denied = checklist.told(whole | {"gasket": "no"})
    assert denied.weighs
    assert "Gasket back in" in denied.text
