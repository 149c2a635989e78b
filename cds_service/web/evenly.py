"""How often something may be done by each of many: the generic cell rate algorithm (GCRA).

It keeps one time for each name: when it would be even again if it had asked evenly. Written here
and not taken from a package: the one that there is brings four, and a service should stay small.
"""

import time
from collections.abc import Callable

from cds_service.settings.values import rate_of

KEPT = 10_000
"""Names that are known at most, whoever invents them."""


class Evenly:
    """All of a span's requests may come at once; then one in each of its parts.

    `rate` is such as `600/minute`; raises ValueError for what is none.
    """

    def __init__(self, rate: str, clock: Callable[[], float] = time.monotonic) -> None:
        many, self._span = rate_of(rate)
        self._each, self._clock = self._span / many, clock
        self._even: dict[str, float] = {}

    def wait(self, name: str) -> float:
        """Seconds for which this one has to wait; 0, and one more is counted, if it need not."""
        now = self._clock()
        even = max(self._even.get(name, now), now) + self._each
        if (wait := even - now - self._span) > 1e-9:
            return wait
        if len(self._even) >= KEPT and name not in self._even:
            self._forget(now)
        self._even[name] = even
        return 0.0

    def _forget(self, now: float) -> None:
        """Make room: who is even again goes, and if that is not enough half of the others.

        Those go who asked least; so that so many are known takes as many requests.
        """
        left = sorted((at, name) for name, at in self._even.items() if at > now)
        self._even = {name: at for at, name in left[-(KEPT // 2) :]}
