"""A run that died is closed as stopped at the next start; one that lives is left alone."""

import os
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from store_samples import NOW, document, opened, problems, started

import db.store
from db.process_identity import Process, is_alive, this_process
from station.sheet import render_sheet

ROOT = Path(db.store.__file__).parents[1]
BEGIN_AND_WAIT = (
    "import sys, time; sys.path[:0] = ['tests/support']; from store_samples import opened, started; from pathlib import Path\n"
    "with opened(Path(sys.argv[1])) as store:\n"
    "    print(store.begin_run(started()).number, flush=True); sys.stdin.read()"
)


def test_a_killed_run_is_closed_and_a_living_one_is_not(tmp_path: Path) -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", BEGIN_AND_WAIT, str(tmp_path)],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == "PM-000001\n"
        with opened(tmp_path) as store:
            own = store.begin_run(started())
            assert store.close_dead_runs(NOW, "closed at the next start") == []
            child.send_signal(signal.SIGKILL)
            child.wait()
            assert store.close_dead_runs(NOW + timedelta(hours=1), "closed at the next start") == ["PM-000001"]
            record = store.record("PM-000001").document
            assert record["outcome"] == "stopped"
            assert record["stop_reason"] == "the program ended before the run did: closed at the next start"
            assert record["started_utc"] == "2026-03-25T08:02:55.000Z"
            assert record["deviations"] == [
                "The run was closed at 2026-03-25T09:02:55.000Z; when it ended is not known."
            ]
            # Its number is used up, and closing again finds nothing.
            assert store.close_dead_runs(NOW, "again") == []
            assert store.begin_run(started()).number == "PM-000003"
            store.add_record(own.number, document(own, started()))
    finally:
        child.kill()
        child.communicate()
    assert problems(tmp_path / "records.db") == []


def test_the_record_of_a_dead_run_says_all_that_was_known_and_makes_a_sheet(tmp_path: Path) -> None:
    facts = {
        "people": [{"role": "technician", "name": "Robin Sample", "status": "stated, not verified"}],
        "zone": "Europe/Vienna",
    }
    with opened(tmp_path) as store:
        store.begin_run(started(facts=facts))
        store.begin_run(started(kind="simulated"))
        assert store.close_dead_runs(NOW, "tried", is_alive=lambda _: False) == ["PM-000001", "SIM-000001"]
        known, bare = store.record("PM-000001"), store.record("SIM-000001")
    assert known.document["people"] == facts["people"]
    assert known.document["zone"] == "Europe/Vienna"
    for record in (known, bare):
        html = render_sheet(
            record.document, record.digest, template_version="1", issued_utc=None, ledger_size=None, as_found=None
        )
        assert record.number in html
        assert "the program ended before the run did: tried" in html


def test_two_that_start_at_once_may_both_try_to_close(tmp_path: Path) -> None:
    with opened(tmp_path) as store, opened(tmp_path) as other:
        store.begin_run(started())

        def closed_meanwhile(_: Process) -> bool:
            if not store.find():
                other.close_dead_runs(NOW, "by the other", is_alive=lambda _: False)
            return False

        store.close_dead_runs(NOW, "by this one", is_alive=closed_meanwhile)
        assert store.record("PM-000001").document["stop_reason"].endswith("by the other")
        assert len(store.find()) == 1


def test_this_process_lives_and_a_later_one_with_its_id_would_not_be_it() -> None:
    me = this_process()
    assert me.pid == os.getpid()
    assert is_alive(me)
    assert not is_alive(replace(me, started_ticks=str(int(me.started_ticks) + 1)))
    assert not is_alive(replace(me, boot="another boot"))


def test_a_process_that_ended_does_not_live_even_before_it_is_waited_for() -> None:
    child = subprocess.Popen([sys.executable, "-c", "import sys; sys.stdin.read()"], stdin=subprocess.PIPE)
    identity = Process.of(child.pid)
    assert is_alive(identity)
    child.kill()
    # Without reaping it: it is a zombie now. WNOWAIT leaves it so.
    os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOWAIT)
    assert not is_alive(identity)
    child.communicate()
    assert not is_alive(identity)


def test_a_process_of_another_machine_is_never_taken_for_dead() -> None:
    assert is_alive(replace(this_process(), machine="another machine", boot="its boot", pid=1))


def test_an_identity_survives_its_document() -> None:
    assert Process.of_document(this_process().document()) == this_process()
