"""A batch outlives what its shoots and workers do. More shoots: COEVAL_BATCH_SHOOTS=200."""

from __future__ import annotations

import os
import resource
import signal
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Optional

import numpy as np
import pandas
import pytest
from dask.distributed import Client, LocalCluster

import coeval
from coeval import batch

# What a bad shoot does to its process, by the folder's name; the processes find this through PYTHONPATH.
MISCHIEF = """
import os, time
import coeval
real = coeval.align_shoot
def align_shoot(folder, **options):
    if "poison" in str(folder):
        os._exit(7)
    if "hungry" in str(folder):
        held = bytearray(8_000_000_000)
    while "endless" in str(folder):
        time.sleep(1)
    with open(os.environ["COEVAL_TEST_LOG"], "a") as log:
        log.write(str(folder) + "\\n")
    return real(folder, **options)
coeval.align_shoot = align_shoot
"""


def write_wav(path: Path, sound: Any, rate_hz: int) -> None:
    coeval._native.write_wav(path, sound.astype(np.float32), rate_hz, "int16", True)


def make_shoot(folder: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    world = 0.1 * rng.standard_normal(8 * 8000)
    folder.mkdir(parents=True)
    write_wav(folder / "cam.wav", world + 0.03 * rng.standard_normal(world.size), 8000)
    write_wav(folder / "rec.wav", world[8000:] + 0.03 * rng.standard_normal(world.size - 8000), 8000)


@pytest.fixture
def mischief(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "mischief").mkdir()
    (tmp_path / "mischief" / "sitecustomize.py").write_text(MISCHIEF)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "mischief"))
    monkeypatch.setenv("COEVAL_TEST_LOG", str(tmp_path / "log"))
    return tmp_path / "log"


def test_all_but_the_bad_are_done_and_nothing_twice(tmp_path: Path, mischief: Path) -> None:
    archive, out = tmp_path / "archive", tmp_path / "out"
    count = int(os.environ.get("COEVAL_BATCH_SHOOTS", "12"))
    for number in range(count):
        make_shoot(archive / f"shoot-{number:03}", number)
    bad = {"poison": "ended with 7", "hungry": "memory", "endless": "not done after"}
    for name in bad:
        make_shoot(archive / name, 1000)
    (archive / ".hidden").mkdir()
    (archive / "nothing").mkdir()
    make_shoot(archive / "strangers", 1001)
    write_wav(archive / "strangers" / "rec.wav", 0.1 * np.random.default_rng(5).standard_normal(56_000), 8000)
    shoots = list(batch.find_shoots(archive))
    assert len(shoots) == count + 5 and not any(".hidden" in shoot for shoot in shoots)
    options = batch.Options(timeout_s=10.0, memory_bytes=4_000_000_000, retries=1)
    done = threading.Event()
    with LocalCluster(n_workers=3, threads_per_worker=1, memory_limit=0, dashboard_address=None) as cluster:

        def killer() -> None:
            while not done.wait(10.0):
                with Client(cluster) as client:
                    pids = list(client.run(os.getpid).values())
                os.kill(pids[0], signal.SIGKILL)

        thread = threading.Thread(target=killer)
        thread.start()
        try:
            said: list[str] = []
            summary = batch.run(
                shoots, out, scheduler=cluster.scheduler_address, options=options, total=len(shoots), report=said.append
            )
        finally:
            done.set()
            thread.join()
    assert summary.aligned == count, str(summary)
    failures = {Path(one.shoot).name: one.reasons for one in summary.failed}
    assert set(failures) == {*bad, "nothing", "strangers"}
    for name, reason in bad.items():
        assert len(failures[name]) == 2 and all(reason in one for one in failures[name]), failures[name]
    assert "no two of its 2 files are placed" in failures["strangers"][0]
    assert " left: " in said[0] and len(said) == len(shoots)

    table = batch.table(out)
    assert len(table) == 2 * count + 5 and table["offset_s"].notna().sum() == 2 * count
    assert len(pandas.read_parquet(out / "files")) == len(table)
    umask = os.umask(0)
    os.umask(umask)
    for path in [*out.rglob("*.json"), *out.rglob("*.parquet")]:
        assert stat.S_IMODE(path.stat().st_mode) == 0o666 & ~umask

    # Again: what is done stays, one has changed, the bad ones have been mended.
    mischief.unlink()
    os.utime(archive / "shoot-001" / "rec.wav")
    for name in [*bad, "nothing", "strangers"]:
        for file in (archive / name).glob("*"):
            file.unlink()
        (archive / name).rmdir()
    again = batch.run(batch.find_shoots(archive), out, workers=2, options=options)
    assert (again.aligned, again.unchanged, again.failed) == (1, count - 1, ())
    assert [Path(line).name for line in mischief.read_text().split()] == ["shoot-001"]


