"""An archive of shoots, aligned on a Dask cluster (``pip install coeval[batch]``); the command ``coeval batch``.

A worker aligns each shoot in a separate process. If that process crashes, takes too long or needs too much memory, only
this shoot fails, with a reason. Results are written as they are made: OUT gets ``alignments/SHOOT.json``, and
``files/SHOOT.parquet`` with a row for each file. `table` (or ``pandas.read_parquet("OUT/files")``) reads the results at
any time. If you start the batch again, shoots that are done and have not changed are skipped; shoots that failed are
tried again.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import posixpath
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Optional, Union
from urllib.parse import quote

import coeval

from ._errors import CoevalError, InvalidArgumentError

if TYPE_CHECKING:
    import pandas

__all__ = ["Options", "Outcome", "Summary", "find_shoots", "main", "run", "table"]

#: How often a task may be lost with its worker, which is not its fault.
_LOST_MOST = 50


@dataclass(frozen=True)
class Options:
    """How a batch is run."""

    timeout_s: Optional[float] = 3600.0
    """Time limit for one shoot, seconds. A shoot that takes longer is stopped and fails. `None`: no limit."""
    memory_bytes: Optional[int] = None
    """Memory limit for the process of one shoot, bytes (its address space; POSIX systems). `None`: no limit."""
    retries: int = 1
    """How many times a failed shoot is tried again in this run."""
    stage_bytes: int = 50_000_000_000
    """Largest shoot that is copied from a remote archive to a worker's temporary folder, bytes."""
    ahead: int = 2
    """Tasks that wait at the scheduler, for each thread of a worker."""
    shoot: dict[str, Any] = field(default_factory=dict)
    """Options of `align_shoot`."""


@dataclass(frozen=True)
class Outcome:
    """Result of one shoot."""

    shoot: str
    """Its path or URL."""
    status: str
    """``"aligned"``, ``"unchanged"`` (done in an earlier run) or ``"failed"``."""
    reasons: tuple[str, ...] = ()
    """Why each attempt failed."""
    fingerprint: Optional[str] = None
    """A text that changes when a file of the shoot is added, removed or changed."""
    alignment: Optional[str] = field(default=None, repr=False)
    """The text of ``alignment.json``, if it was aligned in this run."""


@dataclass(frozen=True)
class Summary:
    """Result of a batch."""

    aligned: int
    """Number of shoots that were aligned in this run."""
    unchanged: int
    """Number of shoots that were done in an earlier run."""
    failed: tuple[Outcome, ...]
    """Shoots that failed."""
    seconds: float
    """How long it took."""

    def __str__(self) -> str:
        lines = [f"{self.aligned} aligned, {self.unchanged} unchanged, {len(self.failed)} failed in {_clock(self.seconds)}"]
        lines += [f"{one.shoot}: {'; again: '.join(one.reasons)}" for one in self.failed]
        return "\n".join(lines)


