"""What is worked out once and kept, up to a limit."""

from __future__ import annotations

from typing import Final, TypeVar

FREED_AT_ONCE: Final = 16  # forgotten keys and answers, with each that is kept; thousands take 5 to 10 ms

K = TypeVar("K")
V = TypeVar("V")


class Kept(dict[K, V]):
    """Answers by what they depend on; all are forgotten before they would weigh more than `most` together.

    Those that are forgotten wait in `fading` until their memory is given back, a few at a time. Threads may share one:
    the worst that can happen is that an answer is worked out twice.
    """

    __slots__ = ("fading", "most", "weight")

    def __init__(self, most: int) -> None:
        super().__init__()
        self.most = most
        self.weight = 0
        self.fading: list[object] = []

    def clear(self) -> None:
        """Forget every answer."""
        super().clear()
        self.weight = 0
        self.fading.clear()

    def keep(self, key: K, value: V, weight: int = 1) -> V:
        """Keep an answer, and give it back."""
        if self.weight + weight > self.most:
            # No pair of both: making objects may let another thread in, which may change what is gone through here.
            self.fading = [*self, *self.values()]
            super().clear()
            self.weight = 0
        elif self.fading:
            del self.fading[-FREED_AT_ONCE:]
        self.weight += weight
        self[key] = value
        return value
