"""Bytes of others as text: a byte order mark is no mistake, foreign bytes name their line."""

from pathlib import Path

import pytest

from simulator.rig import load_rig
from simulator.strict import BadInput, decode_bytes, read_text
from simulator.strict.text import MAX_BYTES
from tests.kit.rig_text import SMALL


def test_bytes_that_are_no_text_name_their_line(tmp_path: Path) -> None:
    """A Latin-1 file is refused at the line of its first foreign byte, with and without a BOM."""
    path = tmp_path / "latin.toml"
    path.write_bytes(b'name = "a"\n# caf\xe9\n')
    with pytest.raises(BadInput, match=r"latin\.toml:2: found byte 0xe9, expected UTF-8"):
        read_text(path)
    with pytest.raises(BadInput, match="b:2: found byte 0xe9"):
        decode_bytes(b"\xef\xbb\xbf#\n\xe9", "b")
    path.write_bytes(b"#" * (MAX_BYTES + 1))
    with pytest.raises(BadInput, match=r"latin\.toml:1: found more than 1000000 bytes"):
        read_text(path)


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    """Some editors write one."""
    path = tmp_path / "bom.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert load_rig(path).rig.name == "Small"