def _clock(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def _is_remote(place: str) -> bool:
    return "://" in place


def _filesystem(place: str) -> tuple[Any, str]:
    """The file system of a URL, and the path in it."""
    import fsspec

    files, path = fsspec.core.url_to_fs(place)
    # It remembers what it has listed, in this process for ever: an archive grows meanwhile.
    files.invalidate_cache()
    return files, path


def find_shoots(archive: Union[str, os.PathLike[str]], *, depth: int = 1) -> Iterator[str]:
    """The shoots of an archive, in order.

    Parameters
    ----------
    archive : str or path-like
        A folder, a URL that fsspec knows (``s3://bucket/archive``), or a text file with one shoot per line: a path
        (relative to the folder of the text file) or a URL. Empty lines and lines that begin with ``#`` are skipped.
    depth : int
        How many levels below the archive the shoots are: 1 if each folder in the archive is a shoot. Hidden folders are
        skipped.

    Raises
    ------
    FileMissingError
        When there is no such folder or file.
    """
    place = os.fspath(archive)
    if depth < 1:
        raise InvalidArgumentError(f"depth is {depth}, less than 1")
    if _is_remote(place):
        files, root = _filesystem(place)
        if not files.isdir(root):
            raise coeval.FileMissingError("no such folder", place)
        yield from (str(files.unstrip_protocol(one)) for one in _below(root, depth, lambda p: _remote_folders(files, p)))
    elif os.path.isdir(place):
        yield from _below(os.path.abspath(place), depth, _local_folders)
    else:
        try:
            lines = Path(place).read_text(encoding="utf-8").splitlines()
        except OSError as error:
            raise coeval.FileMissingError(f"no such archive: {error.strerror}", place) from error
        for line in (line.strip() for line in lines):
            if line and not line.startswith("#"):
                yield line if _is_remote(line) else os.path.join(os.path.dirname(os.path.abspath(place)), line)


def _local_folders(path: str) -> list[str]:
    with os.scandir(path) as entries:
        return sorted(entry.path for entry in entries if entry.is_dir() and not entry.name.startswith("."))


def _remote_folders(files: Any, path: str) -> list[str]:
    entries = (e for e in files.ls(path, detail=True) if e["type"] == "directory")
    names = (e["name"].rstrip("/") for e in entries)
    return sorted(name for name in names if not posixpath.basename(name).startswith("."))


def _below(root: str, depth: int, folders: Callable[[str], list[str]]) -> Iterator[str]:
    for path in folders(root):
        if depth == 1:
            yield path
        else:
            yield from _below(path, depth - 1, folders)


# What a worker does.


def _listed(shoot: str) -> list[tuple[str, int, str]]:
    """Files of a shoot: path below it, size, and what changes when it is written again."""
    if _is_remote(shoot):
        files, root = _filesystem(shoot)
        found = files.find(root, detail=True).values()
        rows = [
            (posixpath.relpath(e["name"], root), int(e["size"] or 0), str(e.get("ETag") or e.get("mtime") or e.get("LastModified")))
            for e in found
        ]
    else:
        base = Path(shoot)
        if not base.is_dir():
            raise coeval.FileMissingError("no such folder", shoot)
        there = (path for path in base.rglob("*") if path.is_file())
        rows = [(p.relative_to(base).as_posix(), p.stat().st_size, str(p.stat().st_mtime_ns)) for p in there]
    return sorted(row for row in rows if not any(part.startswith(".") for part in row[0].split("/")))


def _fingerprint(listed: list[tuple[str, int, str]], options: dict[str, Any]) -> str:
    seen = [coeval.__version__, listed, options]
    return hashlib.sha256(json.dumps(seen, sort_keys=True, default=str).encode()).hexdigest()


def _task(shoot: str, known: Optional[str], options: Options) -> Outcome:
    """One task. What the shoot's process does cannot harm the worker."""
    try:
        listed = _listed(shoot)
        now = _fingerprint(listed, options.shoot)
        if now == known:
            return Outcome(shoot, "unchanged", fingerprint=now)
        if not _is_remote(shoot):
            text, reason = _in_a_process(shoot, options)
        else:
            total = sum(size for _, size, _ in listed)
            if total > options.stage_bytes:
                return Outcome(shoot, "failed", (f"it has {total} bytes, more than the limit for copying ({options.stage_bytes})",), now)
            with tempfile.TemporaryDirectory(prefix="coeval-stage-") as stage:
                files, root = _filesystem(shoot)
                for path, _, _ in listed:
                    to = Path(stage, *path.split("/"))
                    to.parent.mkdir(parents=True, exist_ok=True)
                    files.get_file(posixpath.join(root, path), os.fspath(to))
                text, reason = _in_a_process(stage, options)
    except Exception as error:  # A file that vanishes, a store that does not answer: the shoot's failure.
        return Outcome(shoot, "failed", (f"{type(error).__name__}: {error}",))
    if text is None:
        return Outcome(shoot, "failed", (reason,), now)
    return Outcome(shoot, "aligned", (), now, text)


def _in_a_process(folder: str, options: Options) -> tuple[Optional[str], str]:
    """The alignment's JSON text, or `None` and why there is none."""
    with tempfile.TemporaryDirectory(prefix="coeval-batch-") as place:
        result = Path(place, "result.json")
        asked = {"folder": folder, "out": os.fspath(result), "memory_bytes": options.memory_bytes, "options": options.shoot}
        # One thread for each shoot: there are enough shoots for all cores.
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        child = subprocess.Popen(
            [sys.executable, "-c", "from coeval.batch import _one; _one()"],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=environment,
        )
        try:
            _, said = child.communicate(json.dumps(asked).encode(), timeout=options.timeout_s)
        except subprocess.TimeoutExpired:
            return None, f"not done after {options.timeout_s:g} s"
        finally:
            child.kill()
            child.wait()
        if child.returncode == 0 and result.exists():
            answer = json.loads(result.read_text(encoding="utf-8"))
            return answer.get("alignment"), str(answer.get("reason"))
        last = said.decode(errors="replace").strip().rpartition("\n")[2]
        if child.returncode < 0:
            name = signal.Signals(-child.returncode).name
            limit = f", with a limit of {options.memory_bytes} bytes of memory" if options.memory_bytes else ""
            return None, f"its process was ended by {name}{limit}{': ' + last if last else ''}"
        return None, f"its process ended with {child.returncode}{': ' + last if last else ''}"


def _one() -> None:
    """The process of one shoot: what it is asked comes from standard input."""
    parent = os.getppid()

    def watch() -> None:
        # A worker that was killed takes its shoot's process with it: the shoot is tried again elsewhere.
        while os.getppid() == parent:
            time.sleep(0.5)
        os._exit(70)

    threading.Thread(target=watch, daemon=True).start()
    asked = json.load(sys.stdin)
    if asked["memory_bytes"] and sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (asked["memory_bytes"], asked["memory_bytes"]))
    answer: dict[str, Any] = {}
    try:
        alignment = coeval.align_shoot(asked["folder"], **{"threads": 1, **asked["options"]})
        # The file whose clock the timeline takes has a place by itself.
        if len(alignment.placed) >= min(2, len(alignment)):
            answer["alignment"] = alignment.to_json()
        else:
            reasons = sorted({str(file.reason) for file in alignment.unplaced})
            answer["reason"] = f"no two of its {len(alignment)} files are placed: {', '.join(reasons)}"
    except CoevalError as error:
        answer["reason"] = str(error)
    except MemoryError:
        answer["reason"] = f"more than {asked['memory_bytes']} bytes of memory"
    Path(asked["out"]).write_text(json.dumps(answer), encoding="utf-8")


