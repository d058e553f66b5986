"""Logs that flowdebt writes itself can be read with any rig, in the channels' own units."""

from pathlib import Path

import pytest

from monitor.review.review import review
from monitor.sources.lines.columns import Rejected
from monitor.sources.lines.text_lines import LineDecoder
from simulator.logfile import mapped, write_csv
from simulator.plant import run
from simulator.rig import find_rig, load_rig
from simulator.scenario import scenario_from_text

SCENARIO = """
name = "us units"
teaches = "A car whose rig maps psi and degF still makes a log we can read."
rig = "tarnwick"
[[drive]]
do = "cruise"
for = "1 s"
gear = 3
[[drive]]
do = "pull"
for = "6 s"
gear = 3
[[faults]]
kind = "pump_stop"
at = "4.5 s"
"""


def test_a_simulated_log_of_a_us_rig_reads_back_in_our_own_units(tmp_path: Path) -> None:
    """The rig maps "manifold absolute psi" and more; the log has boost_kpa; the fault is found."""
    scenario = scenario_from_text(SCENARIO, "us.toml")
    path = tmp_path / "log.csv"
    write_csv(run(scenario), path, mapped(scenario.rig))
    found = {(e.finding, e.action.word) for e in review(path, "tarnwick").events}
    assert ("under_delivery", "cut_boost") in found


def test_a_rig_that_maps_the_very_columns_is_believed(tmp_path: Path) -> None:
    """Where every mapped column is in the header, the rig's units count, whatever the names."""
    text = find_rig("brindle").read_text(encoding="utf-8")
    head = text.partition("[limits.boost_kpa]")[0]
    rig = tmp_path / "rig.toml"
    rig.write_text(
        head + '[channels.boost_kpa]\nunit = "psi"\n[channels.delivered_ml_min]\n', encoding="utf-8"
    )
    decoder = LineDecoder(load_rig(rig), "port")
    assert decoder.decode(b"time_s,boost_kpa,delivered_ml_min", 0.0) is None
    sample = decoder.decode(b"1,10,0", 0.0)
    assert sample is not None
    assert sample.boost_kpa == pytest.approx(68.94757, rel=1e-6)


def test_a_header_with_none_of_our_columns_is_told_once() -> None:
    """A logger set to other columns is not just silence: the first such header is shown."""
    decoder = LineDecoder(load_rig(find_rig("brindle")), "port")
    for _ in range(2):
        with pytest.raises(Rejected):
            decoder.decode(b"alpha,beta,gamma", 0.0)
    assert decoder.header_fault is not None
    assert 'found "alpha, beta, gamma"' in decoder.header_fault
