"""A plan as one A4 page, landscape: on a screen, and on paper at the car."""

from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any, Final

from monitor.pictures.figure import DPI, new_figure, open_axis, plain, save_figure
from monitor.pictures.plot_panels import INK
from monitor.planning.mixing import limits
from monitor.planning.placing import looks
from monitor.planning.plan import paid_deg
from monitor.planning.sheet import told
from monitor.words.caution import ON_PAPER
from monitor.words.palette import OKABE_ITO
from monitor.words.units import Units
from simulator.planning.delivery import SUPPLY_V
from simulator.planning.mixing import poured_pct
from simulator.planning.plan import Plan

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

A4_INCHES: Final = (11.69, 8.27)
_BLUE: Final = OKABE_ITO["blue"]
_RED: Final = OKABE_ITO["vermillion"]
_BAND: Final = "#CDE6F5"
_FAINT: Final = "#858C93"
_STYLES: Final = ("-", (0, (5, 2)), (0, (1, 1.5)))


def save_plan(plan: Plan, units: Units, path: Path) -> None:
    """Draw a plan and write the picture.

    Args:
        plan: The plan.
        units: Of what is shown.
        path: New file, ``.png`` or ``.svg``.

    Raises:
        BadInput: There is one already, or it can't be written.
    """
    save_figure(lambda: draw(plan, units), path)


def draw(plan: Plan, units: Units) -> "Figure":
    """Return a plan's figure, one A4 page in landscape."""
    figure = new_figure(*(DPI * inches for inches in A4_INCHES))
    boost = units.told(plan.boost_kpa, "kPa", 0)
    figure.suptitle(
        plain(f"Spray plan: {plan.rig.name} at {boost} of boost")[:90],
        y=0.98, fontsize=14, fontweight="bold",
    )  # fmt: skip
    figure.text(0.5, 0.937, _facts(plan, units), ha="center", va="center", fontsize=8, color=INK)
    grid = figure.add_gridspec(
        3, 3, left=0.07, right=0.975, top=0.88, bottom=0.065, hspace=0.5, wspace=0.3,
        height_ratios=(2.0, 1.25, 1.45),
    )  # fmt: skip
    _flow(figure.add_subplot(grid[0, 0]), plan, units)
    _charge(figure.add_subplot(grid[0, 1]), plan, units)
    _lambda(figure.add_subplot(grid[0, 2]), plan)
    _octane(figure.add_subplot(grid[1, 0:2]), plan)
    _tank(figure.add_subplot(grid[1, 2]), plan, units)
    for axis in figure.axes:
        open_axis(axis)
    _checklist(figure.add_subplot(grid[2, :]), plan, units)
    foot = fill(f"{ON_PAPER} Sources, cautions in full: flowdebt plan RIG --report FILE.md", 190)
    figure.text(0.5, 0.012, foot, ha="center", va="bottom", fontsize=7, color=INK)
    return figure


def _facts(plan: Plan, units: Units) -> str:
    """Return what the page rests on, in two lines."""
    spray = plan.rig.spray
    _, flash = limits(spray.methanol_mass_pct)
    charge = units.told(plan.air.dry_c, "°C", 0)
    petrol = units.told(3600.0 * plan.speeds[-1].burned.petrol_kg_s, "kg/h", 0)
    whence = {"asked": "as given", "rig": "by the rig", "assumed": "assumed"}[plan.charge_from]
    return (
        f"charge before the spray {charge} ({whence}); petrol {petrol} at the redline "
        f"({'by the power given' if plan.asked.power_kw else 'by speed-density'}); line "
        f"{units.told(plan.at[0].line_kpa, 'kPa', 0)}, of that across the nozzles "
        f"{units.told(plan.at[0].across_kpa, 'kPa', 0)}\nmix of "
        f"{poured_pct(spray.methanol_mass_pct):z.0f} % methanol by volume before mixing: flash "
        f"point {told(flash, units) if isinstance(flash.value, tuple) else 'not given'}"
    )


