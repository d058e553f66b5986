"""Headers, units and drives drawn at random: none of their columns is silently wrong."""

from typing import Final

import numpy as np
import pytest

from monitor.commission.columns import Column
from monitor.commission.from_log import Log, with_defaults
from monitor.commission.guessing import Guess, Sure, guess
from tests.kit.invented_drive import drive
from tests.kit.odd_headers import Truth, as_logged
from tests.monitor.commission.test_guessing import is_right

# Channel: names, units. A unit that ends in "abs" counts from vacuum.
DRAWN: Final[dict[str, tuple[str, str]]] = {
    "engine_speed_rpm": ("RPM|Engine Speed|eng_spd|Motordrehzahl|Régime|N|nMot", "rpm"),
    "boost_kpa": (
        "MAP|Boost|Manifold Pressure|boost_press|Ladedruck|Pression admission|Saugrohrdruck",
        "kPa|psi|bar|mbar|inHg|kPa abs|psi abs|bar abs|hPa abs",
    ),
    "injector_duty_pct": ("Inj Duty|IDC|Duty|InjDuty|Injector open", "%|1"),
    "intake_c": ("IAT|Intake Air Temp|Charge temp|ACT|Ansauglufttemp|Air temp", "degC|degF"),
    "knock": ("Knock retard|KR|Knock|Klopf", "deg|count"),
    "commanded_ml_min": ("Spray target|WI demand flow|Soll Durchfluss", "mL/min|L/h|cc/min"),
    "delivered_ml_min": ("Spray flow|WI flow|Flow|Durchfluss|Debit eau", "mL/min|L/h|gal/h|mL/s"),
    "lambda_ratio": ("Lambda|Lam 1|Wideband", "1"),
    "throttle_pct": ("TPS|Throttle|Drosselklappe|Papillon", "%|1"),
    "tank_ml": ("Tank|Meth tank|Reservoir", "mL|L|gal"),
    "line_kpa": ("Spray pressure|Line pressure|Pump pressure|Leitungsdruck", "kPa|psi|bar"),
    "supply_v": ("Battery|Batt V|Vbat", "V"),
    "dry_intake_c": ("IAT pre spray|Air temp before WI", "degC|degF"),
    "coolant": ("CLT|Coolant temp|Water temp|ECT", "degC|degF"),
}
ALWAYS = {"engine_speed_rpm", "boost_kpa", "delivered_ml_min"}
STYLES = ("{} ({})", "{} [{}]", "{}_{}", "{} {}", "{}")


def drawn(rng: np.random.Generator) -> tuple[list[Guess], dict[str, Truth]]:
    """Return the guesses for a log drawn at random, and what its columns are."""
    of = drive(
        rate_hz=float(rng.choice([10, 20, 50])),
        pulls=int(rng.integers(1, 4)),
        seed=int(rng.integers(10**6)),
        top_kpa=float(rng.choice([60, 110, 150, 200, 250])),
        full_ml_min=float(rng.choice([200, 420, 900, 1500])),
        law=str(rng.choice(["boost", "fixed", "duty"])),
    )
    pulls_alone = rng.random() < 0.2
    kept = of.by_channel["boost_kpa"] > 20.0 if pulls_alone else np.isfinite(of.time_s)
    columns, truths = [], {}
    for channel, (names, units) in DRAWN.items():
        if channel not in ALWAYS and rng.random() < 0.3:
            continue
        name, unit = str(rng.choice(names.split("|"))), str(rng.choice(units.split("|")))
        unit, _, zero = unit.partition(" ")
        shown = {"degC": "C", "degF": "°F", "1": "", "count": ""}.get(unit, unit)
        shown += " abs" * bool(zero and rng.random() < 0.5)
        style = str(rng.choice(STYLES)) if shown else "{}"
        word = shown if style == "{}" and rng.random() < 0.5 else ""
        header = style.format(name, shown)
        if header not in truths:
            truths[header] = Truth("" if channel == "coolant" else channel, unit, bool(zero))
            values = as_logged(of, channel, unit, bool(zero))[kept]
            columns.append(Column(header, word, values))
    time_s = of.time_s[kept]
    log = Log("drawn", tuple(columns), time_s, 0.02, "t", "s")
    return with_defaults(log, guess(columns, time_s)), truths


@pytest.mark.parametrize("seed", range(40))
def test_no_column_is_silently_wrong(seed: int) -> None:
    """Right, asked, or left out and told why; and most are right."""
    guesses, truths = drawn(np.random.default_rng(seed))
    right = 0
    for one in guesses:
        truth = truths[one.header]
        settled = one.channel and one.sure is not Sure.ASK
        assert not settled or is_right(one, truth), (one, truth)
        right += bool(settled)
        assert one.why
    assert right >= 0.4 * len(guesses)
