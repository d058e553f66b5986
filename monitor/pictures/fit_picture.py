"""A fit as one picture: one pull, what the fit leaves of all, and what is still uncertain."""

from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from monitor.commission.fitting import Fitted
from monitor.pictures.figure import new_figure, open_axis, plain, save_figure
from monitor.pictures.plot_panels import INK
from monitor.words.palette import OKABE_ITO
from rules.channels import LINE
from rules.facts import Rig
from rules.step.from_rig import witness_column
from simulator.identify import Pull
from simulator.identify.line_pressure import line_parts
from simulator.identify.model import delayed, filled, lagged
from simulator.identify.spraying import APART_S, Spraying, spraying

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_PX: Final = (1200, 1000)
MOST_DOTS: Final = 6000
_BLUE: Final = OKABE_ITO["blue"]
_RED: Final = OKABE_ITO["vermillion"]
_FAINT: Final = "#858C93"
_ALLOWED: Final = "#D5D9DE"
_BAND: Final = "#A9D8F3"
_LEAST_SHARE: Final = 0.1  # of the most that is expected: below it a share says nothing


@dataclass(frozen=True, slots=True)
class _Sensor:
    """A flow sensor: delay and lag, s, and gain."""

    delay_s: float
    lag_s: float
    gain: float

    def reads(self, spray: Spraying) -> Any:
        """Return what it reads in each row, mL/min."""
        at_s, where = filled(spray.t_s)
        asked = delayed(spray.t_s, spray.command, at_s, self.delay_s)
        return self.gain * lagged(at_s, asked, self.lag_s)[where]


@dataclass(frozen=True, slots=True)
class _Drawn:
    """What is drawn of pulls laid one behind the other.

    Attributes:
        what: What is read, and its unit behind a comma.
        pulls: Which they are.
        t_s: Times, s, (n,).
        pull: Whose each row is, an index into ``pulls``, (n,).
        asked: Where spray is asked for, (n,) of bool.
        reading: NaN where it doesn't count, (n,).
        model: What the fit reads there, (n,).
        was: What the rig as it was expects, (n,).
        noise: Of the new rig, as a share.
        uncertain: Name, key, factor, middle and tolerance by the rig as it was, of each number.
        command: Flow asked for, mL/min, (n,); None: it isn't drawn.
    """

    what: str
    pulls: tuple[Pull, ...]
    t_s: Any
    pull: Any
    asked: Any
    reading: Any
    model: Any
    was: Any
    noise: float
    uncertain: tuple[tuple[str, str, float, float, float], ...]
    command: Any = None


