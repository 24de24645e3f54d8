"""What goes wrong around the program: full disks, closed folders, changed files, interruptions, little memory.

Each time the old file is intact or the new one is whole, the program ends in time, and it says what was wrong.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import resource
import signal
import subprocess
import sys
import textwrap
import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

import lobetime as lt
from lobetime import _core, memory

DATASETS = Path(lt.datasets.__file__).parent
HISTORY = DATASETS / "demo_history.csv"
BOOKINGS = DATASETS / "demo_bookings.csv"
SESSIONS = DATASETS / "demo_sessions.csv"
STOP_S = 10.0  # a call ends so soon after it was told to; ten times what it takes on an idle machine
ROOT = os.geteuid() == 0


def lobetime(*arguments: object, **settings: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "lobetime", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, **settings)  # type: ignore[call-overload]


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.endswith(".part"))


@pytest.fixture(scope="module")
def model_text() -> str:
    return str(lt.TheatreTimeModel().fit(quick_history()).fitted_.to_json())


def quick_history() -> lt.Cases:
    table = pd.read_csv(HISTORY).head(60)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", lt.DataWarning)
        return lt.read_cases(table)


@pytest.fixture
def bookings(tmp_path) -> Path:
    path = tmp_path / "bookings.csv"
    pd.read_csv(BOOKINGS).head(3).to_csv(path, index=False)
    return path


# --- disks and folders -----------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path) -> Iterator[Path]:
    """A disk of 16 kB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=16k", "tmpfs", str(folder)]
    if not ROOT or subprocess.run(command, capture_output=True, check=False).returncode != 0:
        pytest.skip("only who may mount file systems can fill one; the limit on a file's size is tested besides")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_leaves_the_old_file_and_says_so(small_disk, model_text):
    path = small_disk / "unit.json"
    path.write_text("old", encoding="utf-8")
    with pytest.raises(lt.Error, match=r"unit\.json: cannot be written: No space left on device"):
        _core.write_whole(str(path), model_text + " " * 20_000)
    assert path.read_text(encoding="utf-8") == "old"
    assert leftovers(small_disk) == []


def test_a_full_disk_is_wrong_usage_for_the_command_line(small_disk, bookings):
    (small_disk / "fill").write_bytes(b"x" * 12_000)
    done = lobetime("slots", bookings, "--csv", small_disk / "slots.csv", env=os.environ | {"COLUMNS": "200"})
    big = lobetime("slots", BOOKINGS, "--csv", small_disk / "slots.csv")
    for one in (done, big):
        assert one.returncode in (0, 2)
    assert big.returncode == 2
    assert "No space left on device" in big.stderr
    assert leftovers(small_disk) == []


def test_a_limit_on_file_sizes_does_the_same(tmp_path, bookings):
    path = tmp_path / "slots.csv"
    path.write_text("old", encoding="utf-8")

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))

    done = lobetime("slots", bookings, "--csv", path, preexec_fn=limit)
    assert done.returncode == 2
    assert "File too large" in done.stderr
    assert path.read_text(encoding="utf-8") == "old"
    assert leftovers(tmp_path) == []


def test_a_device_that_is_always_full_is_no_ordinary_file(bookings):
    done = lobetime("slots", bookings, "--csv", "/dev/full")
    assert done.returncode == 2
    assert "is not an ordinary file" in done.stderr


def test_standard_output_that_is_full_is_no_success(bookings):
    with open("/dev/full", "w", encoding="utf-8") as full:
        command = [sys.executable, "-m", "lobetime", "slots", str(bookings), "--json"]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode != 0
    assert "No space left on device" in done.stderr


def test_a_disk_that_is_read_only_is_named_before_anything_is_computed(small_disk, bookings):
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    done = lobetime("slots", bookings, "--csv", small_disk / "slots.csv")
    assert done.returncode == 2
    assert "cannot be written to" in done.stderr


