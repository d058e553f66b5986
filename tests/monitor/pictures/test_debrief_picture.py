"""The picture of a debrief: right size, right words, right lines, the same bytes."""

import struct
from math import isnan
from pathlib import Path

import msgspec
import numpy as np
import pytest
from matplotlib.figure import Figure

from monitor.attach.drilling import Did
from monitor.pictures.debrief_picture import SIZE_PX, draw, save_debrief, stretch
from monitor.words.debriefing import happened
from monitor.words.units import METRIC, US
from simulator.strict import BadInput
from tests.kit.debriefings import debriefing


def words(figure: Figure) -> str:
    """Return every text of a figure."""
    texts = [text.get_text() for text in figure.texts]
    for axis in figure.axes:
        legend = axis.get_legend()
        texts += [text.get_text() for text in axis.texts]
        texts += [text.get_text() for text in legend.get_texts()] if legend else []
        texts += [label.get_text() for label in axis.get_yticklabels()]
        texts += [axis.get_ylabel(), axis.get_xlabel()]
    return "\n".join(texts)


@pytest.mark.parametrize("ending", [".png", ".svg"])
def test_the_same_debrief_gives_the_same_bytes(tmp_path: Path, ending: str) -> None:
    """Neither date nor chance gets into the file; one that is there is kept."""
    files = [tmp_path / f"{name}{ending}" for name in "ab"]
    for path in files:
        save_debrief(debriefing(), path)
    first, second = (path.read_bytes() for path in files)
    assert first == second
    if ending == ".png":
        assert struct.unpack(">II", first[16:24]) == SIZE_PX
    with pytest.raises(BadInput):
        save_debrief(debriefing(), files[0])


def test_truth_doings_costs_and_score_are_told() -> None:
    """All that a trainee should see after a drive."""
    told = words(draw(debriefing()))
    for expected in (
        "A hill, ada: 83 of 100",
        "Truth: the pump stops, from 1.35 s on. Called: pump",
        "it begins",
        "line pressure reads 977 instead of 1072 kPa",
        "warns, pull timing",
        "cut boost",
        "lift",
        "as you drove",
        "without the fault",
        "the guard alone",
        "nobody acts",
        "35 of 35  call: right",
        "pump fuse, relay and plug",
        "it isn't a certified safety device",
    ):
        assert expected in told


def test_what_was_driven_lies_on_what_would_have_been_up_to_the_onset() -> None:
    """The first panel is the one that showed it first."""
    line = draw(debriefing()).axes[1]
    assert line.get_ylabel() == "line pressure,\nkPa"
    healthy, driven = (np.array(one.get_ydata(), float) for one in line.lines[:2])
    onset_s = debriefing().onset_s
    assert onset_s is not None
    at = int(np.searchsorted(debriefing().time_s, onset_s))
    assert np.array_equal(healthy[: at - 1], driven[: at - 1])
    assert healthy[-1] > driven[-1] + 500.0
    marks = [one.get_xdata()[0] for one in line.lines[2:]]  # type: ignore[index]
    assert marks == [one.time_s for one in happened(debriefing())]


def test_us_figures_stand_everywhere() -> None:
    """Axes, the signs, and the words on the rows."""
    told = words(draw(debriefing(), US))
    assert "line pressure,\npsi" in told
    assert "reads 141.7 instead of 155.5 psi" in told
    assert " kPa" not in told
    assert "degC" not in told


def test_a_drive_in_which_nothing_happened_is_drawn_whole() -> None:
    """It says so."""
    told = debriefing(faulty=False)
    assert "nothing happened" in words(draw(told))
    begin_s, end_s = stretch(told, [])
    assert (begin_s, round(end_s, 1)) == (0.0, 3.4)


def test_a_long_drive_is_drawn_around_what_happened() -> None:
    """A second of it would hardly be seen in ten minutes."""
    long = msgspec.structs.replace(debriefing(), time_s=[float(i) for i in range(340)])
    begin_s, end_s = stretch(long, happened(long))
    assert begin_s == 0.0
    assert 8.0 <= end_s < 12.0


def test_what_is_not_known_leaves_gaps() -> None:
    """A reading that didn't come, a trace without a twin, costs that were not sent."""
    told = debriefing()
    first = told.traces[0]
    gone = msgspec.structs.replace(first, values=[None] * len(first.values), healthy=[])
    figure = draw(msgspec.structs.replace(told, traces=[gone], harm={}, signs=[], did=[]))
    gaps = [line for axis in figure.axes for line in axis.lines if len(line.get_ydata()) > 2]  # type: ignore[arg-type]
    assert not [line for line in gaps if not isnan(float(np.asarray(line.get_ydata())[0]))]
    empty = msgspec.structs.replace(told, time_s=[], traces=[], harm={}, outcomes=[], parts=[])
    assert "0 of 100" not in words(draw(empty, METRIC))


def test_many_doings_leave_out_words_rather_than_hide_one_another(tmp_path: Path) -> None:
    """A trainee who calls and acts without end is still drawn."""
    did = [Did(0.01 * i, "act", "lift", "lift $x$ <b>") for i in range(300)]
    save_debrief(msgspec.structs.replace(debriefing(), did=did, alias="$a$"), tmp_path / "a.svg")
    assert (tmp_path / "a.svg").stat().st_size > 10_000
