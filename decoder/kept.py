"""What is worked out once and kept, up to a limit."""

from __future__ import annotations

from typing import TypeVar

K = TypeVar("K")
V = TypeVar("V")


class Kept(dict[K, V]):
    """Answers by what they depend on; all are forgotten before they would weigh more than `most` together.

    Threads may share one: the worst that can happen is that an answer is worked out twice.
    """

    __slots__ = ("most", "weight")

    def __init__(self, most: int) -> None:
        super().__init__()
        self.most = most
        self.weight = 0

    def clear(self) -> None:
        """Forget every answer."""
        super().clear()
        self.weight = 0

    def keep(self, key: K, value: V, weight: int = 1) -> V:
        """Keep an answer, and give it back."""
        if self.weight + weight > self.most:
            self.clear()
        self.weight += weight
        self[key] = value
        return value
