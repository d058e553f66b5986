"""Boost, injector duty, intake temperature, knock and timing: value, limit, trend, health."""

from dataclasses import dataclass

import numpy as np
from rich.cells import cell_len

from monitor.screen.panes.banner import age
from monitor.screen.picture import Picture
from monitor.screen.raster import drawn, fill, reach, thick
from monitor.screen.view import Pane, Row, View, width_of
from monitor.screen.witness import LINE, witness_of
from monitor.words.literal import figure, or_nan, shortened
from monitor.words.units import Units
from rules.channels import label_of_channel

TREND_CELLS = 8
ENTRY_CELLS = 39


@dataclass(frozen=True, slots=True)
class Shown:
    """A channel in the pane. ``column`` is its trace column; ``limited`` where it has a limit."""

    name: str
    label: str
    unit: str
    decimals: int
    column: str


SHOWN = (
    Shown("boost_kpa", "boost", "kPa", 0, "boost_kpa"),
    Shown("injector_duty_pct", "injectors", "%", 0, "value_injector_duty_pct"),
    Shown("intake_c", "intake", "°C", 0, "value_intake_c"),
    Shown("knock", "knock", "deg", 1, "value_knock"),
    Shown("timing_deg", "timing", "deg", 1, "value_timing_deg"),
)
EXTRA = (
    Shown("tank_ml", "tank", "mL", 0, "value_tank_ml"),
    Shown("engine_speed_rpm", "engine", "rpm", 0, "value_engine_speed_rpm"),
)
LINE_PRESSURE = Shown("line_kpa", "line", "kPa", 0, "value_line_kpa")
MOST_ROWS = 3