@pytest.mark.skipif(ROOT, reason="root may write to any folder")
def test_a_folder_that_is_closed_is_named_before_anything_is_computed(tmp_path, bookings):
    folder = tmp_path / "closed"
    folder.mkdir(mode=0o500)
    done = lobetime("slots", bookings, "--csv", folder / "slots.csv")
    assert done.returncode == 2
    assert "cannot be written to" in done.stderr


def test_a_folder_that_is_closed_meanwhile_is_an_error_of_the_library(tmp_path):
    folder = tmp_path / "gone"
    with pytest.raises(lt.Error, match="cannot be written: No such file or directory"):
        _core.write_whole(str(folder / "unit.json"), "x")
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(lt.Error, match="cannot be written: Not a directory"):
        _core.write_whole(str(tmp_path / "file" / "unit.json"), "x")


# --- files that change -----------------------------------------------------------------------------------------------


def test_a_file_that_is_replaced_or_cut_while_it_is_read_is_read_whole_or_refused(tmp_path):
    """Somebody saves the history again and again, whole or cut, while it is read."""
    path = tmp_path / "unit.csv"
    text = HISTORY.read_text(encoding="utf-8")
    script = f"""
        import itertools, pathlib, sys
        path, text = pathlib.Path({str(path)!r}), pathlib.Path({str(HISTORY)!r}).read_text()
        for i in itertools.count():
            path.write_text(text if i % 2 else text[: len(text) * (i % 7) // 7])
    """
    path.write_text(text, encoding="utf-8")
    writer = subprocess.Popen([sys.executable, "-c", textwrap.dedent(script)])
    counts = []
    try:
        for _ in range(40):
            with contextlib.suppress(lt.InvalidData):  # with every problem, as for any file
                found = lt.check_file(path, "history")
                counts.append(found.attrs["n_cases"])
    finally:
        writer.kill()
        writer.wait()
    assert counts
    assert max(counts) <= text.count("\n") - 1


def test_a_file_that_vanishes_is_named(tmp_path):
    with pytest.raises(FileNotFoundError, match=r"gone\.csv"):
        lt.read_cases(tmp_path / "gone.csv")


# --- interruptions ---------------------------------------------------------------------------------------------------

START = """
import sys, warnings
warnings.simplefilter("ignore")
import numpy as np, pandas as pd
import lobetime as lt
from lobetime.datasets import load_demo_unit
unit = load_demo_unit()
def told(): print("go", flush=True)
"""
FITTED = START + "cases = lt.read_cases(unit.history)\nmodel = lt.TheatreTimeModel(estimator='m').fit(cases)\n"
MANY = "many = lt.read_cases(pd.concat([cases.frame.drop(columns='case_id')] * 60, ignore_index=True))\n"
LONG_CALLS = {  # each takes a minute or more if it is let
    "fit": FITTED + MANY + "told(); lt.TheatreTimeModel().fit(many)",
    "bootstrap": FITTED + "told(); model.conf_int('bootstrap', replicates=1_000_000)",
    "profile": FITTED + MANY + "model.fit(many); told(); model.conf_int('profile')",
    "predict": FITTED + "b = pd.concat([unit.bookings.drop(columns='case_id')] * 50)\ntold()\nfor _ in range(100): "
    "model.predict(b, draws=20_000)",
    "plan_lists": FITTED + "b = lt.read_bookings(unit.bookings)\np = model.predict(b, draws=1000)\ntold()\n"
    "for i in range(1000): lt.plan_lists(p, b, unit.sessions, stock=unit.stock, seed=i)",
    "calibration": FITTED + "told(); model.calibration(cases, folds=50, draws=2000)",
    "monitor": FITTED + "told()\nfor i in range(1000): lt.monitor(model, cases, draws=100_000, seed=i)",
}


def await_handler(pid: int) -> None:
    """Until the command line has begun: it then catches SIGTERM."""
    for _ in range(1200):
        caught = next(
            line.split()[1]
            for line in Path(f"/proc/{pid}/status").read_text().splitlines()
            if line.startswith("SigCgt")
        )
        if int(caught, 16) >> (signal.SIGTERM - 1) & 1:
            return
        time.sleep(0.1)
    pytest.fail("the command line has not begun within two minutes")