def test_remote_archives_are_staged(tmp_path: Path, mischief: Path) -> None:
    make_shoot(tmp_path / "archive" / "deep" / "one", 1)
    make_shoot(tmp_path / "archive" / "deep" / "two", 2)
    shoots = list(batch.find_shoots(f"file://{tmp_path}/archive", depth=2))
    assert [shoot.rpartition("/")[2] for shoot in shoots] == ["one", "two"] and all(s.startswith("file://") for s in shoots)
    summary = batch.run(shoots, tmp_path / "out", workers=1)
    assert summary.aligned == 2
    # What they were copied to is gone.
    staged = [line for line in mischief.read_text().split() if "coeval-stage-" in line]
    assert len(staged) == 2 and not any(os.path.exists(line) for line in staged)
    small = batch.run(shoots[:1], tmp_path / "other", workers=1, options=batch.Options(stage_bytes=1000, retries=0))
    assert "more than the limit for copying" in small.failed[0].reasons[0]
    assert batch.run(shoots, tmp_path / "out", workers=1).unchanged == 2


@pytest.fixture
def s3(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """A bucket called `archive` at a server on this machine, which needs no account."""
    import s3fs
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
    monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.setenv(name, "for-the-test")
    # Not the one that the batch has: what changes here it must see by itself.
    files = s3fs.S3FileSystem(skip_instance_cache=True)
    files.mkdir("archive")
    yield files
    server.stop()


@pytest.mark.skipif("COEVAL_SHORT_PYTHON" in os.environ, reason="half a minute that CI does not have")
def test_an_archive_in_s3(tmp_path: Path, mischief: Path, s3: Any) -> None:
    for seed, name in enumerate(["harbour/one", "harbour/two", ".hidden/three"]):
        make_shoot(tmp_path / "local" / name, seed)
    s3.put(f"{tmp_path}/local/", "archive/2024/", recursive=True)
    out, options = tmp_path / "out", batch.Options(retries=0)
    with LocalCluster(n_workers=2, threads_per_worker=1, memory_limit=0, dashboard_address=None) as cluster:

        def run() -> batch.Summary:
            shoots = batch.find_shoots("s3://archive/2024", depth=2)
            return batch.run(shoots, out, scheduler=cluster.scheduler_address, options=options)

        first = run()
        assert (first.aligned, first.unchanged, first.failed) == (2, 0, ())
        table = batch.table(out)
        assert sorted(set(table["shoot"])) == ["s3://archive/2024/harbour/one", "s3://archive/2024/harbour/two"]
        assert table["offset_s"].max() == pytest.approx(1.0, abs=1e-3)
        staged = [line for line in mischief.read_text().split() if "coeval-stage-" in line]
        assert len(staged) == 2 and not any(os.path.exists(line) for line in staged)
        assert run().unchanged == 2
        # The same workers see what has changed since: one recording is another one, and a shoot has come.
        make_shoot(tmp_path / "later", 7)
        s3.put(f"{tmp_path}/later/", "archive/2024/harbour/two/", recursive=True)
        s3.put(f"{tmp_path}/later/", "archive/2024/harbour/four/", recursive=True)
        again = run()
        assert (again.aligned, again.unchanged, again.failed) == (2, 1, ())
    small = batch.run(["s3://archive/2024/harbour/one"], tmp_path / "other", workers=1, options=batch.Options(stage_bytes=1000, retries=0))
    assert "more than the limit for copying" in small.failed[0].reasons[0]
    with pytest.raises(coeval.FileMissingError, match="s3://archive/nothing"):
        list(batch.find_shoots("s3://archive/nothing"))


def test_the_command(tmp_path: Path) -> None:
    make_shoot(tmp_path / "archive" / "one", 1)
    manifest = tmp_path / "list.txt"
    manifest.write_text("# two\narchive/one\n\narchive/missing\n")
    command = [sys.executable, "-m", "coeval.batch", str(manifest), str(tmp_path / "out"), "--workers", "1", "--retries", "0"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert done.returncode == 3 and "1 aligned, 0 unchanged, 1 failed" in done.stdout, done.stdout + done.stderr
    assert "missing: FileMissingError" in done.stdout
    command[3] = str(tmp_path / "nowhere")
    nothing = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert nothing.returncode == 2 and "nowhere" in nothing.stderr


def _empty(shoot: str, known: Optional[str], options: batch.Options) -> batch.Outcome:
    return batch.Outcome(shoot, "unchanged")


def test_thousands_of_tasks_wait_outside_the_scheduler() -> None:
    # Ten thousand take a minute; what must hold, that few are handed out at a time, shows with fewer as well.
    count, most, seen = int(os.environ.get("COEVAL_BATCH_TASKS", "500")), [0], [0]
    options = batch.Options()
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, memory_limit=0) as cluster:
        with Client(cluster) as client:
            before = time.monotonic()
            handed = [0]

            def jobs() -> Any:
                for number in range(count):
                    handed[0] += 1
                    yield (str(number), _empty, (str(number), None, options))

            def done(outcome: batch.Outcome) -> None:
                seen[0] += 1
                most[0] = max(most[0], handed[0] - seen[0])

            batch._drive(client, jobs(), ahead=2, retries=0, done=done)
            elapsed = time.monotonic() - before
    assert seen[0] == count and most[0] <= 8
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{count / elapsed:.0f} tasks a second, {peak:.0f} MB at most")
    assert peak < 500
