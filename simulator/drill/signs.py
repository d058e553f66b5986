"""What of a fault could be seen: readings that differ from those of the same ride without it.

Both rides have the same noise, so any difference is the fault's doing; a *visible* one stands out
of the reading's own ripple by as much as somebody notices on a gauge.
"""

from dataclasses import dataclass
from math import isnan
from typing import Any, Final

import numpy as np

from rules.channels import (
    CHANNEL_BY_NAME,
    CHANNEL_NAMES,
    NOT_SENT,
    TIME,
    label_of_channel,
)
from simulator.drill.ride import Record
from simulator.plant.wire import LONGEST_GAP_S

ROWS: Final = "rows"  # stands for a channel where the rows themselves tell: none come, or misdated
# When somebody notices a difference. Our choice, no source.
_SEEN_S, _WITHIN_S = 0.05, 1.0  # it is there for so long in such a time
_AROUND_S: Final = 0.1  # and is none from what the reading is so soon before or after
_OFF_S: Final = 1.0  # a row dated farther than that from when it came has another clock
_CHANNELS: Final = slice(1, 1 + len(CHANNEL_NAMES))
# And how great it is, by channel, in its unit. Common practice, no source.
_VISIBLE: Final = {
    "engine_speed_rpm": 150.0,
    "boost_kpa": 7.0,
    "injector_duty_pct": 4.0,
    "intake_c": 3.0,
    "knock": 1.0,
    "commanded_ml_min": 50.0,
    "command_pct": 5.0,
    "delivered_ml_min": 50.0,
    "timing_deg": 1.5,
    "lambda_ratio": 0.03,
    "throttle_pct": 5.0,
    "tank_ml": 60.0,
    "line_kpa": 40.0,
    "supply_v": 0.5,
    "dry_intake_c": 3.0,
    "confirmed_retard_deg": 1.0,
    "confirmed_ceiling_kpa": 10.0,
    "tank_switch": 0.5,
}
_DECIMALS: Final = {"supply_v": 1, "lambda_ratio": 2, "knock": 1, "timing_deg": 1}


@dataclass(frozen=True, slots=True)
class Sign:
    """A reading that visibly differs from what it would be without a fault.

    Attributes:
        time_s: When it first does.
        channel: Its channel; ``ROWS``: none comes, or its time is wrong.
        reads: What it reads then; NaN: nothing. Of rows: by how much their time is off, seconds.
        due: What it would read.
        fault: The fault's number.
        alone: Whether it showed, or would have, only where nobody acts.
    """

    time_s: float
    channel: str
    reads: float
    due: float
    fault: int = 0
    alone: bool = False

    @property
    def label(self) -> str:
        """What shows it, in words."""
        return "the log" if self.channel == ROWS else label_of_channel(self.channel)

    @property
    def in_words(self) -> str:
        """How it differs: "delivered flow reads 312 instead of 655 mL/min"."""
        return f"{self._in_words}{', if nobody acts' if self.alone else ''}"

    @property
    def _in_words(self) -> str:
        if self.channel == ROWS:
            if isnan(self.reads):
                return "no samples come"
            return f"the log's time is {self.reads:+z.1f} s off"
        unit = CHANNEL_BY_NAME[self.channel].unit
        decimals = _DECIMALS.get(self.channel, 0)
        reads = "nothing" if isnan(self.reads) else f"{self.reads:z.{decimals}f}"
        tail = "" if unit == "1" else f" {unit}"
        return f"{self.label} reads {reads} instead of {self.due:z.{decimals}f}{tail}"


@dataclass(frozen=True, slots=True)
class Seen:
    """What a ride's readings showed after each of its samples.

    Attributes:
        now_s: The time then, (m,).
        dated_s: Time of the newest row, (m,); NaN before the first.
        came_s: When that row came, (m,); 0 before the first.
        readings: What it says, (m, N_CHANNELS), in the order of ``CHANNEL_NAMES``; NaN where it
            says nothing, or what is no number.
    """

    now_s: Any
    dated_s: Any
    came_s: Any
    readings: Any

    def of(self, channel: str) -> Any:
        """Return one channel's readings, (m,)."""
        return self.readings[:, CHANNEL_NAMES.index(channel)]


def seen(record: Record) -> Seen:
    """Return what a ride's readings showed after each of its samples."""
    now_s = record.truths[:, 0]
    samples = len(now_s)
    found = Seen(
        now_s,
        np.full(samples, np.nan),
        np.zeros(samples),
        np.full((samples, len(CHANNEL_NAMES)), np.nan),
    )
    real = np.flatnonzero((record.rows[:, _CHANNELS] != NOT_SENT).any(axis=1))
    newest = np.searchsorted(record.came[real], np.arange(samples), side="right") - 1
    has = newest >= 0
    rows = real[newest[has]]
    found.dated_s[has] = record.rows[rows, TIME]
    found.came_s[has] = now_s[record.came[rows]]
    shown = record.rows[rows, _CHANNELS]
    found.readings[has] = np.where(np.isfinite(shown), shown, np.nan)
    return found


def signs_between(ride: Seen, twin: Seen, fault: int = 0) -> list[Sign]:
    """Return by channel when a ride first shows a fault, the first sign first.

    Args:
        ride: What the ride showed.
        twin: What the same ride without the fault did, as long.
        fault: The fault's number.
    """
    now_s = ride.now_s
    found: list[Sign] = []
    if not len(now_s):
        return found
    silent = now_s - ride.came_s > LONGEST_GAP_S
    off_s = ride.dated_s - ride.came_s
    for odd, reads in ((silent, np.full(len(now_s), np.nan)), (abs(off_s) > _OFF_S, off_s)):
        if odd.any():
            first = int(np.argmax(odd))
            found.append(Sign(float(now_s[first]), ROWS, float(reads[first]), 0.0, fault))
    new = ride.came_s == now_s
    for name, visible in _VISIBLE.items():
        reads, due = ride.of(name), twin.of(name)
        least, most = _around(due, now_s)
        gone = np.isnan(reads) & ~np.isnan(due)
        differs = (reads <= least - visible) | (reads >= most + visible) | gone
        at = _lasting(now_s, differs & new)
        if at is not None:
            found.append(Sign(float(now_s[at]), name, float(reads[at]), float(due[at]), fault))
    return sorted(found, key=lambda sign: sign.time_s)


def _around(values: Any, now_s: Any) -> tuple[Any, Any]:
    """Return the least and the most of what is read around each sample: it ripples, or moves."""
    each = round(_AROUND_S / now_s[0])
    held = np.pad(values, each, constant_values=np.nan)
    near = np.lib.stride_tricks.sliding_window_view(held, 2 * each + 1)
    return np.fmin.reduce(near, axis=1), np.fmax.reduce(near, axis=1)


def _lasting(now_s: Any, differs: Any) -> int | None:
    """Return from which sample on a difference is there for long enough to be seen."""
    where = np.flatnonzero(differs)
    if len(where) == 0:
        return None
    until = np.searchsorted(now_s[where], now_s[where] + _WITHIN_S)
    sample_s = now_s[0]  # the first comes one sample after the start
    enough = np.flatnonzero(until - np.arange(len(where)) >= _SEEN_S / sample_s)
    return int(where[enough[0]]) if len(enough) else None
