"""By what law spray is asked for: told by the command, less well by the flow, or not at all."""

import pytest

from monitor.commission.columns import Column
from monitor.commission.drafting import chosen
from monitor.commission.guessing import guess
from monitor.commission.law import Found, find_law
from monitor.commission.ties import Readings
from tests.kit.invented_drive import drive

ENGINE = ("engine_speed_rpm", "boost_kpa", "injector_duty_pct")


def found(law: str, *flows: str, pulls: int = 3) -> Found | None:
    """Return what a drive of a law says, with these columns beside the engine's."""
    of = drive(law=law, pulls=pulls)
    columns = [Column(name, "", of.by_channel[name]) for name in (*ENGINE, *flows)]
    return find_law(Readings(columns, guess(columns, of.time_s), of.time_s))


@pytest.mark.parametrize("command", ["commanded_ml_min", "command_pct"])
@pytest.mark.parametrize(
    ("law", "kind", "start", "full"),
    [
        ("boost", "boost", 55.0, 135.0),
        ("fixed", "fixed", 60.0, 0.0),
        ("duty", "injector_duty", 25, 70),
    ],
)
def test_a_logged_command_tells_its_law(
    command: str, law: str, kind: str, start: float, full: float
) -> None:
    """Kind, start and end, within 2 kPa or percent."""
    told = found(law, command)
    assert told is not None
    assert told.by_command
    best = chosen(told)
    assert best is not None
    assert best.kind == kind
    assert best.start == pytest.approx(start, abs=2.0)
    assert kind == "fixed" or best.full == pytest.approx(full, abs=2.0)
    assert told.full_ml_min == 0.0


@pytest.mark.parametrize(
    ("law", "kind", "start"),
    [("boost", "boost", 55.0), ("fixed", "fixed", 60.0), ("duty", "injector_duty", 25)],
)
def test_the_flow_tells_it_less_well(law: str, kind: str, start: float) -> None:
    """The best law is the right one, its start within 8; rivals are named."""
    told = found(law, "delivered_ml_min")
    assert told is not None
    assert not told.by_command
    best = min(told.laws, key=lambda one: one.error)
    assert best.kind == kind
    assert best.start == pytest.approx(start, abs=8.0)
    assert told.full_ml_min == pytest.approx(420.0, rel=0.03)
    assert (chosen(told) is None) == (len(told.laws) > 1)


def test_without_spray_nothing_is_told() -> None:
    """No pull, no law; no boost, no law."""
    assert found("boost", "delivered_ml_min", pulls=0) is None
    assert found("boost") is None
