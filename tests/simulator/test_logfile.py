"""The plant's samples: one seed, one run, and text that reads back as it was."""

import csv
from dataclasses import replace
from math import inf, nan
from pathlib import Path

import pytest

from rules.channels import CHANNEL_NAMES, CLOCK_PACE, NOT_SENT
from simulator import logfile
from simulator.plant import Do, Fault, FaultKind, Step, run
from tests.kit.plants import RIG, SHIFTS, scenario


def test_same_seed_same_bytes_other_seed_other_bytes() -> None:
    """A seed decides every byte of a run."""

    def text(seed: int) -> str:
        return "\n".join(logfile.line(sample) for sample in run(scenario(), seed))

    assert text(7) == text(7)
    assert text(7) != text(8)


def test_text_reads_back_bit_identical(tmp_path: Path) -> None:
    """Each number of a written log, damaged samples included, reads back to the same float."""
    noisy = scenario(Fault(FaultKind.WIRE_NOISE, 1.0, magnitude=0.3), drive=SHIFTS)
    samples = list(run(noisy, 5))
    path = tmp_path / "log.csv"
    assert logfile.write_csv(samples, path) == len(samples)
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    assert tuple(rows[0]) == ("time_s", *CHANNEL_NAMES)
    assert any(text == "nan" for row in rows for text in row)
    assert any(text == "" for row in rows for text in row)
    for sample, row in zip(samples, rows[1:], strict=True):
        back = [NOT_SENT if text == "" else float(text) for text in row]
        assert [value.hex() for value in back] == [value.hex() for value in sample[:CLOCK_PACE]]


def test_number_text() -> None:
    """Numbers are shortest; not sent is empty; NaN is nan."""
    texts = [logfile.number(x) for x in (3500.0, 0.1, -12.5, nan, NOT_SENT, 1e22)]
    assert texts == ["3500", "0.1", "-12.5", "nan", "", "1e+22"]


def test_only_mapped_channels_are_sent() -> None:
    """A rig that maps three channels gets three, and the log has their columns."""
    few = replace(
        RIG, channels=tuple(c for c in RIG.channels if "boost" in c.name or "_c" in c.name)
    )
    names = logfile.mapped(few)
    sample = next(run(scenario(rig=few), 1))
    sent = [name for name, value in zip(CHANNEL_NAMES, sample[1:], strict=False) if value > -inf]
    assert tuple(sent) == names
    assert logfile.header(names).split(",") == ["time_s", *names]
    assert len(logfile.line(sample, names).split(",")) == len(names) + 1


@pytest.mark.parametrize("rate_hz", [20.0, 60.0, 100.0, 1000.0])
def test_times_and_length_follow_the_rate(rate_hz: float) -> None:
    """Times are multiples of the sample time, and a drive lasts as long as it says."""
    what = replace(scenario(drive=(Step(Do.CRUISE, 1.0, 3),)), rate_hz=rate_hz)
    times = [sample.time_s for sample in run(what, 1)]
    assert times == [round(n / rate_hz, 4) for n in range(1, int(rate_hz) + 1)]
