"""The way of the spray from tank to engine, with what each part reads, and where trouble sits."""

from dataclasses import dataclass
from typing import Final

from rich.segment import Segment

from monitor.screen.picture import Picture
from monitor.screen.view import Pane, Row, View, width_of
from monitor.words.literal import or_nan

LEAST_SHARE: Final = 0.05
LINK: Final = "──"


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the way.

    Attributes:
        word: Its name.
        channel: Channel that is read there; empty where there is none.
        unit: Of the channel.
        decimals: Shown of it.
        causes: Causes (``rules.causes.known``) that sit in this part.
        sensor: Whether it is there only where its channel is.
    """

    word: str
    channel: str = ""
    unit: str = ""
    decimals: int = 0
    causes: tuple[str, ...] = ()
    sensor: bool = False


PARTS: Final = (
    Part("controller", "commanded_ml_min", "mL/min", 0, ("controller_silent",)),
    Part("tank", "tank_ml", "mL", 0, ("air_or_empty", "wrong_mix")),
    Part("pump", "supply_v", "V", 1, ("pump", "supply_low")),
    Part("line", "line_kpa", "kPa", 0, ("split_before_sensor", "line_sensor")),
    Part(
        "flow sensor",
        "delivered_ml_min",
        "mL/min",
        0,
        ("sensor_drift", "sensor_stuck", "sensor_dead"),
        sensor=True,
    ),
    Part("nozzles", causes=("clog", "split_after_sensor", "valve_or_siphon")),
    Part("charge", "intake_c", "°C", 0, ("intake_sensor",)),
)
_PLACE: Final = {cause: i for i, part in enumerate(PARTS) for cause in part.causes}
_JOINTS: Final = ("", " ┄► ", *[f" {LINK} "] * (len(PARTS) - 2))
# Whose reading gives way first where there is little room; what is expected stands in the plot.
_GIVE_WAY: Final = (0, 6, 1, 2, 3, 4)


class SprayPath(Pane):
    """Two rows: the parts with their readings, and under them the share of suspicion."""

    def draw(self, view: View, width: int, height: int) -> list[Row]:
        """Draw the parts; quiet while nothing is suspected."""
        del height
        shares = suspicion(view.picture)
        told = [_part(view, part, bool(shares[i])) for i, part in enumerate(PARTS)]
        there = [i for i, row in enumerate(told) if row]
        joints = sum(len(_JOINTS[i]) for i in there)
        # A part that is left out can't be suspected: readings give way before parts do.
        for i in sorted(_GIVE_WAY, key=lambda place: shares[place] > 0.0):
            if 1 + joints + sum(map(width_of, told)) <= width:
                break
            told[i] = told[i][:1]
        top: Row = [view.say(" ")]
        below: Row = [view.say(" ")]
        for i in there:
            # The chip stands under the part's name, or right of the chip before where that is long.
            at = width_of(top) + len(_JOINTS[i])
            top += [view.say(_JOINTS[i], "dim"), *told[i]]
            if shares[i] >= LEAST_SHARE:
                below.append(Segment(" " * max(1, at - width_of(below) - 1), view.ground()))
                below.append(view.say(f" ? {100.0 * shares[i]:z.0f} % ", "unknown"))
        return [top, below]


def suspicion(picture: Picture) -> list[float]:
    """Return the share of likelihood (0 to 1) that sits in each part; all 0 while all is well."""
    shares = [0.0] * len(PARTS)
    for cause in picture.causes:
        if cause.cause in _PLACE:
            shares[_PLACE[cause.cause]] += cause.likelihood
    return shares


def _part(view: View, part: Part, suspected: bool) -> Row:
    row: Row = [view.say(part.word, "strong" if suspected else "dim")]
    picture = view.picture
    logged = (
        (part.channel, "command_pct") if part.channel == "commanded_ml_min" else (part.channel,)
    )
    mapped = any(picture.health(name) != "not mapped" for name in logged)
    if not part.channel or not mapped:
        return [] if part.sensor else row
    value = picture.value(part.channel)
    if part.channel == "commanded_ml_min":
        value = or_nan(picture.decision.commanded_ml_min)
    text = f" {view.units.told(value, part.unit, part.decimals)}"
    return [*row, view.say(text, "dim" if view.old else "ink")]
