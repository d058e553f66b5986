"""A trend in sentences, and drawn: by dates and by order, with a service and without."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.pictures.figure import rendered
from monitor.trend.facts import as_json
from monitor.trend.gathered import Trend, gathered
from monitor.trend.picture import draw, save_trend
from monitor.trend.reading import Reading
from monitor.trend.words import in_words, table, tolerated
from monitor.words.units import METRIC, US
from rules.facts import Action
from simulator.strict import BadInput
from simulator.trend.season import DELAY, FLOW, LAG, LINE, SUPPLY
from simulator.trend.sessions import Measured, Session
from tests.kit.seasons import SEASON_RIG, day_of

EDGES = (50.0, 100.0, 150.0, 200.0, 250.0)
WEEKS = 40
BEGINS = 20


def trend(
    *serviced: str,
    dated: bool = True,
    ends: int = WEEKS,
    a_week: float = 0.01,
    line: float = 0.0,
    highest: float = EDGES[-1],
) -> Trend:
    """Return a season in which the flow falls from a week on until another, and pressure with it.

    Args:
        serviced: Services.
        dated: Whether the logs' names have days.
        ends: From then on all is as it was.
        a_week: Share of the flow that is lost.
        line: Share of the line's pressure that is lost for each of the flow's.
        highest: Boost (kPa) that is reached.
    """
    rng = np.random.default_rng(3)
    logs: list[Any] = []
    for week in range(WEEKS):
        lost = a_week * max(week - BEGINS, 0) * (week < ends)
        flow, pressure = rng.normal(0.99, 0.004) - lost, rng.normal(1.0, 0.006) - line * lost
        session = Session(
            60.0,
            tuple(Measured(flow, 0.001, 30) if edge <= highest else None for edge in EDGES[1:]),
            tuple(Measured(pressure, 0.001, 30) for _ in EDGES[1:]),
            Measured(rng.normal(13.4, 0.05), 0.01, 30),
            rng.normal(0.08, 0.002),
            None if week % 2 else 0.1,
        )
        name = f"{day_of(week)}.csv" if dated else f"a log with a long name {week}.csv"
        logs.append((Path(name), name, Reading(session, Action.WARN if week > 35 else Action(0))))
    return gathered(SEASON_RIG, EDGES, logs, serviced)


def text_of(one: Trend) -> str:
    """Return it as text."""
    return "\n".join(in_words(one, METRIC))


@pytest.mark.parametrize("dated", [True, False])
@pytest.mark.parametrize("units", [METRIC, US])
def test_the_table_fits_80_columns(dated: bool, units: Any) -> None:
    """With four bands, all numbers, a service with a long name and guards that act."""
    when = str(day_of(30)) if dated else "a log with a long name 30.csv"
    lines = list(table(trend(f"{when}=x" + "y" * 58, dated=dated), units))
    assert max(map(len, lines)) <= 80
    assert len(lines) == 2 + WEEKS + 1 + 2
    header, row = lines[1].split(), lines[2 + WEEKS].split()
    assert header[-4:] == ["line", "V", "delay", "lag"]
    assert row[-1] == "--"
    assert row[-2] == lines[2 + WEEKS].split()[-2] != "--"


def test_names_that_begin_alike_are_told_apart() -> None:
    """By their ends, in the room that the bands leave."""
    rows = list(table(trend(dated=False), METRIC))[2 : 2 + WEEKS]
    assert [row[:18] for row in (rows[0], rows[-1])] == ["…a long name 0.csv", "… long name 39.csv"]
    assert len({row[:18] for row in rows}) == WEEKS


def test_a_fade_names_the_pump_and_what_is_left() -> None:
    """Flow and pressure down together; a date for what the rig tolerates, not yet reached."""
    text = text_of(trend(a_week=0.003, line=1.6))
    assert "flow has fallen since about" in text
    assert "line pressure has fallen since" in text
    assert "likely: pump weak or stopped or split line ahead of the flow sensor (flow and" in text
    assert "at this pace it reaches 92.0 %, as far as this rig tolerates it" in text
    assert "about 2026-" in text.partition("tolerates it")[2]


def test_a_healthy_season_says_which_fall_would_be_found() -> None:
    """Of a flow that scatters by 0.4 %."""
    text = text_of(trend(a_week=0.0))
    size = float(text.partition("A lasting fall by ")[2].partition(" % would be found")[0])
    assert 0.4 < size < 4.0
    assert "found within 8 sessions" in text


def test_what_came_back_without_a_service_is_said() -> None:
    """With the option that would judge the rest by itself."""
    text = text_of(trend(ends=32))
    assert f"Back as it was from {day_of(32)} on, and no service was told" in text
    assert f'--serviced "{day_of(32)}=WHAT"' in text
    told = text_of(trend(f"{day_of(32)}=nozzle cleaned", ends=32))
    assert "(nozzle cleaned): flow is back: it had changed by -1" in told
    assert "no service was told" not in told


def test_by_order_sessions_are_counted_instead_of_weeks() -> None:
    """And logs are called by their names."""
    text = text_of(trend(dated=False))
    assert "40 sessions in the order given: none of them has a date in note, clock or name" in text
    assert "a session: from 99." in text
    assert "since about a log with a long name" in text or "since a log with" in text


def test_each_number_has_what_the_rig_tolerates_of_it() -> None:
    """Where the guard begins to take it for evidence; supply has none."""
    rig = SEASON_RIG.rig
    assert tolerated(rig, FLOW, rises=False) == pytest.approx(1.0 - rig.flow_sensor.gain_within)
    assert tolerated(rig, LINE, rises=True) == pytest.approx(1.0 + rig.line_sensor.gain_within)
    assert tolerated(rig, DELAY, rises=True) == pytest.approx(
        rig.flow_sensor.delay_s + rig.flow_sensor.delay_within_s
    )
    assert tolerated(rig, LAG, rises=True) == pytest.approx(
        rig.flow_sensor.lag_s + rig.flow_sensor.lag_within_s
    )
    assert tolerated(rig, SUPPLY, rises=False) is None


def test_json_says_the_same() -> None:
    """Plain types, dates as text, nothing that JSON has no word for."""
    import json

    found = as_json(trend(f"{day_of(32)}=nozzle cleaned", ends=32))
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    first, second = found["spans"]
    assert first["found"]["flow"]["gradual"]
    assert first["found"]["flow"]["tolerated"] == pytest.approx(0.92)
    assert second["against_before"]["flow"]["back"]
    assert found["serviced"] == [
        {"day": str(day_of(32)), "what": "nozzle cleaned", "first_session": 32}
    ]


def test_the_picture_has_every_number_the_service_and_the_change(tmp_path: Path) -> None:
    """Its words stay words in an SVG; a file that is there is left alone."""
    one = trend(f"{day_of(32)}=nozzle cleaned", ends=32)
    text = rendered(lambda: draw(one, US), "svg", words=True).decode()
    for words in ("flow, % of what is due", "line pressure, %", "pump supply, V", "delay and lag"):
        assert words in text
    for words in ("nozzle cleaned", "told from here on", "15-22 psi", "changed (confidence 99."):
        assert words in text
    path = tmp_path / "trend.png"
    save_trend(one, path, METRIC)
    assert path.read_bytes().startswith(b"\x89PNG")
    with pytest.raises(BadInput, match=r"trend\.png"):
        save_trend(one, path, METRIC)


def test_the_legend_of_delay_and_lag_stands_above_their_dots() -> None:
    """A legend's mark among the dots would pass for a session; an empty boost band has none."""
    figure = draw(trend(highest=200.0), METRIC)
    (axis,) = (one for one in figure.axes if one.get_ylabel().startswith("delay"))
    legend = axis.get_legend()
    figure.canvas.draw()  # places it
    assert legend is not None
    bottom = legend.get_window_extent().y0
    for line in axis.get_lines():
        dots = axis.transData.transform(line.get_xydata())
        assert np.nanmax(dots[:, 1]) < bottom
    flow = figure.axes[0].get_legend()
    assert flow is not None
    named = [one.get_text() for one in flow.get_texts()]
    assert "100-150 kPa" in named
    assert "200-250 kPa" not in named


def test_a_picture_by_order_needs_no_dates() -> None:
    """Its axis counts sessions."""
    text = rendered(lambda: draw(trend(dated=False), METRIC), "svg", words=True).decode()
    assert "session, in the order given" in text
