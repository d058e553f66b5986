"""How long decisions take, kept as a histogram of fixed size."""

from bisect import bisect_right
from typing import Final

from monitor.attach.message_parts import Latency

_BUCKETS_A_DECADE: Final = 20
_DECADES: Final = 7  # 1 us to 10 s
_N: Final = _BUCKETS_A_DECADE * _DECADES


class LatencyHistogram:
    """Counts of latencies in buckets 12 % wide, 1 us to 10 s; memory doesn't grow."""

    _edges_ns: Final = [1000.0 * 10 ** (i / _BUCKETS_A_DECADE) for i in range(_N)]

    def __init__(self) -> None:
        self.count = 0
        self.max_ns = 0
        self._counts = [0] * (_N + 1)

    def add(self, latency_ns: int) -> None:
        """Count one latency, in ns."""
        self.count += 1
        if latency_ns > self.max_ns:
            self.max_ns = latency_ns
        self._counts[bisect_right(self._edges_ns, latency_ns)] += 1

    def quantile_ms(self, share: float) -> float:
        """Return the latency (upper edge of its bucket, ms) that ``share`` of all stay within."""
        wanted = share * self.count
        seen = 0
        for i, count in enumerate(self._counts):
            seen += count
            if count and seen >= wanted:
                edge_ns = self._edges_ns[i] if i < _N else float(self.max_ns)
                return min(edge_ns, float(self.max_ns)) * 1e-6
        return 0.0

    def facts(self) -> Latency:
        """Return the usual quantiles."""
        return Latency(
            count=self.count,
            p50_ms=round(self.quantile_ms(0.5), 4),
            p99_ms=round(self.quantile_ms(0.99), 4),
            p999_ms=round(self.quantile_ms(0.999), 4),
            max_ms=round(self.max_ns * 1e-6, 4),
        )
