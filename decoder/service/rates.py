"""How much one client may ask: a bucket of tokens each, in memory, filled at a steady rate.

A marking takes one token, a sheet one for each part. A request is let in while its client's bucket is not empty, and
what it took beyond that is owed: a batch of a thousand always gets its answer, and what follows waits for it. Each
process counts by itself, so N workers give one client at most N times the rate.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from threading import Lock
from typing import Final

CLIENTS_LIMIT: Final = 10_000


class Buckets:
    """One bucket a client, of `burst` tokens at most, filled by `rate` tokens a second.

    Of more clients than `most` those not seen for the longest time are forgotten; they begin with a full bucket.
    """

    def __init__(
        self,
        rate: float,
        burst: float,
        clock: Callable[[], float] = time.monotonic,
        most: int = CLIENTS_LIMIT,
    ) -> None:
        self.rate = rate
        self.burst = burst
        self.most = most
        self._clock = clock
        self._lock = Lock()
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()  # tokens left, at which time

    def wait(self, client: str) -> float:
        """Seconds until this client may ask again; 0 when it may now, and one token is taken for it."""
        with self._lock:
            left = self._left(client)
            if left < 1:
                return (1 - left) / self.rate
            self._keep(client, left - 1)
            return 0.0

    def owe(self, client: str, tokens: int) -> None:
        """Take tokens for work that has been let in already, whether they are there or not."""
        if tokens > 0:
            with self._lock:
                self._keep(client, self._left(client) - tokens)

    def _left(self, client: str) -> float:
        left, at = self._buckets.get(client, (self.burst, 0.0))
        return min(self.burst, left + (self._clock() - at) * self.rate)

    def _keep(self, client: str, left: float) -> None:
        self._buckets[client] = (left, self._clock())
        self._buckets.move_to_end(client)
        while len(self._buckets) > self.most:
            self._buckets.popitem(last=False)
