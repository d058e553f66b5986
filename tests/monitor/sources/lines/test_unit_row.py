"""A log's own row of units against the rig's: what contradicts is refused, what agrees is read."""

from pathlib import Path

import pytest

from monitor.sources.lines.unit_row import known_unit
from monitor.sources.logs.csv_blocks import CsvBlocks
from simulator.rig import RigFile, rig_from_text
from simulator.strict import BadInput
from tests.kit.rig_text import SMALL

MAPPED = SMALL.replace(
    "[channels.boost_kpa]\n[channels.delivered_ml_min]\n",
    """\
[channels.boost_kpa]
column = "MAP"
unit = "psi"
absolute = true
[channels.delivered_ml_min]
column = "Flow"
unit = "cc/min"
[channels.intake_c]
column = "IAT"
unit = "degF"
[time]
column = "t"
unit = "ms"
""",
)
RIG = rig_from_text(MAPPED, "small.toml")


def read(folder: Path, units: str, header: str = "t,MAP,Flow,IAT", rig: RigFile = RIG) -> int:
    """Return how many rows a log with these units gives."""
    path = folder / "log.csv"
    path.write_text(f"# made up\n{header}\n{units}\n0,1,2,3\n10,1,2,3\n", encoding="utf-8")
    return sum(len(block) for block in CsvBlocks(path, rig))


@pytest.mark.parametrize(
    "units",
    [
        "ms,psi,cc/min,degF",
        "[ms],(psi),mL/min,\N{DEGREE SIGN}F",  # one millilitre is one cubic centimetre
        "MSEC,PSI,ml/min,F",
        "ms,psia,furlongs,deg. F",  # unknown ones say nothing
        "ms,psi abs,cc/min,F",
        "ms,psi(a),cc/min,F",
        "ms,psi,cc/min,",
        "ms,psi,cc/min",
    ],
)
def test_units_that_agree_or_are_unknown_are_read(tmp_path: Path, units: str) -> None:
    """Other spellings, equal units, unknown words and a short row: the log reads."""
    assert read(tmp_path, units) == 2


@pytest.mark.parametrize(
    ("units", "column", "found", "expected", "role"),
    [
        ("ms,kPa,cc/min,degF", "MAP", "kPa", "psi", "channels.boost_kpa"),
        ("ms,psi,L/min,degF", "Flow", "L/min", "cc/min", "channels.delivered_ml_min"),
        ("ms,psi,cc/min,C", "IAT", "C", "degF", "channels.intake_c"),
        ("ms,psi,cc/min,\N{DEGREE SIGN}C", "IAT", "\N{DEGREE SIGN}C", "degF", "channels.intake_c"),
        ("ms,psi,cc/min,K", "IAT", "K", "degF", "channels.intake_c"),
        ("s,psi,cc/min,degF", "t", "s", "ms", "time"),
        ("ms,V,cc/min,degF", "MAP", "V", "psi", "channels.boost_kpa"),
    ],
)
def test_a_unit_that_contradicts_the_rig_is_refused(
    tmp_path: Path, units: str, column: str, found: str, expected: str, role: str
) -> None:
    """The line names file, line, column, the log's unit and the rig's."""
    with pytest.raises(BadInput) as caught:
        read(tmp_path, units)
    wanted = f'log.csv:3: {column}: found unit "{found}", expected "{expected}" as the rig says in '
    assert f"{wanted}[{role}]" in str(caught.value)


@pytest.mark.parametrize("word", ["psig", "psi (g)", "PSI gauge"])
def test_gauge_for_absolute_is_refused(tmp_path: Path, word: str) -> None:
    """Where the log says itself which it is; and the other way round."""
    with pytest.raises(BadInput) as caught:
        read(tmp_path, f"ms,{word},cc/min,F")
    wanted = f'log.csv:3: MAP: found gauge pressure "{word}", expected absolute as the rig says in '
    assert f"{wanted}[channels.boost_kpa]" in str(caught.value)
    gauge = rig_from_text(MAPPED.replace("absolute = true\n", ""), "small.toml")
    with pytest.raises(BadInput, match='MAP: found absolute pressure "psia", expected gauge'):
        read(tmp_path, "ms,psia,cc/min,F", rig=gauge)


def test_a_log_of_our_own_is_held_against_our_own_units(tmp_path: Path) -> None:
    """Under our own names the units are the channels' own, whatever the rig's columns have."""
    header = "time_s,boost_kpa,delivered_ml_min,intake_c"
    assert read(tmp_path, "s,kPa,mL/min,degC", header) == 2
    with pytest.raises(BadInput, match='boost_kpa: found unit "psi", expected "kPa"'):
        read(tmp_path, "s,psi,mL/min,degC", header)


def test_one_letter_means_a_unit_only_where_it_can() -> None:
    """C and F are temperatures under temperatures; a degree sign alone is no temperature."""
    assert known_unit("C", "temperature") == "degC"
    assert known_unit("C", "pressure") is None
    assert known_unit("\N{DEGREE SIGN}", "temperature") is None
    assert known_unit("\N{DEGREE SIGN}", "angle") == "deg"
    assert known_unit("[\N{GREEK SMALL LETTER MU}s]", "time") == "\N{MICRO SIGN}s"