# What the client does.


def _name(shoot: str) -> str:
    """A file name for a shoot: readable, and its own."""
    short = quote(shoot.rstrip("/").rsplit("/", 1)[-1].rsplit(os.sep, 1)[-1], safe=" ")[:100]
    return f"{short}-{hashlib.sha256(shoot.encode()).hexdigest()[:12]}"


def _write_whole(path: Path, content: bytes) -> None:
    """The file appears whole or not at all, however the program ends, with the rights that new files have here."""
    part = path.with_name(f".part-{os.getpid()}-{path.name}")
    part.write_bytes(content)
    os.replace(part, path)


_NUMBERS = ("duration_s", "offset_s", "drift_ppm", "confidence", "uncertainty_s")


def _rows(outcome: Outcome) -> bytes:
    """The rows of one shoot as Parquet."""
    import pyarrow
    import pyarrow.parquet

    texts = ("shoot", "fingerprint", "status", "error", "recording", "kind", "path", "reason")
    schema = pyarrow.schema(
        [(name, pyarrow.string()) for name in texts]
        + [("placed", pyarrow.bool_()), ("event", pyarrow.int64()), ("jumps", pyarrow.int64())]
        + [(name, pyarrow.float64()) for name in _NUMBERS]
    )
    rows: list[dict[str, Any]]
    common: dict[str, Any] = {"shoot": outcome.shoot, "fingerprint": outcome.fingerprint, "status": outcome.status}
    if outcome.alignment is None:
        rows = [{**common, "error": "; again: ".join(outcome.reasons)}]
    else:
        alignment = coeval.Alignment.from_json(outcome.alignment)
        kinds = {recording.id: recording.kind for recording in alignment.recordings}
        rows = [
            {
                **common,
                "recording": file.recording,
                "kind": kinds[file.recording],
                "path": file.path,
                "reason": file.reason,
                "placed": file.placed,
                "event": file.event,
                "jumps": len(file.jumps),
                **{name: getattr(file, name) for name in _NUMBERS},
            }
            for file in alignment
        ]
    sink = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(rows, schema=schema), sink)
    content: bytes = sink.getvalue().to_pybytes()
    return content


