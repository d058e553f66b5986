"""``flowdebt renew``: today's rig is printed or written, and what was done told beside it."""

from pathlib import Path

import pytest

from monitor.cli import run as flowdebt
from simulator.rig import load_rig, shipped_rigs
from tests.kit.rig_text import SMALL

OLD = f'{SMALL}\n[debt]\nshare = "9 %"  # ours, «mine»\nwarn = "1 mL"\n'.replace("\n", "\r\n")


@pytest.fixture
def old_rig(tmp_path: Path) -> Path:
    """An older version's rig, with line ends of another system."""
    path = tmp_path / "car.toml"
    path.write_bytes(OLD.encode())
    return path


def test_printed_to_the_byte(old_rig: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    """Nothing but the rig on standard output; what was done, and is to be decided, beside it."""
    assert flowdebt(["check", str(old_rig)]) == 2
    told = capfdbinary.readouterr().err.decode()
    command = told.partition("(")[2].partition(" rewrites it")[0].split()
    assert command == ["flowdebt", "renew", str(old_rig)]
    assert flowdebt(command[1:]) == 0
    said = capfdbinary.readouterr()
    assert '\r\n[flow_sensor]\r\ngain_within = "9 %"  # ours, «mine»\r\n'.encode() in said.out
    assert said.out.endswith(b'\r\n[debt]\r\n# gone: warn = "1 mL"\r\n')
    told = said.err.decode()
    for part in (
        f"{old_rig}: renewed\n",
        "debt.share is flow_sensor.gain_within now: how far off ",
        "debt.warn is gone: ",
        "  to decide: [flow_sensor] says nothing of these, so defaults hold: transport_delay ",
        "  to decide: debt.cut is by default ",
        "the file itself is as it was\n",
    ):
        assert part in told
    assert old_rig.read_bytes() == OLD.encode()


def test_written_as_a_new_file(old_rig: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Which loads, and is new; never over one that is there, itself least of all."""
    new = old_rig.with_name("new.toml")
    assert flowdebt(["renew", str(old_rig), "--to", str(new)]) == 0
    said = capsys.readouterr()
    assert (said.out, said.err.split("\n")[-2]) == ("", f"wrote {new}")
    assert load_rig(new).rig.flow_sensor.gain_within == pytest.approx(0.09)
    for there in (new, old_rig):
        assert flowdebt(["renew", str(old_rig), "--to", str(there)]) == 2
        assert "nothing is overwritten" in capsys.readouterr().err
    assert old_rig.read_bytes() == OLD.encode()
    assert flowdebt(["renew", str(new)]) == 0
    assert capsys.readouterr().err == f"{new}: nothing to renew, every key is of today\n"
    same = new.with_name("same.toml")
    assert flowdebt(["renew", str(new), "--to", str(same)]) == 0
    assert capsys.readouterr().err.endswith(f"every key is of today\nwrote {same}\n")
    assert same.read_bytes() == new.read_bytes()


def test_a_shipped_rig_is_new(capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    """Said to be so, and printed as it is."""
    assert flowdebt(["renew", "brindle"]) == 0
    said = capfdbinary.readouterr()
    assert said.out == shipped_rigs()["brindle"].read_bytes()
    assert said.err.endswith(b": nothing to renew, every key is of today\n")


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ('lead = "soon"\ncutt = 1\n', '32: debt.cutt: found an unknown key, expected "cut"\n'),
        ("warn = 1\nshare = 3\n", "32: flow_sensor.gain_within: found 3, expected text with a"),
        (
            'lead = 3\n[ladder]\nrelease_below = "0 kPa"\n',
            '33: ladder.release_below: found "0 kPa", expected more than 0 kPa',
        ),
        (
            'lead = 3\n[fault_timing]\ntolerant = "0 s"\n',
            '32: fault_intervals.tolerant: found "0 s", expected 0.001 to 600 s\n',
        ),
    ],
)
def test_what_is_wrong_beside_old_keys_is_one_line(
    more: str, message: str, old_rig: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Told by the line it has in the file as it is; nothing is written; the exit code is 2."""
    old_rig.write_text(f"{SMALL}[debt]\n{more}", encoding="utf-8")
    assert flowdebt(["renew", str(old_rig), "--to", str(old_rig.with_name("new.toml"))]) == 2
    said = capsys.readouterr()
    assert message in said.err
    assert said.err.count("\n") == 1
    assert said.out == ""
    assert not old_rig.with_name("new.toml").exists()
