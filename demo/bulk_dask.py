"""`partdate bulk` on several machines: the same pure function, its chunks sent to the workers of a Dask cluster.

    python demo/bulk_dask.py markings.ndjson answers.ndjson                          two workers on this machine
    python demo/bulk_dask.py --workers 1 markings.ndjson answers.ndjson
    python demo/bulk_dask.py --scheduler tcp://desk:8786 markings.ndjson answers.ndjson

Every worker needs partdate of the same version. The answers come back to this machine, which writes them in order and
keeps the journal: run it again after a stop, and it goes on, with a cluster or with plain `partdate bulk`.
Needs the extra `dask`: pip install 'partdate[dask]'.
"""

from __future__ import annotations

import argparse
import sys
import time
from datetime import date
from pathlib import Path

from distributed import Client, LocalCluster

from decoder.casebook.bulk import Progress, run
from decoder.casebook.errors import CasebookError
from decoder.tables import from_environment


def show(progress: Progress) -> None:
    print(f"\r{progress.words()}   ", end="", file=sys.stderr, flush=True)


def main() -> int:
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("source", type=Path)
    options.add_argument("target", type=Path)
    options.add_argument("--scheduler", help="the address of a running scheduler")
    options.add_argument(
        "--workers", type=int, default=2, help="workers on this machine, without a scheduler"
    )
    options.add_argument("--chunk", type=int, default=2_000)
    given = options.parse_args()
    cluster = None
    if given.scheduler is None:
        cluster = LocalCluster(n_workers=given.workers, threads_per_worker=1, dashboard_address=None)
    client = Client(given.scheduler or cluster)
    workers = len(client.scheduler_info()["workers"])
    began = time.monotonic()
    try:
        # The same chunk always has the same answer, yet each is asked for once: no need to hash it first.
        executor = client.get_executor(pure=False)
        done = run(
            given.source,
            given.target,
            from_environment(),
            today=date.today(),
            executor=executor,
            jobs=workers,
            chunk=given.chunk,
            progress=show,
        )
    except CasebookError as error:
        print(f"\npartdate: {error}", file=sys.stderr)
        return 2
    finally:
        client.close()
        if cluster is not None:
            cluster.close()
    seconds = time.monotonic() - began
    print(
        f"\n{given.target}: {done.lines:,} lines, {done.bad_lines:,} bad, {workers} workers, "
        f"{(done.lines - done.resumed_at) / seconds:,.0f} a second"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