def table(out: Union[str, os.PathLike[str]]) -> pandas.DataFrame:
    """All results so far: a row for each file, and a row with ``error`` for each shoot that failed."""
    import pandas

    parts = sorted(Path(out, "files").glob("[!.]*.parquet"))
    made: pandas.DataFrame = pandas.concat([pandas.read_parquet(p) for p in parts], ignore_index=True) if parts else pandas.DataFrame()
    return made


def _known(out: Path, shoot: str) -> Optional[str]:
    """The fingerprint with which a shoot was aligned in an earlier run."""
    import pyarrow.parquet

    path = out / "files" / f"{_name(shoot)}.parquet"
    try:
        rows = pyarrow.parquet.read_table(path, columns=["fingerprint", "status"]).slice(0, 1).to_pylist()
    except (OSError, ValueError):
        return None
    return rows[0]["fingerprint"] if rows and rows[0]["status"] == "aligned" else None


def _drive(
    client: Any,
    jobs: Iterable[tuple[str, Callable[..., Outcome], tuple[Any, ...]]],
    *,
    ahead: int,
    retries: int,
    done: Callable[[Outcome], None],
) -> None:
    """Runs jobs (name, function, arguments), never more than some at the scheduler, and hands over what comes of each."""
    from dask.distributed import as_completed
    from distributed.scheduler import KilledWorker

    waiting = iter(jobs)
    running: dict[Any, tuple[str, Callable[..., Outcome], tuple[Any, ...], list[str], int]] = {}
    completed = as_completed()

    def submit(name: str, call: Callable[..., Outcome], arguments: tuple[Any, ...], reasons: list[str], lost: int) -> None:
        future = client.submit(call, *arguments, pure=False)
        running[future] = (name, call, arguments, reasons, lost)
        completed.add(future)

    def fill() -> None:
        threads = max(1, sum(client.nthreads().values()))
        while len(running) < max(4, ahead * threads):
            job = next(waiting, None)
            if job is None:
                return
            submit(*job, [], 0)

    fill()
    while running:
        future = next(completed)
        name, call, arguments, reasons, lost = running.pop(future)
        try:
            outcome = future.result()
        except (KilledWorker, TimeoutError, OSError) as error:
            # The worker went, not the shoot.
            if lost < _LOST_MOST:
                submit(name, call, arguments, reasons, lost + 1)
                continue
            outcome = Outcome(name, "failed", (f"lost {lost + 1} times with its worker: {error}",))
        except Exception as error:
            outcome = Outcome(name, "failed", (f"{type(error).__name__}: {error}",))
        future.release()
        if outcome.status == "failed" and len(reasons) < retries:
            submit(name, call, arguments, [*reasons, *outcome.reasons], lost)
        else:
            done(replace(outcome, reasons=(*reasons, *outcome.reasons)) if outcome.status == "failed" else outcome)
        fill()