def save_fit(fitted: Fitted, path: Path) -> None:
    """Draw a fit, whose rig must have been made, and write the picture.

    Args:
        fitted: The fit.
        path: New file, ``.png`` or ``.svg``.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    save_figure(lambda: draw(fitted), path)


def draw(fitted: Fitted) -> "Figure":
    """Return a fit's figure, 1200 by 1000 pixels at 120 dots an inch."""
    rig = (fitted.new or fitted.rig_file).rig
    by_line = witness_column(rig) == LINE
    drawn = _line_of(fitted, rig) if by_line else _flow_of(fitted, rig)
    figure = new_figure(*SIZE_PX)
    names = ", ".join(log.name for log in fitted.logs)
    figure.suptitle(plain(f"{rig.name}: {names}")[:90], y=0.985, fontsize=13, fontweight="bold")
    grid = figure.add_gridspec(
        3, 3, left=0.085, right=0.975, top=0.93, bottom=0.065, hspace=0.42, wspace=0.32,
        height_ratios=(2.2, 1.5, 1.0),
    )  # fmt: skip
    _one_pull(figure.add_subplot(grid[0, :]), drawn)
    _left_over(figure.add_subplot(grid[1, :]), drawn)
    for place, (name, key, per, middle, within) in enumerate(drawn.uncertain):
        axis = figure.add_subplot(grid[2, place])
        _still_uncertain(axis, fitted, key, per, (per * (middle - within), per * (middle + within)))
        axis.set_xlabel(name, fontsize=8.5)
    for axis in figure.axes:
        open_axis(axis)
    return figure


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _flow_of(fitted: Fitted, rig: Rig) -> _Drawn:
    """Return what is drawn of a flow sensor."""
    was = fitted.rig_file.rig.flow_sensor
    value = {n.found.key: n.found.value for n in fitted.numbers}
    fit = _Sensor(
        _or(value.get("flow_sensor.transport_delay"), was.delay_s),
        _or(value.get("flow_sensor.lag"), was.lag_s),
        _or(value.get("flow_sensor.gain"), 1.0),
    )
    spray = spraying([*chain.from_iterable(log.series for log in fitted.logs)], rig)
    used = np.array([not pull.left_out for pull in fitted.identified.pulls])
    if len(used) == len(spray.pulls):
        spray = spray.only(used)
    return _Drawn(
        "flow, mL/min",
        spray.pulls,
        spray.t_s,
        spray.pull,
        spray.command > 0.0,
        spray.reading,
        fit.reads(spray),
        _Sensor(was.delay_s, was.lag_s, 1.0).reads(spray),
        rig.flow_sensor.noise,
        (
            ("delay, ms", "flow_sensor.transport_delay", 1e3, was.delay_s, was.delay_within_s),
            ("lag, ms", "flow_sensor.lag", 1e3, was.lag_s, was.lag_within_s),
            ("gain", "flow_sensor.gain", 1.0, 1.0, was.gain_within),
        ),
        spray.command,
    )


def _line_of(fitted: Fitted, rig: Rig) -> _Drawn:
    """Return what is drawn of the line's pressure."""
    was = fitted.rig_file.rig.line_sensor
    value = {n.found.key: n.found.value for n in fitted.numbers}
    gain = _or(value.get("line_sensor.gain"), 1.0)
    lag_s = _or(value.get("line_sensor.lag"), was.lag_s)
    pulls = [pull for pull in fitted.identified.pulls if not pull.left_out]
    logs = [*chain.from_iterable(log.series for log in fitted.logs)]
    parts = [(i, part) for i, part in enumerate(line_parts(logs, rig, pulls)) if part is not None]
    columns = [
        (
            part.t_s - pulls[i].begins_s + APART_S * i,
            np.full(len(part.t_s), i),
            np.ones(len(part.t_s), bool),
            np.where(part.use, part.read, np.nan),
            gain * lagged(part.t_s, part.due, lag_s),
            lagged(part.t_s, part.due, was.lag_s),
        )
        for i, part in parts
    ]
    rows = [np.concatenate(column) for column in zip(*columns, strict=True)]
    return _Drawn(
        "line pressure, kPa",
        tuple(pulls),
        rows[0],
        rows[1],
        rows[2],
        rows[3],
        rows[4],
        rows[5],
        rig.line_sensor.noise,
        (
            ("gain", "line_sensor.gain", 1.0, 1.0, was.gain_within),
            ("lag, ms (the rig's: of the sensor alone)", "line_sensor.lag", 1e3, was.lag_s, 0.0),
        ),
    )


