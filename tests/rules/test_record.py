"""Records: one declaration, three forms (object, flat numbers, array of one) that agree."""

import subprocess
import sys
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import pytest

from rules.record import Record, block
from tests.kit.paths import ROOT

WHEELS = ("left", "right")


@dataclass(slots=True)
class Shown(Record):
    """What a toy shows."""

    speed_m_s: float = 1.5
    load_n: list[float] = block(WHEELS, 7.0)
    wear: list[float] = block(WHEELS, 0.25, start=1)


@dataclass(slots=True)
class Toy(Shown):
    """What a toy remembers."""

    age_s: float = 0.0
    ring: list[float] = block(range(3))


@dataclass(slots=True)
class Plan(Record):
    """What a toy is built by."""

    gain: float = 2.0
    count: int = 1
    order: list[int] = block(range(2), 0)


NAMES = ("speed_m_s", "load_n_left", "load_n_right", "wear_left", "wear_right")
FLAT = [float(n) for n in range(1, 10)]


def drive(k: Plan, s: Toy, dt_s: float) -> float:
    """Do what kernels do: read and write numbers, and blocks by index."""
    s.age_s = s.age_s + dt_s
    for i in range(k.count):
        wheel = k.order[i]
        s.wear[1 + wheel] = s.wear[1 + wheel] + k.gain * s.load_n[wheel]
    s.ring[2] = s.wear[2]
    return s.speed_m_s * s.age_s


def test_flat_numbers_stand_in_the_order_of_the_declaration() -> None:
    """A derived record goes on after its base; a block that starts at 1 is flat from there."""
    assert Shown.names() == NAMES
    assert Toy.names() == (*NAMES, "age_s", "ring_0", "ring_1", "ring_2")
    assert Toy().flat() == [1.5, 7.0, 7.0, 0.25, 0.25, 0.0, 0.0, 0.0, 0.0]
    toy = Toy.of_flat(FLAT)
    assert (toy.speed_m_s, toy.wear[1:], toy.ring) == (1.0, [4.0, 5.0], [7.0, 8.0, 9.0])
    assert toy.flat() == FLAT
    with pytest.raises(ValueError, match="Toy: found 8 numbers, expected 9"):
        Toy.of_flat(FLAT[:8])


def test_a_copy_shares_nothing() -> None:
    """Neither two new records nor a record and its copy share a block."""
    toy = Toy.of_flat(FLAT)
    copy, head = Toy.copy_of(toy), Shown.copy_of(toy)
    assert copy == toy
    assert head == Shown.of_flat(FLAT[:5])
    toy.load_n[0] = toy.wear[1] = Toy().ring[0] = 99.0
    assert copy.flat() == FLAT
    assert head.flat() == FLAT[:5]
    assert Toy().ring == [0.0, 0.0, 0.0]


def test_an_array_holds_the_flat_numbers() -> None:
    """An array of floats is flat already, and rows of flat numbers read by name."""
    array = Toy.of_flat(FLAT).array()
    assert array.shape == (1,)
    assert array.view(np.float64).tolist() == FLAT
    rows = np.array([FLAT, FLAT[::-1]]).view(Toy.dtype())[:, 0]
    assert rows["wear"][:, 1:].tolist() == [[4.0, 5.0], [6.0, 5.0]]
    plan = Plan(order=[1, 0]).array()[0]
    assert (plan["gain"], plan["count"], plan["order"].tolist()) == (2.0, 1, [1, 0])
    assert plan["order"].dtype == np.int64


def test_interpreted_and_compiled_code_read_and_write_alike() -> None:
    """The same function, on objects and on arrays of one record."""
    compiled: Any = numba.njit(drive)

    def once(k: Any, s: Any, dt_s: float) -> float:
        return float(compiled(k[0], s[0], dt_s))

    plan, toy = Plan(count=2, order=[1, 0]), Toy.of_flat(FLAT)
    arrays = plan.array(), toy.array()
    for _ in range(3):
        assert numba.njit(once)(*arrays, 0.1) == drive(plan, toy, 0.1)
    assert arrays[1].view(np.float64).tolist() == toy.flat() != FLAT


def test_records_need_no_numpy() -> None:
    """A guard that starts interpreted loads neither numpy nor a compiler."""
    code = "import sys, rules.record; sys.exit('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False)
    assert done.returncode == 0
