"""An archive of shoots, aligned on a Dask cluster: one task a shoot, one Parquet table of results.

    python examples/cluster_batch.py ARCHIVE OUT [--workers N | --scheduler ADDRESS]

ARCHIVE holds one folder for each shoot. OUT gets `alignments/SHOOT.json`, each as soon as it is there, and
`archive.parquet`, one row for each file of every shoot. Started again, it passes over the shoots that are done
and whose files have not changed; shoots that failed are tried again.

Needs: pip install coeval[table] "dask[distributed]" pyarrow
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
from pathlib import Path

import pandas
from dask.distributed import Client, LocalCluster, as_completed

import coeval


def fingerprint(shoot: Path) -> str:
    """Changes when a file of the shoot comes, goes, grows or is written again."""
    files = sorted(p for p in shoot.rglob("*") if p.is_file())
    seen = [(p.relative_to(shoot).as_posix(), p.stat().st_size, p.stat().st_mtime_ns) for p in files]
    return hashlib.sha256(json.dumps([coeval.__version__, seen]).encode()).hexdigest()


def align_one(shoot: str) -> dict[str, object]:
    """One task. It runs in a process of the cluster, on one thread: there are enough shoots for all cores."""
    before = fingerprint(Path(shoot))
    try:
        alignment = coeval.align_shoot(shoot, threads=1)
    except coeval.CoevalError as error:
        return {"shoot": shoot, "error": str(error)}
    return {"shoot": shoot, "fingerprint": before, "alignment": alignment.to_dict()}


def write_whole(path: Path, content: bytes) -> None:
    """The file appears whole or not at all, however the program ends."""
    with tempfile.NamedTemporaryFile(dir=path.parent, prefix=".part-", delete=False) as part:
        part.write(content)
    os.replace(part.name, path)


def done(shoot: Path, kept: Path) -> bool:
    """Whether the kept result is there and still about these files."""
    try:
        return bool(json.loads(kept.read_text())["fingerprint"] == fingerprint(shoot))
    except (OSError, ValueError, KeyError):
        return False


def table(shoots: list[Path], results: Path, errors: dict[str, str]) -> pandas.DataFrame:
    """One row for each file; a shoot that failed has one row with the error."""
    parts = []
    for shoot in shoots:
        if shoot.name in errors:
            parts.append(pandas.DataFrame({"shoot": [shoot.name], "error": [errors[shoot.name]]}))
        else:
            kept = json.loads((results / f"{shoot.name}.json").read_text())
            rows = coeval.Alignment.from_json(json.dumps(kept["alignment"])).to_pandas()
            rows.insert(0, "shoot", shoot.name)
            parts.append(rows)
    whole: pandas.DataFrame = pandas.concat(parts, ignore_index=True) if parts else pandas.DataFrame()
    return whole


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("archive", type=Path, help="folder with one folder for each shoot")
    parser.add_argument("out", type=Path, help="folder for the results, outside the archive")
    parser.add_argument("--workers", type=int, default=os.cpu_count(), help="processes on this machine")
    parser.add_argument("--scheduler", help="address of a Dask cluster that sees the same folders")
    arguments = parser.parse_args()

    shoots = sorted(p for p in arguments.archive.iterdir() if p.is_dir())
    results = arguments.out / "alignments"
    results.mkdir(parents=True, exist_ok=True)
    todo = [shoot for shoot in shoots if not done(shoot, results / f"{shoot.name}.json")]
    print(f"{len(shoots)} shoots, {len(shoots) - len(todo)} done already")
    errors: dict[str, str] = {}
    if todo:
        cluster = arguments.scheduler or LocalCluster(
            n_workers=min(arguments.workers, len(todo)), threads_per_worker=1, processes=True, dashboard_address=None
        )
        with Client(cluster) as client:
            tasks = [client.submit(align_one, str(shoot.resolve()), pure=False) for shoot in todo]
            for task in as_completed(tasks):
                result = task.result()
                name = Path(str(result["shoot"])).name
                if "error" in result:
                    errors[name] = str(result["error"])
                else:
                    write_whole(results / f"{name}.json", json.dumps(result).encode())
                print(f"{name}: {errors.get(name, 'aligned')}", flush=True)
        if not arguments.scheduler:
            cluster.close()
    write_whole(arguments.out / "archive.parquet", table(shoots, results, errors).to_parquet())
    return 1 if errors else 0


if __name__ == "__main__":
    sys.exit(main())
