"""Characters drawn as shapes, held against the names the Unicode Standard gives them."""

import unicodedata
from collections.abc import Iterator

import pytest

from monitor.pictures.shapes import CELL_HEIGHT, CELL_WIDTH, Box, Dot, shapes

# The Unicode Standard, chapter 21 (braille): dots 1-2-3-7 on the left from the top, 4-5-6-8 right.
PLACES = {
    "1": (0.25, 0.125),
    "2": (0.25, 0.375),
    "3": (0.25, 0.625),
    "7": (0.25, 0.875),
    "4": (0.75, 0.125),
    "5": (0.75, 0.375),
    "6": (0.75, 0.625),
    "8": (0.75, 0.875),
}
QUADRANTS = {
    "UPPER LEFT": (0.0, 0.0),
    "UPPER RIGHT": (0.5, 0.0),
    "LOWER LEFT": (0.0, 0.5),
    "LOWER RIGHT": (0.5, 0.5),
}
EIGHTHS = {
    "ONE EIGHTH": 1,
    "ONE QUARTER": 2,
    "THREE EIGHTHS": 3,
    "HALF": 4,
    "FIVE EIGHTHS": 5,
    "THREE QUARTERS": 6,
    "SEVEN EIGHTHS": 7,
}


def boxes(char: str) -> Iterator[Box]:
    """Yield a character's boxes, which must be all it is made of."""
    made = shapes(char)
    assert made is not None
    for shape in made:
        assert isinstance(shape, Box)
        assert 0.0 <= shape.left < shape.right <= 1.0
        assert 0.0 <= shape.top < shape.bottom <= 1.0
        yield shape


def test_every_braille_pattern_has_the_dots_of_its_name() -> None:
    """``BRAILLE PATTERN DOTS-1245`` has dots 1, 2, 4 and 5 where the standard has them."""
    for code in range(0x2800, 0x2900):
        named = unicodedata.name(chr(code)).partition("DOTS-")[2]
        made = shapes(chr(code))
        assert made is not None
        assert {(dot.x, dot.y) for dot in made if isinstance(dot, Dot)} == {
            PLACES[digit] for digit in named
        }
        assert len(made) == len(named)


@pytest.mark.parametrize("code", range(0x2580, 0x25A0))
def test_every_block_fills_what_its_name_says(code: int) -> None:
    """Eighths from the side named, quadrants named, shades by their strength."""
    name = unicodedata.name(chr(code))
    made = list(boxes(chr(code)))
    if name.startswith("QUADRANT "):
        wanted = {QUADRANTS[part] for part in name.removeprefix("QUADRANT ").split(" AND ")}
        assert {(box.left, box.top) for box in made} == wanted
        assert all(box.right - box.left == box.bottom - box.top == 0.5 for box in made)
        return
    (box,) = made
    whole = (box.left, box.top, box.right, box.bottom)
    if name.endswith("SHADE"):
        strength = {"LIGHT": 0.25, "MEDIUM": 0.5, "DARK": 0.75}[name.split()[0]]
        assert (whole, box.strength) == ((0.0, 0.0, 1.0, 1.0), strength)
        return
    if name == "FULL BLOCK":
        assert whole == (0.0, 0.0, 1.0, 1.0)
        return
    side, _, rest = name.partition(" ")
    share = EIGHTHS[rest.removesuffix(" BLOCK")] / 8
    assert (
        whole
        == {
            "LOWER": (0.0, 1.0 - share, 1.0, 1.0),
            "UPPER": (0.0, 0.0, 1.0, share),
            "LEFT": (0.0, 0.0, share, 1.0),
            "RIGHT": (1.0 - share, 0.0, 1.0, 1.0),
        }[side]
    )


def edges(char: str) -> str:
    """Return the sides of the cell that a line drawing reaches: l, r, u, d; capital is heavy."""
    reached = ""
    for letter, at, across in (("l", 0, 1), ("r", 2, 1), ("u", 1, 0), ("d", 3, 0)):
        for box in boxes(char):
            sides = (box.left, box.top, box.right, box.bottom)
            if sides[at] == (0.0 if at < 2 else 1.0):
                size = CELL_HEIGHT if across else CELL_WIDTH
                thick = (sides[across + 2] - sides[across]) * size
                reached += letter if thick < 1.5 else letter.upper()
    return reached


@pytest.mark.parametrize(
    ("char", "reached"),
    [
        ("─", "lr"),
        ("━", "LR"),
        ("│", "ud"),
        ("┌", "rd"),
        ("└", "ru"),
        ("┤", "lud"),
        ("┼", "lrud"),
        ("╋", "LRUD"),
        ("┍", "Rd"),  # DOWN LIGHT AND RIGHT HEAVY
        ("┢", "RuD"),  # UP LIGHT AND RIGHT DOWN HEAVY
        ("╀", "lrUd"),  # UP HEAVY AND DOWN HORIZONTAL LIGHT
        ("╼", "lR"),  # LIGHT LEFT AND HEAVY RIGHT
        ("╵", "u"),
        ("╯", "lu"),
    ],
)
def test_lines_reach_the_sides_of_their_name(char: str, reached: str) -> None:
    """So that what stands in two cells beside each other meets (code chart 2500)."""
    assert edges(char) == reached


def test_every_line_drawing_is_drawn_or_left_to_the_font() -> None:
    """Double lines and diagonals are the font's; dashes are as many as their name says."""
    for code in range(0x2500, 0x2580):
        name = unicodedata.name(chr(code))
        made = shapes(chr(code))
        if "DASH" in name:
            count = {"DOUBLE": 2, "TRIPLE": 3, "QUADRUPLE": 4}[name.split()[3]]
            assert made is not None
            assert len(made) == count, name
        elif any(word in name for word in ("DOUBLE", "DIAGONAL")):
            assert made is None, name
        else:
            assert list(boxes(chr(code))), name


@pytest.mark.parametrize("char", ["", "a", " ", "■", "漢", "││", "e\u0301"])
def test_other_text_is_no_drawing(char: str) -> None:
    """It is left to a font."""
    assert shapes(char) is None