class Channels(Pane):
    """A table of channels in as many columns as fit."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the channels every tuner watches, the timing taken back, and others if they fit."""
        hello = view.picture.hello
        mapped = set(hello.channels) if hello else set()
        shown, extra = self.listed(view, mapped)
        columns = max(1, (width + 1) // (ENTRY_CELLS + 1))
        many = len(shown) + 1 + len(extra)
        per_entry = max(1, min(MOST_ROWS, height // many))
        if per_entry > 1:
            columns = 1
        each = (width + 1) // columns - 1
        # Where not all fit, timing and what is taken back of it share a place.
        joined = columns * height < many and "timing_deg" in mapped
        entries = [_entry(view, s, each, per_entry, joined=joined) for s in shown]
        if not joined:
            entries.append(_taken_back(view, each, per_entry))
        entries += [_entry(view, s, each, per_entry) for s in extra]
        entries = entries[: columns * (height // per_entry)]
        rows: list[Row] = []
        for i in range(0, len(entries), columns):
            for part in range(per_entry):
                row: Row = []
                for entry in entries[i : i + columns]:
                    row += view.spread(entry[part], [view.say("")], each + 1)
                rows.append(row)
        if len(rows) < height:
            rows.append(_others(view, {s.name for s in (*shown, *extra)}, width))
        return rows

    def listed(self, view: View, mapped: set[str]) -> tuple[list[Shown], list[Shown]]:
        """Return what to show of the channels the rig maps, and what else where there is room."""
        # Where the log has no such channel it says so, for the four that have limits.
        shown = [s for s in SHOWN if s.name in mapped or s.name != "timing_deg"]
        if witness_of(view.picture) is LINE:  # beside boost, which says how much is due
            shown.insert(1, LINE_PRESSURE)
        return shown, [s for s in EXTRA if s.name in mapped]


def _entry(view: View, channel: Shown, width: int, rows: int, *, joined: bool = False) -> list[Row]:
    picture = view.picture
    value = picture.value(channel.name)
    health = picture.health(channel.name)
    hello = picture.hello
    limit = hello.limits.get(channel.name, float("nan")) if hello else float("nan")
    cut_kpa = picture.decision.boost_ceiling_kpa
    ceiling = or_nan(cut_kpa if channel.name == "boost_kpa" else None)
    units = view.units
    value_text = units.figure(value, channel.unit, channel.decimals)
    unit = units.unit(channel.unit)
    text = f"{value_text:>6} {_padded(units, unit, width)}"
    left = [
        view.say(f" {channel.label:<10}", "dim"),
        view.say(text, "dim" if view.old else "strong"),
    ]
    if health == "not mapped":
        return _stacked(view, left, [view.say("not in this log", "dim")], [], width, rows)
    if view.old and picture.frame is not None:
        note = [view.say(" ? old ", "unknown")]
    elif health != "healthy":
        note = [view.say(f" ? {shortened(health, 12)} ", "unknown")]
    elif value > limit:
        note = [view.say(f" ! over {units.figure(limit, channel.unit, 0)} ", "warn")]
    elif ceiling == ceiling:
        over = value > ceiling
        at = units.figure(ceiling, channel.unit, 0)
        note = [view.say(f" {'! over' if over else '▬'} cut {at} ", "cut")]
    elif channel.name == "tank_ml":
        note = [view.say(tank_in_words(picture), "dim")]
    elif channel.name == "timing_deg" and joined and or_nan(picture.decision.retard_deg) > 0.0:
        note = [view.say(f" ▼ pulled {figure(or_nan(picture.decision.retard_deg), 1)} ", "pull")]
    elif channel.name == witness_of(picture).channel:
        due = picture.trace.newest(witness_of(picture).due)
        said = f"due {units.figure(due, channel.unit, 0)}" if due == due else "not judged"
        note = [view.say(said, "dim")]
    elif limit == limit:
        note = [view.say(f"max {units.figure(limit, channel.unit, 0)}", "dim")]
    else:
        note = []
    return _stacked(view, left, note, [channel.column], width, rows)


def _padded(units: Units, unit: str, width: int) -> str:
    """Pad a unit: in much room all trends begin where the longest ends, in little each its own."""
    longest = max(cell_len(units.unit(channel.unit)) + 1 for channel in EXTRA)
    cells = max(4, longest) if width > ENTRY_CELLS + 2 else max(4, cell_len(unit) + 1)
    return f"{unit:<{cells}}"


def tank_in_words(picture: Picture) -> str:
    """Say how long the tank lasts: at the present use, or at full flow while nothing is sprayed.

    Empty where the level isn't known now.
    """
    left_ml = picture.value("tank_ml")
    left_s = or_nan(picture.decision.tank_s)
    if left_ml != left_ml:
        return ""
    if left_s == left_s:
        return f"empty in {age(left_s)}"
    full_ml_min = picture.hello.scale.flow_ml_min if picture.hello else 0.0
    return f"{age(60.0 * left_ml / full_ml_min)} at full" if full_ml_min > 0.0 else ""


def _stacked(
    view: View, left: Row, note: Row, columns: list[str], width: int, rows: int
) -> list[Row]:
    """Put the trend between value and note, or on a row of its own that takes both heights."""
    used = width_of(left)
    if not columns:
        return [view.spread(left, note, width), *([[]] * (rows - 1))]
    if rows == 1:
        # The trend gives way to the word, never the word to the trend.
        cells = min(TREND_CELLS, width - used - width_of(note) - 1)
        short = _trend(view, columns[0], cells, 1)[0] if cells >= 2 else []
        return [view.spread([*left, *short], note, width)]
    cells = max(4, width - used - max(16, width_of(note) + 1))
    trend = _trend(view, columns[0], cells, rows)
    first = view.spread([*left, *trend[0]], note, width)
    pad = view.say(" " * used)
    return [first, *[[pad, *line] for line in trend[1:]]]


def _trend(view: View, column: str, cells: int, rows: int) -> list[Row]:
    trace = view.trace
    end_s = view.axis_end_s
    start_s = end_s - view.span_s
    times_s = trace.column("time_s", start_s)
    blank: list[Row] = [[view.say(" " * cells)] for _ in range(rows)]
    values = trace.column(column, start_s)
    known = values[~np.isnan(values)]
    if not len(known):
        return blank
    low, high = float(known.min()), float(known.max())
    # A channel that hardly moves is drawn flat, not blown up to its noise.
    least = 0.05 * max(abs(low), abs(high), 1.0)
    middle, half = (low + high) / 2.0, max(high - low, least) / 2.0
    line = reach(times_s, values, start_s, end_s, 2 * cells)
    dots = fill(line.low, line.high, middle - half, middle + half, 4 * rows)
    dots = thick(dots, heavy=view.palette.heavy)
    return drawn([(dots, view.palette.graphic["mid"])], view.ground())


def _taken_back(view: View, width: int, rows: int) -> list[Row]:
    retard_deg = or_nan(view.picture.decision.retard_deg)
    left = [
        view.say(" taken back", "dim"),
        view.say(
            f"{figure(retard_deg, 1):>6} {_padded(view.units, 'deg', width)}",
            "dim" if view.old else "strong",
        ),
    ]
    note: Row = []
    if view.old and view.picture.frame is not None:
        note = [view.say(" ? old ", "unknown")]
    elif retard_deg > 0.0:
        note = [view.say(" ▼ pulled ", "pull")]
    return _stacked(view, left, note, ["retard_deg"], width, rows)


def _others(view: View, shown: set[str], width: int) -> Row:
    ill = [(name, health) for name, health in view.picture.unhealthy() if name not in shown]
    if not ill or view.old:
        return []
    text = "; ".join(f"{label_of_channel(name)} {health}" for name, health in ill)
    return [view.say(shortened(f" ? {text} ", width - 1), "unknown")]
