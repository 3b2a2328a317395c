"""The share of mutants killed, with the interval that a sample leaves it in."""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt
from typing import Any

Z = 1.96  # 95 per cent


def interval(killed: int, of: int, every: int) -> tuple[float, float]:
    """Wilson's interval for a share; no interval where the sample is everything."""
    share = killed / of
    if of >= every:
        return share, share
    middle = (share + Z * Z / (2 * of)) / (1 + Z * Z / of)
    half = Z / (1 + Z * Z / of) * sqrt(share * (1 - share) / of + Z * Z / (4 * of * of))
    return middle - half, middle + half


def table(rows: Iterable[dict[str, Any]]) -> str:
    lines = [
        f"{'package':<12}{'mutants':>8}{'tried':>7}{'killed':>8}{'share':>8}   95 % interval   survivors"
    ]
    for row in rows:
        low, high = interval(row["killed"], row["tried"], row["mutants"])
        shown = "(all tried)" if row["tried"] >= row["mutants"] else f"{low:.1%} to {high:.1%}"
        lines.append(
            f"{row['target']:<12}{row['mutants']:>8}{row['tried']:>7}{row['killed']:>8}"
            f"{row['killed'] / row['tried']:>8.1%}   {shown:<15} {len(row['survivors']):>8}"
        )
    return "\n".join(lines)
