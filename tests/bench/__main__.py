"""The benchmark suite: every budget, and what else is worth knowing, in one run of about a quarter of an hour.

python -m tests.bench                          all rows as a table, with the machine, versions and tables
python -m tests.bench -o bench.json            and as JSON
python -m tests.bench --markdown               as a block for tests/bench/README.md
python -m tests.bench --only given,check       some groups
python -m tests.bench --million                with a million markings in the bulk run, instead of 50,000
python -m tests.bench --pyperf new.json        and for `python -m pyperf compare_to old.json new.json`
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

from tests.bench import record
from tests.bench.suite import GROUPS, Plan, rows


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write JSON there")
    parser.add_argument("--pyperf", type=Path, metavar="FILE", help="write the timed rows for pyperf there")
    parser.add_argument("--markdown", action="store_true", help="print a block for README.md")
    parser.add_argument(
        "--into", type=Path, metavar="FILE", help="put that block in place of the one in FILE"
    )
    parser.add_argument("--only", default=",".join(GROUPS), help=f"groups: {', '.join(GROUPS)}")
    parser.add_argument("--without", default="", help="groups to leave out")
    parser.add_argument("--passes", type=int, default=Plan().passes, help="over fresh markings, for each row")
    parser.add_argument("--million", action="store_true", help="a million markings in the bulk run")
    parser.add_argument("--tiny", action="store_true", help="every row, with figures that mean nothing")
    given = parser.parse_args(arguments)
    wanted = [name for name in given.only.split(",") if name not in given.without.split(",")]
    unknown = [name for name in [*wanted, *given.without.split(",")] if name and name not in GROUPS]
    if unknown:
        parser.error(f"no group is called {', '.join(unknown)}; there are {', '.join(GROUPS)}")
    plan = Plan.tiny() if given.tiny else Plan(passes=given.passes)
    if given.million:
        plan = replace(plan, lines=1_000_000)
    about = record.surroundings(" ".join(["python -m tests.bench", *(arguments or sys.argv[1:])]))
    found = []
    for row in rows(plan, wanted):
        found.append(row)
        if sys.stderr.isatty():
            print(f"\r{len(found)} rows, {row.title[:60]:<60}", end="", file=sys.stderr, flush=True)
    if sys.stderr.isatty():
        print("\r" + " " * 78 + "\r", end="", file=sys.stderr)
    about = record.finished(about)
    body = "\n".join([record.table(found), "", record.verdict(found)])
    record.published("The suite", about, body, as_markdown=given.markdown, into=given.into)
    if given.output:
        record.written(given.output, about, rows=[row.as_dict() for row in found])
    if given.pyperf:
        record.as_pyperf(found, given.pyperf)
    return 0


if __name__ == "__main__":
    sys.exit(main())
