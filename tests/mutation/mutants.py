"""Every small fault that can be put into a file, and a sample of them."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from random import Random
from typing import Any

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

Place = tuple[int, int]  # line from 1, column from 0


@dataclass(frozen=True, slots=True)
class Mutant:
    """One fault: the operator that makes it, and which of the places in the file where that can be done."""

    file: str
    operator: str
    occurrence: int
    line: int

    @classmethod
    def of(cls, found: dict[str, Any]) -> Mutant:
        return cls(**{name: found[name] for name in cls.__slots__})

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)

    def put_into(self, source: str) -> str:
        """The source with this fault in it."""
        made = mutate_code(source, _operator(self.operator), self.occurrence)
        if made is None:
            raise ValueError(f"{self} is in no file of this kind any more: draw the sample anew")
        return made


def mutants_of(tree: Path, files: Iterable[Path]) -> list[Mutant]:
    """Every mutant of these files, in a fixed order."""
    return [
        mutant
        for file in files
        for mutant in of_source(file.read_text(encoding="utf-8"), str(file.relative_to(tree)))
    ]


def drawn(mutants: list[Mutant], count: int | None, seed: str) -> list[Mutant]:
    """A sample in the order of the files; all of them where there are no more."""
    if count is None or count >= len(mutants):
        return mutants
    chosen = set(Random(seed).sample(range(len(mutants)), count))
    return [mutant for place, mutant in enumerate(mutants) if place in chosen]


def of_source(source: str, name: str) -> Iterator[Mutant]:
    """Every mutant of one file's source."""
    nodes = list(ast_nodes(get_ast(source)))
    unseen = list(_never_evaluated(ast.parse(source)))
    for operator in sorted(operator_names()):
        if get_operator(operator).arguments():  # those that replace variables by name want settings
            continue
        made = _operator(operator)
        places = (start for node in nodes for start, _ in made.mutation_positions(node))
        for occurrence, at in enumerate(places):
            if not any(first <= at < last for first, last in unseen):
                yield Mutant(name, operator, occurrence, at[0])


def _operator(name: str) -> Any:
    return get_operator(name)()


def _never_evaluated(tree: ast.Module) -> Iterator[tuple[Place, Place]]:
    """From where to where annotations and imports for type checkers alone stand."""
    for node in ast.walk(tree):
        kept: list[ast.AST | None] = []
        if isinstance(node, ast.AnnAssign | ast.arg):
            kept = [node.annotation]
        elif isinstance(node, ast.FunctionDef):
            kept = [node.returns]
        elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            kept = [node]
        for one in kept:
            if one is not None:
                yield (one.lineno, one.col_offset), (one.end_lineno, one.end_col_offset)