def stopped(command: list[str], sign: signal.Signals, *, ready: str | None, wait_s: float) -> tuple[int, float, str]:
    """Exit code, seconds from the signal to the end, what was said."""
    running = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert running.stdout is not None
    if ready is not None:
        assert running.stdout.readline().strip() == ready
    else:
        await_handler(running.pid)
    time.sleep(wait_s)
    assert running.poll() is None, "it ended before it could be stopped"
    running.send_signal(sign)
    start = time.monotonic()
    try:
        _, said = running.communicate(timeout=6 * STOP_S)
    finally:
        running.kill()
    return running.returncode, time.monotonic() - start, said


@pytest.mark.slow
@pytest.mark.parametrize("call", LONG_CALLS)
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM], ids=["SIGINT", "SIGTERM"])
def test_a_long_call_of_the_library_can_be_stopped(call, sign):
    """A shell says 130 and 143 of what Python reports as a death by the signal."""
    command = [sys.executable, "-c", LONG_CALLS[call]]
    code, seconds, said = stopped(command, sign, ready="go", wait_s=1.0)
    assert code in (-sign, 128 + sign), said
    assert seconds < STOP_S
    assert "KeyboardInterrupt" in said or sign == signal.SIGTERM


@pytest.fixture(scope="module")
def long_files(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("long")
    history = pd.concat([pd.read_csv(HISTORY).drop(columns="case_id")] * 60)
    history.to_csv(folder / "history.csv", index=False)
    pd.concat([pd.read_csv(BOOKINGS).drop(columns=["case_id"])] * 60).to_csv(folder / "bookings.csv", index=False)
    return folder


COMMANDS = {
    "fit": ["fit", "history.csv", "--out", "out.json"],
    "slots": ["slots", "bookings.csv", "--draws", "20000", "--csv", "out.csv"],
    "devices": ["devices", "history.csv", "--csv", "out.csv"],
    "monitor": ["monitor", "history.csv", "--since", "2023-06-01", "--csv", "out.csv"],
    "lists": ["lists", "bookings.csv", str(SESSIONS), "--history", "history.csv", "--csv", "out.csv"],
}


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM], ids=["SIGINT", "SIGTERM"])
def test_a_command_can_be_stopped_and_writes_nothing(long_files, command, sign, monkeypatch):
    monkeypatch.chdir(long_files)
    arguments = [sys.executable, "-m", "lobetime", *COMMANDS[command]]
    out = long_files / arguments[-1] if command != "fit" else long_files / "out.json"
    out.write_text("old", encoding="utf-8")
    before = {path.name for path in long_files.iterdir()}
    code, seconds, said = stopped(arguments, sign, ready=None, wait_s=2.0)
    assert code == 128 + sign, said
    assert seconds < STOP_S
    assert out.read_text(encoding="utf-8") == "old"
    assert {path.name for path in long_files.iterdir()} == before
    assert "Traceback" not in said


# --- sudden death ----------------------------------------------------------------------------------------------------


def test_a_save_that_is_killed_leaves_the_old_file_or_the_new_one(tmp_path):
    """Killed at random moments while it saves: the file is always one of the two, whole."""
    path = tmp_path / "unit.json"
    contents = [name * 2_000_000 for name in "ab"]
    whole = {hashlib.sha256(content.encode()).hexdigest() for content in contents}
    _core.write_whole(str(path), contents[0])
    script = f"""
        import hashlib, os, pathlib, random, signal, time
        from lobetime import _core
        path, contents = pathlib.Path({str(path)!r}), {{name: name * 2_000_000 for name in "ab"}}
        whole = {{hashlib.sha256(content.encode()).hexdigest() for content in contents.values()}}
        chance, met = random.Random(1), []
        for _ in range(30):
            child = os.fork()
            if child == 0:
                while True:
                    for content in contents.values():
                        _core.write_whole(str(path), content)
            time.sleep(chance.uniform(0.0, 0.1))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            met.append(hashlib.sha256(path.read_bytes()).hexdigest())
        assert set(met) <= whole, "neither the old file nor the new one"
        print(len(met), len(set(met)))
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    rounds, kinds = map(int, done.stdout.split())
    assert (rounds, kinds) == (30, 2)  # both were met, so that the writer was really at work
    assert hashlib.sha256(path.read_bytes()).hexdigest() in whole


# --- memory ----------------------------------------------------------------------------------------------------------


def limited(script: str, spare_mb: int) -> subprocess.CompletedProcess[str]:
    """Runs a script that may take so much more memory once it has come to `limit()`."""
    start = f"""
