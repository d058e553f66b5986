"""Cells of a CSV log that are no numbers: not a number, counted, named."""

from math import isnan
from pathlib import Path

import numpy as np
import pytest

from monitor.sources.logs.csv_blocks import SMALL_BLOCK_BYTES, CsvBlocks
from tests.kit.csv_logs import BOOST, HEADER, RIG, complaint, read, write


@pytest.mark.parametrize("cell", ["nan", "NaN", "NAN", "inf", "-inf", "1e999", "-1e999"])
@pytest.mark.parametrize("first", [True, False])
def test_cells_that_are_no_number(tmp_path: Path, cell: str, first: bool) -> None:
    """nan, and whatever is not finite, was sent and is not a number: never "not sent"."""
    rows = [f"0,{cell},{cell}\n", "1,2,3\n"]
    found = read(tmp_path, HEADER + "".join(rows if first else rows[::-1]))
    sample = found[0 if first else 1]
    assert isnan(sample.boost_kpa)
    assert isnan(sample.delivered_ml_min)
    assert len(found) == 2


def test_a_control_sign_beside_a_number_is_no_trouble(tmp_path: Path) -> None:
    """Signs that count as blanks are taken off, also where another cell makes the log be reread."""
    first, second = read(tmp_path, HEADER + "0,1.5\x1e,text\n1,2,3\n")
    assert (first.boost_kpa, second.boost_kpa) == (1.5, 2.0)
    assert isnan(first.delivered_ml_min)


@pytest.mark.parametrize("cell", ["abc", "1_0", "0x10", "1.2.3", "12:30", "٣", "5 kPa", "+", "1,5"])
def test_a_column_of_text_is_named_by_line_and_column(tmp_path: Path, cell: str) -> None:
    """No number in it: the error says which file, line and column, and what stands there."""
    cell_text = f'"{cell}"' if "," in cell else cell
    text = "# more\n" + HEADER + "0,,2\n\n1,,2\n" + f"2,{cell_text},3\n"
    point = " with a decimal point" if "," in cell else ""
    wanted = f'log.csv:6: boost_kpa: found "{cell}", expected a number{point}'
    assert complaint(tmp_path, text) == wanted


def test_a_text_cell_far_down_is_named_too(tmp_path: Path) -> None:
    """Also behind many blocks, and with a decimal comma: not a number, and told by its line."""
    text = HEADER.replace(",", ";") + "0,5;1,5;2\n" * 200_000 + "0,5;1.5;2\n"
    blocks = CsvBlocks(write(tmp_path, text), RIG)
    rows = np.concatenate(list(blocks))
    assert len(rows) == 200_001
    assert isnan(rows[-1][BOOST])
    assert set(rows[:-1, BOOST]) == {1.5}
    assert blocks.statistics.no_numbers == 1
    assert blocks.no_numbers() == ['200002: boost_kpa: found "1.5"']


def test_text_here_and_there_is_no_number_and_all_else_as_it_was(tmp_path: Path) -> None:
    """The same rows as with ``nan`` in those cells, in any block, and rows cut off counted once."""
    kept = [f"{i / 100},{i % 7},{3 + i % 5}\n" for i in range(40_000)]
    kept[20_000] = "200.0,1\n"
    texts, nans = list(kept), list(kept)
    for at, boost in ((11, "x"), (25_000, "ERR"), (25_001, "5 kPa"), (39_999, "=")):
        texts[at], nans[at] = (f"{at / 100},{word},3\n" for word in (boost, "nan"))
    found = []
    for name, lines in (("texts", texts), ("nans", nans)):
        (tmp_path / name).mkdir()
        path = write(tmp_path / name, HEADER + "".join(lines))
        blocks = CsvBlocks(path, RIG, block_bytes=SMALL_BLOCK_BYTES)
        found.append(np.concatenate(list(blocks)))
        assert blocks.statistics.no_numbers == (4 if name == "texts" else 0)
        assert blocks.statistics.rejected == {"number of fields": 1}
        assert (blocks.statistics.received, blocks.statistics.decoded) == (40_000, 39_999)
        first = ['13: boost_kpa: found "x"', '25002: boost_kpa: found "ERR"']
        assert blocks.no_numbers()[:2] == (first if name == "texts" else [])
    assert found[0].tobytes() == found[1].tobytes()