def _titled(axis: "Axes", title: str, x: str, y: str) -> None:
    axis.set_title(title, fontsize=9.5, loc="left", fontweight="bold")
    axis.set_xlabel(x, fontsize=8.5)
    axis.set_ylabel(y, fontsize=8.5)


def _flow(axis: "Axes", plan: Plan, units: Units) -> None:
    """Draw what can be delivered over boost, and what common practice sprays."""
    top = 1.45 * units.value(plan.over_boost[0][0].flow_ml_min, "mL/min")
    low, high = (units.value(one, "mL/min") for one in plan.needed_ml_min)
    axis.axhspan(low, min(high, top), color=_BAND, lw=0.0, zorder=0.1)
    axis.text(
        0.03, 0.97, "shaded: 10 to 35 % of the petrol by mass\n(common practice), "
        f"{_span(plan.needed_ml_min, 'mL/min', units)}",
        transform=axis.transAxes, va="top", fontsize=7.5,
    )  # fmt: skip
    for volts, style, over in zip(SUPPLY_V, _STYLES, plan.over_boost, strict=True):
        axis.plot(
            [units.value(one.boost_kpa, "kPa") for one in over],
            [units.value(one.flow_ml_min, "mL/min") for one in over],
            color=_BLUE, ls=style, lw=1.6, label=f"{volts:z.1f} V at the pump",
        )  # fmt: skip
    axis.set_ylim(0.0, top)
    axis.legend(loc="lower left", fontsize=7.5, edgecolor="none")
    _titled(
        axis, "Most that arrives", f"boost, {units.unit('kPa')}", f"flow, {units.unit('mL/min')}"
    )


def _charge(axis: "Axes", plan: Plan, units: Units) -> None:
    """Draw how far spray cools the charge, where the air takes no more, and what is sprayed."""
    least, most = (1e3 * share for share in plan.kg_kg)
    words_from = 0.74  # of the height
    axis.axvspan(least, max(most, least + 0.1), 0.0, words_from, color=_BAND, lw=0.0, zorder=0.1)
    axis.plot(
        [1e3 * share for share, _ in plan.curve],
        [units.value(celsius, "°C") for _, celsius in plan.curve],
        color=_BLUE, lw=1.8,
    )  # fmt: skip
    full = 1e3 * plan.saturates_kg_kg
    axis.axvline(full, 0.0, words_from, color=_RED, ls=(0, (4, 2)), lw=1.2)
    axis.set_xlim(0.0, 1e3 * plan.curve[-1][0])
    low, high = axis.get_ylim()
    axis.set_ylim(low, high + 0.4 * (high - low))
    axis.text(
        0.97, 0.97, f"dashed: the air takes no more, {full:z.1f}\nshaded: sprayed over a pull, "
        f"{least:z.0f} to {most:z.0f}\nintake cooled by {_span(plan.intake_k, 'K', units)}",
        transform=axis.transAxes, va="top", ha="right", fontsize=7.5,
    )  # fmt: skip
    _titled(
        axis, "Charge, given time to evaporate", "spray, g a kg of air",
        f"charge, {units.unit('°C')}",
    )  # fmt: skip


def _span(span: tuple[float, float], unit: str, units: Units) -> str:
    low, high = (units.figure(one, unit, 0) for one in span)
    return f"{low} to {high} {units.unit(unit)}"


def _lambda(axis: "Axes", plan: Plan) -> None:
    """Draw how spray that fails leans the engine."""
    rpm = [one.burned.speed_rpm for one in plan.speeds]
    axis.plot(rpm, [one.fuel.lambda_without for one in plan.speeds], color=_RED, ls=(0, (4, 2)),
              lw=1.6, label="spray lost")  # fmt: skip
    axis.plot(rpm, [one.fuel.lambda_with for one in plan.speeds], color=_BLUE, lw=1.8,
              label="with spray")  # fmt: skip
    least = min(one.fuel.lambda_with for one in plan.speeds)
    axis.set_ylim(least - 0.02, max(one.fuel.lambda_without for one in plan.speeds) + 0.03)
    axis.legend(loc="upper right", ncols=2, fontsize=7.5, edgecolor="none")
    _titled(axis, "Methanol as a fuel: lambda", "engine speed, rpm", "lambda")