def run(
    shoots: Iterable[str],
    out: Union[str, os.PathLike[str]],
    *,
    scheduler: Optional[str] = None,
    workers: Optional[int] = None,
    dashboard: bool = False,
    options: Optional[Options] = None,
    total: Optional[int] = None,
    report: Optional[Callable[[str], None]] = None,
) -> Summary:
    """Align many shoots on a Dask cluster.

    Parameters
    ----------
    shoots : iterable of str
        Paths or URLs, as `find_shoots` returns them. They are read only as they are needed.
    out : str or path-like
        The folder for the results.
    scheduler : str, optional
        Address of a cluster that has this package and sees the same folders; processes on this machine if not given.
    workers : int, optional
        Number of processes on this machine; one for each core if not given.
    dashboard : bool
        Whether to serve Dask's dashboard, on a free port of this machine.
    options : Options, optional
        Limits, retries, and options for `align_shoot`.
    total : int, optional
        Number of shoots, if known; needed to estimate the remaining time.
    report : callable, optional
        Called with a line of text for each shoot.

    Returns
    -------
    Summary
    """
    import dask
    from dask.distributed import Client, LocalCluster

    how, say = options or Options(), report or (lambda line: None)
    folder = Path(out)
    for name in ("alignments", "files"):
        (folder / name).mkdir(parents=True, exist_ok=True)
        for left in (folder / name).glob(".part-*"):
            left.unlink(missing_ok=True)
    counts, failed, begun = {"aligned": 0, "unchanged": 0}, [], time.monotonic()

    def done(outcome: Outcome) -> None:
        if outcome.status == "failed":
            failed.append(Outcome(outcome.shoot, "failed", outcome.reasons, outcome.fingerprint))
        else:
            counts[outcome.status] += 1
        if outcome.status != "unchanged":
            kept = folder / "alignments" / f"{_name(outcome.shoot)}.json"
            if outcome.alignment is not None:
                _write_whole(kept, outcome.alignment.encode())
            else:
                kept.unlink(missing_ok=True)
            # The table last: what it has is done.
            _write_whole(folder / "files" / f"{_name(outcome.shoot)}.parquet", _rows(outcome))
        count, elapsed = sum(counts.values()) + len(failed), time.monotonic() - begun
        left = f", {_clock(elapsed / count * (total - count))} left" if total else ""
        what = outcome.status if not outcome.reasons else f"failed: {outcome.reasons[-1]}"
        say(f"{count}{f' of {total}' if total else ''}{left}: {outcome.shoot}: {what}")

    jobs = ((shoot, _task, (shoot, _known(folder, shoot), how)) for shoot in shoots)
    # A worker that dies is not the fault of the tasks that it had: what shoots do, they do in processes of their own.
    with dask.config.set({"distributed.scheduler.allowed-failures": _LOST_MOST}):
        cluster: Any = scheduler
        if scheduler is None:
            cluster = LocalCluster(
                n_workers=workers or os.cpu_count(),
                threads_per_worker=1,
                processes=True,
                memory_limit=0,
                dashboard_address=":0" if dashboard else None,
            )
        try:
            with Client(cluster) as client:
                if dashboard:
                    say(f"dashboard: {client.dashboard_link}")
                _drive(client, jobs, ahead=how.ahead, retries=how.retries, done=done)
        finally:
            if scheduler is None:
                cluster.close()
    return Summary(counts["aligned"], counts["unchanged"], tuple(failed), time.monotonic() - begun)


def _bytes(text: str) -> int:
    units = {"": 1, "k": 10**3, "M": 10**6, "G": 10**9}
    number = text.rstrip("kMG")
    return int(float(number) * units[text[len(number) :]])


def main(arguments: Optional[Sequence[str]] = None) -> int:
    """The command ``coeval batch``. Returns 0 if every shoot is aligned, 3 if some failed, 2 if nothing could be done."""
    parser = argparse.ArgumentParser(prog="coeval batch", description="Aligns an archive of shoots on a Dask cluster.")
    parser.add_argument("archive", help="folder of shoots, its URL (s3://...), or a text file with one shoot per line")
    parser.add_argument("out", type=Path, help="folder for the results, outside the archive")
    parser.add_argument("--depth", type=int, default=1, help="levels from the archive down to the shoots (default: 1)")
    parser.add_argument("--scheduler", help="address of a Dask cluster that sees the same folders")
    parser.add_argument("--workers", type=int, help="processes on this machine (default: one for each core)")
    parser.add_argument("--dashboard", action="store_true", help="serve Dask's dashboard")
    defaults = Options()
    parser.add_argument("--timeout", type=float, default=defaults.timeout_s, help="time limit for one shoot, seconds (default: 3600); 0: no limit")
    parser.add_argument("--memory", type=_bytes, help="memory limit for one shoot, bytes, such as 4G (default: no limit)")
    parser.add_argument("--stage", type=_bytes, default=defaults.stage_bytes, help="largest remote shoot, bytes (default: 50G)")
    parser.add_argument("--retries", type=int, default=defaults.retries, help="how many times a failed shoot is tried again (default: 1)")
    given = parser.parse_args(arguments)
    options = Options(given.timeout or None, given.memory, given.retries, given.stage)
    try:
        shoots = list(find_shoots(given.archive, depth=given.depth))
        print(f"{len(shoots)} shoots", flush=True)
        summary = run(
            shoots,
            given.out,
            scheduler=given.scheduler,
            workers=given.workers,
            dashboard=given.dashboard,
            options=options,
            total=len(shoots),
            report=lambda line: print(line, flush=True),
        )
    except (CoevalError, OSError) as error:
        print(f"coeval batch: {error}", file=sys.stderr)
        return 2
    print(summary)
    return 3 if summary.failed else 0


if __name__ == "__main__":
    sys.exit(main())