def _one_pull(axis: "Axes", drawn: _Drawn) -> None:
    """Draw the longest pull: command, reading, the fit and what the rig as it was expected."""
    read = np.isfinite(drawn.reading)
    longest = int(np.argmax(np.bincount(drawn.pull[read], minlength=len(drawn.pulls))))
    here = drawn.pull == longest
    time_s = drawn.t_s[here]
    time_s = time_s - time_s[np.argmax(drawn.asked[here])]
    seen, reading = read[here], drawn.reading[here]
    top = float(np.nanmax(reading))
    if drawn.command is not None:
        axis.plot(time_s, drawn.command[here], color=_FAINT, ls="--", lw=0.9, label="commanded")
        top = max(top, float(np.max(drawn.command[here])))
    what, _ = drawn.what.split(", ")
    axis.plot(time_s[seen], reading[seen], ".", color=_BLUE, ms=2.5, label=f"{what} as read")
    axis.plot(time_s, drawn.model[here], color=INK, lw=1.2, label="the fit")
    axis.plot(time_s, drawn.was[here], color=_RED, lw=1.0, ls=(0, (5, 2)), label="rig as it was")
    axis.set_xlim(max(float(time_s[0]), -0.5), float(time_s[-1]))
    axis.set_ylim(top=1.25 * top)
    begins_s = drawn.pulls[longest].begins_s
    axis.set_title(f"one pull, the longest, from {begins_s:z.1f} s on", fontsize=9, loc="left")
    axis.set_xlabel("time since spray was first asked for, s", fontsize=8.5)
    axis.set_ylabel(drawn.what, fontsize=8.5)
    axis.legend(loc="upper right", ncols=4, fontsize=7.5, edgecolor="none")


def _left_over(axis: "Axes", drawn: _Drawn) -> None:
    """Draw what the fit leaves of each reading, as a share of it, in all pulls."""
    use = np.isfinite(drawn.reading) & (drawn.model > _LEAST_SHARE * float(drawn.model.max()))
    pulls, place = np.unique(drawn.pull, return_inverse=True)
    begins_s = np.array([drawn.t_s[(drawn.pull == i) & drawn.asked][0] for i in pulls])
    since_s = drawn.t_s[use] - begins_s[place[use]]
    off_pct = 100.0 * (drawn.reading[use] / drawn.model[use] - 1.0)
    each = max(len(off_pct) // MOST_DOTS, 1)
    axis.plot(since_s[::each], off_pct[::each], ".", color=_BLUE, ms=1.8, alpha=0.6)
    noise_pct = 100.0 * drawn.noise
    axis.axhspan(
        -2.0 * noise_pct, 2.0 * noise_pct, color=_BAND, zorder=0.1, lw=0.0,
        label=f"twice the new rig's noise of {noise_pct:z.3g} %",
    )  # fmt: skip
    axis.axhline(0.0, color=INK, lw=0.8)
    reach = max(6.0 * noise_pct, float(np.quantile(np.abs(off_pct), 0.98)))
    axis.set_ylim(-reach, reach)
    axis.set_title("what the fit leaves of the reading, all pulls used", fontsize=9, loc="left")
    axis.set_xlabel("time since spray was first asked for, s", fontsize=8.5)
    axis.set_ylabel("off, %", fontsize=8.5)
    axis.legend(loc="upper right", fontsize=7.5, edgecolor="none")


def _still_uncertain(
    axis: "Axes", fitted: Fitted, key: str, per: float, allowed: tuple[float, float]
) -> None:
    """Draw what the rig allowed for, and the interval of the fit within it."""
    found = fitted.identified.numbers.get(key)
    axis.barh(1.0, allowed[1] - allowed[0], left=allowed[0], height=0.55, color=_ALLOWED)
    ends = [*allowed]
    word = "not enough in the log"
    if found is not None and found.value is not None:
        word = "fit, no interval"
        axis.plot(per * found.value, 0.0, "|", color=INK, ms=14)
        ends.append(per * found.value)
        if found.low is not None and found.high is not None:
            word = "fit, 90 %"
            low, high = per * found.low, per * found.high
            axis.barh(0.0, high - low, left=low, height=0.55, color=_BLUE)
            ends += [low, high]
    room = 0.08 * (max(ends) - min(ends))
    axis.set_xlim(min(ends) - room, max(ends) + room)
    axis.set_ylim(-0.6, 1.6)
    axis.set_yticks([0.0, 1.0], [word, "rig as it was"], fontsize=7.5)
    axis.tick_params(axis="y", length=0)