def _octane(axis: "Axes", plan: Plan) -> None:
    """Draw the bands of knock resistance, and the timing that the rig spends."""
    bars = (("a cooler intake", plan.octane), ("with a cooler cylinder", plan.octane_all))
    for place, (name, (low, high)) in enumerate(bars):
        axis.barh(-place, high - low, left=low, height=0.42, color=_BAND, ec=_BLUE, lw=0.8)
        axis.text(low, 0.27 - place, f"{name}: {low:z.1f} to {high:z.1f}", fontsize=8)
    spent = paid_deg(plan)
    axis.axvline(spent, color=_RED, ls=(0, (4, 2)), lw=1.4)
    right = spent > 0.75 * max(spent, plan.octane_all[1])
    axis.text(
        spent, -1.42, f" the rig spends {spent:z.1f} deg ", fontsize=8, color=INK,
        ha="right" if right else "left",
    )  # fmt: skip
    axis.set_yticks([])
    axis.set_ylim(-1.5, 0.6)
    axis.set_xlim(0.0, 1.1 * max(spent, plan.octane_all[1], 1.0))
    _titled(
        axis, "Knock resistance: a band by published sensitivities, not a promise",
        "octane numbers; about as many degrees of timing, within a factor of two", "",
    )  # fmt: skip


def _tank(axis: "Axes", plan: Plan, units: Units) -> None:
    """Draw how long the tank lasts, by use."""
    left = plan.lasts[0].minutes / 3.0
    for place, one in enumerate(reversed(plan.lasts)):
        axis.barh(place, one.minutes - left, left=left, height=0.6, color=_BAND)
        way = "" if one.km is None else f", {units.told(one.km, 'km', 0)}"
        axis.text(
            1.1 * left, place,
            f"{one.use.name} ({100.0 * one.use.spraying_share:z.0f} %): "
            f"{one.minutes:z.0f} min{way}", va="center", fontsize=7.5,
        )  # fmt: skip
    axis.set_xscale("log")
    axis.xaxis.set_major_formatter("{x:z.0f}")
    axis.set_xlim(left, plan.lasts[-1].minutes * 1.5)
    axis.set_yticks([])
    tank = units.told(plan.rig.spray.tank_ml, "mL", 0)
    _titled(axis, f"Tank ({tank}), by share with spray", "minutes", "")


def _checklist(axis: "Axes", plan: Plan, units: Units) -> None:
    """Write down what to look at on the car, each with a box to tick."""
    axis.set_axis_off()
    axis.set_xlim(0.0, 1.0)
    axis.set_ylim(0.0, 1.0)
    axis.text(0.0, 1.0, "Look at the car", fontsize=9.5, fontweight="bold", va="top")
    said = [units.sentence(short) for short, _ in looks(plan.rig)]
    said += [
        "Fuse, relay, own earth, sealed joints; spray stops with the engine",
        "Failsafe proven with the pump unplugged, at low boost",
    ]
    rows = (len(said) + 1) // 2
    for i, short in enumerate(said):
        x, y = 0.5 * (i // rows), 0.83 - 0.155 * (i % rows)
        _box(axis, x, y)
        axis.text(x + 0.016, y, short, fontsize=8.5, va="center")


def _box(axis: "Axes", x: float, y: float) -> None:
    from matplotlib.patches import Rectangle

    shape: Any = Rectangle((x + 0.001, y - 0.04), 0.0085, 0.08, fill=False, ec=_FAINT, lw=0.9)
    axis.add_patch(shape)
