"""Mutation testing: a fixed sample of small faults put into the core, one at a time, and whether a test notices.

    pip install -e '.[test,mutation]'
    python -m tests.mutation window                      every mutant of decoder/window.py
    python -m tests.mutation crosscheck --sample 200     200 of decoder/crosscheck, drawn with a fixed start
    python -m tests.mutation crosscheck -o found.json    and every survivor with its change
    python -m tests.mutation --again found.json          the survivors of an earlier run, against today's tests

The faults are those of cosmic-ray's operators (comparisons, operators, numbers, truth values, `and` and `or`, `not`,
loops, exceptions, decorators). They are put into a copy of the tree, never into the tree itself. Each mutant has the
tests that cover its package, in a fork of one process that has pytest and the large libraries loaded, up to the first
failure. A mutant that goes on for long (`trial.LIMIT`) counts as killed. Annotations aren't mutated:
nothing evaluates them.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from tests.mutation import trial
from tests.mutation.mutants import Mutant, drawn, mutants_of
from tests.mutation.shares import table
from tests.mutation.targets import TARGETS

SEED = 1966


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.mutation",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("target", nargs="*", help=f"of {', '.join(TARGETS)}; none is all of them")
    parser.add_argument("--sample", type=int, metavar="N", help="mutants of each package; all when left out")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--again", type=Path, metavar="FILE", help="only the survivors written there")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="write JSON there")
    given = parser.parse_args()
    unknown = [name for name in given.target if name not in TARGETS]
    if unknown:
        parser.error(f"no package is called {', '.join(unknown)}; there are {', '.join(TARGETS)}")
    earlier = json.loads(given.again.read_text(encoding="utf-8")) if given.again else None
    names = given.target or ([row["target"] for row in earlier["rows"]] if earlier else list(TARGETS))
    rows = []
    with tempfile.TemporaryDirectory(prefix="partdate-mutation-") as folder:
        tree = trial.copied(Path(folder))
        trial.prepare(tree)
        for name in names:
            target = TARGETS[name]
            trial.untouched(tree, target)
            every = mutants_of(tree, target.files(tree))
            if earlier:
                chosen = [
                    Mutant.of(one)
                    for row in earlier["rows"]
                    if row["target"] == name
                    for one in row["survivors"]
                ]
            else:
                chosen = drawn(every, given.sample, f"{given.seed} {name}")
            row = trial.row(tree, target, chosen, len(every))
            rows.append(row)
            if given.output:
                given.output.write_text(json.dumps({"rows": rows}, indent=1) + "\n", encoding="utf-8")
    print(table(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
