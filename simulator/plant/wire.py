"""The way from the logger to the guard: samples lost, late, repeated, out of order, damaged."""

from collections.abc import Sequence
from math import floor, nan
from typing import Final

from rules import channels as ch
from rules.channels import N_CHANNELS, ROW_WIDTH
from simulator.plant.constants import Constants
from simulator.plant.faults import FaultNow
from simulator.plant.noise import Draw
from simulator.plant.script import FaultKind
from simulator.plant.sensors import PER_UNIT
from simulator.plant.state import MOST_LATE, State

MOST_ROWS: Final = 4  # a sample becomes at most so many rows on the wire
LATEST_S: Final = 0.5
CLOCK_STEP_S: Final = 10.0
_PARKED: Final = (
    *(880.0, -65.0, 2.0, 31.0, 0.0, 0.0, 0.0, 0.0, 15.0, 1.0, 0.0, 3000.0, 900.0, 13.9, 31.0),
    *(0.0, 400.0, 0.0),
)
LONGEST_GAP_S: Final = 0.25  # as the monitor's alignment: silence is data
TICK_S: Final = 0.1
_HELD_BACK_S: Final = 0.15


def send(
    k: Constants,
    s: State,
    faults: Sequence[FaultNow],
    draw: Draw,
    row: list[float],
    out: list[float],
) -> int:
    """Send a row down the wire; return how many rows come out of it now, 0 to 4.

    Args:
        k: Constants.
        s: State.
        faults: The faults; those of messages act here.
        draw: This sample's noise.
        row: What the sensors said.
        out: Room for ``MOST_ROWS`` rows.
    """
    s.row_count += 1.0
    s.clock_offset_s = 0.0
    lost = False
    late_s = 0.0
    twice = False
    again = False
    swapped = False
    stranger = False
    s.unplugged = 0.0
    for i in range(k.fault_count):
        amount = faults[i].now
        kind = faults[i].kind
        if amount == 0.0 or kind < FaultKind.WIRE_NOISE:
            continue
        if kind == FaultKind.WIRE_NOISE:
            if draw.pick < amount:
                _damage(k, draw, row)
        elif kind == FaultKind.MESSAGES_LOST:
            lost = lost or draw.link < amount
        elif kind == FaultKind.MESSAGES_LATE:
            late_s += amount * LATEST_S
        elif kind == FaultKind.MESSAGES_REPEATED:
            twice = twice or draw.link < amount
        elif kind == FaultKind.MESSAGES_INSERTED:
            again = again or draw.link < amount
        elif kind == FaultKind.MESSAGES_DISORDERED:
            swapped = swapped or draw.link < amount
        elif kind == FaultKind.CLOCK_STEP:
            s.clock_offset_s += amount * CLOCK_STEP_S
        elif kind == FaultKind.SECOND_SENDER:
            stranger = True
        elif kind == FaultKind.UNPLUGGED:
            s.unplugged = 1.0
        else:
            s.unplugged = 2.0  # the log ends here
    if s.unplugged != 0.0 or lost:
        return 0
    row[ch.TIME] += s.clock_offset_s
    n = _delay(k, s, late_s, row, out)
    if n == 0:
        return 0
    if swapped and s.have_held_back == 0.0:
        s.have_held_back = 1.0
        _copy(row, 0, s.back_row, 0)
        return n - 1
    if s.have_held_back == 1.0:
        _copy(s.back_row, 0, out, n * ROW_WIDTH)
        n += 1
        s.have_held_back = 0.0
    if twice and n < MOST_ROWS:
        _copy(out, (n - 1) * ROW_WIDTH, out, n * ROW_WIDTH)
        n += 1
    if again and n < MOST_ROWS and s.row_count > 1.0:
        _insert(s, row, out, n)
        n += 1
    if stranger and n < MOST_ROWS:
        out[n * ROW_WIDTH] = row[ch.TIME] - s.clock_offset_s + 0.5 * k.sample_s
        for c in range(N_CHANNELS):
            out[n * ROW_WIDTH + 1 + c] = _PARKED[c] if k.sent[c] != 0.0 else ch.NOT_SENT
        out[n * ROW_WIDTH + ch.CLOCK_PACE] = ch.NOT_SENT
        out[n * ROW_WIDTH + ch.OPERATOR] = ch.OPERATOR_NOTHING
        n += 1
    _copy(row, 0, s.back_row, 0)
    return n


def tick(s: State, now_s: float, out: list[float], rows: int) -> int:
    """Put in the row that says only that time has passed, where nothing has come for a while.

    Args:
        s: State.
        now_s: Time since the start, seconds.
        out: Rows that came now; the tick goes first.
        rows: How many.

    Returns:
        How many rows there are now.
    """
    if rows > 0:
        s.newest_s = now_s
        return rows
    due_s = now_s - _HELD_BACK_S
    if now_s - s.newest_s < TICK_S or due_s <= s.newest_s:
        return 0
    s.newest_s = due_s
    out[0] = due_s
    for c in range(N_CHANNELS):
        out[1 + c] = ch.NOT_SENT
    out[ch.CLOCK_PACE] = ch.NOT_SENT
    out[ch.OPERATOR] = ch.OPERATOR_NOTHING
    return 1


def _copy(source: list[float], at: int, to: list[float], there: int) -> None:
    for j in range(ROW_WIDTH):
        to[there + j] = source[at + j]


def _insert(s: State, row: list[float], out: list[float], n: int) -> None:
    """Put in the last row's readings again, dated as if they were new."""
    _copy(s.back_row, 0, out, n * ROW_WIDTH)
    out[n * ROW_WIDTH] = row[ch.TIME] + 1e-4


def _delay(k: Constants, s: State, late_s: float, row: list[float], out: list[float]) -> int:
    """Pass the row through a line that holds so many samples; return rows that come out."""
    holds = int(late_s / k.sample_s + 0.5)
    if holds > MOST_LATE - 1:
        holds = MOST_LATE - 1
    pending = s.pending
    if holds == 0 and pending == 0:
        _copy(row, 0, out, 0)
        return 1
    _copy(row, 0, s.late_rows, pending * ROW_WIDTH)
    pending += 1
    n = 0
    while pending > holds and n < 2:
        _copy(s.late_rows, 0, out, n * ROW_WIDTH)
        for i in range((pending - 1) * ROW_WIDTH):
            s.late_rows[i] = s.late_rows[ROW_WIDTH + i]
        pending -= 1
        n += 1
    s.pending = pending
    return n


def _damage(k: Constants, draw: Draw, row: list[float]) -> None:
    """Spoil one value: a third each of spikes, NaN and silence."""
    sent = 0
    for c in range(N_CHANNELS):
        if k.sent[c] != 0.0:
            sent += 1
    if sent == 0:
        return
    wanted = int(draw.link_size * sent)
    c = 0
    while True:
        if k.sent[c] != 0.0:
            if wanted == 0:
                break
            wanted -= 1
        c += 1
    how = draw.how
    size = draw.size
    value = row[1 + c]
    if how < 1.0 / 3.0:
        spike = 0.0 if size < 0.5 else value * (1.0 + 2.0 * size)
        row[1 + c] = floor(spike * PER_UNIT[c] + 0.5) / PER_UNIT[c]
    elif how < 2.0 / 3.0:
        row[1 + c] = nan
    else:
        row[1 + c] = ch.NOT_SENT
