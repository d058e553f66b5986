"""What the readings of a spray system look like, as a few numbers that tell causes apart.

Each signature is one number with edges between its states ("low", "right", "high"). A signature
whose channels are not there, not healthy, or have not been seen under spray yet, has no reading:
it says nothing, for or against. ``rules.causes.readings`` keeps the numbers up to date.
"""

from dataclasses import dataclass
from itertools import accumulate
from math import exp
from typing import Final


@dataclass(frozen=True, slots=True)
class Signature:
    """One number that tells causes apart.

    Attributes:
        name: As in files.
        channels: What it needs, beside boost and whatever the command needs.
        states: From low to high.
        edges: Between neighbouring states: where, and how soft (same unit as the number).
        normal: Index of the state in which nothing is wrong.
        sentences: One for each state; ``{x}`` is the number, as the sentence wants it.
    """

    name: str
    channels: tuple[str, ...]
    states: tuple[str, ...]
    edges: tuple[tuple[float, float], ...]
    normal: int
    sentences: tuple[str, ...]

    def membership(self, x: float) -> tuple[float, ...]:
        """Return how much a reading belongs to each state; the shares sum to 1."""
        below = list(accumulate((_below(x, at, width) for at, width in self.edges), max))
        return tuple(high - low for low, high in zip((0.0, *below), (*below, 1.0), strict=True))

    def say(self, state: int, x: float) -> str:
        """Return the sentence of a state, with the number in it."""
        percent = 100.0 * x
        return self.sentences[state].format(
            x=x,
            percent=percent,
            missing=min(percent, 100.0),
            under=100.0 - percent,
            over=percent - 100.0,
            over_zero=-percent,
            less=-x,
        )


def _below(x: float, edge: float, width: float) -> float:
    z = (edge - x) / width
    return 1.0 / (1.0 + exp(-z)) if z > -40.0 else 0.0


# Edges: common practice and the plant's tuning seeds, no source.
SIGNATURES: Final = (
    Signature(
        "flow",
        ("delivered_ml_min",),
        ("none", "low", "right", "high"),
        ((0.16, 0.02), (0.90, 0.02), (1.12, 0.02)),
        2,
        (
            "next to nothing arrives: {percent:z.0f} % of the flow due",
            "flow {percent:z.0f} % of what is due",
            "flow as due ({percent:z.0f} %)",
            "flow {percent:z.0f} % of what is due",
        ),
    ),
    Signature(
        "line",
        ("line_kpa",),
        ("none", "low", "right", "high"),
        ((0.28, 0.03), (0.975, 0.004), (1.007, 0.0015)),
        2,
        (
            "hardly any line pressure: {percent:z.0f} % of what the pump gives at this command",
            "line pressure {under:z.0f} % below what pump and nozzles give at this command",
            "line pressure as pump and nozzles give it ({percent:z.0f} %)",
            "line pressure {over:z.1f} % above what pump and nozzles give at this command",
        ),
    ),
    Signature(
        "ripple",
        ("delivered_ml_min",),
        ("calm", "rippling"),
        ((2.2, 0.25),),
        0,
        (
            "flow no less calm than usual ({x:z.1f} times)",
            "flow ripples {x:z.1f} times as much as usual",
        ),
    ),
    Signature(
        "still",
        ("delivered_ml_min",),
        ("alive", "frozen"),
        ((8.0, 1.0),),
        0,
        (
            "flow reading alive",
            "flow reading has stood still {x:z.0f} times as long as it ever should",
        ),
    ),
    Signature(
        "abrupt",
        ("delivered_ml_min",),
        ("as fluid does", "abrupt"),
        ((0.5, 0.1),),
        0,
        (
            "flow reading moves no faster than fluid can",
            "flow reading fell faster than fluid can",
        ),
    ),
    Signature(
        "supply",
        ("supply_v",),
        ("low", "right"),
        ((0.93, 0.01),),
        1,
        (
            "pump supply {under:z.0f} % below its healthy level",
            "pump supply healthy ({percent:z.0f} % of its usual level)",
        ),
    ),
    Signature(
        "tank",
        ("tank_ml",),
        ("low", "enough"),
        ((1.0, 0.15),),
        1,
        ("tank down to {x:z.1f} times the least the pump needs", "fluid in the tank"),
    ),
    Signature(
        "tank_rate",
        ("tank_ml", "delivered_ml_min"),
        ("as sprayed", "too fast", "gone"),
        ((3.5, 0.6), (120.0, 10.0)),
        0,
        (
            "tank falls as what is sprayed accounts for",
            "tank falls {x:z.0f} mL/s faster than the flow reading accounts for",
            "tank reading gone at once ({x:z.0f} mL/s)",
        ),
    ),
    Signature(
        "cooling",
        ("intake_c",),
        ("cooled", "warm"),
        ((7.0, 1.0),),
        0,
        (
            "intake as cool as with healthy spray ({x:+z.1f} K)",
            "intake {x:z.1f} K warmer than with healthy spray at this boost",
        ),
    ),
    Signature(
        "drop",
        ("intake_c", "dry_intake_c"),
        ("short", "full"),
        ((-2.5, 0.4),),
        1,
        (
            "spray cools the intake {less:z.1f} K less than when healthy at this boost",
            "spray cools the intake as when healthy ({x:+z.1f} K)",
        ),
    ),
    Signature(
        "mixture",
        ("lambda_ratio", "engine_speed_rpm"),
        ("richer", "right", "leaner"),
        ((-0.2, 0.03), (0.16, 0.025)),
        1,
        (
            "lambda says {over_zero:z.0f} % more methanol burns than is due",
            "lambda says the methanol burns along as due ({under:z.0f} %)",
            "lambda says {missing:z.0f} % of the methanol due is missing",
        ),
    ),
    Signature(
        "knock",
        ("knock",),
        ("quiet", "knocking"),
        ((0.8, 0.2),),
        0,
        ("no more knock than with healthy spray", "knock {x:z.1f} above its healthy level"),
    ),
    Signature(
        "command",
        ("commanded_ml_min",),
        ("silent", "as due"),
        ((0.4, 0.08),),
        1,
        (
            "the controller commands {percent:z.0f} % of what boost calls for",
            "the controller commands what boost calls for ({percent:z.0f} %)",
        ),
    ),
    Signature(
        "uncommanded",
        ("delivered_ml_min",),
        ("none", "flowing"),
        ((1.5, 0.2),),
        0,
        (
            "no flow without command",
            "flow without command, {x:z.1f} times the sensor's noise floor",
        ),
    ),
)
SIGNATURE_NAMES: Final = tuple(signature.name for signature in SIGNATURES)
SIGNATURE_BY_NAME: Final = {signature.name: signature for signature in SIGNATURES}