def limit():
    import pathlib, resource
    pages = int(pathlib.Path("/proc/self/statm").read_text().split()[0])
    most = pages * resource.getpagesize() + {spare_mb} * 1_000_000
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
"""
    return subprocess.run(
        [sys.executable, "-c", START + start + script], capture_output=True, text=True, check=False, timeout=300
    )


def test_draws_that_cannot_fit_are_refused_with_the_numbers_before_they_are_made():
    script = "limit(); lt.TheatreTimeModel().predict(unit.bookings, draws=1_000_000)"
    done = limited(script, 300)
    assert done.returncode == 1
    said = done.stderr.splitlines()[-1]
    n = len(pd.read_csv(BOOKINGS))
    need = n * 1_000_000 * 48 / 1e9
    assert said.startswith(f"MemoryError: {n} bookings x 1,000,000 draws need about {need:.1f} GB of memory and ")
    assert said.endswith(" are free: fewer draws or fewer bookings at a time need less")


def test_replicates_that_cannot_fit_are_refused_with_the_numbers_before_they_are_made():
    script = "cases = lt.read_cases(unit.history.head(80)); model = lt.TheatreTimeModel(estimator='m').fit(cases)\n"
    done = limited(script + "limit(); model.conf_int('bootstrap', replicates=20_000_000)", 300)
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1].startswith("MemoryError: 20,000,000 replicates of 80 cases need about ")


@pytest.mark.parametrize("spare_mb", [20, 40, 80])
def test_memory_that_runs_out_unforeseen_is_an_error_and_no_crash(spare_mb):
    script = "from lobetime import memory; memory.free_bytes = lambda: float('inf')\nlimit()\n"
    done = limited(script + "lt.TheatreTimeModel().predict(unit.bookings, draws=1_000_000)", spare_mb)
    assert done.returncode == 1, done.stderr
    assert "MemoryError" in done.stderr


def test_the_command_line_says_what_needs_less(bookings):
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (3_000_000_000, 3_000_000_000))

    done = lobetime("slots", bookings, "--draws", "10000000", "--csv", bookings.parent / "out.csv", preexec_fn=limit)
    if done.returncode == 0:
        pytest.fail("three bookings of ten million draws fitted in 3 GB: the test asks for too little")
    assert done.returncode == 2, done.stderr
    assert "Error: not enough memory: 3 bookings x 10,000,000 draws need about 1.4 GB" in done.stderr
    assert not (bookings.parent / "out.csv").exists()


def test_free_memory_is_the_least_of_machine_container_and_limit(monkeypatch, tmp_path):
    (tmp_path / "max").write_text("5000000\n", encoding="ascii")
    (tmp_path / "used").write_text("2000000\n", encoding="ascii")
    monkeypatch.setattr(memory, "_GROUPS", ((str(tmp_path / "max"), str(tmp_path / "used")),))
    assert memory.free_bytes() == 3_000_000
    (tmp_path / "max").write_text("max\n", encoding="ascii")
    assert memory.free_bytes() > 3_000_000
    with pytest.raises(MemoryError, match=r"^all of it need about 1000000000\.0 GB of memory and "):
        memory.need(1e18, "all of it", "less")
